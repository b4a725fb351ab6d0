"""Forms that walk through pieces by their blind codes: grades, throw, and the warmer."""

import datetime as dt
import html
import time

import ipywidgets as w
import pandas as pd

from scentlab.forms.fields import (
    Field,
    hint_html,
    in_a_row,
    make_button,
    note,
    read_all,
    show_if,
    stacked,
    text_column,
)
from scentlab.forms.frame import Form
from scentlab.forms.photo import PhotoStrip
from scentlab.recording.drawings import reference_strip
from scentlab.recording.progress import age_words
from scentlab.recording.records import warming_words
from scentlab.schema import GRADE_WORDS, STRESS_WORDS, THROW_WORDS, THROWS, WARMINGS, check_row

_NO_HEAT = ("No heat cycle is logged yet. If this piece has been heat-cycled, log the cycle under "
            "“Heat cycle” below. If not, tap “Leave this piece for later”.")
_ANCHORS = {0: "0: nothing", 5: "5: clear", 10: "10: overpowering"}


class _PieceForm(Form):
    """A form that walks through pieces in a given order; it shows only the blind code.

    ``codes`` is a list of codes in that order, or a frame with ``code`` and, when known,
    ``stress``, ``age_days``, ``planned_age_days`` and ``position``. ``choices`` are the buttons
    that save.
    """

    def __init__(self, title, codes, on_save, on_undo):
        super().__init__(on_save, on_undo)
        self._title, self._made_on = title, dt.date.today()
        self._pieces = (codes.to_dict("records") if isinstance(codes, pd.DataFrame) else
                        [{"code": code} for code in codes])
        self._waiting = list(range(len(self._pieces)))
        self.heading = w.HTML()
        self.later = self._button("Leave this piece for later", "later", self._postpone)

    def _taps(self, name, words):
        """A button for each place of a scale, which saves that place by one tap."""
        self.choices = [make_button(said, f"{name}-{place}", saves=True)
                        for place, said in enumerate(words)]
        for place, button in enumerate(self.choices):
            button.on_click(lambda _, p=place: self._guarded(lambda: self._save(p)))

    @property
    def piece(self):
        """The piece that is shown, or None when all are done."""
        return self._pieces[self._waiting[0]] if self._waiting else None

    @property
    def _place(self):
        return self._waiting[0] if self._waiting else None

    def _age(self, piece):
        """Age now: the form may have been made before midnight."""
        days = piece.get("age_days")
        return None if days is None else days + (dt.date.today() - self._made_on).days

    def _postpone(self):
        self._waiting.append(self._waiting.pop(0))
        self._show()

    def _return_to(self, place):
        if place is not None:
            self._waiting = [place, *(p for p in self._waiting if p != place)]
        self._show()

    def _store_piece(self, row, words):
        self._store({"code": self.piece["code"], **row}, f"piece {self.piece['code']}, {words}",
                    self._place)
        self._waiting.pop(0)

    def _show(self):
        piece, total = self.piece, len(self._pieces)
        for button in (*self.choices, self.later):
            button.disabled = piece is None
        if piece is None:
            done = f"all {total} pieces are done" if total else "no piece is waiting"
            self.heading.value = f"<h3>{self._title}: {done}.</h3>"
            return
        number = total - len(self._waiting) + 1
        self.heading.value = (
            f"<h3>{self._title}: piece <span style='font-size:1.6em'>{html.escape(piece['code'])}"
            f"</span> ({number} of {total}){self._beside(piece)}</h3>"
        )

    def _beside(self, piece):
        """What is shown beside the code; nothing that tells more than the form needs."""
        return ""


class GradeForm(_PieceForm):
    """Sweat or frost grades of pieces, by blind code, one tap per piece.

    ``photos`` are callables ``of``, ``add`` (of the code, the bytes, and what is known of it) and
    ``undo``, or None. ``heated`` is whether a heat cycle is recorded; if not, the first heated
    piece says so.
    """

    def __init__(self, codes, test, assessor, on_save, on_undo=None, photos=None, heated=True):
        self._not_heated, self._hinted = not heated, None
        self._test, self._assessor, self._photos = test, assessor, photos
        super().__init__(f"{test.capitalize()} grade by {assessor}", codes, on_save, on_undo)
        self._taps("grade", [f"{grade}: {words}" for grade, words in enumerate(GRADE_WORDS[test])])
        strip = w.HTML("<details open><summary>The grades (keys 0 to 4)</summary>"
                       f"{reference_strip(test)}</details>")
        self.photo = photos and PhotoStrip(
            photos.of, lambda data: self._guarded(lambda: self._add_photo(data)))
        self._lay_out(strip, self.heading, *filter(None, [self.photo]),
                      w.Box(self.choices, _dom_classes=["scent-choices"]),
                      self.message, in_a_row([self.undo, self.later]))
        self._show()

    def _show(self):
        super()._show()
        if self.photo is not None:
            self.photo.show(self.piece and self.piece["code"])

    def _add_photo(self, data):
        code = self.piece["code"]
        receipt = self._photos.add(code, data, test=self._test, age_days=self._age(self.piece),
                                   assessor=self._assessor)
        self._stored(receipt, f"photo of piece {code}", self._photos.undo)
        self._show()

    def _beside(self, piece):
        stress, age = piece.get("stress"), age_words(self._age(piece),
                                                     piece.get("planned_age_days"))
        words = ", ".join(filter(None, [STRESS_WORDS.get(stress), age]))
        if stress == "heat" and self._not_heated and self._hinted in (None, piece["code"]):
            self._hinted = piece["code"]
            return f", {words}{note('flag', _NO_HEAT)}"
        return f", {words}" if words else ""

    def _save(self, grade):
        row = {"test": self._test, "stress": self.piece.get("stress"),
               "age_days": self._age(self.piece), "assessor": self._assessor, "grade": grade}
        self._store_piece(row, f"{self._test} grade {grade} ({GRADE_WORDS[self._test][grade]})")
        self._show()


class ThrowForm(_PieceForm):
    """Throw scores from 0 (nothing) to 10 (overpowering), by blind code, one tap per piece. Hot
    throw needs the minutes on the warmer, by the timer or typed."""

    def __init__(self, codes, assessor, sitting, kind, on_save, on_undo=None, *,
                 works_with_fragrance=None):
        self._kind, self._assessor, self._sitting = kind, assessor, sitting
        self._works, self._timers, self._minutes_given = works_with_fragrance, {}, {}
        title = f"{THROW_WORDS[kind].capitalize()} throw by {assessor}, session {sitting}"
        super().__init__(title, codes, on_save, on_undo)
        self._taps("throw", [_ANCHORS.get(n, str(n)) for n in range(11)])
        self.start = self._button("The warmer is on now", "start", self._start)
        self.minutes = Field("minutes", THROWS["minutes"],
                             "Minutes on the warmer, if not timed here", example="such as 30")
        timing = [self.start, self.minutes] if kind == "warm" else []
        keys = w.HTML(hint_html("Tap a score, or type it: keys 0 to 9, and 1 0 for 10."))
        self._lay_out(self.heading, *timing, keys, in_a_row(self.choices), self.message,
                      in_a_row([self.undo, self.later]))
        self._show()

    def _show(self):
        """Each piece has its own time on the warmer, kept when it is left for later."""
        super()._show()
        since = self._timers.get(self._place)
        self.browser.since = 1000 * (since or 0)
        # A second tap would put the timer back.
        self.start.disabled = since is not None or self.piece is None

    def _start(self):
        # The clock on the wall, as on the page: a machine that sleeps stops its other clocks.
        self._timers[self._place] = time.time()
        self._show()
        self._say("saved", f"The warmer has been on since {dt.datetime.now():%H:%M:%S}.")

    def _minutes(self):
        typed = self.minutes.read() if self._kind == "warm" else None
        if self._kind != "warm" or typed is not None:
            return typed
        since = self._timers.get(self._place)
        if since is None:
            raise ValueError("Start the timer when the warmer goes on, or type the minutes.")
        return round(max(0.0, time.time() - since) / 60, 1)

    def _smelt_at(self):
        """The place of the piece: who left one for later smells it later."""
        places = sorted(p.get("position", n) for n, p in enumerate(self._pieces, 1))
        return places[len(self._pieces) - len(self._waiting)]

    def _save(self, score):
        place, minutes = self._place, self._minutes()
        row = {"assessor": self._assessor, "sitting": self._sitting, "kind": self._kind,
               "throw": float(score), "minutes": minutes,
               "position": self._smelt_at(),
               "works_with_fragrance": self._works}
        warmed = "" if minutes is None else f" after {minutes:g} min on the warmer"
        self._store_piece(row, f"{THROW_WORDS[self._kind]} throw {score} of 10{warmed}")
        self._timers.pop(place, None)
        self._minutes_given[place], self.minutes.value = minutes, ""
        self._show()

    def _return_to(self, place):
        super()._return_to(place)
        minutes = self._minutes_given[place]
        self.minutes.value = "" if minutes is None else f"{minutes:g}"


class WarmingForm(_PieceForm):
    """Checks of pieces left on the warmer: weighed, smelt, or both, at so many hours. ``kept``
    are codes of pieces kept for the warmer, each of which can be put on by typing it. When all
    are checked, a button begins another round."""

    def __init__(self, codes, assessor, kept, on_save, on_undo):
        self._assessor, self._kept = assessor, list(kept)
        super().__init__(f"On the warmer, by {assessor}", codes, on_save, on_undo)
        self.fields = {
            "hours": Field("hours", WARMINGS["hours"], example="0 before it is lit"),
            "weight_g": Field("weight_g", WARMINGS["weight_g"]),
            "throw": Field("throw", WARMINGS["throw"], "Hot throw, 0 nothing to 10 overpowering")}
        self.save = self._button("Save this check", "save", self._save, saves=True)
        self.choices = [self.save]
        self.again = self._button("Check them all again a few hours later", "again",
                                  self._begin_again)
        self.add = Field("add", text_column("add", "code of another piece"), example="such as 417")
        self.put_on = self._button("Put it on the warmer", "put-on", self._put_on)
        self._check = stacked([*self.fields.values(), self.save])
        self._lay_out(
            self.heading, self._check, self.message, in_a_row([self.undo, self.later, self.again]),
            self.add, self.put_on)
        self._show()

    def _show(self):
        super()._show()
        show_if(self.piece is not None, self._check, self.later)
        show_if(self.piece is None and self._pieces, self.again)
        show_if(self._kept, self.add, self.put_on)
        if not self._pieces:
            hint = "type the code of one below" if self._kept else "and none was kept in reserve"
            self.heading.value = f"<h3>{self._title}: no piece is on it yet, {hint}.</h3>"

    def _begin_again(self):
        """All pieces once more; the hours of the last round would be wrong now."""
        self._waiting, self.fields["hours"].value = list(range(len(self._pieces))), ""
        self.message.value = ""
        self._show()

    def _put_on(self):
        code = self.add.text
        if code in [piece["code"] for piece in self._pieces]:
            raise ValueError(f"piece {code} is already on the warmer; its turn will come")
        if code not in self._kept:
            raise ValueError(
                f"found {code!r}, expected the code of a poured reserve piece: check its label"
            )
        self._kept.remove(code)
        self._waiting.insert(0, len(self._pieces))
        self._pieces.append({"code": code})
        self.add.value = ""
        self._show()
        self._say("flag", f"Piece {code} is shown above. Nothing is stored until you save its "
                          "check; do the first at 0 h, before lighting the warmer.")

    def _save(self):
        row = read_all(self.fields)
        row["assessor"] = None if row["throw"] is None else self._assessor
        check_row(WARMINGS, {"code": self.piece["code"], **row})
        self._store_piece(row, warming_words(row))
        for name in set(self.fields) - {"hours"}:  # pieces are checked at the same time
            self.fields[name].value = ""
        self._show()

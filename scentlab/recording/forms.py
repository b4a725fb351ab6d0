"""Forms for JupyterLab: what was weighed, seen and smelt.

A form knows no database. It takes what is to be recorded and a callable ``on_save(row)`` that
returns a receipt; the row is a dict in the columns of the store with a unique ``key`` beside them,
so that a resend stores nothing twice. An exception in a click callback never reaches the caller,
so a form catches it and shows it. Every form starts empty and shows only the blind code.

In the browser a small part of our own (``pages/form.js``) keeps the notebook's single-key commands
away from the form, takes the keys 0 to 4 for grades, and says NOT SAVED when the kernel does not
answer a tap that was to save. Without a browser a form is driven by ``.click()`` on its buttons.
"""

import datetime as dt
import html
import time

import ipywidgets as w
import pandas as pd

from scentlab import schema
from scentlab.recording.drawings import GRADE_WORDS, reference_strip
from scentlab.recording.form_parts import (
    STYLE,
    Form,
    assessor_code,
    in_a_row,
    make_button,
    note,
    one_of,
    past_day,
    piece_list,
    spoken_day,
    stacked,
    text_field,
    typed_number,
)
from scentlab.recording.progress import age_words
from scentlab.recording.records import BLEEDS, WARMINGS, check_row, warming_words
from scentlab.units import load_from_weights, say_load, say_temperature

THROW_WORDS = {0: "nothing", 10: "overpowering"}
LOAD_TOLERANCE = 0.3  # points of load (% of wax) that a pour may miss its plan by
# Points of load off the plan from which a slip is more likely than a pour that went astray.
FAR_OFF = 1.0
FAR_OFF_C = 10.0  # °C that a pot may miss its planned temperature by before it is asked about
USUAL_ROOM_C = (5.0, 45.0)  # a room outside is more likely a slip (common practice, no source)


class _PieceForm(Form):
    """A form that walks through pieces in a given order, one tap per piece."""

    def __init__(self, codes, on_save, on_undo):
        super().__init__(on_save, on_undo)
        self._pieces, self._made_on = piece_list(codes), dt.date.today()
        self._waiting = list(range(len(self._pieces)))
        self.heading = w.HTML()
        self.later = make_button("Leave this piece for later", "later")
        self.later.on_click(lambda _: self._guarded(self._postpone))

    @property
    def piece(self):
        """The piece that is shown, or None when all are done."""
        return self._pieces[self._waiting[0]] if self._waiting else None

    def _age(self, piece):
        """Age now: the form may have been made before midnight."""
        days = piece.get("age_days")
        return None if days is None else days + (dt.date.today() - self._made_on).days

    def _postpone(self):
        self._waiting.append(self._waiting.pop(0))
        self._show()

    def _return_to(self, place):
        self._waiting.insert(0, place)
        self._show()

    def _next(self):
        self._waiting.pop(0)
        self._show()

    def _show(self):
        piece, total = self.piece, len(self._pieces)
        for button in (*self.choices, self.later):
            button.disabled = piece is None
        if piece is None:
            done = f"all {total} pieces are done" if total else "no piece waits"
            self.heading.value = f"<h3>{self._title}: {done}.</h3>"
            return
        number = total - len(self._waiting) + 1
        self.heading.value = (
            f"<h3>{self._title}: piece <span style='font-size:1.6em'>{html.escape(piece['code'])}"
            f"</span> ({number} of {total}){self._beside(piece)}</h3>"
        )

    def _beside(self, piece):
        """What stands beside the code; nothing that tells more than the form needs."""
        return ""


class GradeForm(_PieceForm):
    """Sweat or frost grades of pieces, by blind code, one tap per piece.

    Parameters
    ----------
    codes : list of codes in the order to be shown, or a frame with ``code`` and, when known,
        ``stress``, ``age_days`` and ``planned_age_days``; the ages stand beside the code.
    test : "sweat" or "frost".
    assessor : the assessor's code, such as "A1".
    on_save : callable(row) -> receipt, with row in the columns of the table of grades.
    on_undo : callable(receipt) that voids the entry, or None for a form without undo.
    """

    def __init__(self, codes, test, assessor, on_save, on_undo=None):
        super().__init__(codes, on_save, on_undo)
        self._test, self._assessor = one_of(test, GRADE_WORDS, "test"), assessor_code(assessor)
        self._title = f"{test.capitalize()} grade by {assessor}"
        self.choices = [
            make_button(f"{grade}: {words}", f"grade-{grade}", saves=True)
            for grade, words in enumerate(GRADE_WORDS[test])
        ]
        for grade, button in enumerate(self.choices):
            button.on_click(lambda _, g=grade: self._guarded(lambda: self._save(g)))
        strip = w.HTML(
            "<details open><summary>The grades (keys 0 to 4)</summary>"
            f"{reference_strip(test)}</details>"
        )
        self._lay_out(
            strip, self.heading, stacked(self.choices), self.message,
            in_a_row([self.undo, self.later]),
        )
        self._show()

    def _beside(self, piece):
        words = age_words(self._age(piece), piece.get("planned_age_days"))
        return f", {words}" if words else ""

    def _save(self, grade):
        piece = self.piece
        row = {
            "code": piece["code"], "test": self._test, "stress": piece.get("stress"),
            "age_days": self._age(piece), "assessor": self._assessor, "grade": grade,
        }
        seen = f"{grade} ({GRADE_WORDS[self._test][grade]})"
        self._store(row, f"piece {piece['code']}, {self._test} grade {seen}", self._waiting[0])
        self._next()


class ThrowForm(_PieceForm):
    """Throw scores from 0 (nothing) to 10 (overpowering), by blind code, one tap per piece.

    Parameters
    ----------
    codes : list of codes in the assessor's planned order.
    assessor, sitting : codes such as "A1" and "S1".
    kind : "cold" or "warm"; warm needs the minutes on the warmer, by the timer or typed.
    on_save, on_undo : as for :class:`GradeForm`, with row in the columns of the table of throws.
    works_with_fragrance : True, False or None when not known.
    """

    def __init__(self, codes, assessor, sitting, kind, on_save, on_undo=None, *,
                 works_with_fragrance=None):
        super().__init__(codes, on_save, on_undo)
        self._kind = one_of(kind, schema.THROW_KINDS, "kind")
        self._assessor, self._sitting = assessor_code(assessor), sitting
        self._works = works_with_fragrance
        self._timers, self._minutes_given = {}, {}
        self._title = f"{kind.capitalize()} throw by {assessor}, sitting {sitting}"
        self.choices = [make_button(_throw_label(n), f"throw-{n}", saves=True) for n in range(11)]
        for score, button in enumerate(self.choices):
            button.on_click(lambda _, s=score: self._guarded(lambda: self._save(s)))
        self.start = make_button("The warmer is on from now", "start")
        self.start.on_click(lambda _: self._guarded(self._start))
        self.minutes = text_field(
            "minutes", "Minutes on the warmer, when not timed here", "such as 30"
        )
        timing = [self.start, self.minutes] if kind == "warm" else []
        self._lay_out(
            self.heading, *timing, in_a_row(self.choices), self.message,
            in_a_row([self.undo, self.later]),
        )
        self._show()

    def _show(self):
        """Each piece has its own time on the warmer, kept when it is left for later."""
        super()._show()
        since = self._timers.get(self._place())
        self.browser.since = 1000 * (since or 0)
        # A second tap would put the timer back.
        self.start.disabled = since is not None or self.piece is None

    def _place(self):
        return self._waiting[0] if self._waiting else None

    def _start(self):
        # The clock on the wall, as on the page: a machine that sleeps stops its other clocks.
        self._timers[self._place()] = time.time()
        self._show()
        self._say("saved", f"The warmer is on since {dt.datetime.now():%H:%M:%S}.")

    def _minutes(self):
        if self._kind == "cold":
            return None
        if self.minutes.value.strip():
            return typed_number(self.minutes.value, schema.THROWS["minutes"])
        since = self._timers.get(self._place())
        if since is None:
            raise ValueError("Start the timer when the warmer goes on, or type the minutes.")
        return round(max(0.0, time.time() - since) / 60, 1)

    def _save(self, score):
        piece, place, minutes = self.piece, self._place(), self._minutes()
        row = {
            "code": piece["code"], "assessor": self._assessor, "sitting": self._sitting,
            "kind": self._kind, "throw": float(score), "minutes": minutes,
            "position": piece.get("position", place + 1), "works_with_fragrance": self._works,
        }
        warmed = "" if minutes is None else f" after {minutes:g} min on the warmer"
        words = f"piece {piece['code']}, {self._kind} throw {score} of 10{warmed}"
        self._store(row, words, place)
        self._timers.pop(place, None)
        self._minutes_given[place], self.minutes.value = minutes, ""
        self._next()

    def _return_to(self, place):
        super()._return_to(place)
        minutes = self._minutes_given[place]
        self.minutes.value = "" if minutes is None else f"{minutes:g}"


class PourForm(Form):
    """The pour-day form: the plan beside what was weighed, the true load while the pot is warm.

    Parameters
    ----------
    planned : frame with pour, pot, blend, wax_g, fragrance_g, load_pct in the order of pouring,
        and, where they are known, poured_on (the planned day), add_temp_c and pour_temp_c (as
        planned), max_temp_c (the lowest maximum of the blend's waxes) and flash_point_c (of the
        fragrance, closed cup).
    on_save : callable(row) -> receipt, with row in the columns of the table of pours.
    done : names of the pours that are logged already.
    on_undo : callable(receipt) that voids the entry, or None for a form without undo.

    A day that is left empty is the planned one when that lies in the past, and today otherwise;
    beside the field stands which day is stored. A typed day is that of one pour alone; the minutes
    of stirring and the room temperature stay for the next one. What is likely a slip is stored by a
    second tap only: a load or a temperature far off the plan, a pot above the wax maker's maximum
    or the flash point.
    """

    NUMBERS = ("wax_g", "fragrance_g", "add_temp_c", "pour_temp_c", "stir_min", "room_temp_c")
    STAYS = {"stir_min", "room_temp_c"}

    def __init__(self, planned, on_save, done=(), on_undo=None):
        super().__init__(on_save, on_undo)
        self._planned = {p["pour"]: p for p in pd.DataFrame(planned).to_dict("records")}
        self._done, self._pour, self._asked = set(done), None, []
        self.pours = {name: make_button(name, f"pour-{name}") for name in self._planned}
        for name, button in self.pours.items():
            button.on_click(lambda _, n=name: self._guarded(lambda: self._choose(n)))
        self.fields = {n: text_field(n, _field_label(schema.POURS[n])) for n in self.NUMBERS}
        self.fields["poured_on"] = text_field("poured_on", "Day of pouring")
        self.fields["poured_on"].observe(lambda _: self._guarded(self._tell_day), "value")
        self.fields["note"] = text_field("note", "Anything that was seen")
        for name in ("wax_g", "fragrance_g"):
            self.fields[name].observe(lambda _: self._guarded(self._tell_load), "value")
        self.planned_view, self.load, self.day = w.HTML(), w.HTML(), w.HTML()
        self.save = make_button("Save this pour", "save", saves=True)
        self.save.on_click(lambda _: self._guarded(self._save))
        self._lay_out(
            w.HTML("<h3>Pours to log</h3>"), in_a_row(self.pours.values()), self.planned_view,
            stacked(self._fields_in_order()), self.load, self.save, self.message,
            in_a_row([self.undo]),
        )
        self._show()

    def _fields_in_order(self):
        for name, field in self.fields.items():
            yield field
            if name == "poured_on":
                yield self.day

    def _show(self):
        for name, button in self.pours.items():
            button.disabled = name in self._done
            button.button_style = "primary" if name == self._pour else ""
            button.description = f"{name} (logged)" if name in self._done else name
        self.browser.pressed = [f"pour-{self._pour}"] if self._pour else []
        self.save.disabled = self._pour is None
        self.planned_view.value = _planned_view(self._planned.get(self._pour), not self._left())
        self._tell_load()
        self._tell_day()

    def _left(self):
        return [n for n in self._planned if n not in self._done]

    def _choose(self, name):
        self._pour = name
        self._show()

    def _tell_load(self):
        """The true load in both bases, flagged when it misses the plan."""
        self.load.value, self._asked = "", []
        texts = [self.fields[n].value.strip() for n in ("fragrance_g", "wax_g")]
        if self._pour is None or not all(texts):
            return
        try:
            weights = [typed_number(t, schema.POURS[n])
                       for t, n in zip(texts, ("fragrance_g", "wax_g"), strict=True)]
            load = _possible_load(*weights)
        except ValueError as error:
            self.load.value = note("error", str(error))
            return
        plan = self._planned[self._pour]["load_pct"]
        words = (
            f"{weights[0]:g} g of fragrance in {weights[1]:g} g of wax: true load "
            f"{say_load(load, 2)}, planned {say_load(plan, 2)}."
        )
        kind = "saved"
        if abs(load - plan) > LOAD_TOLERANCE + 1e-9:
            kind = "flag"
            words += (
                f" Off by {load - plan:+.2f} points of wax basis: weigh again, or keep it and say "
                "why in “Anything that was seen”."
            )
        self.load.value = note(kind, words)

    def _planned_day(self):
        """The planned day of the pour that is chosen, None where there is none."""
        day = self._planned.get(self._pour, {}).get("poured_on")
        return None if day is None or pd.isna(day) else pd.Timestamp(day).date()

    def _day(self, text, column):
        planned, today = self._planned_day(), dt.date.today()
        return past_day(text, column, today, planned if planned and planned < today else None)

    def _tell_day(self):
        """Which day is stored, beside the field; flagged when it is not the obvious one."""
        field, planned, today = self.fields["poured_on"], self._planned_day(), dt.date.today()
        field.placeholder = f"{planned or today}"
        self.day.value, text = "", field.value.strip()
        if self._pour is None and not text:
            return
        try:
            day = self._day(text, schema.POURS["poured_on"])
        except ValueError as error:
            self.day.value = note("error", str(error))
            return
        words = f"{'' if text else 'Left empty: '}{spoken_day(day)} is stored as the day of pouring"
        if planned and day != planned:
            words += f"; planned is {planned}"
        if not text and day != today:
            words += f", as planned. If it was another day, type it, such as {today} for today"
        obvious = day == today if not text else planned in (None, day)
        self.day.value = note("saved" if obvious else "flag", f"{words}.")

    def _typed_row(self):
        """What was typed, as a row; a ValueError with everything that is wrong in it."""
        row, wrong = {}, []
        readers = {n: typed_number for n in self.NUMBERS} | {"poured_on": self._day}
        for name, read in readers.items():
            text, column = self.fields[name].value.strip(), schema.POURS[name]
            try:
                empty = not text and not column.required
                row[name] = None if empty else read(text, column)
            except ValueError as error:
                wrong.append(str(error))
        if wrong:
            raise ValueError("\n".join(wrong))
        return row | {"note": self.fields["note"].value.strip() or None}

    def _save(self):
        if self._pour is None:
            raise ValueError("Choose the pour that was weighed first.")
        row = {k: self._planned[self._pour][k] for k in ("pour", "pot", "blend")}
        row = check_row(schema.POURS, row | self._typed_row())
        load = _possible_load(row["fragrance_g"], row["wax_g"])
        words = (
            f"pour {self._pour} at {say_load(load, 2)}, {row['fragrance_g']:g} g of fragrance in "
            f"{row['wax_g']:g} g of wax, poured on {row['poured_on']}"
        )
        if not self._is_sure(load, row):
            return
        typed = {name: field.value for name, field in self.fields.items()}
        self._store(row, words, (self._pour, typed))
        self._done.add(self._pour)
        self._pour = None
        # The pours of a day are logged one after the other: what they share is typed once.
        self._fill(dict.fromkeys(set(self.fields) - self.STAYS, ""))
        self._show()

    def _is_sure(self, load, row):
        """Whether the row may be stored: what is likely a slip is asked about first, once."""
        doubts = list(_doubts(self._planned[self._pour], load, row))
        if doubts == self._asked:
            return True
        self._asked = doubts
        if doubts:
            self._say("flag", f"NOT SAVED YET. {' '.join(doubts)} Tap Save again to store it, or "
                              "correct it.")
        return not doubts

    def _fill(self, texts):
        for name, text in texts.items():
            self.fields[name].value = text

    def _return_to(self, place):
        """What was typed stands again, to be mended and saved."""
        self._pour, typed = place
        self._done.discard(self._pour)
        self._fill(typed)
        self._show()


class BleedForm(_PieceForm):
    """Bleed weighings: the blotter before and after it lay on the piece, in mg.

    Parameters
    ----------
    codes : list of codes in the order to be weighed.
    on_save, on_undo : as for :class:`GradeForm`, with row in the columns of the table of bleeds.
    """

    def __init__(self, codes, on_save, on_undo=None):
        super().__init__(codes, on_save, on_undo)
        self._title = "Bleed"
        self.fields = {
            "before": text_field("before", "Blotter before, mg"),
            "after": text_field("after", "Blotter after, mg"),
            "hours": text_field("hours", "Time on the blotter, h"),
            "temp_c": text_field("temp_c", "Temperature of the piece, °C"),
        }
        self.save = make_button("Save this weighing", "save", saves=True)
        self.save.on_click(lambda _: self._guarded(self._save))
        self.choices = [self.save]
        self._lay_out(
            self.heading, stacked(self.fields.values()), self.save, self.message,
            in_a_row([self.undo, self.later]),
        )
        self._show()

    def _save(self):
        code, weights = self.piece["code"], BLEEDS["bleed_mg"]
        before, after = (typed_number(self.fields[n].value, weights) for n in ("before", "after"))
        if after < before:
            raise ValueError(
                f"the blotter weighs {after:g} mg after and {before:g} mg before: weigh again, or "
                "change the two if they were written the wrong way round"
            )
        row = {"code": code, "bleed_mg": after - before}
        row.update({n: typed_number(self.fields[n].value, BLEEDS[n]) for n in ("hours", "temp_c")})
        words = (
            f"piece {code}, bleed {row['bleed_mg']:g} mg in {row['hours']:g} h at "
            f"{row['temp_c']:g} °C"
        )
        self._store(row, words, self._waiting[0])
        for name in ("before", "after"):  # time and temperature are the same for a set of pieces
            self.fields[name].value = ""
        self._next()


class WarmingForm(_PieceForm):
    """Checks of pieces left on the warmer: weighed, smelt, or both, at so many hours.

    Parameters
    ----------
    codes : list of codes in the order to be checked.
    on_save, on_undo : as for :class:`GradeForm`, with row in the columns of the table of warmings.
    assessor : the code of whoever smells, or None where the pieces are only weighed.
    kept : codes of the pieces kept for the warmer that are not on it yet; each can be put on by
        typing its code. None for a form of the given pieces alone.

    When all are checked, a button begins another round: the hours are typed anew.
    """

    def __init__(self, codes, on_save, on_undo=None, *, assessor=None, kept=None):
        super().__init__(codes, on_save, on_undo)
        self._assessor = None if assessor is None else assessor_code(assessor)
        self._kept = None if kept is None else [str(code) for code in kept]
        self._title = "On the warmer" + (f", by {assessor}" if assessor else "")
        self.fields = {
            "hours": text_field("hours", "Time on the warmer, h", "0 before it is lit"),
            "weight_g": text_field("weight_g", "Weight of the piece, g"),
        }
        if assessor is not None:
            self.fields["throw"] = text_field("throw", "Warm throw, 0 nothing to 10 overpowering")
        self.save = make_button("Save this check", "save", saves=True)
        self.save.on_click(lambda _: self._guarded(self._save))
        self.choices = [self.save]
        self.again = make_button("Check them all again, some hours later", "again")
        self.again.on_click(lambda _: self._guarded(self._begin_again))
        self.add = text_field("add", "Code of another piece", "such as 417")
        self.put_on = make_button("Put it on the warmer", "put-on")
        self.put_on.on_click(lambda _: self._guarded(self._put_on))
        self._check = stacked([*self.fields.values(), self.save])
        self._lay_out(
            self.heading, self._check, self.message, in_a_row([self.undo, self.later, self.again]),
            *([] if kept is None else [self.add, self.put_on]),
        )
        self._show()

    def _show(self):
        super()._show()
        nothing_waits = self.piece is None
        for part in (self._check, self.later):
            part.layout.display = "none" if nothing_waits else ""
        self.again.layout.display = "" if nothing_waits and self._pieces else "none"
        for control in (self.add, self.put_on):
            control.layout.display = "" if self._kept else "none"
        if self._kept is not None and not self._pieces:
            hint = "type the code of one below" if self._kept else "and none was kept in reserve"
            self.heading.value = f"<h3>{self._title}: no piece is on it yet, {hint}.</h3>"

    def _begin_again(self):
        """All pieces once more; the hours of the last round would be wrong now."""
        self._waiting, self.fields["hours"].value = list(range(len(self._pieces))), ""
        self.message.value = ""
        self._show()

    def _put_on(self):
        code = self.add.value.strip()
        if code in [piece["code"] for piece in self._pieces]:
            raise ValueError(f"piece {code} is on the warmer already: its turn comes by itself")
        if code not in self._kept:
            raise ValueError(
                f"found {code!r}, expected the code of a piece that was kept in reserve and is "
                "poured: look at its label"
            )
        self._kept.remove(code)
        self._waiting.insert(0, len(self._pieces))
        self._pieces.append({"code": code})
        self.add.value = ""
        self._show()
        self._say("flag", f"Piece {code} stands above. Nothing is stored of it until its check is "
                          "saved; the first is best at 0 h, before the warmer is lit.")

    def _save(self):
        code = self.piece["code"]
        row = {"code": code, "hours": typed_number(self.fields["hours"].value, WARMINGS["hours"]),
               "weight_g": self._typed("weight_g"), "throw": self._typed("throw")}
        row["assessor"] = None if row["throw"] is None else self._assessor
        check_row(WARMINGS, row)
        self._store(row, f"piece {code}, {warming_words(row)}", self._waiting[0])
        for name in set(self.fields) - {"hours"}:  # pieces are checked at the same time
            self.fields[name].value = ""
        self._next()

    def _return_to(self, place):
        # In another round the piece waits already.
        self._waiting = [p for p in self._waiting if p != place]
        super()._return_to(place)

    def _typed(self, name):
        """The number in an optional field; None where there is no field or nothing in it."""
        field = self.fields.get(name)
        if field is None or not field.value.strip():
            return None
        return typed_number(field.value, WARMINGS[name])


class AssessorForm(Form):
    """Who scores: one button for each code. Everything below is made anew for who was chosen.

    Parameters
    ----------
    codes : the assessors' codes.

    ``assessor`` is the code that was chosen, None before. :meth:`show` gives a place in which
    something is shown for the assessor.
    """

    def __init__(self, codes):
        super().__init__(None, None)
        self.assessor, self._places = None, []
        self.codes = {c: make_button(assessor_code(c), f"assessor-{c}") for c in codes}
        for code, button in self.codes.items():
            button.on_click(lambda _, c=code: self._guarded(lambda: self.choose(c)))
        self._lay_out(
            w.HTML("<h3>Who scores? Tap your code.</h3>"), in_a_row(self.codes.values()),
            self.message,
        )

    def choose(self, code):
        """Choose an assessor, as a tap does; once more to see what waits now."""
        one_of(code, self.codes, "assessor")
        self.assessor = code
        self.browser.pressed = [f"assessor-{code}"]
        for place, make in self._places:
            self._fill(place, make)
        self._say("saved", f"{code} scores. The forms below are for {code}.")

    def show(self, make):
        """A place that shows ``make(assessor)``, a widget, once somebody was chosen."""
        place = w.VBox([w.HTML("<p>Choose above who scores.</p>")])
        self._places.append((place, make))
        if self.assessor is not None:
            self._fill(place, make)
        return place

    def _fill(self, place, make):
        # What one place cannot show must not keep the others from showing theirs.
        try:
            place.children = [make(self.assessor)]
        except Exception as error:
            place.children = [w.HTML(STYLE + note("error", str(error)))]


class ShareForm(Form):
    """Choose what stays at home, look at what would leave, write it: what was seen is written.

    Parameters
    ----------
    preview : callable(choices) -> what would leave, an object with ``_repr_html_``. The choices
        are a dict with hide_fragrance, hide_costs, hide_notes, renumber_assessors (bools) and
        leave_out (a tuple of blends); may_stay and also_hide (tuples of words) once it was
        refused with an error that has words ``undecided``, each of which is asked about.
    write : callable(what preview returned) -> the path that was written.
    blends : names of the blends, each of which can be left out.

    ``written`` is the path of the last package, None before.
    """

    WORDS = {
        "hide_fragrance": "Hide the fragrance's name and data; its regulatory limit is shared",
        "hide_costs": "Hide the costs",
        "hide_notes": "Hide the notes",
        "renumber_assessors": "Give the assessors new codes",
    }

    def __init__(self, preview, write, blends=()):
        super().__init__(None, None)
        self._preview, self._write, self._seen = preview, write, None
        self.written = None
        self._on, self._words = set(), dict(self.WORDS)
        self.choices = {name: make_button(words, name) for name, words in self.WORDS.items()}
        self.leave_out = {}
        for place, blend in enumerate(blends):
            name, words = f"leave-out-{place}", f"Leave out {blend}"
            self.leave_out[blend] = make_button(words, name)
            self._words[name] = words
        for button in (*self.choices.values(), *self.leave_out.values()):
            button.on_click(lambda b: self._guarded(lambda: self._turn(b)))
        self.look = make_button("Show what would leave", "look")
        self.look.on_click(lambda _: self._guarded(self._show_leaving))
        self.write = make_button("Write the package", "write", saves=True)
        self.write.on_click(lambda _: self._guarded(self._write_now))
        self.leaving, self.undecided, self._asked = w.HTML(), {}, stacked([])
        self._lay_out(
            w.HTML("<h3>What stays at home</h3>"), stacked(self.choices.values()),
            in_a_row(self.leave_out.values()), self._asked, self.look, self.leaving, self.write,
            self.message,
        )
        self._changed()

    def chosen(self):
        """The choices as they stand."""
        names = {name: button in self._on for name, button in self.choices.items()}
        left = tuple(b for b, button in self.leave_out.items() if button in self._on)
        decided = {
            kind: tuple(word for word, asked in self.undecided.items() if asked[kind] in self._on)
            for kind in ("may_stay", "also_hide")
        }
        return {**names, "leave_out": left, **{k: words for k, words in decided.items() if words}}

    def _ask_about(self, words):
        """Two buttons for each word that may tell what is hidden."""
        for word in words:
            place = len(self.undecided)
            asked = {"may_stay": f"“{word}” may stay", "also_hide": f"Hide “{word}” too"}
            if word not in self.undecided:
                self.undecided[word] = {}
                for kind, label in asked.items():
                    name = f"{kind.replace('_', '-')}-{place}"
                    button = self.undecided[word][kind] = make_button(label, name)
                    button.on_click(lambda b: self._guarded(lambda: self._turn(b)))
                    self._words[name] = label
        self._asked.children = [in_a_row(asked.values()) for asked in self.undecided.values()]
        self._name_controls()
        self._changed()

    def _heard(self, content):
        # A preview takes longer than the browser waits; nothing is lost that was not acknowledged.
        self.browser.send({"ack": str(content.get("key", ""))})
        super()._heard(content)

    def _turn(self, button):
        self._on ^= {button}
        self._changed()

    def _changed(self):
        """What was looked at is not what would leave now."""
        self._seen, self.leaving.value, self.message.value = None, "", ""
        self.write.disabled = True
        pressed = []
        for name, button in self._controls.items():
            if name in self._words:
                on = button in self._on
                button.description = f"{'☑' if on else '☐'} {self._words[name]}"
                pressed += [name] if on else []
        self.browser.pressed = pressed

    def _show_leaving(self):
        self._changed()
        self._say("flag", "Working: what would leave is put together. This may take half a minute.")
        try:
            seen = self._preview(self.chosen())
        except ValueError as error:
            self._ask_about(getattr(error, "undecided", ()))
            raise
        self._seen, self.leaving.value = seen, seen._repr_html_()
        self.write.disabled = False
        self._say("flag", "Nothing is written yet: read it, then write the package.")

    def _write_now(self):
        if self._seen is None:
            raise ValueError("Look at what would leave first.")
        self._say("flag", "Working: it is written.")
        self.written = self._write(self._seen)
        self._say("saved", f"Written: {self.written}. Nothing is sent: mail it yourself.")


def _possible_load(fragrance_g, wax_g):
    """The load in % of wax, or a ValueError when no wax takes it."""
    load = load_from_weights(fragrance_g, wax_g)
    if load > schema.MOST_LOAD_PCT:
        raise ValueError(
            f"{fragrance_g:g} g of fragrance in {wax_g:g} g of wax is a load of {load:.0f} % of "
            f"wax, and no wax takes more than {schema.MOST_LOAD_PCT:g} %. Look for a slipped "
            "decimal point, or for the two weights the wrong way round."
        )
    return load


def _doubts(plan, load, row):
    """Questions about what is likely a slip of the scale, the thermometer or the key."""
    if abs(load - plan["load_pct"]) > FAR_OFF + 1e-9:
        yield (
            f"The weighed load is {load:.2f} % of wax, planned {plan['load_pct']:.2f} % of "
            f"wax: is {row['fragrance_g']:g} g of fragrance in {row['wax_g']:g} g of wax right?"
        )
    for name in ("add_temp_c", "pour_temp_c"):
        told = [] if row[name] is None else list(_heat_doubts(plan, row[name], name))
        if told:
            what = schema.POURS[name].meaning
            words = ", ".join([*told[:-1], f"and {told[-1]}"] if told[1:] else told)
            yield (f"{what[0].upper()}{what[1:]}: {row[name]:g} °C is {words}. Is {row[name]:g} °C "
                   "right?")
    room, (cold, hot) = row["room_temp_c"], USUAL_ROOM_C
    if room is not None and not cold <= room <= hot:
        yield f"Is a room temperature of {room:g} °C right?"


def _heat_doubts(plan, value, name):
    highest, flash, planned = (_known(plan, n) for n in ("max_temp_c", "flash_point_c", name))
    if highest is not None and value > highest:
        yield f"above the wax maker's maximum of {highest:g} °C"
    # Where the plan itself goes above the flash point, it stands with the plan of the pour.
    if flash is not None and value > flash and not (planned is not None and planned > flash):
        yield (f"above the closed-cup flash point of the fragrance, {flash:g} °C (no flame or "
               "spark near)")
    if planned is not None and abs(value - planned) > FAR_OFF_C:
        side = "above" if value > planned else "below"
        yield f"{abs(value - planned):g} °C {side} the planned {planned:g} °C"


def _known(plan, name):
    value = plan.get(name)
    return None if value is None or pd.isna(value) else float(value)


def _planned_view(plan, finished):
    if finished:
        return "<p>All pours are logged.</p>"
    if plan is None:
        return "<p>Choose the pour that you weigh.</p>"
    return (
        f"<p>Plan of {html.escape(str(plan['pour']))}: pot {html.escape(str(plan['pot']))}, blend "
        f"{html.escape(str(plan['blend']))}, <b>{plan['wax_g']:.1f} g of wax</b> and "
        f"<b>{plan['fragrance_g']:.2f} g of fragrance</b>, {say_load(plan['load_pct'], 2)}."
        f"{_planned_heat(plan)}</p>"
    )


def _planned_heat(plan):
    """The planned temperatures and what stands against them, as far as they are known."""
    parts = [
        f"{words} {say_temperature(value)}"
        for words, name in (("add the fragrance at", "add_temp_c"), ("pour at", "pour_temp_c"),
                            ("the wax maker's maximum is", "max_temp_c"))
        if (value := _known(plan, name)) is not None
    ]
    told = ", ".join(parts)
    told = f" {told[0].upper()}{told[1:]}." if told else ""
    add, flash = _known(plan, "add_temp_c"), _known(plan, "flash_point_c")
    if add is not None and flash is not None and add > flash:
        told += (f" CAUTION: the fragrance's closed-cup flash point is {say_temperature(flash)}, "
                 "and the vapour can be ignited above it: no flame or spark near.")
    return told


def _throw_label(score):
    words = THROW_WORDS.get(score)
    return f"{score}: {words}" if words else str(score)


def _field_label(column):
    return f"{column.meaning[0].upper()}{column.meaning[1:]}, {column.unit}"

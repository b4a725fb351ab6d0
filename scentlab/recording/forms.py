"""Forms for JupyterLab: what was weighed, seen and smelt.

A form knows no database. It takes what is to be recorded and a callable ``on_save(row)`` that
returns a receipt; the row is a dict in the columns of the store with a unique ``key`` beside them,
so that a resend stores nothing twice. An exception in a click callback never reaches the caller,
so a form catches it and shows it. Every form starts empty and shows only the blind code.

In the browser a small part of our own (``pages/form.js``) keeps the notebook's single-key commands
away from the form, and says NOT SAVED when the kernel does not answer. Without a browser a form is
driven by ``.click()`` on its buttons.
"""

import datetime as dt
import html
import time
import uuid
from pathlib import Path

import anywidget
import ipywidgets as w
import pandas as pd
import traitlets

from scentlab import schema
from scentlab.recording.drawings import GRADE_WORDS, reference_strip
from scentlab.recording.records import BLEEDS, GRADES, check_row
from scentlab.units import load_from_weights, say_load

THROW_WORDS = {0: "nothing", 10: "overpowering"}
LOAD_TOLERANCE = 0.3  # points of load (% of wax) that a pour may miss its plan by

_STYLE = """<style>
.scent-form {max-width: 640px; gap: 6px}
.scent-form button {min-height: 48px; min-width: 48px; height: auto; font-size: 16px;
  white-space: normal; line-height: 1.3; margin: 0}
.scent-form input {min-height: 44px; font-size: 16px}
.scent-form .widget-text {height: auto; min-height: 48px; align-items: center; margin: 0;
  width: 100%; box-sizing: border-box}
.scent-form .widget-text > label {height: auto}
.scent-form .widget-html-content, .scent-form label {font-size: 16px; line-height: 1.4;
  white-space: normal; overflow: visible}
.scent-form button:focus-visible, .scent-form input:focus-visible {outline: 3px solid #0b57d0}
.scent-saved {border-left: 6px solid #1a7f37; padding: 6px 10px}
.scent-error {border-left: 6px solid #b3261e; padding: 6px 10px; font-weight: bold}
.scent-flag {border-left: 6px solid #8a5a00; padding: 6px 10px}
.scent-banner:not(:empty) {background: #b3261e; color: #ffffff; padding: 10px; font-size: 16px;
  font-weight: bold}
.scent-clock {font-size: 20px; font-variant-numeric: tabular-nums}
.scent-strip {display: flex; flex-wrap: wrap; gap: 6px}
.scent-strip figure {margin: 0; width: 104px}
.scent-strip figcaption {font-size: 14px; line-height: 1.25}
.scent-form button[aria-pressed="true"] {outline: 3px solid #0b57d0; font-weight: bold}
@media (max-width: 480px) {
  .scent-form .widget-text {flex-direction: column; height: auto}
  .scent-form .widget-text .widget-label {width: 100% !important; text-align: left}
  .scent-form .widget-text input {width: 100%}
}
</style>"""


class _BrowserPart(anywidget.AnyWidget):
    """The part of a form that runs in the browser; it speaks for the buttons.

    ``names`` maps the name of a control to its label for screen readers, ``pressed`` lists the
    buttons that are on, ``since`` is when the warmer went on (ms since 1970) or 0.
    """

    _esm = (Path(__file__).parent / "pages" / "form.js").read_text(encoding="utf-8")
    names = traitlets.Dict().tag(sync=True)
    pressed = traitlets.List().tag(sync=True)
    since = traitlets.Float(0).tag(sync=True)


class _Form(w.VBox):
    """What all forms share: a message line, saving with its error shown, undo, the browser part."""

    def __init__(self, on_save, on_undo):
        super().__init__()
        self.add_class("scent-form")
        self.browser = _BrowserPart()
        self.browser.on_msg(lambda _, content, __: self._heard(content))
        self._heard_keys = []
        self._on_save, self._on_undo = on_save, on_undo
        self._saved = []
        self._key = uuid.uuid4().hex
        self.message = w.HTML()
        self.message.add_class("scent-message")
        self.undo = _button("Undo the last one", "undo")
        self.undo.on_click(lambda _: self._guarded(self._undo_last))
        self.undo.layout.display = "none"

    def _lay_out(self, *children):
        """Show the children between style and browser part, and name what they hold."""
        self.children = [w.HTML(_STYLE), *children, self.browser]
        self._controls = dict(_named(self.children))
        self.browser.names = {
            name: control.tooltip if isinstance(control, w.Button) else control.description
            for name, control in self._controls.items()
        }

    def _heard(self, content):
        """A tap in the browser: act once per key, and acknowledge it each time it comes."""
        key = str(content.get("key", ""))
        if key not in self._heard_keys:
            self._heard_keys = [*self._heard_keys[-99:], key]
            # What was typed may still be on its way as a change of its own.
            for name, value in content.get("fields", {}).items():
                if name in self._controls:
                    self._controls[name].value = value
            self._key = key
            button = self._controls.get(content.get("press"))
            if button is not None and not button.disabled:
                button.click()
        self.browser.send({"ack": key})

    def _guarded(self, action):
        """Run a callback; show what went wrong, for nobody else would."""
        try:
            action()
        except Exception as error:
            self._say("error", f"NOT SAVED. {error}")

    def _store(self, row, words, place):
        """Save a row under the key of this entry; the key changes only when it is stored."""
        receipt = self._on_save({**row, "key": self._key})
        self._key = uuid.uuid4().hex
        self._saved.append((receipt, words, place))
        self.undo.layout.display = "" if self._on_undo else "none"
        self._say("saved", f"Saved at {_clock(receipt)}: {words}.")

    def _undo_last(self):
        receipt, words, place = self._saved[-1]
        self._on_undo(receipt)
        self._saved.pop()
        self.undo.layout.display = "" if self._saved else "none"
        self._return_to(place)
        self._say("saved", f"Undone: {words}. The entry stays in the history as void.")

    def _say(self, kind, text):
        self.message.value = _note(kind, text)


class _PieceForm(_Form):
    """A form that walks through pieces in a given order, one tap per piece."""

    def __init__(self, codes, on_save, on_undo):
        super().__init__(on_save, on_undo)
        self._pieces = _piece_list(codes)
        self._waiting = list(range(len(self._pieces)))
        self.heading = w.HTML()
        self.later = _button("Leave this piece for later", "later")
        self.later.on_click(lambda _: self._guarded(self._postpone))

    @property
    def piece(self):
        """The piece that is shown, or None when all are done."""
        return self._pieces[self._waiting[0]] if self._waiting else None

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
            self.heading.value = f"<h3>{self._title}: all {total} pieces are done.</h3>"
            return
        number = total - len(self._waiting) + 1
        self.heading.value = (
            f"<h3>{self._title}: piece <span style='font-size:1.6em'>{html.escape(piece['code'])}"
            f"</span> ({number} of {total})</h3>"
        )


class GradeForm(_PieceForm):
    """Sweat or frost grades of pieces, by blind code, one tap per piece.

    Parameters
    ----------
    codes : list of codes in the order to be shown, or a frame with ``code`` and, when known,
        ``stress`` and ``age_days``.
    test : "sweat" or "frost".
    assessor : the assessor's code, such as "A1".
    on_save : callable(row) -> receipt, with row in the columns of the table of grades.
    on_undo : callable(receipt) that voids the entry, or None for a form without undo.
    """

    def __init__(self, codes, test, assessor, on_save, on_undo=None):
        super().__init__(codes, on_save, on_undo)
        self._test, self._assessor = _one_of(test, GRADE_WORDS, "test"), _assessor(assessor)
        self._title = f"{test.capitalize()} grade by {assessor}"
        self.choices = [
            _button(f"{grade}: {words}", f"grade-{grade}")
            for grade, words in enumerate(GRADE_WORDS[test])
        ]
        for grade, button in enumerate(self.choices):
            button.on_click(lambda _, g=grade: self._guarded(lambda: self._save(g)))
        strip = w.HTML(
            f"<details open><summary>The grades</summary>{reference_strip(test)}</details>"
        )
        self._lay_out(
            strip, self.heading, _column(self.choices), self.message, _row([self.undo, self.later])
        )
        self._show()

    def _save(self, grade):
        piece = self.piece
        row = {
            "code": piece["code"], "test": self._test, "stress": piece.get("stress"),
            "age_days": piece.get("age_days"), "assessor": self._assessor, "grade": grade,
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
        self._kind = _one_of(kind, schema.THROW_KINDS, "kind")
        self._assessor, self._sitting = _assessor(assessor), sitting
        self._works = works_with_fragrance
        self._warm_since = None
        self._title = f"{kind.capitalize()} throw by {assessor}, sitting {sitting}"
        self.choices = [_button(_throw_label(n), f"throw-{n}") for n in range(11)]
        for score, button in enumerate(self.choices):
            button.on_click(lambda _, s=score: self._guarded(lambda: self._save(s)))
        self.start = _button("The warmer is on from now", "start")
        self.start.on_click(lambda _: self._guarded(self._start))
        self.minutes = _text("minutes", "Minutes on the warmer, when not timed here", "such as 30")
        timing = [self.start, self.minutes] if kind == "warm" else []
        self._lay_out(
            self.heading, *timing, _row(self.choices), self.message, _row([self.undo, self.later])
        )
        self._show()

    def _start(self):
        self._warm_since = time.monotonic()
        self.browser.since = 1000 * time.time()
        self._say("saved", f"The warmer is on since {dt.datetime.now():%H:%M:%S}.")

    def _minutes(self):
        if self._kind == "cold":
            return None
        if self.minutes.value.strip():
            return _number(self.minutes.value, schema.THROWS["minutes"])
        if self._warm_since is None:
            raise ValueError("Start the timer when the warmer goes on, or type the minutes.")
        return round((time.monotonic() - self._warm_since) / 60, 1)

    def _save(self, score):
        piece, place = self.piece, self._waiting[0]
        row = {
            "code": piece["code"], "assessor": self._assessor, "sitting": self._sitting,
            "kind": self._kind, "throw": float(score), "minutes": self._minutes(),
            "position": piece.get("position", place + 1), "works_with_fragrance": self._works,
        }
        self._store(row, f"piece {piece['code']}, {self._kind} throw {score} of 10", place)
        # Each piece has its own time on the warmer.
        self._warm_since, self.minutes.value, self.browser.since = None, "", 0
        self._next()


class PourForm(_Form):
    """The pour-day form: the plan beside what was weighed, the true load while the pot is warm.

    Parameters
    ----------
    planned : frame with pour, pot, blend, wax_g, fragrance_g, load_pct in the order of pouring.
    on_save : callable(row) -> receipt, with row in the columns of the table of pours.
    done : names of the pours that are logged already.
    on_undo : callable(receipt) that voids the entry, or None for a form without undo.
    """

    FIELDS = ("wax_g", "fragrance_g", "add_temp_c", "pour_temp_c", "stir_min", "room_temp_c")

    def __init__(self, planned, on_save, done=(), on_undo=None):
        super().__init__(on_save, on_undo)
        self._planned = {p["pour"]: p for p in pd.DataFrame(planned).to_dict("records")}
        self._done, self._pour = set(done), None
        self.pours = {name: _button(name, f"pour-{name}") for name in self._planned}
        for name, button in self.pours.items():
            button.on_click(lambda _, n=name: self._guarded(lambda: self._choose(n)))
        self.fields = {n: _text(n, _field_label(schema.POURS[n])) for n in self.FIELDS}
        self.fields["poured_on"] = _text("poured_on", "Day of pouring (empty: today)", "2026-03-14")
        self.fields["note"] = _text("note", "Anything that was seen")
        for name in ("wax_g", "fragrance_g"):
            self.fields[name].observe(lambda _: self._guarded(self._tell_load), "value")
        self.planned_view, self.load = w.HTML(), w.HTML()
        self.save = _button("Save this pour", "save")
        self.save.on_click(lambda _: self._guarded(self._save))
        self._lay_out(
            w.HTML("<h3>Pours to log</h3>"), _row(self.pours.values()), self.planned_view,
            _column(self.fields.values()), self.load, self.save, self.message, _row([self.undo]),
        )
        self._show()

    def _show(self):
        for name, button in self.pours.items():
            button.disabled = name in self._done
            button.button_style = "primary" if name == self._pour else ""
            button.description = f"{name} (logged)" if name in self._done else name
        self.browser.pressed = [f"pour-{self._pour}"] if self._pour else []
        self.save.disabled = self._pour is None
        self.planned_view.value = _planned_view(self._planned.get(self._pour), not self._left())
        self._tell_load()

    def _left(self):
        return [n for n in self._planned if n not in self._done]

    def _choose(self, name):
        self._pour = name
        self._show()

    def _tell_load(self):
        """The true load in both bases, flagged when it misses the plan."""
        self.load.value = ""
        texts = [self.fields[n].value.strip() for n in ("fragrance_g", "wax_g")]
        if self._pour is None or not all(texts):
            return
        try:
            fragrance = _number(texts[0], schema.POURS["fragrance_g"])
            wax = _number(texts[1], schema.POURS["wax_g"])
        except ValueError as error:
            self.load.value = _note("error", str(error))
            return
        load, plan = load_from_weights(fragrance, wax), self._planned[self._pour]["load_pct"]
        words = f"True load {say_load(load, 2)}, planned {say_load(plan, 2)}."
        kind = "saved"
        if abs(load - plan) > LOAD_TOLERANCE + 1e-9:
            kind = "flag"
            words += (
                f" Off by {load - plan:+.2f} points of wax basis: weigh again, or keep it and say "
                "why in the note."
            )
        self.load.value = _note(kind, words)

    def _save(self):
        plan = self._planned[self._pour]
        row = {k: plan[k] for k in ("pour", "pot", "blend")}
        row.update({n: f.value.strip() or None for n, f in self.fields.items()})
        row["poured_on"] = row["poured_on"] or dt.date.today()
        row = check_row(schema.POURS, row)
        load = load_from_weights(row["fragrance_g"], row["wax_g"])
        self._store(row, f"pour {self._pour} at {say_load(load, 2)}", self._pour)
        self._done.add(self._pour)
        self._pour = None
        self._clear()
        self._show()

    def _clear(self):
        for field in self.fields.values():
            field.value = ""

    def _return_to(self, place):
        self._done.discard(place)
        self._pour = place
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
            "before": _text("before", "Blotter before, mg"),
            "after": _text("after", "Blotter after, mg"),
            "hours": _text("hours", "Time on the blotter, h"),
            "temp_c": _text("temp_c", "Temperature of the piece, °C"),
        }
        self.save = _button("Save this weighing", "save")
        self.save.on_click(lambda _: self._guarded(self._save))
        self.choices = [self.save]
        self._lay_out(
            self.heading, _column(self.fields.values()), self.save, self.message,
            _row([self.undo, self.later]),
        )
        self._show()

    def _save(self):
        code, weights = self.piece["code"], BLEEDS["bleed_mg"]
        before, after = (_number(self.fields[n].value, weights) for n in ("before", "after"))
        if after < before:
            raise ValueError(
                f"the blotter weighs {after:g} mg after and {before:g} mg before: weigh again, or "
                "change the two if they were written the wrong way round"
            )
        row = {"code": code, "bleed_mg": after - before}
        row.update({n: _number(self.fields[n].value, BLEEDS[n]) for n in ("hours", "temp_c")})
        words = (
            f"piece {code}, bleed {row['bleed_mg']:g} mg in {row['hours']:g} h at "
            f"{row['temp_c']:g} °C"
        )
        self._store(row, words, self._waiting[0])
        for name in ("before", "after"):  # time and temperature are the same for a set of pieces
            self.fields[name].value = ""
        self._next()


class PaperForm(_Form):
    """Grades that were written on paper, typed in a grid and saved all or none.

    Parameters
    ----------
    codes, test, assessor : as for :class:`GradeForm`.
    on_save_all : callable(rows) -> receipts, with rows in the columns of the table of grades.
    """

    def __init__(self, codes, test, assessor, on_save_all):
        super().__init__(on_save_all, None)
        self._test, self._assessor = _one_of(test, GRADE_WORDS, "test"), _assessor(assessor)
        self._pieces = {p["code"]: p for p in _piece_list(codes)}
        self.fields = {c: _text(f"code-{c}", f"Piece {c}, grade 0 to 4") for c in self._pieces}
        self.save = _button("Save all that is filled in", "save")
        self.save.on_click(lambda _: self._guarded(self._save))
        title = w.HTML(f"<h3>{test.capitalize()} grades of {assessor} from paper</h3>")
        self._lay_out(title, _column(self.fields.values()), self.save, self.message)

    def _save(self):
        typed = {c: f.value.strip() for c, f in self.fields.items() if f.value.strip()}
        wrong = [f"piece {c}: {t!r}" for c, t in typed.items() if t not in tuple("01234")]
        if wrong or not typed:
            found = ", ".join(wrong) or "nothing"
            raise ValueError(f"found {found}, expected {GRADES['grade'].expected} for each piece.")
        rows = [self._row(code, int(text)) for code, text in typed.items()]
        self._on_save(rows)
        self._key = uuid.uuid4().hex
        for code in typed:
            self.fields[code].value, self.fields[code].disabled = "", True
            self.fields[code].placeholder = "saved"
        self._say("saved", f"Saved at {_clock(None)}: {len(rows)} {self._test} grades.")

    def _row(self, code, grade):
        piece = self._pieces[code]
        return {
            "key": f"{self._key}-{code}", "code": code, "test": self._test,
            "stress": piece.get("stress"), "age_days": piece.get("age_days"),
            "assessor": self._assessor, "grade": grade,
        }


class ShareForm(_Form):
    """Choose what stays at home, look at what would leave, write it: what was seen is written.

    Parameters
    ----------
    preview : callable(choices) -> what would leave, an object with ``_repr_html_``. The choices
        are a dict with hide_fragrance, hide_costs, hide_notes, renumber_assessors (bools) and
        leave_out (a tuple of blends).
    write : callable(what preview returned) -> the path that was written.
    blends : names of the blends, each of which can be left out.

    ``written`` is the path of the last package, None before.
    """

    WORDS = {
        "hide_fragrance": "Hide the fragrance's name and data",
        "hide_costs": "Hide the costs",
        "hide_notes": "Hide the notes",
        "renumber_assessors": "Give the assessors new codes",
    }

    def __init__(self, preview, write, blends=()):
        super().__init__(None, None)
        self._preview, self._write, self._seen = preview, write, None
        self.written = None
        self._on, self._words = set(), dict(self.WORDS)
        self.choices = {name: _button(words, name) for name, words in self.WORDS.items()}
        self.leave_out = {}
        for place, blend in enumerate(blends):
            name, words = f"leave-out-{place}", f"Leave out {blend}"
            self.leave_out[blend] = _button(words, name)
            self._words[name] = words
        for button in (*self.choices.values(), *self.leave_out.values()):
            button.on_click(lambda b: self._guarded(lambda: self._turn(b)))
        self.look = _button("Show what would leave", "look")
        self.look.on_click(lambda _: self._guarded(self._show_leaving))
        self.write = _button("Write the package", "write")
        self.write.on_click(lambda _: self._guarded(self._write_now))
        self.leaving = w.HTML()
        self._lay_out(
            w.HTML("<h3>What stays at home</h3>"), _column(self.choices.values()),
            _row(self.leave_out.values()), self.look, self.leaving, self.write, self.message,
        )
        self._changed()

    def chosen(self):
        """The choices as they stand."""
        names = {name: button in self._on for name, button in self.choices.items()}
        left = tuple(b for b, button in self.leave_out.items() if button in self._on)
        return {**names, "leave_out": left}

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
        seen = self._preview(self.chosen())
        self._seen, self.leaving.value = seen, seen._repr_html_()
        self.write.disabled = False
        self._say("flag", "Nothing is written yet: read it, then write the package.")

    def _write_now(self):
        if self._seen is None:
            raise ValueError("Look at what would leave first.")
        self.written = self._write(self._seen)
        self._say("saved", f"Written: {self.written}. Nothing is sent: mail it yourself.")


def _planned_view(plan, finished):
    if finished:
        return "<p>All pours are logged.</p>"
    if plan is None:
        return "<p>Choose the pour that you weigh.</p>"
    return (
        f"<p>Plan of {html.escape(str(plan['pour']))}: pot {html.escape(str(plan['pot']))}, blend "
        f"{html.escape(str(plan['blend']))}, <b>{plan['wax_g']:.1f} g of wax</b> and "
        f"<b>{plan['fragrance_g']:.2f} g of fragrance</b>, {say_load(plan['load_pct'], 2)}.</p>"
    )


def _piece_list(codes):
    if isinstance(codes, pd.DataFrame):
        keep = [c for c in ("code", "stress", "age_days", "position") if c in codes]
        rows = codes[keep].astype(object).where(codes[keep].notna(), None).to_dict("records")
        return [{**r, "code": str(r["code"])} for r in rows]
    return [{"code": str(code)} for code in codes]


def _one_of(value, allowed, what):
    if value not in allowed:
        raise ValueError(f"{what} is {value!r}; give one of {', '.join(allowed)}")
    return value


def _assessor(code):
    check = schema.THROWS["assessor"]
    if not pd.Series([str(code)]).str.fullmatch(check.pattern)[0]:
        raise ValueError(f"assessor is {code!r}; give {check.expected}")
    return code


def _number(text, column):
    """A typed number within the column's range, or a ValueError in the column's words."""
    try:
        value = float(text)
        if column.lower <= value <= column.upper:
            return value
    except ValueError:
        pass
    hint = " Write the decimal sign as a point." if "," in text else ""
    raise ValueError(f"{column.meaning}: found {text!r}, expected {column.expected}.{hint}")


def _note(kind, text):
    """A line for the form: kind is saved, flag or error."""
    role = "alert" if kind == "error" else "status"
    lines = html.escape(text).replace("\n", "<br>")
    return f'<div class="scent-{kind}" role="{role}">{lines}</div>'


def _throw_label(score):
    words = THROW_WORDS.get(score)
    return f"{score}: {words}" if words else str(score)


def _field_label(column):
    return f"{column.meaning[0].upper()}{column.meaning[1:]}, {column.unit}"


def _clock(receipt):
    moment = getattr(receipt, "saved_at", None) or dt.datetime.now(dt.UTC)
    return f"{moment.astimezone():%H:%M:%S}"


def _button(words, name):
    button = w.Button(description=words, tooltip=words, layout=w.Layout(width="auto"))
    button.add_class(f"scent-press-{name}")
    return button


def _text(name, label, placeholder=""):
    field = w.Text(
        description=label, placeholder=placeholder, layout=w.Layout(width="100%"),
        style={"description_width": "55%"},
    )
    field.add_class(f"scent-field-{name}")
    return field


def _named(children):
    """Name and control of every button and text field among the children and theirs."""
    for child in children:
        for css in getattr(child, "_dom_classes", ()):
            for start in ("scent-press-", "scent-field-"):
                if css.startswith(start):
                    yield css[len(start):], child
        yield from _named(getattr(child, "children", ()))


def _column(children):
    return w.VBox(list(children), layout=w.Layout(align_items="stretch", grid_gap="6px"))


def _row(children):
    return w.Box(list(children), layout=w.Layout(flex_flow="row wrap", grid_gap="6px"))

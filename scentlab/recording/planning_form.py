"""The planning form: loads, pots, pieces and panel in; what it takes and how precise it is out.

Like the other forms it knows nothing of how a plan is made or judged: it takes callables. The
quick run of simulated series goes in a thread, so that its bar moves and its cancel button works
while the notebook's kernel computes.
"""

import base64
import datetime as dt
import html
import re
import threading
from dataclasses import dataclass
from typing import Any

import ipywidgets as w

from scentlab import schema
from scentlab.recording.form_parts import (
    Form,
    NotYet,
    in_a_row,
    make_button,
    note,
    note_of,
    short_field,
    side_by_side,
    stacked,
    typed_number,
)

_NEEDED = object()


class RunBar(w.VBox):
    """A bar with a cancel button for a long run: give ``bar.tell`` as progress and
    ``bar.stopped`` as stop."""

    def __init__(self, words="series"):
        super().__init__()
        self._words, self._cancelled = words, threading.Event()
        self.bar = w.IntProgress(layout=w.Layout(width="100%"))
        self.said = w.HTML()
        self.cancel = make_button("Cancel the run", "cancel")
        self.cancel.on_click(lambda _: self.stop())
        self.children = [self.bar, self.said, self.cancel]
        self.finish()

    def start(self):
        """Make ready for a run."""
        self._cancelled.clear()
        self.bar.value, self.said.value, self.cancel.disabled = 0, "", False
        self._show_run(True)

    def tell(self, done, total):
        """Show that so many of so many are done."""
        self.bar.max, self.bar.value = max(total, 1), done
        self.said.value = f"<p>{done} of {total} {html.escape(self._words)}</p>"

    def stop(self):
        """Ask the run to end; it does between two chunks of its work."""
        self._cancelled.set()

    def stopped(self):
        """Whether somebody has asked to cancel."""
        return self._cancelled.is_set()

    def finish(self):
        """Put the bar and the cancel button away; what was done stays told."""
        self.cancel.disabled = True
        self._show_run(False)

    def _show_run(self, running):
        for part in (self.bar, self.cancel):
            part.layout.display = "" if running else "none"


@dataclass(frozen=True)
class Entry:
    """One field: how its text is read, what stands in a new form, and what an empty one means."""

    name: str
    label: str
    read: Any
    usual: str = ""
    example: str = ""
    empty: Any = _NEEDED
    wide: bool = False


class PlanningForm(Form):
    """Type loads, pots, pieces and panel; see what the plan takes and, on a button, its precision.

    Parameters
    ----------
    make : callable(asked) -> plan, with asked a dict of the fields by name, read and checked. It
        may refuse with a ValueError, whose words are shown; a NotYet says that something else is
        still to be filled in.
    costs : callable(plan) -> dict with wax_g, fragrance_g, days, money, panel_hours, pours, pots
        and pieces.
    foresee : callable(plan, guess, series, progress, stop) -> result with ``sentence`` and
        ``notes``; guess is a dict of blend name to the load at which half of the pieces sweat.
    draft : what stood in the form before, a dict such as ``draft`` or :func:`series_draft` give.
    spread : callable(lowest, highest, number) -> loads, for the button that writes the list.
    draw : callable(result) -> the bytes of a PNG picture, or None for no picture.
    on_change : callable() for whenever something was typed or tapped, or None.

    ``plan`` is the plan as it now stands, None while the fields make none; ``found`` is the
    result of the last run for it, or None.
    """

    def __init__(self, make, costs, foresee, draft=None, *, spread=None, draw=None,
                 on_change=None):
        super().__init__(None, None)
        self._make, self._costs, self._foresee = make, costs, foresee
        self._spread, self._draw, self._on_change = spread, draw, on_change
        self._thread, self._quiet, self._guesses, self._asked_for = None, True, {}, None
        self.plan = self.found = None
        self.fields = {e.name: _field(e) for e in (*_ENTRIES, *_SPREAD, _SERIES)}
        for entry in _ENTRIES:
            self.fields[entry.name].observe(lambda _: self._guarded(self._changed), "value")
        for entry in (*_SPREAD, _SERIES):
            self.fields[entry.name].observe(lambda _: self._guarded(self._noted), "value")
        self.even = make_button("Write these loads", "even")
        self.even.on_click(lambda _: self._guarded(self._write_loads))
        self.takes, self.expected = w.HTML(), w.HTML()
        self.guess, self._guess_row = {}, side_by_side([])
        self.run = make_button("How precise would it be? (a run on paper)", "run")
        self.run.on_click(lambda _: self._guarded(self._start))
        self.progress = RunBar("simulated series")
        self._foresight = stacked([
            w.HTML("<h3>How precise would it be?</h3><p>Your guess for each blend: the load at "
                   "which half of the pieces show sweat, % of wax.</p>"),
            self._guess_row, side_by_side([self.fields["series"]]), in_a_row([self.run]),
            self.progress, self.expected,
        ])
        self._lay_out(*self._sections(), self.message, self.takes, self._foresight)
        self.fill(draft or {})

    def _sections(self):
        for title, entries in _SECTIONS:
            yield w.HTML(f"<h3>{title}</h3>")
            yield side_by_side(self.fields[e.name] for e in entries)
            if entries is _LOADS and self._spread is not None:
                yield side_by_side([*(self.fields[e.name] for e in _SPREAD), self.even])

    @property
    def draft(self):
        """What stands in the form, as typed; the guess by blend."""
        guesses = {**self._guesses, **{b: f.value for b, f in self.guess.items()}}
        return {**{n: f.value for n, f in self.fields.items()}, "guess": guesses}

    def fill(self, draft):
        """Put a draft in the place of what stands there; what it lacks is as in a new form."""
        self._quiet = True
        for entry in (*_ENTRIES, *_SPREAD, _SERIES):
            self.fields[entry.name].value = str(draft.get(entry.name, entry.usual))
        self._guesses = dict(draft.get("guess", {}))
        self._show_guesses(())
        self._quiet = False
        self._guarded(self._changed)

    def renew(self):
        """Make the plan anew: what is not typed here has changed."""
        self._guarded(self._changed)

    def wait(self, timeout=None):
        """Wait until a run that was started has ended."""
        if self._thread is not None:
            self._thread.join(timeout)

    def _guarded(self, action):
        """Run a callback; show what went wrong, for nobody else would."""
        try:
            self.message.value = ""
            action()
        except Exception as error:
            self.message.value = note_of(error)

    def _changed(self):
        if self._quiet:
            return
        self._forget_run()
        self.plan, self.takes.value, self.run.disabled = None, "", True
        self._foresight.layout.display = "none"
        try:
            self.plan = self._make(self._asked())
            self._show_plan()
        finally:
            self._noted()

    def _noted(self):
        if self._on_change is not None and not self._quiet:
            self._on_change()

    def _forget_run(self):
        """A run of the plan or guess before would answer another question."""
        self.progress.stop()
        self._asked_for, self.found, self.expected.value = None, None, ""

    def _asked(self):
        """What is typed, read; all that is wrong at once, or else all that is missing."""
        asked, wrong, missing = {}, [], []
        for entry in _ENTRIES:
            text = self.fields[entry.name].value.strip()
            if not text and entry.empty is _NEEDED:
                missing.append(entry.label)
                continue
            try:
                asked[entry.name] = entry.read(text) if text else entry.empty
            except ValueError as error:
                wrong.append(str(error))
        if wrong:
            raise ValueError("\n".join(wrong))
        if missing:
            raise NotYet(f"Still to fill in: {'; '.join(missing)}.")
        return asked

    def _write_loads(self):
        ends = [_number(e.label, 0.1, 40, "% of wax")(self.fields[e.name].value)
                for e in _SPREAD[:2]]
        number = _whole("how many loads", 2, 40)(self.fields["number"].value)
        self.fields["loads"].value = ", ".join(f"{x:g}" for x in self._spread(*ends, number))

    def _running(self):
        return self._thread is not None and self._thread.is_alive()

    def _show_plan(self):
        c = self._costs(self.plan)
        known = c["money"] == c["money"]
        money = f"{c['money']:.2f} {self.plan.currency}"
        rows = [
            ("loads, % of wax", ", ".join(f"{x:g}" for x in self.plan.loads_pct)),
            ("to pour", f"{c['pours']} pours from {c['pots']} pots, {c['pieces']} pieces"),
            ("wax to buy", f"{c['wax_g']:.0f} g"),
            ("fragrance to buy", f"{c['fragrance_g']:.0f} g"),
            ("wax and fragrance", money if known else "not known, a price is missing"),
            ("days", f"{c['days']}, first pour to last look"),
            ("panel", f"{c['panel_hours']:.1f} hours of all assessors together"),
        ]
        lines = "".join(
            f"<tr><th style='text-align:left; padding-right:12px'>{html.escape(a)}</th>"
            f"<td>{html.escape(b.strip())}</td></tr>" for a, b in rows
        )
        cautions = "".join(f"<li>{html.escape(n)}</li>" for n in self.plan.notes)
        self.takes.value = f"<table>{lines}</table><ul>{cautions}</ul>"
        self._show_guesses(tuple(b.name for b in self.plan.blends))
        self._foresight.layout.display = ""
        self.run.disabled = self._running()

    def _show_guesses(self, blends):
        """A field for the guess of each blend; what was typed for a blend comes back with it."""
        if blends == tuple(self.guess):
            return
        self._guesses |= {b: f.value for b, f in self.guess.items()}
        self.guess = {}
        for place, blend in enumerate(blends):
            field = short_field(f"guess-{place}", f"{blend}, % of wax", "such as 9",
                                f"Your guess for {blend}: half of the pieces sweat at, % of wax")
            field.value = self._guesses.get(blend, "")
            field.observe(lambda _: self._guarded(self._guessed), "value")
            self.guess[blend] = field
        self._guess_row.children = list(self.guess.values())
        self._name_controls()

    def _guessed(self):
        self._forget_run()
        self._noted()

    def _start(self):
        if self.plan is None:
            raise ValueError("There is no plan to judge: mend the fields above.")
        guess = self._typed_guess()
        series = _whole("simulated series", 1, 5000)(self.fields["series"].value)
        asked_for = self._asked_for = (self.plan, guess, series)
        self.run.disabled = True
        self.progress.start()
        self.expected.value = ""
        self._thread = threading.Thread(
            target=self._foresee_now, args=(asked_for,), daemon=True
        )
        self._thread.start()

    def _typed_guess(self):
        empty = [blend for blend, field in self.guess.items() if not field.value.strip()]
        if empty:
            raise NotYet(f"Type your guess first for: {', '.join(empty)}. All of the run rests on "
                         "it: try a lower and a higher one.")
        return {blend: _number(f"guess for {blend}", 0.1, 60, "% of wax")(field.value)
                for blend, field in self.guess.items()}

    def _foresee_now(self, asked_for):
        def foresee():
            found = self._foresee(*asked_for, self.progress.tell, self.progress.stopped)
            if asked_for is self._asked_for:
                self.found = found
                notes = "".join(f"<li>{html.escape(n)}</li>" for n in found.notes)
                self.expected.value = (note("saved", found.sentence) + f"<ul>{notes}</ul>"
                                       + self._picture(found))

        self._guarded(foresee)
        self.progress.finish()
        self.run.disabled = self.plan is None

    def _picture(self, found):
        if self._draw is None:
            return ""
        data = base64.b64encode(self._draw(found)).decode("ascii")
        return (f'<img alt="{html.escape(found.sentence)}" style="max-width:100%" '
                f'src="data:image/png;base64,{data}">')


def series_draft(plan):
    """The draft of a :class:`PlanningForm` that asks for this plan."""
    cast, cure = plan.piece_numbers, plan.cure_days
    numbered = tuple(f"A{i + 1}" for i in range(len(plan.assessors)))
    texts = {
        "title": plan.title, "loads": ", ".join(f"{x:.10g}" for x in plan.loads_pct),
        "pots": plan.pots_per_blend, "piece_g": f"{plan.piece_g:.10g}",
        "dye": f"{plan.pouring.dye_pct:.10g}" if plan.pouring.dye_pct else "",
        "assessors": len(plan.assessors) if tuple(plan.assessors) == numbered
        else ", ".join(plan.assessors),
        "works_with": ", ".join(plan.works_with_fragrance), "start": plan.start.isoformat(),
        "pots_a_day": plan.pouring.pots_per_day or "", "currency": plan.currency,
        "seed": plan.seed,
    }
    texts |= {name: getattr(cast, name) for name in _TESTS}
    texts |= {f"cure_{name}": getattr(cure, name) for name in _CURED}
    return {name: str(text) for name, text in texts.items()}


def _field(entry):
    return short_field(entry.name, entry.label, entry.example, wide=entry.wide)


def _loads(text):
    """Loads typed with commas, semicolons or blanks between them.

    A comma with digits on both sides parts two loads, unless semicolons or blanks part them too:
    then it may as well be a decimal sign, and the form asks.
    """
    if re.search(r"\d,\d", text) and re.search(r";|\d\s+\d|,\s", text):
        raise ValueError(
            f"loads: found {text!r}, where a comma may part two loads or be a decimal sign. Write "
            "the decimal sign as a point, such as 4, 6, 8.5"
        )
    try:
        return tuple(float(word) for word in re.split(r"[,;\s]+", text.strip(" ,;\t")))
    except ValueError:
        raise ValueError(
            f"loads: found {text!r}, expected numbers with commas between, such as 4, 6, 8.5"
        ) from None


def _whole(what, lower, upper):
    """A reader of a whole number within bounds."""
    def read(text):
        if not re.fullmatch(r"[0-9]{1,18}", text.strip()) or not lower <= int(text) <= upper:
            raise ValueError(
                f"{what}: found {text!r}, expected a whole number from {lower} to {upper}"
            )
        return int(text)

    return read


def _number(what, lower, upper, unit):
    """A reader of a number within bounds; a decimal comma is understood."""
    column = schema.Column(what, "number", what, unit, lower, upper)
    return lambda text: typed_number(text, column)


def _day(text):
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            return dt.date.fromisoformat(text)
    except ValueError:
        pass
    raise ValueError(
        f"first pour day: found {text!r}, expected a date as year-month-day, such as 2026-03-14"
    )


def _codes(text):
    """Codes such as A1, parted by commas or blanks; never names."""
    codes = tuple(re.split(r"[,;\s]+", text.strip(" ,;\t").upper()))
    for code in codes:
        if not re.fullmatch(schema.THROWS["assessor"].pattern, code):
            raise ValueError(
                f"assessors: found {code!r}, expected a letter and a number, such as A1, never a "
                "name"
            )
    return codes


def _assessors(text):
    """A number of assessors, or their codes."""
    if re.match(r"[^\W\d]\d", text):
        return _codes(text)
    return tuple(f"A{i + 1}" for i in range(_whole("assessors", 0, 200)(text)))


_TESTS = {
    "sweat": ("sweat at rest", "4"), "sweat_heat": ("sweat after heat", "2"),
    "frost": ("frost", "2"), "throw": ("throw", "2"), "reserve": ("reserve", "1"),
    "bleed": ("bleed on a blotter", "0"),
}
_CURED = {"sweat": "7", "sweat_heat": "7", "frost": "14", "throw": "14"}


def _large(label):
    return label[0].upper() + label[1:]


def _piece_entries():
    for name, (words, usual) in _TESTS.items():
        yield Entry(name, f"Pieces of a pour, {words}", _whole(f"pieces, {words}", 0, 50), usual)


def _cure_entries():
    for name, usual in _CURED.items():
        words = f"days to cure, {_TESTS[name][0]}"
        yield Entry(f"cure_{name}", _large(words), _whole(words, 0, 3650), usual)


_LOADS = (
    Entry("loads", "Loads, g of fragrance per 100 g of wax", _loads, example="such as 4, 6, 8",
          wide=True),
)
_SPREAD = (
    Entry("lowest", "Or evenly: lowest, % of wax", None),
    Entry("highest", "highest, % of wax", None), Entry("number", "how many", None),
)
_SERIES = Entry("series", "Simulated series (24 for an idea, 200 to decide)", None, "24")
_SECTIONS = (
    ("The series", (
        Entry("title", "Title", str, wide=True),
        Entry("start", "First pour day", _day, example="2026-03-14"),
        Entry("currency", "Currency of the prices", str, example="such as EUR", empty=""),
    )),
    ("Loads", _LOADS),
    ("Pots and pieces", (
        Entry("pots", "Pots of each blend", _whole("pots of a blend", 1, 50), "2"),
        Entry("pots_a_day", "Most pots on a day", _whole("pots on a day", 1, 50),
              example="empty: no limit", empty=None),
        Entry("piece_g", "Weight of a piece, g",
              _number("weight of a piece", 0.1, 5000, "g"), example="such as 25"),
        Entry("dye", "Dye, % of wax", _number("dye", 0, 5, "% of wax"), example="empty: none",
              empty=0.0),
        *_piece_entries(), *_cure_entries(),
    )),
    ("Panel", (
        Entry("assessors", "Number of assessors", _assessors, example="6, or codes A1, A3"),
        Entry("works_with", "Who works with the fragrance", _codes, example="by code, such as A1",
              empty=()),
        Entry("seed", "Number for the codes and orders",
              _whole("number for the codes and orders", 0, 10**15), empty=None,
              example="empty: from the first day"),
    )),
)
_ENTRIES = tuple(entry for _, entries in _SECTIONS for entry in entries)

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
    need_day,
    note,
    note_of,
    short_choice,
    short_field,
    side_by_side,
    spoken_day,
    stacked,
    typed_number,
)
from scentlab.units import celsius_from_fahrenheit

_NEEDED = object()
_DAYS_PAST = 7  # a first pour day longer ago than this gets a note


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
    """One field: how its text is read, what stands in a new form, and what an empty one means.

    With ``options`` (a dict of text to words) it is a list to choose from.
    """

    name: str
    label: str
    read: Any
    usual: str = ""
    example: str = ""
    empty: Any = _NEEDED
    wide: bool = False
    options: Any = None


@dataclass(frozen=True)
class Fold:
    """Fields that are seldom changed, behind a button that tells what they say.

    ``words`` is a callable(texts) -> str, with the texts of all fields by name.
    """

    name: str
    title: str
    entries: tuple
    words: Any


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
        self.folds, self._folded = {}, {}
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
            for fold in _FOLDS.get(title, ()):
                yield from self._folding(fold)

    def _folding(self, fold):
        part = side_by_side(self.fields[e.name] for e in fold.entries)
        part.layout.display = "none"
        button = make_button(fold.title, f"fold-{fold.name}")
        button.on_click(lambda _: self._turn_fold(fold.name))
        self.folds[fold.name], self._folded[fold.name] = button, part
        return [button, part]

    def _turn_fold(self, name, shut=None):
        part = self._folded[name]
        shut = part.layout.display != "none" if shut is None else shut
        part.layout.display = "none" if shut else ""
        self._tell_folds()

    def _tell_folds(self):
        """A closed part still tells what stands in it."""
        texts = {name: field.value.strip() for name, field in self.fields.items()}
        for fold in _ALL_FOLDS:
            shut = self._folded[fold.name].layout.display == "none"
            words = f"{fold.title}: {fold.words(texts)}"
            button = self.folds[fold.name]
            button.description = f"{'▸' if shut else '▾'} {words}"
            button.tooltip = f"{words}; {'open' if shut else 'close'}"
        self._name_controls()

    @property
    def draft(self):
        """What stands in the form, as typed; the guess by blend."""
        guesses = {**self._guesses, **{b: f.value for b, f in self.guess.items()}}
        return {**{n: f.value for n, f in self.fields.items()}, "guess": guesses}

    def fill(self, draft):
        """Put a draft in the place of what stands there; what it lacks is as in a new form."""
        self._quiet = True
        for entry in (*_ENTRIES, *_SPREAD, _SERIES):
            text = str(draft.get(entry.name, entry.usual))
            known = entry.options is None or text in entry.options
            self.fields[entry.name].value = text if known else entry.usual
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
        self._tell_folds()
        try:
            asked = self._asked()
            self.plan = self._make(asked)
            self._show_plan(asked["start"])
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
                self._unfold(entry)
                continue
            try:
                asked[entry.name] = entry.read(text) if text else entry.empty
            except ValueError as error:
                wrong.append(str(error))
                self._unfold(entry)
        if wrong:
            raise ValueError("\n".join(wrong))
        if missing:
            raise NotYet(f"Still to fill in: {'; '.join(missing)}.")
        return asked

    def _unfold(self, entry):
        """What is to be mended must be seen."""
        for fold in _ALL_FOLDS:
            if entry in fold.entries:
                self._turn_fold(fold.name, shut=False)

    def _write_loads(self):
        ends = [_number(e.label, 0.1, 40, "% of wax")(self.fields[e.name].value)
                for e in _SPREAD[:2]]
        number = _whole("how many loads", 2, 40)(self.fields["number"].value)
        self.fields["loads"].value = ", ".join(f"{x:g}" for x in self._spread(*ends, number))

    def _running(self):
        return self._thread is not None and self._thread.is_alive()

    def _show_plan(self, start):
        c = self._costs(self.plan)
        known = c["money"] == c["money"]
        money = f"{c['money']:.2f} {self.plan.currency}"
        rows = [
            ("loads, % of wax", ", ".join(f"{x:g}" for x in self.plan.loads_pct)),
            ("to pour", f"{c['pours']} pours from {c['pots']} pots, {c['pieces']} pieces"),
            ("wax to buy", f"{c['wax_g']:.0f} g"),
            ("fragrance to buy", f"{c['fragrance_g']:.0f} g"),
            ("wax and fragrance", money if known else "not known, a price is missing"),
            ("first pour day", spoken_day(start)),
            ("days", f"{c['days']}, first pour to last look"),
            ("panel", f"{c['panel_hours']:.1f} hours of all assessors together"),
        ]
        lines = "".join(
            f"<tr><th style='text-align:left; padding-right:12px'>{html.escape(a)}</th>"
            f"<td>{html.escape(b.strip())}</td></tr>" for a, b in rows
        )
        notes = [*_past_start(start), *self.plan.notes]
        cautions = "".join(f"<li>{html.escape(n)}</li>" for n in notes)
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


def _past_start(start, today=None):
    """A note on a first pour day that is well past: a slip, or a series that is poured already."""
    days = ((today or dt.date.today()) - start).days
    if days > _DAYS_PAST:
        yield (
            f"The first pour day, {spoken_day(start)}, was {days} days ago, and every day of the "
            "plan is counted from it. That is right for a series that is poured already; for one "
            "that is still to be poured give another day."
        )


def series_draft(plan):
    """The draft of a :class:`PlanningForm` that asks for this plan."""
    cast, cure, poured, sat = plan.piece_numbers, plan.cure_days, plan.pouring, plan.sittings
    numbered = tuple(f"A{i + 1}" for i in range(len(plan.assessors)))
    texts = {
        "title": plan.title, "loads": ", ".join(f"{x:.10g}" for x in plan.loads_pct),
        "pots": plan.pots_per_blend, "piece_g": f"{plan.piece_g:.10g}",
        "dye": f"{poured.dye_pct:.10g}" if poured.dye_pct else "",
        "assessors": len(plan.assessors) if tuple(plan.assessors) == numbered
        else ", ".join(plan.assessors),
        "works_with": ", ".join(plan.works_with_fragrance), "start": plan.start.isoformat(),
        "pots_a_day": poured.pots_per_day or "", "currency": plan.currency,
        "seed": plan.seed,
    }
    texts |= {
        "spare": f"{poured.spare_pct:.10g}", "days_between": poured.days_between,
        "add_temp": _shown(poured.add_temp_c), "pour_temp": _shown(poured.pour_temp_c),
        "stir": f"{poured.stir_min:.10g}", "confirm": _yes(poured.confirm),
        "confirm_add_temp": _shown(poured.confirm_add_temp_c),
        "confirm_stir": f"{poured.confirm_stir_min:.10g}",
        "heat_temp": f"{plan.heat_cycle.temp_c:.10g}",
        "heat_hours": f"{plan.heat_cycle.hours:.10g}", "heat_cycles": plan.heat_cycle.cycles,
        "kinds": ", ".join(sat.kinds), "per_sitting": sat.pieces_per_sitting,
        "per_day": sat.per_day, "share": sat.share, "each": _shown(sat.each),
        "control": _yes(sat.control),
    }
    texts |= {name: getattr(cast, name) for name in _TESTS}
    texts |= {f"cure_{name}": getattr(cure, name) for name in _CURED}
    return {name: str(text) for name, text in texts.items()}


def _shown(number):
    return "" if number is None else f"{number:.10g}"


def _yes(true):
    return "yes" if true else "no"


def _field(entry):
    if entry.options is not None:
        return short_choice(entry.name, entry.label, entry.options)
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


def _temperature(what, lower, upper):
    """A reader of a temperature in °C; one in °F is understood when an F stands behind it."""
    celsius = _number(what, lower, upper, "°C")
    bounds = [9 / 5 * end + 32 for end in (lower, upper)]

    def read(text):
        found = re.fullmatch(r"(.*\d)\s*°?\s*[fF]", text)
        if found is None:
            return celsius(re.sub(r"\s*°?\s*[cC]$", "", text))
        return round(celsius_from_fahrenheit(_number(what, *bounds, "°F")(found[1])), 1)

    return read


def _day(text):
    return need_day(text, "first pour day")


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
_CURED = {"sweat": "7", "sweat_heat": "7", "frost": "14", "throw": "14", "reserve": "90",
          "bleed": "7"}
_CURED_SELDOM = ("reserve", "bleed")


def _large(label):
    return label[0].upper() + label[1:]


def _piece_entries():
    for name, (words, usual) in _TESTS.items():
        yield Entry(name, f"Pieces of a pour, {words}", _whole(f"pieces, {words}", 0, 50), usual)


def _cure_entries(names):
    for name in names:
        usual = _CURED[name]
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
_SERIES = Entry("series", "Simulated series (50 for an idea, 200 to decide)", None, "50")
_SECTIONS = (
    ("The series", (
        Entry("title", "Title", str, wide=True),
        Entry("start", "First pour day", _day, example="2026-03-14 or 14.03.2026"),
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
        *_piece_entries(), *_cure_entries(n for n in _CURED if n not in _CURED_SELDOM),
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
_NO_YES = {"no": "no", "yes": "yes"}
_POURING = (
    Entry("spare", "Spare wax to melt, %", _number("spare wax to melt", 0, 50, "%"), "5"),
    Entry("add_temp", "Add fragrance at, °C", _temperature("add fragrance at", 20, 150),
          example="empty: maker's", empty=None),
    Entry("pour_temp", "Pour at, °C", _temperature("pour at", 20, 150),
          example="empty: maker's", empty=None),
    Entry("stir", "Stir for, min", _number("stir for", 0, 120, "min"), "2"),
    Entry("confirm", "Confirming pour of each blend", "yes".__eq__, "no", options=_NO_YES),
    Entry("confirm_add_temp", "Confirming pour: add at, °C",
          _temperature("confirming pour: add at", 20, 150), example="empty: hottest",
          empty=None),
    Entry("confirm_stir", "Confirming pour: stir for, min",
          _number("confirming pour: stir for", 0, 120, "min"), "10"),
)
_HEAT = (
    Entry("heat_temp", "Keep warm at, °C", _temperature("keep warm at", 25, 80), "38"),
    Entry("heat_hours", "Each time for, h", _number("each time for", 0.5, 72, "h"), "12"),
    Entry("heat_cycles", "How many times, one a day", _whole("how many times", 1, 30), "3"),
)
_DAYS = (
    Entry("days_between", "Days from one pour day to the next",
          _whole("days from one pour day to the next", 1, 60), "1"),
    *_cure_entries(_CURED_SELDOM),
)
_KINDS = {"warm": "warm", "cold": "cold", "cold, warm": "cold, then warm"}
_SHARES = {"all": "all pieces", "blocks": "a share of them"}
_SITTINGS = (
    Entry("kinds", "Throw to smell", lambda text: tuple(text.split(", ")), "warm",
          options=_KINDS),
    Entry("per_sitting", "Most pieces in a sitting", _whole("most pieces in a sitting", 1, 40),
          "6"),
    Entry("per_day", "Sittings on a day", _whole("sittings on a day", 1, 12), "1"),
    Entry("share", "Each assessor smells", str, "all", options=_SHARES),
    Entry("each", "Sittings of each assessor", _whole("sittings of each assessor", 1, 60),
          example="empty: enough", empty=None),
    Entry("control", "Two more of one pour, to repeat", "yes".__eq__, "no", options=_NO_YES),
)


def _pouring_words(texts):
    confirmed = "; with a confirming pour" if texts["confirm"] == "yes" else ""
    return f"stirred for {texts['stir']} min, {texts['spare']} % spare{confirmed}"


def _heat_words(texts):
    if texts["sweat_heat"] == "0":
        return "no piece is kept warm"
    warm = re.sub(r"(\d)$", r"\1 °C", texts["heat_temp"])
    return f"{texts['heat_cycles']} times {texts['heat_hours']} h at {warm}"


def _days_words(texts):
    return (f"pour days every {texts['days_between']} d, reserve pieces kept for "
            f"{texts['cure_reserve']} d")


def _sitting_words(texts):
    kinds, share = _KINDS[texts["kinds"]], _SHARES[texts["share"]]
    return (f"{kinds}, at most {texts['per_sitting']} pieces, {texts['per_day']} on a day; "
            f"each assessor smells {share}")


_FOLDS = {
    "Pots and pieces": (
        Fold("pouring", "How the pots are poured", _POURING, _pouring_words),
        Fold("heat", "Heat cycle", _HEAT, _heat_words),
        Fold("days", "More days", _DAYS, _days_words),
    ),
    "Panel": (Fold("sittings", "Sittings", _SITTINGS, _sitting_words),),
}
_ALL_FOLDS = tuple(fold for folds in _FOLDS.values() for fold in folds)
_ENTRIES = tuple(entry for _, entries in _SECTIONS for entry in entries) + tuple(
    entry for fold in _ALL_FOLDS for entry in fold.entries)

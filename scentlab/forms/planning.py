"""The planning form: loads, pots, pieces and panel in; what it takes and how precise it is out.

Each field names the argument of the planner that it is for, so that one table makes the form, the
plan and the draft, and a refusal of the planner is shown beside its field. The quick run of
simulated series goes in a thread, so that its bar moves and its cancel button works while the
notebook's kernel computes.
"""

import datetime as dt
import re
import threading
from functools import partial, reduce

import ipywidgets as w

from scentlab import schema
from scentlab.amounts import read_loads
from scentlab.forms.fields import (
    TABLES,
    Field,
    FieldError,
    NotYet,
    Section,
    Wrong,
    fields_of,
    in_a_row,
    note,
    placed,
    read_all,
    read_text,
    show_if,
    shown,
    side_by_side,
    spoken_day,
    texts_of,
)
from scentlab.forms.frame import Form, listed
from scentlab.planning.refusal import PlanError
from scentlab.text import capital
from scentlab.units import shown as units_shown

_DAYS_PAST = 7  # a first pour day longer ago than this gets a note
_GUESS = schema.Column("guess", "number", "guess", "% of wax", 0.1, 60)
_ASSESSORS = schema.Column("assessors", "integer", "testers", "", 0, 200)
_SERIES = schema.Column("series", "integer", "simulated series", "", 1, 5000)
_ROWS = tuple(row for part in TABLES["planning"].values() for row in part["fields"])


class PlanningForm(Form):
    """Type loads, pots, pieces and panel; see what the plan takes and, on a button, its
    precision.

    ``make(asked)`` gives a plan of what is typed, by the argument of the planner ("loads_pct",
    "pouring.stir_min"), or refuses with a PlanError, which names the field, a :class:`Wrong` for
    several, or a NotYet. ``foresee(plan, guess, series, progress, stop)`` gives a result; the guess
    is the load at which half of the pieces sweat, by blend.

    ``plan`` is the plan as it is now and ``found`` the result of the last run for it, or None.
    """

    stores = False

    def __init__(self, make, foresee, draft=None, *, on_change=lambda *_: None):
        super().__init__()
        self._make, self._foresee, self._on_change = make, foresee, on_change
        self._thread, self._quiet, self._guesses, self._asked_for = None, True, {}, None
        self.plan = self.found = None
        loads = partial(read_loads, unit="%" if units_shown().weight == "g" else None)
        self._planned = fields_of(_ROWS, "", {**_READERS, "loads": loads})
        series = Field("series", _SERIES, "Simulated series (50 for an idea, 200 to decide)",
                       usual="50", short=True)
        self._planned["scale"].usual = self._planned["scale"].value = units_shown().weight
        self.fields = {**self._planned, "series": series}
        self._watch(self._planned.values(), self._changed)
        self._watch([series], self._noted)
        self.takes, self.expected, self.folds = w.HTML(), w.HTML(), {}
        self.guess, self._guess_row = {}, side_by_side()
        self.run = self._button("How precise would it be? (a run on paper)", "run", self._start)
        self.bar, self.told = w.IntProgress(layout=w.Layout(width="100%")), w.HTML()
        self._cancelled = threading.Event()
        self.cancel = self._button("Cancel the run", "cancel", self._cancelled.set)
        self._show_run(False)
        self._foresight = Section("How precise would it be?", [
            w.HTML("<p>Your guess for each blend: the load at which half of the pieces show "
                   "sweat.</p>"),
            self._guess_row, side_by_side([series]), in_a_row([self.run]),
            self.bar, self.told, self.cancel, self.expected,
        ])
        sections = [self._section(name, part) for name, part in TABLES["planning"].items()]
        self._lay_out(*sections, self.message, self.takes, self._foresight)
        self.fill(draft or {})

    def _section(self, name, part):
        cells = [side_by_side(self.fields[row["name"]] for row in part["fields"])]
        if "title" in part:
            return Section(part["title"], cells)
        self.folds[name] = Section(part["fold"], cells, name, lambda: self._summed_up(name, part))
        return self.folds[name]

    def _summed_up(self, name, part):
        if name == "heat" and self.fields["sweat_heat"].text == "0":
            return "no piece is kept warm"
        return part["words"].format(**{n: field.spoken for n, field in self.fields.items()})

    @property
    def draft(self):
        """What is in the form, as typed; the guess by blend."""
        return texts_of(self.fields) | {"guess": self._guesses | texts_of(self.guess)}

    def fill(self, draft):
        """Put a draft in the place of what is there; what it lacks is as in a new form."""
        self._quiet = True
        for name, field in self.fields.items():
            field.value = draft.get(name, field.usual)
        self._guesses = dict(draft.get("guess", {}))
        self._show_guesses(())
        self._quiet = False
        self.renew()

    def renew(self):
        """Make the plan anew: what is not typed here has changed."""
        self._guarded(self._changed)

    def _guarded(self, action):
        self.message.value = ""
        super()._guarded(action)

    def _refuse(self, error):
        """What must be mended is seen."""
        for section in self.folds.values():
            fields = section.body.children[0].children
            if any(field.said.value or field.missing for field in fields):
                section.turn(True)
        super()._refuse(error)

    def _changed(self):
        if self._quiet:
            return
        self._forget_run()
        self.plan, self.takes.value, self.run.disabled = None, "", True
        show_if(False, self._foresight)
        try:
            asked = self._asked()
            self.plan = self._made(asked)
            self._show_plan(asked["start"])
        finally:
            for section in self.folds.values():
                section.say()
            self._noted()

    def _noted(self):
        if not self._quiet:
            self._on_change()

    def _forget_run(self):
        """A run of the plan or guess before would answer another question."""
        self._cancelled.set()
        self._asked_for, self.found, self.expected.value = None, None, ""

    def _asked(self):
        """What is typed, by the planner's argument; all that is wrong, or else all that misses."""
        try:
            return {self.fields[n].at: value for n, value in read_all(self._planned).items()}
        except Wrong as error:
            wrong = [e for e in error.errors if e.value]
            if wrong:
                raise Wrong(wrong) from None
            missing = "; ".join(f.label for f in self._planned.values() if f.missing)
            raise NotYet(f"Still to fill in: {missing}.") from None

    def _made(self, asked):
        try:
            return self._make(asked)
        except (PlanError, Wrong) as error:
            errors = getattr(error, "errors", (error,))
            raise Wrong([placed(e, self._planned.values()) for e in errors]) from error

    def _show_plan(self, start):
        self.takes.value = listed(
            [*map(capital, self.plan.takes), *_past(start), *self.plan.notes])
        self._show_guesses(tuple(b.name for b in self.plan.blends))
        show_if(True, self._foresight)
        self.run.disabled = self._thread is not None and self._thread.is_alive()

    def _show_guesses(self, blends):
        """A field for the guess of each blend; what was typed for a blend comes back with it."""
        if blends == tuple(self.guess):
            return
        self._guesses |= texts_of(self.guess)
        self.guess = {}
        for place, blend in enumerate(blends):
            field = Field(f"guess-{place}", _GUESS, short=True, example="9 % or 1.5 oz/lb",
                          usual=self._guesses.get(blend, ""))
            unit = units_shown().label("% of wax")
            field.call(f"{blend}, {unit}",
                       f"Your guess for {blend}: half of the pieces sweat at, {unit}")
            self._watch([field], lambda: (self._forget_run(), self._noted()))
            self.guess[blend] = field
        self._guess_row.children = list(self.guess.values())

    def _start(self):
        if self.plan is None:
            raise ValueError("There is no plan to judge: correct the fields above.")
        empty = [blend for blend, field in self.guess.items() if not field.text]
        if empty:
            raise NotYet(f"First type your guess for: {', '.join(empty)}. The whole run rests on "
                         "it, so try a lower and a higher one too.")
        guess, series = read_all(self.guess), self.fields["series"].read()
        asked_for = self._asked_for = (self.plan, guess, series)
        self.run.disabled, self.expected.value = True, ""
        self._cancelled.clear()
        self.bar.value, self.told.value = 0, ""
        self._show_run(True)
        self._thread = threading.Thread(target=self._foresee_now, args=(asked_for,), daemon=True)
        self._thread.start()

    def _foresee_now(self, asked_for):
        def foresee():
            found = self._foresee(*asked_for, self._tell, self._cancelled.is_set)
            if asked_for is self._asked_for:
                self.found = found
                self.expected.value = note("saved", found.sentence) + listed(found.notes)

        self._guarded(foresee)
        self._show_run(False)
        self.run.disabled = self.plan is None

    def _tell(self, done, total):
        self.bar.max, self.bar.value = max(total, 1), done
        self.told.value = f"<p>{done} of {total} simulated series</p>"

    def _show_run(self, running):
        self.cancel.disabled = not running
        show_if(running, self.bar, self.cancel)


def _past(start):
    """A note on a first pour day that is well past: a slip, or a series that is poured already."""
    days = (dt.date.today() - start).days
    if days > _DAYS_PAST:
        yield (
            f"The first pour day, {spoken_day(start)}, was {days} days ago, and every day of the "
            "plan counts from it. That is right if the series is already poured; if not, give "
            "another day."
        )


def series_draft(plan):
    """The draft of a :class:`PlanningForm` that asks for this plan."""
    draft = {}
    for row in _ROWS:
        path = row["at"].replace("pieces.", "piece_numbers.").split(".")
        draft[row["name"]] = shown(reduce(getattr, path, plan))
    if plan.assessors == tuple(f"A{i + 1}" for i in range(len(plan.assessors))):
        draft["assessors"] = str(len(plan.assessors))
    return draft


# --- how the texts of the fields are read


def _codes(text):
    """Codes such as A1, parted by commas or blanks; never names."""
    codes = tuple(re.split(r"[,;\s]+", text.strip(" ,;\t").upper()))
    for code in codes:
        if not re.fullmatch(schema.THROWS["assessor"].pattern, code):
            raise FieldError("testers", code, "expected a letter and a number, such as A1, never "
                             "a name")
    return codes


def _assessors(text):
    if re.match(r"[^\W\d]\d", text):
        return _codes(text)
    return tuple(f"A{i + 1}" for i in range(read_text(text, _ASSESSORS)))


_READERS = {"codes": _codes, "assessors": _assessors, "yes": "yes".__eq__,
            "kinds": lambda text: tuple(text.split(", ")),
            "ages": lambda text: tuple(int(day) for day in re.findall(r"\d+", text))}

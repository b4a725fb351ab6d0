"""The quick check as a page: what to fill in, what it takes, weights, grades, answer, next step."""

import datetime as dt
import html
from functools import partial
from pathlib import Path

import ipywidgets as w

from scentlab import schema
from scentlab.amounts import (
    AmountError,
    keep_units,
    other_form,
    other_loads,
    units_here,
    units_typed,
)
from scentlab.files import file_link
from scentlab.forms.fields import (
    TABLES,
    Field,
    FieldError,
    Section,
    in_a_row,
    note,
    past_day,
    read_all,
    scale_reading,
    show_if,
    side_by_side,
    stacked,
)
from scentlab.forms.fields import shown as shown_text
from scentlab.forms.frame import STYLE, Form
from scentlab.forms.heat import HeatForm
from scentlab.forms.scores import GradeForm
from scentlab.materials import Refusal
from scentlab.quick import (
    ASKED,
    QUICK_TESTER,
    UNITS_ASKED,
    QuickCheck,
    plan_asked,
    say_batch,
    weighed,
)
from scentlab.recording.shelf import Shelf, shelf_beside
from scentlab.recording.store import FILE_NAME
from scentlab.units import say_weight, show_in, shown

MAIN = 5  # fields that are always to be seen
_SCALE = schema.POURS["scale_check_g"]


def _reads(name, meaning):
    """A reader of an amount as people type it, that refuses as a field does."""
    def reader(text):
        try:
            return ASKED[name](text)
        except AmountError as error:
            raise FieldError(meaning, text, f"{error.remedy}.") from None

    return reader


def _other(name, value, text):
    """What is typed in a field of the quick check in other units."""
    if name == "loads":
        return other_loads(value, text)
    return other_form(value, UNITS_ASKED[name], text) if name in UNITS_ASKED else ""


def _shelf_or_none(folder):
    """The shelf beside a folder; an empty one where it cannot be read, which the plan will say."""
    try:
        return shelf_beside(folder)
    except (ValueError, OSError):
        return Shelf.empty()


class QuickPlanForm(Form):
    """What is asked of a new check; what it takes is said at each change, before wax is melted.

    ``plan`` is the plan as it is now, None while something is missing.
    """

    def __init__(self, folder, today, on_plan):
        super().__init__()
        self._folder, self._today, self._on_plan, self.plan = folder, today, on_plan, None
        self.fields = {row["name"]: Field.of(
            {**row, "read": _reads(row["name"], row["meaning"])}, short=True,
            other=partial(_other, row["name"])) for row in TABLES["quick"]["fields"]}
        self._watch(self.fields.values(), self._tell)
        self._shelf, self.takes = _shelf_or_none(folder), w.HTML()
        offers = [field for kind, take in (("wax", self._take_wax), ("fragrance", self._take_oil))
                  for field in self._offer(kind, self._shelf.names(kind), take)]
        self.make = self._button("Make this plan and its sheet", "make", self._make, saves=True)
        asked = [self.fields[row["name"]] for row in TABLES["quick"]["fields"]]
        self.more = Section("More: weights, temperatures, prices", [side_by_side(asked[MAIN:])],
                            "more")
        self._lay_out(w.HTML("<h3>Quick check: one pot, one evening</h3>"),
                      *([side_by_side(offers)] if offers else []),
                      side_by_side(asked[:MAIN]), self.more, self.takes, self.make, self.message)
        self._tell()

    def _tell(self):
        if not units_here(self._folder)[1]:
            show_in(units_typed([field.text for field in self.fields.values()]))
        self.plan, words = None, "Fill in wax, oil and loads: then it is said what the check takes."
        kind, missing = "flag", any(field.missing for field in self.fields.values())
        try:
            read_all({n: f for n, f in self.fields.items() if f.text})
            if not missing:
                texts = {name: field.text for name, field in self.fields.items()}
                self.plan, said = plan_asked(texts, self._folder, self._today)
                kind, words = "saved", "\n".join(said)
        except ValueError as error:  # said below its field, too
            kind, words = "error", getattr(error, "beside", error)
        self.takes.value = note(kind, words)
        self.make.disabled = self.plan is None

    def _take_wax(self, name):
        wax = self._shelf.wax(name)
        self._put(wax=name, sheet=(wax.recommended_load_pct, "%"), limit=(wax.limit_load_pct, "%"),
                  add=(wax.add_temp_c, "C"), wax_price=(wax.price_per_kg, "/ kg"))

    def _take_oil(self, name):
        oil = self._shelf.fragrance(name)
        self._put(oil=name, flash=(oil.flash_point_c, "C"), oil_price=(oil.price_per_kg, "/ kg"))

    def _put(self, **given):
        for name, value in given.items():
            number, unit = (value, "") if isinstance(value, str) else value
            words = f"{shown_text(number)} {unit}".strip()
            self.fields[name].value = "" if number is None else words

    def _make(self):
        self._on_plan(self.plan)
        keep_units(units_typed([field.text for field in self.fields.values()]), self._folder,
                   chosen=False)


class QuickWeightsForm(Form):
    """What was weighed of each load of a pot, all saved by one tap; empty is as planned."""

    def __init__(self, left, on_save, on_undo, today):
        super().__init__(on_save, on_undo)
        self._left, self._asked = left, []
        self.fields, unit = {}, shown().weight
        for n, pour in enumerate(left):
            for what, grams in (("wax", pour.wax_g), ("fragrance", pour.fragrance_g)):
                column = schema.Column(f"{what}-{n}", "number", f"{what}, {pour.pour}", "g", 0,
                                       required=False)
                self.fields[what, n] = Field(
                    f"{what}-{n}", column, f"{say_batch(pour)}: {what}, {unit}",
                    example=f"planned {say_weight(grams)}", short=True, wide=True)
        self.fields["scale", 0] = Field(
            "scale", _SCALE, "Scale under a 100 g check weight, g or oz", example="empty: none",
            empty=None, short=True, wide=True, read=scale_reading)
        self.fields["day", 0] = Field(
            "poured-on", schema.POURS["poured_on"], "Poured on", example=f"empty: {today}",
            read=lambda text: past_day(text, schema.POURS["poured_on"]), empty=today, short=True)
        self.save = self._button("Save these weights", "save-weights", self._save, saves=True)
        self._body = stacked([
            w.HTML("<h3>Poured? What was weighed</h3><p>Type what differs from the sheet, as "
                   "3 oz or 85 g; empty is as planned.</p>"),
            side_by_side(self.fields.values()), self.save])
        self._lay_out(self._body, self.message, in_a_row([self.undo]))

    def _save(self):
        typed = read_all(self.fields)
        rows, wrong, doubts = [], [], []
        for n, pour in enumerate(self._left):
            wax, fragrance = (pour_g if typed[what, n] is None else typed[what, n] for what, pour_g
                              in (("wax", pour.wax_g), ("fragrance", pour.fragrance_g)))
            found = weighed(pour, wax, fragrance)
            for words, kept in zip(found, (wrong, doubts), strict=True):
                kept += [f"{say_batch(pour)}: {words}"] if words else []
            rows.append((pour, wax, fragrance))
        if wrong:
            raise ValueError(" ".join(wrong))
        if doubts and doubts != self._asked:
            self._asked = doubts
            self._say("flag", f"NOT SAVED YET. {' '.join(doubts)} Tap again if that is right.")
            return
        self._store({"rows": rows, "scale_g": typed["scale", 0], "day": typed["day", 0]},
                    f"{len(rows)} test batches", None)
        show_if(False, self._body)

    def _return_to(self, place):
        show_if(True, self._body)


class QuickAnswerForm(Form):
    """The answer in three lines, and its next step, joined to the plan by one tap."""

    def __init__(self, answer, on_accept):
        super().__init__()
        self._answer, self._on_accept, self.step = answer, on_accept, None
        self.lines = w.HTML()
        self.show = self._button("Show the answer", "answer", self._show)
        self.add = self._button("Add this step to the plan", "accept", self._accept, saves=True)
        self.add.layout.display = "none"
        self._lay_out(w.HTML("<h3>The answer</h3>"), self.show, self.lines, self.add,
                      self.message)

    def _heard(self, content):
        self._acknowledge(content)  # an answer takes longer than the browser waits
        super()._heard(content)

    def _show(self):
        self._say("flag", "Working: this takes some seconds.")
        lines, self.step = self._answer()
        self.lines.value = "".join(f"<p>{html.escape(line)}</p>" for line in lines)
        show_if(self.step is not None and self.step.worth_it, self.add)
        self.message.value = ""

    def _accept(self):
        words = self._on_accept(self.step, self._key)
        self._renew_key()
        show_if(False, self.add)
        self._say("saved", words)


class QuickPage(w.VBox):
    """A quick check on a page, from what is filled in to the answer and the next step.

    ``check`` is the :class:`scentlab.quick.QuickCheck`, None before there is a plan, and ``plan``,
    ``weights``, ``heat``, ``grades`` and ``answer`` are the forms, None where nothing is to
    do.
    """

    def __init__(self, folder, today=None):
        super().__init__()
        self._folder, self._today, self.check = Path(folder), today, None
        self._show_units()
        self.now, self.sheets, self._places = w.HTML(), w.HTML(), [w.VBox() for _ in range(4)]
        self.plan = self.weights = self.heat = self.grades = self.answer = None
        self.again = w.Button(description="Look again", layout=w.Layout(width="auto"))
        self.again.on_click(lambda _: self.look())
        if (self._folder / FILE_NAME).is_file():
            self.check = QuickCheck(folder, today)
            self.look()
        else:
            self.plan = QuickPlanForm(self._folder, today or dt.date.today(), self._begin)
            self.children = [self.plan]

    def _show_units(self):
        choice, how = units_here(self._folder)
        show_in(choice if how else None)

    def _begin(self, plan):
        if self._folder.is_dir() and any(self._folder.iterdir()):
            raise Refusal(f"the folder {self._folder} is not empty", "name a new one")
        self.check = QuickCheck.begin(self._folder, plan, self._today)
        self.look()

    def look(self):
        """Show what is to do now, as the record has it."""
        self._show_units()
        left, due = self.check.left, self.check.due()
        words, held = self.check.waits()
        self._show_sheets()
        self.weights = QuickWeightsForm(left, self._save_weights, self._undo_weights,
                                        self.check.today) if left else None
        self.heat = self._heat_form()
        self.grades = None if due.empty else GradeForm(
            due, "sweat", QUICK_TESTER, self._save_grade, lambda r: self._undone("grades", r))
        self.answer = None if held else QuickAnswerForm(self.check.answer, self._accept)
        for place, form in zip(self._places, (self.weights, self.heat, self.grades, self.answer),
                               strict=True):
            place.children = [] if form is None else [form]
        self._say_now(words)
        ends = [w.VBox([w.HTML(STYLE), self.now]), w.VBox([self.sheets, self.again])]
        for end in ends:
            end.add_class("scent-form")
        self.children = [ends[0], *self._places, ends[1]]

    def _heat_form(self):
        """Asked where heated pieces are due and it is not on record what the cycle reached."""
        cycle = self.check.plan.heat_cycle
        return self.check.heat_day and HeatForm(
            {"hours": cycle.hours, "cycles": cycle.cycles},
            partial(self.check.store.add, "heats"), lambda r: self.check.undo("heats", r.entry_id),
            day=self.check.heat_day, title="Heat cycle: what the thermometer showed")

    def _say_now(self, words):
        left, due = len(self.check.left), len(self.check.due())
        todo = [f"pour {left} test batches by the sheet, then type what was weighed"] * bool(left)
        todo += [f"grade {due} pieces (keys 0 to 4, or tap; on a phone: scentlab panel)"] * bool(
            due)
        todo += ["look at the answer"] * (self.answer is not None)
        words = "" if due else html.escape(words)
        self.now.value = (f"<h2>{html.escape(self.check.plan.title)}</h2><p><b>Now: "
                          f"{'; '.join(todo) or 'wait'}.</b> {words}</p>")

    def _show_sheets(self):
        pots = len({p.pot for p in self.check.plan.pour_rows})
        self.sheets.value = "".join(
            f"<p>{file_link(path, f'Sheet of pot {path.stem.split(chr(45))[-1]} to print')}</p>"
            for path in self.check.write_sheets(pots=pots))

    def _save_weights(self, row):
        receipts = [self.check.log(*batch, row["scale_g"], f"{row['key']}-{n}", row["day"])
                    for n, batch in enumerate(row["rows"])]
        self._say_now(self.check.waits()[0])
        return receipts

    def _undo_weights(self, receipts):
        for receipt in receipts:
            self.check.undo("pours", receipt.entry_id)
        self._say_now(self.check.waits()[0])

    def _save_grade(self, row):
        receipt = self.check.store.add("grades", row)
        self._after_grade()
        return receipt

    def _undone(self, table, receipt):
        self.check.undo(table, receipt.entry_id)
        self._after_grade()

    def _after_grade(self):
        """The place of the answer, once all of a pot is graded, and what is to do now."""
        words, held = self.check.waits()
        if held != (self.answer is None):
            self.answer = None if held else QuickAnswerForm(self.check.answer, self._accept)
            self._places[3].children = [] if held else [self.answer]
        self._say_now(words)

    def _accept(self, step, key):
        words = self.check.accept(step, key=key)
        answer = self.answer
        self.look()
        self.answer, self._places[3].children = answer, [answer]
        return f"{words} Its sheet is below."


def quick_page(folder: str | Path = "quick-check", today: dt.date | None = None) -> QuickPage:
    """A quick check as a page of a notebook: plan, weights, grades, answer, next step.

    Parameters
    ----------
    folder : str or Path, of the series; where there is none yet, the page asks for wax, oil and
        loads and makes it.
    today : date or None, the day that pieces are ready or not on; None takes the machine's.

    Returns
    -------
    QuickPage, a widget.

    Raises
    ------
    Refusal for a folder whose series has no plan.

    >>> import tempfile
    >>> quick_page(tempfile.mkdtemp()).plan.make.disabled
    True
    """
    return QuickPage(folder, today)

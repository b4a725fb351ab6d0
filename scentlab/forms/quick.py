"""The quick check as a page: what to fill in, what it takes, weights, grades, answer, next step."""

import datetime as dt
import html
from dataclasses import asdict
from functools import partial
from pathlib import Path

import ipywidgets as w

from scentlab.amounts import as_typed, keep_units, units_here, units_typed
from scentlab.files import file_link, page_links, quoted
from scentlab.forms.fields import (
    TABLES,
    Field,
    Section,
    fields_of,
    in_a_row,
    note,
    past_day,
    read_all,
    scale_field,
    show_if,
    side_by_side,
    stacked,
    texts_of,
)
from scentlab.forms.fields import shown as shown_text
from scentlab.forms.frame import STYLE, Form, paragraphs
from scentlab.forms.heat import HeatForm
from scentlab.forms.scores import GradeForm
from scentlab.forms.shelf import known_shelf
from scentlab.materials import Refusal
from scentlab.quick import (
    ASKED,
    NEVER,
    OF_MATERIAL,
    QUICK_TESTER,
    QuickCheck,
    plan_asked,
    say_batch,
    weighed,
)
from scentlab.recording.draft import drafted
from scentlab.recording.store import FILE_NAME
from scentlab.schema import POURS, Column
from scentlab.text import count_of
from scentlab.units import say_weight, show_in

MAIN = 5  # fields that are always to be seen
# By the end of a column's name: its unit, and how it is typed.
_UNITS = {"pct": ("% of wax", "%"), "c": ("°C", "C"), "kg": ("per kg", "/ kg")}


class QuickPlanForm(Form):
    """What is asked of a new check; what it takes is said at each change, before wax is melted.

    ``plan`` is the plan as it is now, None while something is missing.
    """

    def __init__(self, folder, today, on_plan):
        super().__init__()
        self._folder, self._today, self._on_plan, self.plan = folder, today, on_plan, None
        self.fields = fields_of(TABLES["quick"]["fields"], "", ASKED)
        self._watch(self.fields.values(), self._tell)
        self._shelf, self.takes = known_shelf(folder)[0], w.HTML()  # the plan says what is wrong
        offers = [field for kind in OF_MATERIAL for field in self._offer(
            kind, self._shelf.names(kind), partial(self._take, kind))]
        self.make = self._button("Make this plan and its sheet", "make", self._make, saves=True)
        asked = list(self.fields.values())
        self.more = Section("More: weights, temperatures, prices", [side_by_side(asked[MAIN:])],
                            "more")
        self._lay_out(w.HTML("<h3>Quick check: one pot, one evening</h3>"),
                      *([side_by_side(offers)] if offers else []),
                      side_by_side(asked[:MAIN]), self.more, self.takes, self.make, self.message)
        self._tell()

    def _tell(self):
        if not units_here(self._folder)[1]:
            show_in(units_typed([field.text for field in self.fields.values()]))
        self.plan, words = None, "Fill in wax, oil and loads to see what the check takes."
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

    def _take(self, kind, name):
        self.fields["wax" if kind == "wax" else "oil"].value = name
        known = getattr(self._shelf, kind)(name)
        for column, asked in OF_MATERIAL[kind].items():
            unit, typed = _UNITS[column.rpartition("_")[2]]
            text = shown_text(getattr(known, column))
            said = as_typed(text, unit, units_here(self._folder)[0])
            self.fields[asked].value = f"{said} {typed}" if text and said == text else said

    def _make(self):
        self._on_plan(self.plan)
        keep_units(units_typed([field.text for field in self.fields.values()]), self._folder,
                   chosen=False)


class QuickWeightsForm(Form):
    """What was weighed of each load of a pot, all saved by one tap; empty is as planned.
    ``draft`` is what was typed before and not saved, ``on_change(draft)`` keeps it."""

    def __init__(self, left, on_save, on_undo, usual, said, draft=None, on_change=lambda _: None):
        super().__init__(on_save, on_undo)
        self._left, self._on_change = left, on_change
        self._today = str(usual) if said == "today" else ""
        self.fields = {
            (what, n): Field(f"{what}-{n}", Column(what, "number", f"{say_batch(pour)}: {what}",
                                                   "g", 0, required=False), empty=grams,
                             example=f"planned {say_weight(grams)}", short=True, wide=True)
            for n, pour in enumerate(left)
            for what, grams in (("wax", pour.wax_g), ("fragrance", pour.fragrance_g))}
        self.fields["scale", 0] = scale_field("scale")
        self.fields["day", 0] = Field(
            "poured-on", POURS["poured_on"], example=f"empty: {said}",
            read=lambda text: past_day(text, POURS["poured_on"]), empty=usual, short=True)
        self.save = self._button("Save these weights", "save-weights", self._save, saves=True)
        self._body = stacked([
            w.HTML("<h3>Poured? What you weighed</h3><p>Type only what differs from the sheet, as "
                   f"3 oz or 85 g; empty means as planned, and {NEVER} means the test batch will "
                   "not be poured.</p>"),
            side_by_side(self.fields.values()), self.save])
        # What is of all of the pot stays when a test batch of it is logged elsewhere.
        self._kept = {f"{what}-{left[n].pot if what in ('scale', 'day') else left[n].pour}": f
                      for (what, n), f in self.fields.items()}
        self._fill_again(self._kept, draft or {})
        self._watch(self.fields.values(), self._typed)
        self._lay_out(self._body, self.message, in_a_row([self.undo]))

    def _typed(self):
        texts, day = texts_of(self._kept), f"day-{self._left[0].pot}"
        # An empty day will not mean today tomorrow.
        self._on_change({**texts, day: texts[day] or self._today} if any(texts.values()) else {})

    def _save(self):
        typed = read_all({name: field for name, field in self.fields.items()
                          if field.text.lower() != NEVER})
        rows, gone, wrong, doubts = [], [], [], []
        for n, pour in enumerate(self._left):
            if not {("wax", n), ("fragrance", n)} <= typed.keys():
                gone.append(pour)
                continue
            row = pour, typed["wax", n], typed["fragrance", n]
            for words, kept in zip(weighed(*row), (wrong, doubts), strict=True):
                kept += [f"{say_batch(pour)}: {words}"] if words else []
            rows.append(row)
        if wrong:
            raise ValueError(" ".join(wrong))
        if self._is_sure(doubts):
            words = count_of(len(rows), "test batch") + "".join(
                f"; {say_batch(pour)} will not be poured" for pour in gone)
            self._store({"rows": rows, "gone": gone, "scale_g": typed["scale", 0],
                         "day": typed["day", 0]}, words, None)
            show_if(False, self._body)
            with self._still_saying():
                self._on_change({})

    def _return_to(self, place):
        show_if(True, self._body)
        self._typed()


class QuickAnswerForm(Form):
    """The answer in three lines, and its next step, joined to the plan by one tap."""

    slow = ("answer", "accept")

    def __init__(self, answer, on_accept):
        super().__init__()
        self._answer, self._on_accept, self.step = answer, on_accept, None
        self.lines = w.HTML()
        self.show = self._button("Show the answer", "answer", self._show)
        self.add = self._button("Add this step to the plan", "accept", self._accept, saves=True)
        show_if(False, self.add)
        self._lay_out(w.HTML("<h3>The answer</h3>"), self.show, self.lines, self.add,
                      self.message)

    def _show(self):
        self._say("flag", "Working: this takes a few seconds.")
        lines, self.step = self._answer()
        self.lines.value = paragraphs(lines)
        show_if(self.step.worth_it, self.add)
        self.message.value = ""

    def forget(self):
        self.lines.value, self.step = "", None
        show_if(False, self.add)

    def _accept(self):
        words = self._on_accept(self.step, self._key)
        show_if(False, self.add)
        self._say("saved", words)


class NextStepForm(Form):
    """The next step of any series, joined to its plan by one tap."""

    slow = ("accept",)

    def __init__(self, on_accept):
        super().__init__()
        self._on_accept = on_accept
        self.add = self._button("Add this step to the plan", "accept", self._accept, saves=True)
        self._lay_out(self.add, self.message)

    def _accept(self):
        words = self._on_accept(self._key)
        show_if(False, self.add)
        self._say("saved", words)


class QuickPage(w.VBox):
    """A quick check on a page, from what is filled in to the answer and the next step.

    ``check`` is the :class:`scentlab.quick.QuickCheck`, None before there is a plan; ``plan``,
    ``weights``, ``heat``, ``grades`` and ``answer`` are the forms, None where nothing is to do.
    """

    def __init__(self, folder, today=None):
        super().__init__()
        self._folder, self._today, self.check = Path(folder), today, None
        self._show_units()
        self.now, self.sheets = w.HTML(), w.HTML()
        self.plan = self.weights = self.heat = self.grades = self.answer = None
        self.again = w.Button(description="Look again", layout=w.Layout(width="auto"))
        self.again.on_click(lambda _: self.look())
        links = w.HTML(f"<p>{' '.join(page_links(folder))}</p>")
        self._ends = [w.VBox([w.HTML(STYLE), self.now, self.sheets], _dom_classes=["scent-form"]),
                      w.VBox([links, self.again], _dom_classes=["scent-form"])]
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

    def look(self, answer=None):
        """Show what is to do now, as the record has it; ``answer`` stays where one is given."""
        self._show_units()
        self.check.read()
        check, left = self.check, self.check.left
        self.weights = QuickWeightsForm(
            left, self._save_weights, self._undo_weights, *check.pour_day,
            **drafted(self._folder, "weights")) if left else None
        self._ask_grades()
        pots = len({p.pot for p in check.plan.pour_rows})
        self.sheets.value = "".join(
            f"<p>{file_link(path, f'Sheet of pot {path.stem.split(chr(45))[-1]} to print')}</p>"
            for path in check.write_sheets(pots=pots))
        self.answer = None
        self._now(answer)

    def _ask_grades(self):
        check, due = self.check, self.check.due()
        # Asked where heated pieces are due and it is not on record what the cycle reached.
        self.heat = check.heat_day and HeatForm(
            asdict(check.plan.heat_cycle), partial(check.store.add, "heats"),
            lambda receipt: check.undo("heats", receipt.entry_id),
            day=check.heat_day, title="Heat cycle: what the thermometer showed")
        self.grades = None if due.empty else GradeForm(
            due, "sweat", QUICK_TESTER, self._save_grade, self._undo_grade)

    def _now(self, answer=None, changed=False):
        """Say what is to do now; the answer has its place once a pot is graded, and what it said
        before a weight or grade ``changed`` is gone."""
        if changed and self.answer:
            self.answer.forget()
        words, held = self.check.waits()
        self.answer = answer or (None if held else self.answer or QuickAnswerForm(
            self.check.answer, self._accept))
        left, due = len(self.check.left), len(self.check.due())
        todo = [f"pour {count_of(left, 'test batch')} by the sheet, then type what you weighed"
                ] * bool(left)
        todo += [f"grade {count_of(due, 'piece')} (keys 0 to 4, or tap)"] * bool(due)
        todo += ["see the answer"] * (self.answer is not None)
        phone = (f"From a phone: type scentlab panel {quoted(self._folder.resolve())} --host "
                 "0.0.0.0 in a terminal; it shows the link.")
        words = html.escape(phone if due and held else words)
        self.now.value = (f"<h2>{html.escape(self.check.plan.title)}</h2><p><b>Now: "
                          f"{'; '.join(todo) or 'wait'}.</b> {words}</p>")
        forms = [self.weights, self.heat, self.grades, self.answer]
        if not (self.weights or self.grades):  # what is to do now comes first
            forms.reverse()
        self.children = [self._ends[0], *filter(None, forms), self._ends[1]]

    def _save_weights(self, row):
        receipts = [("pours", self.check.log(*batch, row["scale_g"], f"{row['key']}-{n}",
                                             row["day"])) for n, batch in enumerate(row["rows"])]
        receipts += [("unpoured", self.check.leave_out(pour.pour, f"{row['key']}-{NEVER}{n}"))
                     for n, pour in enumerate(row["gone"])]
        self._ask_grades()  # poured on a day gone by, some may be ready
        self._now(changed=True)
        return receipts

    def _undo_weights(self, receipts):
        for table, receipt in receipts:
            self.check.undo(table, receipt.entry_id)
        self._ask_grades()
        self._now(changed=True)

    def _save_grade(self, row):
        receipt = self.check.store.add("grades", row)
        self._now(changed=True)
        return receipt

    def _undo_grade(self, receipt):
        self.check.undo("grades", receipt.entry_id)
        self._now(changed=True)

    def _accept(self, step, key):
        words = self.check.accept(step, key=key)
        self.look(self.answer)
        return f"{words} Its sheet is at the top of this page."


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

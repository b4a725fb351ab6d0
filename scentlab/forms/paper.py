"""What was scored on paper, typed in sheet by sheet: a row for each blind code, all or none saved.

The blocks of the grid are the printed sheets, in their order and under their headings, so that
whoever types reads down the sheet and down the screen alike. What is typed and not saved yet is
handed on as a draft with every change, and comes back from it.
"""

import datetime as dt
from dataclasses import dataclass, replace
from typing import NamedTuple

import anywidget
import traitlets

from scentlab.forms.fields import FieldError, past_day, read_text
from scentlab.forms.frame import PAGES, Form, clock_of, heading
from scentlab.planning.rules import GRADE_SHEETS
from scentlab.recording.records import GRADES
from scentlab.schema import THROW_WORDS, THROWS, Column
from scentlab.text import count_of, gathered

_DAY = Column("day", "date", "day of the inspection")
_PLACED_BY = ("test", "stress", "sitting", "kind", "look", "code")
_COUNTED = {"grades": "grade", "throws": "throw score"}


class Grid(anywidget.AnyWidget):
    """Cells to type into, by name; ``saved`` ones are closed and ``wrong`` ones marked.

    A section is a table with title, heads and rows, and with a ``day`` where one is to be given.
    """

    _esm = (PAGES / "grid.js").read_text(encoding="utf-8")
    sections = traitlets.List().tag(sync=True)
    values = traitlets.Dict().tag(sync=True)
    saved = traitlets.List().tag(sync=True)
    wrong = traitlets.List().tag(sync=True)


@dataclass
class Cell:
    """One cell of a grid: its name, which holds in a draft when other pieces wait, and its label.

    The cells of a piece have the ``column`` they are for; a day has no piece.
    """

    grid: Grid
    name: str
    label: str
    sheet: int
    piece: dict | None = None
    column: str = ""

    @property
    def value(self):
        return self.grid.values.get(self.name, "")

    @value.setter
    def value(self, text):
        self.grid.values = {**self.grid.values, self.name: text}

    @property
    def line(self):
        """What the cells of one piece share."""
        return self.name.rpartition("|")[0]

    @property
    def open(self):
        """Whether something is typed that is not saved."""
        return self.name not in self.grid.saved and bool(self.value.strip())


class PaperForm(Form):
    """Scores of one assessor from paper: grades and throw, a block per sheet, saved all at once.

    Each grade sheet has a day, from which the age of its pieces is counted: the one printed on it,
    until another is typed, which holds until the sheet is saved. Pieces of a late pour have a block
    of their own, with the day on which they were ready. A throw slip has none, for a throw is
    stored with its sitting.

    ``pieces`` is a frame of :func:`scentlab.recording.progress.waiting`, with every look, for each
    has a sheet of its own. ``on_save_all`` takes a
    dict of table (grades, throws) to rows, and stores all of them or none. ``draft`` is what
    was in the form and not saved; ``on_change`` is called with it whenever something was typed.
    """

    def __init__(self, pieces, assessor, on_save_all, *, works_with_fragrance=None, draft=None,
                 on_change=lambda *_: None):
        super().__init__()
        self._assessor, self._works = assessor, works_with_fragrance
        self._on_save_all, self._made_on = on_save_all, dt.date.today()
        self._on_change, self._unkept = on_change, False
        self.grid, self.cells, self._usual_days = Grid(), {}, {}
        rows = pieces.to_dict("records")
        self.grid.sections = [self._section(number, *sheet)
                              for number, sheet in enumerate(_sheets(rows))]
        self.save = self._button("Save all that is filled in", "save", self._save, saves=True)
        self._lay_out(heading(f"Scores of {assessor} from paper ({len(rows)} to come)"),
                      self.grid, self.save, self.message)
        self._fill(draft or {})
        self.grid.observe(lambda _: self._guarded(self._noted), "values")

    def _refresh(self):
        super()._refresh()
        self._controls |= self.cells

    # --- the draft

    @property
    def _typed(self):
        """The cells of pieces in which something is typed that is not saved."""
        return [cell for cell in self.cells.values() if cell.piece and cell.open]

    @property
    def draft(self):
        """What is typed and not saved: the texts of the cells, and the days of their sheets.

        A day stays with what was typed from its sheet, for the planned one may move meanwhile.
        """
        typed = self._typed
        days = self._days_of(cell.sheet for cell in typed)
        return {"cells": {cell.name: cell.value for cell in typed},
                "days": {cell.name: cell.value for cell in days}}

    def _fill(self, draft):
        """Put a draft into the cells; what it has of pieces that do not wait here is said once."""
        cells = draft.get("cells", {})
        texts = self._usual_days | cells | draft.get("days", {})
        self.grid.values = {name: text for name, text in texts.items()
                            if name in self.cells and text}
        said = []
        if typed := len({cell.line for cell in self._typed}):
            said.append(f"Typed earlier and not saved: {typed}. Check it, days included, then "
                        "save.")
        if gone := [f"{name.split('|')[-2]} ({text})" for name, text in cells.items()
                    if name not in self.cells]:
            said.append("Dropped, because these pieces are no longer waiting: "
                        f"{', '.join(gone)}.")
        if said:
            self._say("flag", "\n".join(said))

    def _noted(self):
        """Hand the draft on; that it could not be kept is said until it is."""
        unkept, self._unkept = self._unkept, True
        self._on_change(self.draft)
        self._unkept = False
        if unkept:
            self.message.value = ""

    def _days_of(self, sheets):
        """The cells with the days of some sheets."""
        sheets = set(sheets)
        return [c for c in self.cells.values() if c.piece is None and c.sheet in sheets]

    # --- the grid

    def _section(self, number, sheet, pieces):
        throw = sheet.test == "throw"
        columns = {"throw": "Throw 0 to 10"} if throw else {"grade": "Grade 0 to 4"}
        if sheet.kind == "warm":
            columns["minutes"] = "Minutes on the warmer"
        return {"title": sheet.title, "heads": ["Code", *columns.values()],
                "day": None if throw else self._day_cell(number, sheet),
                "rows": [self._line(number, piece, columns) for piece in pieces]}

    def _put(self, *cell):
        cell = Cell(self.grid, *cell)
        self.cells[cell.name] = cell
        return {"name": cell.name, "label": cell.label}

    def _day_cell(self, number, sheet):
        """The day of a grade sheet, filled in with the one printed on it."""
        name = "|".join(str(part or "") for part in ("day", *sheet[:-1])) + "|late" * sheet.late
        self._usual_days[name] = str(min(sheet.day, self._made_on)) if sheet.day else ""
        return self._put(name, f"{sheet.title}: day of the inspection", number) | {
            "hint": "year-month-day, or day.month.year"}

    def _line(self, number, piece, columns):
        place = "|".join(str(piece.get(n) or "") for n in _PLACED_BY if n != "look" or piece.get(n))
        return {"code": piece["code"], "cells": [
            self._put(f"{place}|{column}", f"Piece {piece['code']}: {head}", number, piece, column)
            for column, head in columns.items()
        ]}

    # --- saving

    def _save(self):
        typed = {cell.line for cell in self._typed}
        lines = gathered((c.line, c) for c in self.cells.values() if c.line in typed)
        wrong, rows = {}, {}
        days = self._days({cells[0].sheet for cells in lines.values()}, wrong)
        for number, cells in enumerate(lines.values()):
            table, row = self._row(cells, days.get(cells[0].sheet), wrong)
            rows.setdefault(table, []).append({**row, "key": f"{self._key}-{number}"})
        self.grid.wrong = list(wrong)
        if wrong:
            raise ValueError("\n".join(["Nothing was saved because these cells are wrong:",
                                        *wrong.values()]))
        if not lines:
            raise ValueError("Nothing is filled in: type what is on the paper, then save.")
        self._on_save_all(rows)
        self._close([cell.name for cells in lines.values() for cell in cells], rows, days)

    def _days(self, sheets, wrong):
        """The day of each sheet that something is typed from; an empty one does not mean today."""
        days = {}
        for cell in self._days_of(sheets):
            try:
                if not cell.value.strip():
                    raise FieldError(_DAY.meaning, "", "give the day it was inspected")
                days[cell.sheet] = past_day(cell.value, _DAY)
            except FieldError as error:
                wrong[cell.name] = f"{cell.label}: {_small(error.beside)}"
        return days

    def _row(self, cells, day, wrong):
        """The table and row of a piece; what cannot be taken is added to ``wrong``."""
        piece, of = cells[0].piece, f"Piece {cells[0].piece['code']}: "
        table = THROWS if piece["test"] == "throw" else GRADES
        row = {"code": piece["code"], "assessor": self._assessor}
        for cell in cells:
            try:
                row[cell.column] = read_text(cell.value,
                                             replace(table[cell.column], required=True))
            except FieldError as error:
                wrong[cell.name] = of + _small(str(error))
        if table is THROWS:
            return "throws", {"minutes": None, **row, "works_with_fragrance": self._works,
                              **{name: piece.get(name) for name in ("sitting", "kind", "position")}}
        age = piece.get("age_days")
        # The day of the sheet may lie before the day of typing.
        age = None if age is None or day is None else age + (day - self._made_on).days
        if age is not None and age < 0:
            wrong.setdefault(cells[0].name,
                             f"{of}the day of the inspection, {day}, is before the day it was "
                             "poured. Correct the day.")
        return "grades", row | {
            "test": piece["test"], "stress": piece.get("stress"), "age_days": age}

    def _close(self, names, rows, days):
        self.grid.saved = [*self.grid.saved, *names]
        # A day that was typed is that of what is saved now alone.
        days_now = {cell.name: self._usual_days[cell.name] for cell in self._days_of(days)}
        self.grid.values = {n: v for n, v in self.grid.values.items() if n not in names} | days_now
        said = " and ".join(count_of(len(rows[t]), word) for t, word in _COUNTED.items()
                            if t in rows)
        looked = ", ".join(map(str, sorted(set(days.values()))))
        looked = f" Inspected on {looked}." if days else ""
        self._say("saved", f"Saved at {clock_of()}: {said} of {self._assessor}.{looked}")


class _Sheet(NamedTuple):
    """What a printed sheet is for: a grade sheet by test, stress, day and look (the age of a later
    one), a slip by its sitting. What was poured late has a day of its own."""

    test: str
    stress: str | None
    sitting: str | None
    kind: str | None
    day: dt.date | None
    look: str | None = None
    late: bool = False

    @property
    def title(self):
        if self.test == "throw":
            day = f", {self.day}" if self.day else ""
            kind = THROW_WORDS[self.kind].capitalize()
            return f"{kind} throw, session {self.sitting}{day}"
        words = GRADE_SHEETS.get((self.test, self.stress), self.test.capitalize())
        words += (", again" if self.look else "") + (", poured late" if self.late else "")
        return f"{words}: {self.day}" if self.day else words

    @property
    def rank(self):
        """Slips come as the plan has them, for a sort keeps the order of equals."""
        looks, look = list(GRADE_SHEETS), (self.test, self.stress)
        place = looks.index(look) if look in looks else len(looks)
        return (1,) if self.test == "throw" else (0, self.day or dt.date.max, place)


def _sheets(rows):
    """The sheets with their rows as they are printed: grade sheets by day, then throw slips."""
    sheets = gathered((_sheet_of(row), row) for row in rows)
    return sorted(sheets.items(), key=lambda sheet: sheet[0].rank)


def _sheet_of(row):
    due, printed = row.get("due_on"), row.get("sheet_on")
    if row["test"] == "throw":
        return _Sheet("throw", None, row.get("sitting"), row.get("kind"), printed or due)
    late = bool(due and printed and due > printed)
    return _Sheet(row["test"], row.get("stress"), None, None, due if late else printed or due,
                  row.get("look"), late)


def _small(text):
    return text[0].lower() + text[1:]

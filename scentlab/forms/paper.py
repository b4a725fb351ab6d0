"""What was scored on paper, typed in sheet by sheet: a row for each blind code, all or none saved.

The blocks of the grid are the printed sheets, in their order and under their headings, so that
whoever types reads down the sheet and down the screen alike. What is typed and not saved yet is
handed on as a draft with every change, and comes back from it.
"""

import contextlib
import datetime as dt
from dataclasses import dataclass, replace
from typing import NamedTuple

import anywidget
import traitlets

from scentlab.forms.fields import FieldError, make_button, past_day, read_text, spoken_day
from scentlab.forms.frame import PAGES, Form, clock_of, heading
from scentlab.planning.rules import GRADE_SHEETS
from scentlab.recording.records import GRADES
from scentlab.recording.store import RefusedError
from scentlab.schema import THROW_WORDS, THROWS, Column
from scentlab.text import count_of

_DAY = Column("day", "date", "day of the inspection")
_PLACED_BY = ("test", "stress", "sitting", "kind", "look", "code")
_MOST_TOLD = 8  # wrong cells named one by one; each one is marked in the grid
_COUNTED = {"grades": ("grade", "grades"), "throws": ("throw score", "throw scores")}


class Grid(anywidget.AnyWidget):
    """Cells to type into, by name; ``saved`` ones are closed and ``wrong`` ones marked.

    A section is a table with title, heads and rows, with a ``day`` where one is to be given, and
    with a ``save`` button below, and beside it what ``dates`` says at the section's place: the day
    that will be stored. ``told`` is a message, ``words`` (HTML), below the section ``at``.
    """

    _esm = (PAGES / "grid.js").read_text(encoding="utf-8")
    sections = traitlets.List().tag(sync=True)
    values = traitlets.Dict().tag(sync=True)
    saved = traitlets.List().tag(sync=True)
    wrong = traitlets.List().tag(sync=True)
    told = traitlets.Dict().tag(sync=True)
    dates = traitlets.List().tag(sync=True)


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
    """Scores of one assessor from paper: grades and throw, a block per sheet, saved by the sheet
    or all at once.

    Each grade sheet has a day, from which the age of its pieces is counted: the one printed on it
    while a piece of it is left that was ready then, and else the one on which those of late pours
    were. A day that was typed holds until the sheet is saved. A throw slip has none, for a throw is
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
        self._on_change, self._at, self._unkept = on_change, None, False
        self.grid, self.cells, self.saves = Grid(), {}, []
        rows = pieces.to_dict("records")
        self._of_sheet = _sheets(rows)
        self.grid.sections = [self._section(*sheet) for sheet in self._of_sheet]
        self.save = self._button("Save all that is filled in", "save", self._save, saves=True)
        self._lay_out(heading(f"Scores of {assessor} from paper ({len(rows)} to come)"),
                      self.grid, self.save, self.message)
        self._gone, self._asked_again = self._fill(draft or {})
        self._tell_draft()
        self._tell_dates()
        self.grid.observe(lambda _: self._guarded(self._noted), "values")

    def _refresh(self):
        super()._refresh()
        self._controls |= self.cells
        self._controls |= {f"save-{n}": button for n, button in enumerate(self.saves)}

    # --- the draft

    @property
    def draft(self):
        """What is typed and not saved: the texts of the cells, and the days of their sheets.

        A day stays with what was typed from its sheet, for the planned one may move meanwhile.
        """
        typed = [cell for cell in self.cells.values() if cell.piece and cell.open]
        sheets = {cell.sheet for cell in typed}
        days = {cell.name: cell.value for cell in self._day_cells(sheets)}
        return {"cells": self._gone | {cell.name: cell.value for cell in typed}, "days": days,
                "on": str(dt.date.today())}

    def _fill(self, draft):
        """Put a draft into the cells; returns what it has of pieces that do not wait here, and the
        days that are to be given again: those typed before today, and not as they usually are."""
        cells, days = draft.get("cells", {}), draft.get("days", {})
        old = {} if draft.get("on") == str(self._made_on) else {
            name: text for name, text in days.items()
            if name in self.cells and text not in ("", self.cells[name].value)}
        self.grid.values = self.grid.values | {
            name: text for name, text in (cells | days | dict.fromkeys(old, "")).items()
            if name in self.cells}
        return {name: text for name, text in cells.items() if name not in self.cells}, old

    def _tell_draft(self):
        said = []
        if typed := len({cell.line for cell in self.cells.values() if cell.piece and cell.open}):
            said.append(f"Typed earlier and not saved: {typed}. Look, and save.")
        if self._asked_again:
            said.append("Give the day of the inspection again; typed on another day was "
                        f"{', '.join(self._asked_again.values())}.")
        if self._gone:
            said.append(
                "Typed earlier for what does not wait any more, perhaps because it was scored "
                f"elsewhere: {'; '.join(map(_said_place, self._gone.items()))}. It is put away "
                "with the next save."
            )
        if said:
            self._say("flag", "\n".join(said))

    def _noted(self):
        """Hand the draft on; that it could not be kept is said until it is."""
        self._at, unkept, self._unkept = None, self._unkept, True
        self._tell_dates()
        self._on_change(self.draft)
        self._unkept = False
        if unkept:
            self.message.value = ""

    def _day_cells(self, sheets):
        return [c for c in self.cells.values() if c.piece is None and c.sheet in sheets]

    def _tell_dates(self):
        """Which day will be stored, beside the button of each sheet."""
        said = [""] * len(self.saves)
        for cell in self._day_cells(range(len(said))):
            with contextlib.suppress(FieldError):
                day = past_day(cell.value, _DAY) if cell.value.strip() else None
                said[cell.sheet] = ("No day is given yet." if day is None else
                                    f"Stored as looked at on {spoken_day(day)}.")
        self.grid.dates = said

    def _say(self, kind, text):
        """A message appears where somebody looks: below the sheet that was saved, or at the end."""
        super()._say(kind, text)
        words = self.message.value
        self.grid.told = {} if self._at is None else {"at": self._at, "words": words}
        if self._at is not None:
            self.message.value = ""

    # --- the grid

    def _section(self, key, pieces):
        sheet, columns, day = len(self.saves), {"grade": "Grade 0 to 4"}, None
        if key.test == "throw":
            columns = {"throw": "Throw 0 to 10"}
            if key.kind == "warm":
                columns["minutes"] = "Minutes on the warmer"
        else:
            day = self._day_cell(key, pieces, sheet)
        button = make_button("Save this sheet", f"save-{sheet}", saves=True)
        button.on_click(lambda _: self._guarded(lambda: self._save(sheet), sheet))
        self.saves.append(button)
        return {"title": key.title, "heads": ["Code", *columns.values()], "day": day,
                "rows": [self._line(piece, columns, sheet) for piece in pieces],
                "save": {"name": f"save-{sheet}", "words": button.description,
                         "label": f"Save this sheet: {key.title}"}}

    def _guarded(self, action, at=None):
        self._at = at
        super()._guarded(action)

    def _put(self, *cell):
        cell = Cell(self.grid, *cell)
        self.cells[cell.name] = cell
        return {"name": cell.name, "label": cell.label}

    def _day_cell(self, key, pieces, sheet):
        """The day of a grade sheet, filled in as it usually is."""
        put = self._put("|".join(str(part or "") for part in ("day", *key)),
                        f"{key.title}: day of the inspection", sheet)
        hint, late = "year-month-day, or day.month.year", [p for p in pieces if _late(p)]
        if pieces and (day := _usual_day(key, pieces)):
            self.cells[put["name"]].value = str(min(day, self._made_on))
        if late:
            hint += (f"; printed for {key.day}, but {count_of(len(late), 'piece')} of it "
                     f"{'were' if late[1:] else 'was'} poured late, ready on "
                     f"{', '.join(sorted({str(p['due_on']) for p in late}))}. Pieces that were "
                     "looked at on another day: save the others first, then those with their day")
        return put | {"hint": hint}

    def _reset_days(self, sheets):
        """A day that was typed is that of what is saved now alone."""
        for cell in self._day_cells(sheets):
            key, pieces = self._of_sheet[cell.sheet]
            left = {c.piece["code"] for c in self.cells.values()
                    if c.piece and c.sheet == cell.sheet and c.name not in self.grid.saved}
            day = _usual_day(key, [p for p in pieces if p["code"] in left] or pieces)
            cell.value = "" if day is None else str(min(day, self._made_on))

    def _line(self, piece, columns, sheet):
        place = "|".join(str(piece.get(n) or "") for n in _PLACED_BY if n != "look" or piece.get(n))
        return {"code": piece["code"], "cells": [
            self._put(f"{place}|{column}", f"Piece {piece['code']}: {head}", sheet, piece, column)
            for column, head in columns.items()
        ]}

    # --- saving

    def _save(self, sheet=None):
        lines = {}
        for cell in self.cells.values():
            if cell.piece and sheet in (None, cell.sheet):
                lines.setdefault(cell.line, []).append(cell)
        lines = [cells for cells in lines.values() if any(cell.open for cell in cells)]
        rows, wrong = {}, {}
        days = self._days({cells[0].sheet for cells in lines}, wrong)
        for number, cells in enumerate(lines):
            table, row = self._row(cells, days.get(cells[0].sheet), wrong)
            rows.setdefault(table, []).append({**row, "key": f"{self._key}-{number}"})
        self.grid.wrong = list(wrong)
        if wrong:
            raise ValueError(_all_wrong(list(wrong.values())))
        if not lines:
            where = "" if sheet is None else " on this sheet"
            raise ValueError(f"Nothing is filled in{where}: type what is on the paper, then save.")
        if not self._is_sure(list(_too_early([cells[0] for cells in lines], days))):
            return
        try:
            self._on_save_all(rows)
        except RefusedError as error:
            held = ", ".join(map(str, sorted(set(days.values()))))
            raise RefusedError(
                error.problem, f"the day of the inspection here is {held}: if it was another one, "
                f"type it; if the stored one is wrong, {error.remedy}") from error
        self._close([cell.name for cells in lines for cell in cells], rows, days)

    def _days(self, sheets, wrong):
        """The day of each sheet that something is typed from; an empty one does not mean today."""
        days = {}
        for cell in self._day_cells(sheets):
            try:
                if not cell.value.strip():
                    raise FieldError(_DAY.meaning, "", "give the day on which it was looked at")
                days[cell.sheet] = past_day(cell.value, _DAY)
            except FieldError as error:
                wrong[cell.name] = f"{cell.label}: {_small(error.beside)}"
        return days

    def _row(self, cells, day, wrong):
        """The table and row of a piece; what cannot be taken is added to ``wrong``."""
        piece, of = cells[0].piece, f"Piece {cells[0].piece['code']}: "
        throw = piece["test"] == "throw"
        row = {"code": piece["code"], "assessor": self._assessor}
        for cell in cells:
            try:
                column = (THROWS if throw else GRADES)[cell.column]
                row[cell.column] = read_text(cell.value, replace(column, required=True))
            except FieldError as error:
                wrong[cell.name] = of + _small(str(error))
        if throw:
            return "throws", {"minutes": None, **row, "works_with_fragrance": self._works,
                              **{name: piece.get(name) for name in ("sitting", "kind", "position")}}
        age = piece.get("age_days")
        # The day of the sheet may lie before the day of typing.
        age = None if age is None or day is None else age + (day - self._made_on).days
        if age is not None and age < 0:
            wrong.setdefault(cells[0].name, f"{of}the day of the inspection, {day}, lies before "
                             "the day it was poured. Correct the day.")
        return "grades", row | {
            "test": piece["test"], "stress": piece.get("stress"), "age_days": age}

    def _close(self, names, rows, days):
        at, self._gone = self._at, {}
        self.grid.saved = [*self.grid.saved, *names]
        self.grid.values = {n: v for n, v in self.grid.values.items() if n not in names}
        self._reset_days(days)
        self._at = at  # the draft was handed on meanwhile
        said = " and ".join(f"{len(rows[t])} {words[len(rows[t]) > 1]}"
                            for t, words in _COUNTED.items() if t in rows)
        looked = ", ".join(map(str, sorted(set(days.values()))))
        looked = f" Looked at on {looked}." if days else ""
        self._say("saved", f"Saved at {clock_of()}: {said} of {self._assessor}.{looked}")


def _said_place(kept):
    place, text = kept
    test, *_, code, column = place.split("|")
    return f"piece {code}, {f'{test} grade' if column == 'grade' else column} {text}"


def _late(piece):
    """Whether a piece was not ready yet on the day of its sheet, for its pour was late."""
    due, sheet = piece.get("due_on"), piece.get("sheet_on")
    return due is not None and sheet is not None and due > sheet


def _usual_day(key, pieces):
    """The day printed on a sheet, or the last one of its pieces where all were poured late."""
    if key.day and not all(map(_late, pieces)):
        return key.day
    return max((d for d in (key.day, *(p.get("due_on") for p in pieces)) if d), default=None)


def _too_early(cells, days):
    """A question where pieces of a late pour are given a day on which they were not ready yet."""
    for sheet, day in days.items():
        late = [c.piece for c in cells if c.sheet == sheet and _late(c.piece)
                and day < c.piece["due_on"]]
        if late:
            codes = ", ".join(p["code"] for p in late)
            yield (f"Poured late, and not ready on {day} yet: {codes}. Were they looked at on that "
                   "day?")


class _Sheet(NamedTuple):
    """What a printed sheet is for: a grade sheet by test, stress, day and look (the age of a later
    one), a slip by its sitting."""

    test: str
    stress: str | None
    sitting: str | None
    kind: str | None
    day: dt.date | None
    look: str | None = None

    @property
    def title(self):
        if self.test == "throw":
            day = f", {self.day}" if self.day else ""
            kind = THROW_WORDS[self.kind].capitalize()
            return f"{kind} throw, session {self.sitting}{day}"
        words = GRADE_SHEETS.get((self.test, self.stress), self.test.capitalize())
        words += ", again" if self.look else ""
        return f"{words}: {self.day}" if self.day else words

    @property
    def rank(self):
        """Slips come as the plan has them, for a sort keeps the order of equals."""
        looks, look = list(GRADE_SHEETS), (self.test, self.stress)
        place = looks.index(look) if look in looks else len(looks)
        return (1,) if self.test == "throw" else (0, self.day or dt.date.max, place)


def _sheets(rows):
    """The sheets with their rows as they are printed: grade sheets by day, then throw slips."""
    sheets = {}
    for row in rows:
        slip, day = row["test"] == "throw", row.get("sheet_on") or row.get("due_on")
        stress, *sat = (None, row.get("sitting"), row.get("kind")) if slip else (
            row.get("stress"), None, None)
        sheets.setdefault(_Sheet(row["test"], stress, *sat, day, row.get("look")), []).append(row)
    return sorted(sheets.items(), key=lambda sheet: sheet[0].rank)


def _small(text):
    return text[0].lower() + text[1:]


def _all_wrong(wrong):
    rest = len(wrong) - _MOST_TOLD
    more = [f"... and {rest} more, marked in the grid."] if rest > 0 else []
    return "\n".join(["Nothing was saved, for these cells are wrong:", *wrong[:_MOST_TOLD], *more])

"""What was scored on paper, typed in sheet by sheet: a row for each blind code, all or none saved.

The blocks of the grid are the printed sheets, in their order and under their headings, so that
whoever types reads down the sheet and down the screen alike. What is typed and not saved yet is
handed on as a draft with every change, and comes back from it.
"""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import anywidget
import traitlets

from scentlab import schema
from scentlab.recording.form_parts import (
    FoldedForm,
    assessor_code,
    clock_of,
    make_button,
    note,
    past_day,
    plainly,
    typed_number,
)
from scentlab.recording.records import GRADES

_DAY = schema.Column("day", "date", "day of the look")
_DAY_WORDS = "Day of the look: "  # how an error of that column begins
# The printed grade sheets: words of the heading, in the order of a day.
_LOOKS = {
    ("sweat", "rest"): "Sweat at rest", ("sweat", "heat"): "Sweat after the heat cycle",
    ("frost", "rest"): "Frost",
}
_PLACED_BY = ("test", "stress", "sitting", "kind", "code")
_BARS = len(_PLACED_BY)  # bars in the name of a cell, the column being last
_MOST_TOLD = 8  # wrong cells told one by one; each one is marked in the grid


class Grid(anywidget.AnyWidget):
    """Cells to type into, by name; ``saved`` ones are closed and ``wrong`` ones marked.

    A section is a table with title, heads and rows, with a ``day`` where one is to be given, and
    with a ``save`` button below. ``told`` is a message, ``words`` (HTML), below the section ``at``.
    """

    _esm = (Path(__file__).parent / "pages" / "grid.js").read_text(encoding="utf-8")
    sections = traitlets.List().tag(sync=True)
    values = traitlets.Dict().tag(sync=True)
    saved = traitlets.List().tag(sync=True)
    wrong = traitlets.List().tag(sync=True)
    told = traitlets.Dict().tag(sync=True)


class Cell:
    """One cell of a grid, with the value and description of a text field."""

    def __init__(self, grid, name, description):
        self._grid, self._name, self.description = grid, name, description

    @property
    def value(self):
        return self._grid.values.get(self._name, "")

    @value.setter
    def value(self, text):
        self._grid.values = {**self._grid.values, self._name: text}


@dataclass(frozen=True)
class _Line:
    """A row of the grid: the piece, what it is scored for, its cells by column, its sheet's day."""

    piece: dict
    cells: dict
    day: str | None
    sheet: int


class PaperForm(FoldedForm):
    """Scores of one assessor from paper: grades and throw, a block per sheet, saved by the sheet or
    all at once.

    Each grade sheet has a day, from which the age of its pieces is counted. It is filled in with
    the planned one, or a later one when a pour was late, and can be changed. A throw slip has
    none, for a score of throw is stored with its sitting.

    Parameters
    ----------
    pieces : frame with ``code`` and ``test`` and, when known, ``stress``, ``age_days``,
        ``sitting``, ``kind``, ``position``, ``due_on`` and ``sheet_on`` (the day printed on the
        sheet), such as :func:`scentlab.waiting` gives.
    assessor : the assessor's code, such as "A1".
    on_save_all : callable(rows) -> receipts, with rows a dict of table (grades, throws) to rows
        in its columns; it stores all of them or none.
    works_with_fragrance : True, False or None when not known.
    draft : what stood in the form and was not saved, a dict such as ``draft`` gives, or None.
    on_change : callable(draft) for whenever something was typed or saved, or None.
    """

    def __init__(self, pieces, assessor, on_save_all, *, works_with_fragrance=None, draft=None,
                 on_change=None):
        self._assessor, self._works = assessor_code(assessor), works_with_fragrance
        self._on_save_all, self._made_on = on_save_all, dt.date.today()
        self._on_change, self._at, self._unkept = on_change, None, False
        self.grid, self.cells, self._lines, self.saves = Grid(), {}, [], []
        self._days_kept = {}  # by the name of a day's cell: its name in a draft
        rows = pieces.astype(object).where(pieces.notna(), None).to_dict("records")
        self.grid.sections = [self._section(*sheet) for sheet in _sheets(rows)]
        self._planned_days = dict(self.grid.values)
        self.save = make_button("Save all that is filled in", "save", saves=True)
        self.save.on_click(lambda _: self._guarded(self._save))
        super().__init__(
            f"Scores of {assessor} from paper ({len(self._lines)} to come)",
            [self.grid, self.save],
        )
        self._gone = self._fill(draft or {})
        self._tell_draft()
        self.grid.observe(lambda _: self._guarded(self._noted), "values")

    def _name_controls(self):
        super()._name_controls()
        self._controls.update(self.cells)
        self._controls.update({f"save-{n}": button for n, button in enumerate(self.saves)})

    @property
    def draft(self):
        """What is typed and not saved: the texts of the cells, and the days of their sheets.

        A day stays with what was typed from its sheet, for the planned one may move meanwhile.
        """
        values, cells, days = self.grid.values, dict(self._gone), {}
        for line in self._lines:
            if self._is_filled(line):
                cells |= {_place(line.piece, column): values[name]
                          for column, name in line.cells.items() if values.get(name, "").strip()}
                days[line.day] = True
        for name in self._days_kept:
            if values.get(name, "") != self._planned_days.get(name, ""):
                days[name] = True
        days.pop(None, None)
        return {"cells": cells, "days": {self._days_kept[n]: values.get(n, "") for n in days}}

    def _fill(self, draft):
        """Put a draft into the cells; returns what it has of pieces that do not wait here."""
        names = {_place(line.piece, column): name
                 for line in self._lines for column, name in line.cells.items()}
        names |= {kept: name for name, kept in self._days_kept.items()}
        cells = {p: t for p, t in draft.get("cells", {}).items() if p.count("|") == _BARS}
        days = draft.get("days", {})
        self.grid.values = {**self.grid.values, **{
            names[place]: str(text) for place, text in {**cells, **days}.items() if place in names
        }}
        return {place: str(text) for place, text in cells.items() if place not in names}

    def _tell_draft(self):
        told = []
        if typed := sum(map(self._is_filled, self._lines)):
            told.append(f"Typed earlier and not saved: {typed}. Open the form, look, and save.")
        if self._gone:
            told.append(
                "Typed earlier for what does not wait any more, perhaps because it was scored "
                f"elsewhere: {'; '.join(map(_said_place, self._gone.items()))}. It is put away "
                "with the next save."
            )
        if told:
            self._say("flag", "\n".join(told))

    def _noted(self):
        """Hand the draft on; that it could not be kept is said until it is."""
        if self._on_change is None:
            return
        self._at, unkept, self._unkept = None, self._unkept, True
        self._on_change(self.draft)
        self._unkept = False
        if unkept:
            self.message.value = ""

    def _say(self, kind, text):
        """A message stands where somebody looks: below the sheet that was saved, or at the end."""
        words = note(kind, text)
        self.message.value = words if self._at is None else ""
        self.grid.told = {} if self._at is None else {"at": self._at, "words": words}

    def _section(self, key, pieces):
        sheet = len(self.saves)
        title, columns, day = _title(key), {"grade": "Grade 0 to 4"}, None
        if key.test == "throw":
            columns = {"throw": "Throw 0 to 10"}
            if key.kind == "warm":
                columns["minutes"] = "Minutes on the warmer"
        else:
            day = self._day_cell(title, key, pieces)
        lines = [self._line(piece, columns, day and day["name"], sheet) for piece in pieces]
        return {"title": title, "heads": ["Code", *columns.values()], "rows": lines, "day": day,
                "save": self._save_button(title, sheet)}

    def _save_button(self, title, sheet):
        """The button of a sheet, which the grid draws below it."""
        name = f"save-{sheet}"
        button = make_button("Save this sheet", name, saves=True)
        button.on_click(lambda _: self._guarded(lambda: self._save(sheet), sheet))
        self.saves.append(button)
        return {"name": name, "words": button.description, "label": f"Save this sheet: {title}"}

    def _guarded(self, action, at=None):
        self._at = at
        super()._guarded(action)

    def _day_cell(self, title, key, pieces):
        """The day of a grade sheet, filled in as planned, or as moved by a pour that was late."""
        name = f"day-{sum(c.startswith('day-') for c in self.cells)}"
        self.cells[name] = Cell(self.grid, name, f"{title}: day of the look")
        self._days_kept[name] = "|".join(str(part or "") for part in ("day", *key))
        days = [d for d in (key.day, *(p.get("due_on") for p in pieces)) if d is not None]
        hint = "year-month-day, or day.month.year"
        if days:
            day = min(max(days), self._made_on)
            self.cells[name].value = day.isoformat()
            if day > key.day:
                hint += (f"; planned for {key.day}, but a pour was late. Pieces that were looked "
                         "at on another day: save them first, with their day")
        return {"name": name, "label": self.cells[name].description, "hint": hint}

    def _line(self, piece, columns, day, sheet):
        names, shown = {}, []
        for column, head in columns.items():
            name = f"{piece['test']}-{piece['code']}-{column}-{len(self._lines)}"
            label = f"Piece {piece['code']}: {head}"
            self.cells[name] = Cell(self.grid, name, label)
            names[column] = name
            shown.append({"name": name, "label": label})
        self._lines.append(_Line(piece, names, day, sheet))
        return {"code": str(piece["code"]), "cells": shown}

    def cell(self, code, column):
        """The cell of a piece: grade, throw or minutes."""
        for line in self._lines:
            if str(line.piece["code"]) == str(code) and column in line.cells:
                return self.cells[line.cells[column]]
        raise KeyError(f"no cell {column} of piece {code}")

    def day(self, code):
        """The cell with the day of the grade sheet that a piece stands on."""
        for line in self._lines:
            if str(line.piece["code"]) == str(code) and line.day is not None:
                return self.cells[line.day]
        raise KeyError(f"piece {code} stands on no grade sheet")

    def _save(self, sheet=None):
        """Store what is filled in on one sheet, or on all of them."""
        filled = [line for line in self._lines
                  if sheet in (None, line.sheet) and self._is_filled(line)]
        rows, wrong = {}, {}
        days = self._days(filled, wrong)
        for number, line in enumerate(filled):
            try:
                table, row = self._row(line, days.get(line.day), wrong)
                rows.setdefault(table, []).append({**row, "key": f"{self._key}-{number}"})
            except ValueError as error:
                wrong.setdefault(next(iter(line.cells.values())), str(error))
        self.grid.wrong = list(wrong)
        if wrong:
            raise ValueError(_told(list(wrong.values())))
        if not filled:
            where = "" if sheet is None else " on this sheet"
            raise ValueError(
                f"Nothing is filled in{where}: type what stands on the paper, then save."
            )
        self._on_save_all(rows)
        self._close(filled, rows, days.values())

    def _days(self, lines, wrong):
        """The day of each sheet that something is typed from; an empty one does not mean today."""
        days = {}
        for name in dict.fromkeys(line.day for line in lines if line.day is not None):
            cell = self.cells[name]
            try:
                if not cell.value.strip():
                    raise ValueError("nothing is filled in; give the day on which it was looked at")
                days[name] = past_day(cell.value, _DAY)
            except ValueError as error:
                wrong[name] = f"{cell.description}: {str(error).removeprefix(_DAY_WORDS)}"
        return days

    def _is_filled(self, line):
        names = line.cells.values()
        open_ = not set(names) & set(self.grid.saved)
        return open_ and any(self.cells[n].value.strip() for n in names)

    def _row(self, line, day, wrong):
        piece = line.piece
        typed = {}
        for column, name in line.cells.items():
            table = schema.THROWS if piece["test"] == "throw" else GRADES
            try:
                typed[column] = _checked(self.cells[name].value, plainly(table[column]))
            except ValueError as error:
                wrong[name] = f"Piece {piece['code']}: {_small(str(error))}"
        shared = {"code": str(piece["code"]), "assessor": self._assessor, **typed}
        if piece["test"] == "throw":
            return "throws", shared | {
                "sitting": piece["sitting"], "kind": piece["kind"],
                "minutes": typed.get("minutes"), "position": piece.get("position"),
                "works_with_fragrance": self._works,
            }
        age = self._age(piece, day)
        return "grades", shared | {
            "test": piece["test"], "stress": piece.get("stress"), "age_days": age,
        }

    def _age(self, piece, day):
        """Age on the day of the sheet, which may lie before the day of typing."""
        today = piece.get("age_days")
        if today is None or day is None:
            return None
        age = today + (day - self._made_on).days
        if age < 0:
            raise ValueError(
                f"Piece {piece['code']}: the day of the look, {day}, lies before the day it was "
                "poured. Correct the day."
            )
        return age

    def _close(self, lines, rows, days):
        names = [n for line in lines for n in line.cells.values()]
        at, self._gone = self._at, {}
        self._renew_key()
        self.grid.saved = [*self.grid.saved, *names]
        self.grid.values = {n: v for n, v in self.grid.values.items() if n not in names}
        self._at = at  # the draft was handed on meanwhile
        counts = {"grades": "grade", "throws": "throw score"}
        told = " and ".join(f"{len(rows[t])} {w}{'s' * (len(rows[t]) > 1)}"
                            for t, w in counts.items() if t in rows)
        looked = f" Looked at on {', '.join(map(str, sorted(set(days))))}." if days else ""
        self._say("saved", f"Saved at {clock_of(None)}: {told} of {self._assessor}.{looked}")


def _place(piece, column):
    """The name of a cell in a draft: it holds when other pieces wait, unlike its place."""
    parts = (piece.get(n) for n in _PLACED_BY)
    return "|".join(str(part or "") for part in (*parts, column))


def _said_place(kept):
    place, text = kept
    test, *_, code, column = place.split("|")
    return f"piece {code}, {f'{test} grade' if column == 'grade' else column} {text}"


class _Sheet(NamedTuple):
    """What a printed sheet is for: a grade sheet by test, stress and day, a slip by its sitting."""

    test: str
    stress: str | None
    sitting: str | None
    kind: str | None
    day: dt.date | None


def _sheets(rows):
    """The sheets with their rows as they are printed: grade sheets by day, then throw slips."""
    sheets = {}
    for row in rows:
        slip, day = row["test"] == "throw", row.get("sheet_on") or row.get("due_on")
        key = _Sheet(row["test"], None, row.get("sitting"), row.get("kind"), day) if slip else (
            _Sheet(row["test"], row.get("stress"), None, None, day))
        sheets.setdefault(key, []).append(row)
    return sorted(sheets.items(), key=lambda sheet: _rank(sheet[0]))


def _rank(key):
    """Slips come as the plan has them, for a sort keeps the order of equals."""
    if key.test == "throw":
        return (1,)
    looks = list(_LOOKS)
    look = (key.test, key.stress)
    place = looks.index(look) if look in looks else len(looks)
    return (0, key.day or dt.date.max, place)


def _title(key):
    """The heading of the printed sheet."""
    if key.test == "throw":
        day = f", {key.day}" if key.day else ""
        return f"{key.kind.capitalize()} throw, sitting {key.sitting}{day}"
    words = _LOOKS.get((key.test, key.stress), key.test.capitalize())
    return f"{words}: {key.day}" if key.day else words


def _checked(text, column):
    value = typed_number(text, column)
    if column.kind != "integer":
        return value
    if value != int(value):
        raise ValueError(f"{column.meaning}: found {text!r}, expected {column.expected}.")
    return int(value)


def _small(text):
    return text[0].lower() + text[1:]


def _told(wrong):
    rest = len(wrong) - _MOST_TOLD
    more = [f"... and {rest} more, marked in the grid."] if rest > 0 else []
    return "\n".join(["Nothing was saved, for these cells are wrong:", *wrong[:_MOST_TOLD], *more])

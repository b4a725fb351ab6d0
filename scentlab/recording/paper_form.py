"""What was scored on paper, typed into a grid: a row for each blind code, saved all or none."""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

import anywidget
import traitlets

from scentlab import schema
from scentlab.recording.form_parts import (
    FoldedForm,
    assessor_code,
    clock_of,
    make_button,
    past_day,
    plainly,
    text_field,
    typed_number,
)
from scentlab.recording.records import GRADES

_DAY = schema.Column("day", "date", "day on the sheet")
_MOST_TOLD = 8  # wrong cells told one by one; each one is marked in the grid


class Grid(anywidget.AnyWidget):
    """Cells to type into, by name; ``saved`` ones are closed and ``wrong`` ones marked."""

    _esm = (Path(__file__).parent / "pages" / "grid.js").read_text(encoding="utf-8")
    sections = traitlets.List().tag(sync=True)
    values = traitlets.Dict().tag(sync=True)
    saved = traitlets.List().tag(sync=True)
    wrong = traitlets.List().tag(sync=True)


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
    """A row of the grid: the piece, what it is scored for, and its cells by column."""

    piece: dict
    cells: dict


class PaperForm(FoldedForm):
    """Scores of one assessor from paper: grades and throw, typed in a grid and saved at once.

    Parameters
    ----------
    pieces : frame with ``code`` and ``test`` and, when known, ``stress``, ``age_days``,
        ``sitting``, ``kind`` and ``position``, such as :func:`scentlab.waiting` gives.
    assessor : the assessor's code, such as "A1".
    on_save_all : callable(rows) -> receipts, with rows a dict of table (grades, throws) to rows
        in its columns; it stores all of them or none.
    works_with_fragrance : True, False or None when not known.
    """

    def __init__(self, pieces, assessor, on_save_all, *, works_with_fragrance=None):
        self._assessor, self._works = assessor_code(assessor), works_with_fragrance
        self._on_save_all, self._made_on = on_save_all, dt.date.today()
        self.grid, self.cells, self._lines = Grid(), {}, []
        rows = pieces.astype(object).where(pieces.notna(), None).to_dict("records")
        self.grid.sections = [self._section(key, group) for key, group in _grouped(rows).items()]
        self.day = text_field("day", "Day on the sheet (empty: today)", "2026-03-14")
        self.save = make_button("Save all that is filled in", "save")
        self.save.on_click(lambda _: self._guarded(self._save))
        super().__init__(
            f"Scores of {assessor} from paper ({len(self._lines)} to come)",
            [self.day, self.grid, self.save],
        )

    def _name_controls(self):
        super()._name_controls()
        self._controls.update(self.cells)

    def _section(self, key, pieces):
        test, sitting, kind, stress = key
        title = f"{test.capitalize()}{', after the heat cycle' if stress == 'heat' else ''}"
        columns = {"grade": "Grade 0 to 4"}
        if test == "throw":
            title = f"{kind.capitalize()} throw, sitting {sitting}"
            columns = {"throw": "Throw 0 to 10"}
            if kind == "warm":
                columns["minutes"] = "Minutes on the warmer"
        lines = [self._line(piece, columns) for piece in pieces]
        return {"title": title, "heads": ["Code", *columns.values()], "rows": lines}

    def _line(self, piece, columns):
        names, shown = {}, []
        for column, head in columns.items():
            name = f"{piece['test']}-{piece['code']}-{column}-{len(self._lines)}"
            label = f"Piece {piece['code']}: {head}"
            self.cells[name] = Cell(self.grid, name, label)
            names[column] = name
            shown.append({"name": name, "label": label})
        self._lines.append(_Line(piece, names))
        return {"code": str(piece["code"]), "cells": shown}

    def cell(self, code, column):
        """The cell of a piece: grade, throw or minutes."""
        for line in self._lines:
            if str(line.piece["code"]) == str(code) and column in line.cells:
                return self.cells[line.cells[column]]
        raise KeyError(f"no cell {column} of piece {code}")

    def _save(self):
        day = past_day(self.day.value, _DAY)
        filled = [line for line in self._lines if self._is_filled(line)]
        rows, wrong = {}, {}
        for number, line in enumerate(filled):
            try:
                table, row = self._row(line, day, wrong)
                rows.setdefault(table, []).append({**row, "key": f"{self._key}-{number}"})
            except ValueError as error:
                wrong.setdefault(next(iter(line.cells.values())), str(error))
        self.grid.wrong = list(wrong)
        if wrong:
            raise ValueError(_told(list(wrong.values())))
        if not filled:
            raise ValueError("Nothing is filled in: type what stands on the paper, then save.")
        self._on_save_all(rows)
        self._close(filled, rows)

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
        if today is None:
            return None
        age = today + (day - self._made_on).days
        if age < 0:
            raise ValueError(
                f"Piece {piece['code']}: the day on the sheet, {day}, lies before the day it was "
                "poured. Correct the day."
            )
        return age

    def _close(self, lines, rows):
        names = [n for line in lines for n in line.cells.values()]
        self._renew_key()
        self.grid.saved = [*self.grid.saved, *names]
        self.grid.values = {n: v for n, v in self.grid.values.items() if n not in names}
        counts = {"grades": "grades", "throws": "throw scores"}
        told = " and ".join(f"{len(rows[t])} {w}" for t, w in counts.items() if t in rows)
        self._say("saved", f"Saved at {clock_of(None)}: {told} of {self._assessor}.")


def _grouped(rows):
    """Rows by what a sheet of paper holds: test, sitting, kind, stress."""
    groups = {}
    for row in rows:
        looked_at = row["test"] != "throw"
        key = (row["test"], row.get("sitting"), row.get("kind"),
               row.get("stress") if looked_at else None)
        groups.setdefault(key, []).append(row)
    return groups


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

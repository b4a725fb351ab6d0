"""What an import is held against where a series has a kept plan.

A slipped digit would become a piece that nobody cast, and stand in the fit. What was stored before,
also beyond the plan, is known like what was planned.
"""

import re
from dataclasses import dataclass, replace
from difflib import SequenceMatcher

import pandas as pd

from scentlab.schema import IMPORT_TABLES

BEYOND = (
    "Where it is truly beyond the plan, import it with --beyond-plan, or tick that in the form."
)
_NAMED = {"pour": "pours", "code": "pieces", "assessor": "assessors", "sitting": "sittings"}
_TABLES = {t.name: t for t in IMPORT_TABLES}
_MOST_NEAR = 3  # names that are told as the nearest ones


@dataclass(frozen=True)
class KeptPlan:
    """Pours, pieces (by code, with pour, test and stress), assessors and sittings that are known.

    ``names`` maps a column to its known values; a column of which the plan says nothing is absent.
    """

    pieces: dict
    names: dict

    def beyond(self, sheets):
        """Per file, column and value that is not known: sheet, column, value, its rows, nearest."""
        for sheet in sheets.values():
            for name in _NAMED:
                known = self.names.get(name)
                if known:
                    yield from self._unknown(sheet, name, known)

    def _unknown(self, sheet, name, known):
        table = _TABLES[sheet.table]
        if name not in table.names or (sheet.table == "pieces" and name == "pour"):
            return  # the pour of a piece is checked against the pours that were logged
        rows, pours = {}, dict(cells_of(sheet, "pour"))
        for row, value in cells_of(sheet, name):
            if value and value not in known and re.fullmatch(table[name].pattern, value):
                rows.setdefault(value, []).append(row)
        for value, places in rows.items():
            among = known
            if name == "code":  # the pour that stands beside it tells where it slipped
                among = self._codes_of(pours.get(places[0])) or known
            yield sheet, name, value, places, nearest(value, among)

    def _codes_of(self, pour):
        return [code for code, piece in self.pieces.items() if piece["pour"] == pour]

    def fill_in(self, sheet):
        """A sheet of pieces with pour and stress from the plan where the file leaves them open."""
        text = sheet.text.copy()
        names = list(text.columns)
        once = names.count("code") == 1 and all(names.count(n) < 2 for n in ("pour", "stress"))
        if not once or "code" not in self.names:
            return sheet
        known = [self.pieces.get(str(code).strip()) for code in text["code"]]
        for name in ("pour", "stress"):
            cells = text[name] if name in names else [""] * len(text)
            open_ = [str(cell).strip() == "" for cell in cells]
            text[name] = pd.Series([
                (piece[name] or "") if empty and piece else cell
                for cell, empty, piece in zip(cells, open_, known, strict=True)
            ], index=text.index, dtype=object)
            if name == "pour":
                filled = frozenset(r for r, empty in zip(sheet.rows, open_, strict=True) if empty)
        return replace(sheet, text=text, filled=filled)


def kept_plan(store):
    """The :class:`KeptPlan` of a store; None without a store or a plan."""
    plan = None if store is None else store.plan()
    if not plan:
        return None
    pieces = {p["code"]: {n: p.get(n) for n in ("pour", "test", "stress")}
              for p in plan.get("pieces", ())}
    planned = {
        "pour": {p["pour"] for p in plan.get("pours", ())}, "code": set(pieces),
        "assessor": set(plan.get("assessors", ())),
        "sitting": {s["sitting"] for s in plan.get("smellings", ())},
    }
    names = {n: planned[n] | _stored(store, n) for n in planned if planned[n]}
    # A piece that was mended since, or taken in beyond the plan, stands as it is stored.
    for code, *rest in store.distinct("pieces", ("code", "pour", "test", "stress")):
        pieces[code] = dict(zip(("pour", "test", "stress"), rest, strict=True))
    return KeptPlan(pieces, names)


def _stored(store, column):
    tables = {"pour": ("pours",), "code": ("pieces",), "sitting": ("throws",),
              "assessor": ("grades", "throws", "warmings")}
    return {v for t in tables[column] for (v,) in store.distinct(t, (column,)) if v}


def expected_words(column):
    """What a name must be where a plan is kept.

    >>> expected_words("code")
    'one of the pieces of the kept plan'
    """
    return f"one of the {_NAMED[column]} of the kept plan"


def cells_of(sheet, name):
    """Pairs of row number and stripped text of a column; none when the column is absent."""
    if sheet is None or list(sheet.text.columns).count(name) != 1:
        return []
    return list(zip(sheet.rows, (str(v).strip() for v in sheet.text[name]), strict=True))


def nearest(value, known):
    """The known names that are most like a value, at most three of them.

    >>> nearest("471", ["417", "472", "481", "900"])
    ['472', '481', '417']
    >>> nearest("S1", ["S01", "S10", "S03"])
    ['S01', 'S10']
    """
    alike = {name: SequenceMatcher(None, value, name).ratio() for name in known}
    most = max(alike.values(), default=0.0)
    near = [name for name, ratio in alike.items() if ratio == most]
    return sorted(near, key=lambda name: (abs(_number(name) - _number(value)), name))[:_MOST_NEAR]


def _number(name):
    return int(re.sub(r"\D", "", name) or 0)

"""What an import is held against where a series has a kept plan.

A slipped digit would become a piece that nobody cast, and be taken into the fit. What was stored
before, also beyond the plan, is known like what was planned.
"""

import re
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from itertools import compress

import pandas as pd

from scentlab.text import gathered

_STORED = {"pour": ("pours",), "code": ("pieces",), "sitting": ("throws", "pairs"),
           "assessor": ("grades", "throws", "warmings", "pairs")}
_MOST_NEAR = 3  # names that are shown as the nearest ones


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
            for name in (n for n in self.names if n in sheet.table.names):
                # The pour of a piece is checked against the pours that were logged.
                if (sheet.table.name, name) != ("pieces", "pour"):
                    yield from self._unknown(sheet, name)

    def _unknown(self, sheet, name):
        pours = dict(sheet.cells("pour"))
        rows = gathered(
            (value, row) for row, value in sheet.cells(name) if value not in self.names[name]
            and re.fullmatch(sheet.table[name].pattern, value))
        for value, places in rows.items():
            pour = pours.get(places[0])  # that stands beside it tells where a code slipped
            among = [c for c, piece in self.pieces.items() if piece["pour"] == pour]
            known = among if name == "code" and among else self.names[name]
            yield sheet, name, value, places, nearest(value, known)

    def fill_in(self, sheet):
        """A sheet of pieces with pour and stress from the plan where the file leaves them open."""
        text = sheet.text.copy()
        names = list(text.columns)
        once = names.count("code") == 1 and all(names.count(n) < 2 for n in ("pour", "stress"))
        if not once or "code" not in self.names:
            return sheet
        for name in ("stress", "pour"):
            cells = text.get(name, pd.Series("", text.index)).astype(str)
            filled = cells.str.strip() == ""
            known = {code: piece.get(name) or "" for code, piece in self.pieces.items()}
            codes = text["code"].astype(str).str.strip()
            text[name] = cells.mask(filled, codes.map(known).fillna(""))
        filled = frozenset(compress(sheet.rows, filled))
        return replace(sheet, text=text.astype(object), filled=filled)


def kept_plan(store):
    plan = None if store is None else store.plan()
    if not plan:
        return None
    pieces = {p["code"]: p for p in plan.get("pieces", ())}
    planned = {
        "pour": {p["pour"] for p in plan.get("pours", ())}, "code": set(pieces),
        "assessor": set(plan.get("assessors", ())),
        "sitting": {s["sitting"] for n in ("smellings", "pairs") for s in plan.get(n, ())},
    }
    names = {n: known | {name for t in _STORED[n] for (name,) in store.distinct(t, (n,)) if name}
             for n, known in planned.items() if known}
    # A piece that was mended since, or taken in beyond the plan, stands as it is stored.
    for code, pour, stress in store.distinct("pieces", ("code", "pour", "stress")):
        pieces[code] = {"pour": pour, "stress": stress}
    return KeptPlan(pieces, names)


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

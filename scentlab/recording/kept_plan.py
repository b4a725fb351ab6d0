"""What an import is held against where a series has a kept plan.

A slipped digit would become a piece that nobody cast, and be taken into the fit. What was stored
before, also beyond the plan, is known like what was planned.
"""

import re
from dataclasses import dataclass, replace
from difflib import get_close_matches
from itertools import compress
from operator import eq

import pandas as pd

from scentlab.schema import Problem

_STORED = {"pour": ("pours",), "code": ("pieces",), "sitting": ("throws", "pairs"),
           "assessor": ("grades", "throws", "warmings", "pairs")}
_CALLED = {"pour": "pours", "code": "pieces", "assessor": "testers", "sitting": "sessions"}
BEYOND = (
    "If it really is beyond the plan, import it with --beyond-plan, or tick that in the form."
)


@dataclass(frozen=True)
class KeptPlan:
    """Pours, pieces (by code, with pour, test and stress), assessors and sittings that are known.

    ``names`` maps a column to its known values; a column of which the plan says nothing is absent.
    """

    pieces: dict
    names: dict

    def beyond(self, sheets):
        """A problem for each pour, code, tester and session of the sheets that is not known."""
        for sheet in sheets.values():
            for name in (n for n in self.names if n in sheet.table.names):
                # The pour of a piece is checked against the pours that were logged.
                if (sheet.table.name, name) == ("pieces", "pour"):
                    continue
                known = self.names[name]
                if sheet.table.name == "unpoured":  # a piece, a session or a tester, too
                    known = set().union(*self.names.values())
                for row, value in sheet.cells(name).items():
                    if value not in known and re.fullmatch(sheet.table[name].pattern, value):
                        yield Problem(
                            sheet.file, row, name, value,
                            f"one of the {_CALLED[name]} of the kept plan",
                            f"Correct it{_nearest(value, self.names[name])}. {BEYOND}")

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


def _nearest(value, known):
    """The names that come nearest, those first that have the same signs in the same places."""
    near = get_close_matches(value, sorted(known), len(known) or 1, 0.4)
    near.sort(key=lambda name: -sum(map(eq, value, name)))
    return f"; the nearest: {', '.join(near[:3])}" if near else ""


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

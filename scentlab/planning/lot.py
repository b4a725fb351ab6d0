"""The pots that check a new lot about the load in use."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace

from scentlab.planning.plan import Plan
from scentlab.planning.quick import grow_plan
from scentlab.planning.refusal import need
from scentlab.planning.rules import PieceNumbers

PIECES = 6  # of each pour, all kept as the pieces that decide


def lot_plan(
    plan: Plan, blend: str, loads_pct: Iterable[float], lot: str, *, stress: str,
    start: dt.date | str, seed: int,
) -> Plan:
    """The plan with the test batches that check a new lot: each load from a pot of its own.

    plan : Plan with the blend. loads_pct : % of wax, as ``lot_loads`` gives them.
    lot : str, its name. stress : rest or heat, how the pieces that decide are kept.
    start : date or str, day of pouring. seed : int, for the new codes.
    Returns Plan, whose pots, pours, pieces and codes so far stay as they are.
    Raises PlanError when it cannot be poured, or the lot has no name.
    """
    need(lot.strip(), "the new lot has no name", "give what its label says", field="lot", value=lot)
    kind = "sweat_heat" if stress == "heat" else "sweat"
    none = dict.fromkeys(("sweat", "sweat_heat", "frost", "throw", "reserve"), 0)
    asked = replace(plan, piece_numbers=PieceNumbers(**none | {kind: PIECES}))
    grown = grow_plan(asked, loads_pct, start=start, seed=seed, blend=blend)
    old = len(plan.pour_rows)
    first = int(grown.pour_rows[-1].pot[1:])
    names = {p.pour: f"P{first + i:02d}" for i, p in enumerate(grown.pour_rows[old:])}
    rows = [
        replace(p, pot=names[p.pour], pour=f"{names[p.pour]}-1", lot=lot.strip())
        for p in grown.pour_rows[old:]
    ]
    pieces = tuple(
        replace(p, pour=f"{names[p.pour]}-1") if p.pour in names else p for p in grown.piece_rows
    )
    return replace(
        grown, piece_numbers=plan.piece_numbers, pour_rows=(*plan.pour_rows, *rows),
        piece_rows=pieces,
    )


def pots_of_lot(plan: Plan, lot: str) -> tuple:
    """Names of the pots that check a lot, in the order of pouring."""
    return tuple(dict.fromkeys(p.pot for p in plan.pour_rows if p.lot == lot))

"""The pots that check a new lot about the load in use."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace

from scentlab.planning.plan import Plan
from scentlab.planning.quick import grow_plan
from scentlab.planning.refusal import need
from scentlab.planning.rules import PURPOSES, PieceNumbers

PIECES = 6  # of each pour, all kept as the pieces that decide


def lot_plan(
    plan: Plan, blend: str, loads_pct: Iterable[float], lot: str, *, stress: str,
    start: dt.date | str, seed: int,
) -> Plan:
    """The plan with the test batches that check a new lot: each load (% of wax) from a pot of its
    own, all pieces kept as those that decide (``stress``); what was planned so far stays as it is.
    PlanError when it cannot be poured, or the lot has no name."""
    need(lot.strip(), "the new lot has no name", "give what its label says", field="lot", value=lot)
    pieces = dict.fromkeys(PURPOSES, 0) | {"sweat_heat" if stress == "heat" else "sweat": PIECES}
    grown = grow_plan(plan, loads_pct, start=start, seed=seed, blend=blend,
                      pieces=PieceNumbers(**pieces))
    new = grown.pour_rows[len(plan.pour_rows):]
    pots = {p.pour: f"P{i:02d}" for i, p in enumerate(new, start=int(new[0].pot[1:]))}
    return replace(
        grown, pour_rows=(*plan.pour_rows, *(
            replace(p, pot=pots[p.pour], pour=f"{pots[p.pour]}-1", lot=lot.strip()) for p in new)),
        piece_rows=tuple(replace(p, pour=f"{pots[p.pour]}-1") if p.pour in pots else p
                         for p in grown.piece_rows))


def pots_of_lot(plan: Plan, lot: str) -> tuple:
    """Names of the pots that check a lot, in the order of pouring."""
    return tuple(dict.fromkeys(p.pot for p in plan.pour_rows if p.lot == lot))

"""The pots that check a new lot about the load in use."""


from scentlab.planning.quick import grow_plan
from scentlab.planning.refusal import need
from scentlab.planning.rules import PURPOSES, PieceNumbers

PIECES = 6  # of each pour, all kept as the pieces that decide


def lot_plan(plan, blend, loads_pct, lot, *, stress, start, seed):
    """The plan with the test batches that check a new lot: each load (% of wax) from a pot of its
    own, all pieces kept as those that decide (``stress``); what was planned so far stays as it is.
    PlanError when it cannot be poured, or the lot has no name."""
    need(lot.strip(), "the new lot has no name", "give what its label says", field="lot", value=lot)
    pieces = dict.fromkeys(PURPOSES, 0) | {"sweat_heat" if stress == "heat" else "sweat": PIECES}
    return grow_plan(plan, loads_pct, start=start, seed=seed, blend=blend,
                     pieces=PieceNumbers(**pieces), lot=lot.strip())


def pots_of_lot(plan, lot):
    """Names of the pots that check a lot, in the order of pouring."""
    return tuple(dict.fromkeys(p.pot for p in plan.pour_rows if p.lot == lot))

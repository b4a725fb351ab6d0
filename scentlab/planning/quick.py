"""The quick check: one wax, one fragrance, one pot and up to four loads, in one evening."""

from scentlab.materials import Blend
from scentlab.planning.costs import plan_costs
from scentlab.planning.plan import make_plan
from scentlab.planning.refusal import count_of, need
from scentlab.planning.rules import PieceNumbers
from scentlab.units import GRAMS_PER_OUNCE, say_load_oz, say_weight

MOST_LOADS = 4
PIECES = PieceNumbers(sweat=1, sweat_heat=2, frost=0, throw=0, reserve=0)
# Minutes of an evening: this project's own estimate.
MELTING, A_LOAD, CLEANING = 25, 8, 15


def quick_plan(wax, fragrance, loads_pct, *, start, seed, piece_g=GRAMS_PER_OUNCE, currency=""):
    """Plan a quick check: one pot, and of each load two pieces to heat and one to leave.

    Parameters
    ----------
    wax : Wax. fragrance : Fragrance. loads_pct : two to four loads, g of fragrance per 100 g of
        wax. start : day of pouring, a date or "2026-12-01". seed : whole number, for the codes.
    piece_g : mass of a piece, g; an ounce where nothing is said. currency : of the prices.

    Returns
    -------
    Plan

    Raises
    ------
    PlanError when it cannot be carried out.

    >>> from scentlab.materials import Fragrance, Wax
    >>> plan = quick_plan(Wax("soft wax"), Fragrance("fig"), [6.25, 9.375], start="2026-12-01",
    ...                   seed=1)
    >>> len(plan.pour_rows), len(plan.piece_rows)
    (2, 6)
    """
    loads = list(loads_pct)
    need(len(loads) <= MOST_LOADS, f"{len(loads)} loads came, more than one pot and one evening "
         f"hold", f"give up to {MOST_LOADS}, from the supplier's load to the one you would like",
         field="loads_pct", value=loads)
    return make_plan(
        f"Quick check of {fragrance.name} in {wax.name}", fragrance, [Blend(wax.name, {wax: 1.0})],
        loads, piece_g=piece_g, assessors=(), start=start, seed=seed, pots_per_blend=1,
        pieces=PIECES, currency=currency,
    )


def quick_costs(plan):
    """What a quick check takes, in words, before anything is poured: a tuple of sentences."""
    costs = plan_costs(plan)
    minutes = MELTING + A_LOAD * costs["pours"] + CLEANING
    cycle = plan.heat_cycle
    money = costs["money"]
    return (
        f"{count_of(costs['pieces'], 'piece')} of {say_weight(plan.piece_g)} from one pot: "
        f"{say_weight(costs['wax_g'])} of wax and {say_weight(costs['fragrance_g'])} of fragrance, "
        "spare included"
        + (f", about {money:.2f} {plan.currency}".rstrip() if money == money else "") + ".",
        f"About {minutes} minutes of one evening. The answer comes after {costs['days'] - 1} days: "
        f"two pieces of each load then go through the heat cycle, {cycle.words}.",
        "Loads: " + ", ".join(say_load_oz(x) for x in plan.loads_pct) + ".",
    )

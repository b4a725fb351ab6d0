"""The quick check: one wax, one fragrance, one pot and up to four loads, in one evening."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.costs import materials_words, plan_costs
from scentlab.planning.plan import Plan, make_plan
from scentlab.planning.refusal import count_of, need
from scentlab.planning.rules import PieceNumbers, Pouring
from scentlab.units import GRAMS_PER_OUNCE, say_load_oz, say_weight, shown

MOST_LOADS = 4
PIECES = PieceNumbers(sweat=1, sweat_heat=2, frost=0, throw=0, reserve=0)
# Minutes of an evening: this project's own estimate.
MELTING, A_LOAD, CLEANING = 25, 8, 15


def quick_plan(
    wax: Wax, fragrance: Fragrance, loads_pct: Iterable[float], *, start: dt.date | str, seed: int,
    piece_g: float = GRAMS_PER_OUNCE, currency: str = "",
) -> Plan:
    """Plan a quick check: one pot, and of each load two pieces to heat and one to leave.

    Parameters
    ----------
    wax : Wax
    fragrance : Fragrance
    loads_pct : two to four loads, g of fragrance per 100 g of wax.
    start : date or str, day of pouring, such as "2026-12-01".
    seed : int, for the codes.
    piece_g : float, mass of a piece, g; an ounce where nothing is said.
    currency : str, of the prices.

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
    need(2 <= len(loads) <= MOST_LOADS, f"{count_of(len(loads), 'load')} given",
         f"give two to {MOST_LOADS}, the most for one pot and one evening: from the supplier's "
         "load to the one you would like", field="loads_pct", value=loads)
    return make_plan(
        f"Quick check of {fragrance.name} in {wax.name}", fragrance, [Blend(wax.name, {wax: 1.0})],
        loads, piece_g=piece_g, assessors=("A1",), start=start, seed=seed, pots_per_blend=1,
        pieces=PIECES, currency=currency, pouring=Pouring(scale=shown().weight),
    )


def quick_costs(plan):
    """What a quick check takes, in words, before anything is poured: a tuple of sentences."""
    costs, cycle = plan_costs(plan), plan.heat_cycle
    minutes, days = MELTING + A_LOAD * costs["pours"] + CLEANING, costs["days"] - 1
    return (
        f"{count_of(costs['pieces'], 'piece')} of {say_weight(plan.piece_g)} from one pot: "
        f"{materials_words(costs, plan.currency)}.",
        f"About {minutes} minutes of one evening. The answer comes after {days} days: two pieces "
        f"of each load go through the heat cycle, {cycle.words}, from day {days - cycle.cycles}. "
        "One pot gives a load in about six of ten checks; otherwise it shows which pot to pour "
        "next.",
        "Loads: " + ", ".join(say_load_oz(x) for x in plan.loads_pct) + ".",
    )


def grow_plan(plan, loads_pct, *, start, seed, blend, pieces, lot=""):
    """The plan with one more pot of a blend at two or more loads (% of wax), poured on ``start``
    with ``pieces`` of each load; what was planned so far stays as it is. Each load has a pot of its
    own where they check a new ``lot``. PlanError when it cannot be poured.

    >>> from scentlab.materials import Fragrance, Wax
    >>> plan = quick_plan(Wax("soft wax"), Fragrance("fig"), [6, 9], start="2026-12-01", seed=1)
    >>> grow_plan(plan, [7, 8], start="2026-12-09", seed=2, blend="soft wax",
    ...           pieces=PIECES).loads_pct
    (6.0, 7.0, 8.0, 9.0)
    """
    more = make_plan(
        plan.title, plan.fragrance, [plan.blend(blend)], loads_pct, piece_g=plan.piece_g,
        assessors=(), start=start, seed=seed, pots_per_blend=1, cure_days=plan.cure_days,
        pieces=pieces, heat_cycle=plan.heat_cycle,
        pouring=replace(plan.pouring, confirm=False), currency=plan.currency,
    )
    taken, pots = {p.code for p in plan.piece_rows}, {p.pot for p in plan.pour_rows}
    new = [name for name in (f"P{n:02d}" for n in range(1, 1000)) if name not in pots]
    names = {p.pour: f"{new[i]}-1" if lot else f"{new[0]}-{i + 1}"
             for i, p in enumerate(more.pour_rows)}
    day = max(p.pour_day for p in plan.pour_rows) + 1
    free = (str(c) for c in np.random.default_rng(seed).permutation(np.arange(100, 1000)))
    free = (code for code in free if code not in taken)
    pours = [replace(p, pot=names[p.pour].partition("-")[0], pour=names[p.pour], pour_day=day,
                     lot=lot) for p in more.pour_rows]
    cast = [replace(p, code=next(free), pour=names[p.pour]) for p in more.piece_rows]
    return replace(
        plan, loads_pct=tuple(sorted({*plan.loads_pct, *more.loads_pct})),
        pour_rows=(*plan.pour_rows, *pours),
        piece_rows=tuple(sorted((*plan.piece_rows, *cast), key=lambda p: p.code)),
    )

"""The pair test: how many pairs, which pieces, in which blind and balanced order.

Two dry loads of one blend, side by side: which smells stronger? Every two pieces are compared in
both orders by the same tester, so that each piece is first as often as second.
"""

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np

from scentlab.maths.paired import NOISE, named_chance, pair_power, pairs_for
from scentlab.planning.refusal import count_of, need, need_number, need_whole
from scentlab.schema import THROW_KINDS, THROW_WORDS
from scentlab.text import gathered, spelling
from scentlab.units import say_load_oz

WORTH = 1.0  # points of throw that most people would notice
LEAST_POINTS = 0.3
NEAR_PCT = 0.25  # loads as near as this are one planned load
MOST_A_SESSION = 10  # pairs of one tester: common practice, no source; a printed page
# By simulation (tests/calibration/pairs_held.py).
ALIKE = ("Showing that two loads smell the same is harder, because batches of one load differ too: "
         "it takes pieces from several pots and many pairs. Throw scores help.")
TOO_FEW = 0.5  # a power under which a test is too small to be worth its evening


@dataclass(frozen=True)
class PlannedPair:
    sitting: str
    kind: str
    assessor: str
    position: int
    first: str
    second: str


def pairs_needed(points=WORTH):
    """How many pairs find a difference of so many points of throw (0.3 or more): from this number
    on the exact one-sided binomial test of level 5 % has a power of 80 %.

    >>> pairs_needed(1.0), pairs_needed(0.5)
    (26, 89)
    """
    need_number(points, "points", LEAST_POINTS, 10.0, "points of throw")
    return pairs_for(float(named_chance(points, NOISE)), 0.8, 0.05)


def pair_words(number, points=WORTH):
    """What so many pairs can show, in a few sentences (a tuple), before anybody smells."""
    found = float(pair_power(number, named_chance(points, NOISE)))
    said = (f"{count_of(number, 'pair')} find a difference of {points:g} "
            f"point{'s' * (points != 1)} of throw with a chance of {100 * found:.0f} %.")
    few = f"That is too few: {pairs_needed(points)} would find it with 80 %."
    return (said, few, ALIKE) if found < TOO_FEW else (said, ALIKE)


def pair_care(plan, rows):
    """What to know before such pairs are smelt, in sentences: whether a piece can be recognised,
    and how long it takes."""
    rows, pours = list(rows), {p.pour: p.load_pct for p in plan.pour_rows}
    load_of = {p.code: pours[p.pour] for p in plan.piece_rows}
    two = zip(*(sorted((row.first, row.second), key=load_of.get) for row in rows), strict=True)
    lone = [f"{code} at {say_load_oz(load_of[code])}"
            for code, *others in map(sorted, map(set, two)) if not others]
    if lone:
        yield (f"In all {count_of(len(rows), 'pair')}, the only free piece of its load: "
               f"{' and '.join(lone)}. Testers soon know its code, so the test is not blind: pour "
               "more pieces of that load first, or have someone hand over both pieces with their "
               "labels turned away.")
    if rows[0].kind == "warm":
        yield ("Hot pairs need two similar rooms, each with a warmer: in one room the scents mix "
               "and there is nothing to compare.")
    most = max(Counter((r.assessor, r.sitting) for r in rows).values())
    rules = plan.sittings
    whole = most * rules.minutes("cold", 2, 1) if rows[0].kind != "warm" else (
        most * (rules.warm_min + 2 * rules.smell_min) + (most - 1) * rules.air_min)
    took = f"{whole / 60:.1f} h" if whole >= 60 else f"{whole:.0f} min"
    late = ", more than an evening: do the rest on other days, since unanswered pairs wait"
    yield (f"Time: {count_of(most, 'pair')} of one tester in a session take {took}"
           f"{late * (whole > plan.calendar.evening_min)}.")


def plan_pairs(plan, loads_pct, *, seed, kind="cold", blend=None, testers=(), number=None,
               sweated=(), spent=()):
    """The plan with a pair test of two dry loads joined to it.

    ``loads_pct`` are two loads as they were planned (g per 100 g of wax), of ``blend`` or else the
    first one. ``testers`` are codes, those of the plan where none are given, ``number`` is of pairs
    in all, else :func:`pairs_needed`; each tester gets as many, and an even number. ``sweated``
    names the pours of which a piece sweated, ``spent`` pieces that are smelt no more: left on a
    warmer for hours, or never poured. What was planned before stays as it is; each two pieces are
    compared in both orders by the same tester in the same session. PlanError when the pairs cannot
    be held.
    """
    loads = sorted(float(x) for x in loads_pct)
    need(len(loads) == 2 and loads[1] - loads[0] > NEAR_PCT,
         f"the loads to compare are {', '.join(map(say_load_oz, loads)) or 'none'}",
         f"give two more than {NEAR_PCT:g} points apart", field="loads_pct", value=loads)
    need(kind in THROW_KINDS, f"the kind of throw is {kind!r}", "give cold or warm", field="kind",
         value=kind)
    testers = tuple(testers) or plan.assessors
    need(testers, "there is nobody to smell", "name testers, such as A1 and A2", field="testers")
    wanted = pairs_needed() if number is None else need_whole(number, "number", 2, 400, "pairs")
    names = [b.name for b in plan.blends]
    combos = _combinations(plan, spelling(names)(blend or names[0]), loads, kind, set(sweated),
                           set(spent))
    taken = {p.sitting for p in plan.pair_rows}
    names = [n for n in (f"Q{i}" for i in range(1, 400)) if n not in taken]
    rng, rows, each = np.random.default_rng([plan.seed, seed]), [], -(-wanted // (2 * len(testers)))
    for tester in testers:
        for name, pairs in zip(names, _sessions(combos, each, rng), strict=False):
            rows += [PlannedPair(name, kind, tester, n, *two) for n, two in enumerate(pairs, 1)]
    return replace(plan, pair_rows=(*plan.pair_rows, *rows),
                   assessors=tuple(dict.fromkeys((*plan.assessors, *testers))))


def _combinations(plan, blend, loads, kind, sweated, spent):
    """Every two codes, one of each load, that can be smelt side by side; even in their order."""
    found = []
    for load in loads:
        pours = {p.pour for p in plan.pour_rows
                 if p.blend == blend and abs(p.load_pct - load) <= NEAR_PCT and not p.confirming}
        need(pours, f"no test batch of {blend} is planned at {say_load_oz(load)}",
             "use two of its planned loads", field="loads_pct", value=load)
        wet = sorted(pours & sweated)
        need(not wet, f"at {say_load_oz(load)} a piece sweated ({', '.join(wet)})",
             "compare two dry loads: one that sweats is not for sale however it smells",
             field="loads_pct", value=load)
        found.append([p for p in plan.piece_rows if p.pour in pours and p.code not in spent])
    for spare in (True, False)[:1 + (kind == "cold")]:  # graded pieces can be smelt, not melted
        kept = [_by_storage(pieces, spare) for pieces in found]
        if all(kept):
            break
    shared = [s for s in kept[0] if s in kept[1]]
    need(shared, f"no pieces of both loads are free for {THROW_WORDS[kind]} throw",
         "cast pieces for throw or reserve, or compare cold", field="kind", value=kind)
    combos = []
    for storage in shared:
        low, high = (k[storage] for k in kept)
        turn = max(len(low), len(high))
        two = sorted(((j - i) % turn, i, j) for i in range(len(low)) for j in range(len(high)))
        combos += [(low[i], high[j]) for _, i, j in two]
    return combos


def _by_storage(pieces, spare):
    """Codes of pieces for throw or in reserve, or else of those graded, by how they are kept."""
    return gathered(
        ("spare" if spare else piece.stress, piece.code) for piece in pieces
        if (piece.test in ("throw", "reserve")) == spare and piece.test != "bleed")


def _sessions(combos, wanted, rng):
    """The pairs of one tester, a list a session: each combination once in either order."""
    at, most = int(rng.integers(len(combos))), min(len(combos), MOST_A_SESSION // 2)
    while wanted > 0:
        chosen = [combos[(at + i) % len(combos)] for i in range(min(wanted, most))]
        both = [two for a, b in chosen for two in ((a, b), (b, a))]
        yield [both[i] for i in rng.permutation(len(both))]
        at, wanted = at + len(chosen), wanted - len(chosen)

"""Laying out a plan: pots on days, loads in pots, pieces with blind codes.

A split plot. The pot (one melt of one blend) is the whole plot, its pours (one load each) are the
sub-plots, pour days are blocks. Pots are put in random order within pour days, loads in random
order within pots, pieces get random blind codes that tell nothing about the load.
"""

import datetime as dt
from collections import Counter
from dataclasses import dataclass
from itertools import accumulate, count

import numpy as np

from scentlab.planning.panel import number_of_sets
from scentlab.planning.refusal import need
from scentlab.planning.rules import PURPOSES
from scentlab.planning.weights import pour_weights
from scentlab.units import content_from_load, say_temperature


@dataclass(frozen=True)
class PlannedPour:
    """One load to be drawn from one pot. ``test_only``: above a limit, not for sale;
    ``confirming``: hot addition and long stir; ``lot``: the new lot that it checks, if any."""

    pour: str
    pot: str
    blend: str
    pour_day: int
    poured_on: dt.date
    order_in_day: int
    load_pct: float
    content_pct: float
    wax_g: float
    fragrance_g: float
    pieces: int
    add_temp_c: float | None
    pour_temp_c: float | None
    stir_min: float
    limit_load_pct: float | None
    test_only: bool
    confirming: bool
    lot: str = ""


@dataclass(frozen=True)
class PlannedPiece:
    """One piece to be cast, with its blind code and what it is for."""

    code: str
    pour: str
    test: str
    stress: str | None
    cure_days: int
    due_on: dt.date


@dataclass(frozen=True)
class _Draw:
    pot: str
    place: int
    blend: str
    day: int
    order: int
    load: float
    confirming: bool

    @property
    def name(self):
        return f"{self.pot}-{self.place}"


def lay_pours(plan, rng):
    """All pours in the order of pouring, and the name of the anchor pour ('' without one)."""
    draws, anchor, anchors = _draws(plan, rng), "", 0
    if plan.sittings.anchor and plan.piece_numbers.throw and plan.assessors:
        anchor, anchors = _anchor(plan, draws, rng)
    later = dt.timedelta(days=plan.pouring.days_between)
    days = list(accumulate(range(1, max(d.day for d in draws)),
                           lambda day, _: plan.calendar.next(day + later),
                           initial=plan.calendar.next(plan.start)))
    rows = [_pour(plan, d, days[d.day - 1], anchors if d.name == anchor else 0) for d in draws]
    return tuple(rows), anchor


def _draws(plan, rng):
    """Pots numbered in the order of pouring, so that a name tells no blend."""
    rows = []
    confirmed = {b.name: int(rng.integers(plan.pots_per_blend)) for b in plan.blends}
    poured = Counter()
    for day, names in enumerate(_pour_days(plan, rng), start=1):
        order = count(1)
        for name in names:
            confirm = plan.pouring.confirm and confirmed[name] == poured[name]
            loads = [(load, False) for load in plan.loads_pct]
            loads += [(plan.loads_pct[-1], True)] * confirm
            poured[name] += 1
            rows += [_Draw(f"P{poured.total():02d}", place, name, day, next(order), *loads[i])
                     for place, i in enumerate(rng.permutation(len(loads)), 1)]
    return rows


def _pour_days(plan, rng):
    """Blend names per pour day, in the order of the pots. Every blend once is a replicate, which
    has its own day without a limit of pots a day."""
    per_day = plan.pouring.pots_per_day or len(plan.blends)
    names = [b.name for b in plan.blends]
    replicates = [[names[i] for i in rng.permutation(len(names))]
                  for _ in range(plan.pots_per_blend)]
    if per_day >= len(names):
        whole = per_day // len(names)
        groups = [sum(replicates[i:i + whole], []) for i in range(0, len(replicates), whole)]
        return [[group[i] for i in rng.permutation(len(group))] for group in groups]
    return [r[i:i + per_day] for r in replicates for i in range(0, len(r), per_day)]


def _anchor(plan, draws, rng):
    """A pour at the middle load of the first pour day, and a fresh piece of it for each session."""
    middle = plan.loads_pct[len(plan.loads_pct) // 2]
    able = [d.name for d in draws if d.day == 1 and d.load == middle and not d.confirming]
    throw = plan.piece_numbers.throw * sum(not d.confirming for d in draws)
    sets = number_of_sets(plan.sittings, plan.calendar.evening_min, throw)
    return able[int(rng.integers(len(able)))], sets


def _pour(plan, draw, day, anchors):
    blend, numbers = plan.blend(draw.blend), plan.piece_numbers
    pieces = numbers.sweat + numbers.sweat_heat if draw.confirming else numbers.total + anchors
    wax_g, fragrance_g = pour_weights(pieces, plan.piece_g, draw.load, plan.pouring.spare_pct,
                                      plan.pouring.scale)
    add_temp, pour_temp, stir = _settings(plan, blend, draw.confirming)
    known = [x for x in (blend.limit_load_pct, plan.fragrance.limit_load_pct) if x is not None]
    limit = float(min(known)) if known else None
    return PlannedPour(
        pour=draw.name, pot=draw.pot, blend=draw.blend, pour_day=draw.day, poured_on=day,
        order_in_day=draw.order, load_pct=draw.load, content_pct=content_from_load(draw.load),
        wax_g=wax_g, fragrance_g=fragrance_g, pieces=pieces, add_temp_c=add_temp,
        pour_temp_c=pour_temp, stir_min=stir, limit_load_pct=limit,
        test_only=limit is not None and draw.load > limit + 1e-9, confirming=draw.confirming,
    )


def _settings(plan, blend, confirming):
    """Add temperature, pour temperature (°C, or None when not known) and stir minutes."""
    rules, which = plan.pouring, "confirm_" * confirming
    (add, pour), stir, most = rules.heat_of(blend), rules.stir_min, blend.max_temp_c
    if confirming:
        usual, add, stir = (add or 0, stir), rules.confirm_add_temp_c, rules.confirm_stir_min
        if add is None and most is not None:
            add = max(most - 3, usual[0] or 20)
        need(add is not None and add >= usual[0],
             f"blend {blend.name}: a confirming pour needs a hotter addition than usual",
             "give its add temperature, or the maximum of every wax",
             field="pouring.confirm_add_temp_c", value=add)
        need(stir > usual[1],
             f"the confirming pour stirs {stir:g} min, no longer than the usual {usual[1]:g} min",
             "raise its minutes", field="pouring.confirm_stir_min", value=stir)
    for name, value in ((f"{which}add", add), ("pour", pour)):
        if None not in (value, most):
            need(value <= most,
                 f"blend {blend.name}: the {name.removeprefix('confirm_')} temperature of "
                 f"{say_temperature(value)} is above the wax maker's maximum of "
                 f"{say_temperature(most)}", "lower it", field=f"pouring.{name}_temp_c",
                 value=value)
    return add, pour, stir


def lay_pieces(plan, rng):
    """All pieces in the order of their codes, which are drawn without regard to anything."""
    cast = []
    for pour in plan.pour_rows:
        left = pour.pieces
        for name, (test, stress, *_) in PURPOSES.items():
            asked = test == "sweat" or not pour.confirming
            left -= (number := asked * getattr(plan.piece_numbers, name))
            cast += [_uncoded(plan, pour, name, test, stress)] * number
        cast += [_uncoded(plan, pour, "throw", "throw", None)] * left  # anchor pieces
    codes = rng.choice(np.arange(100, 1000), size=len(cast), replace=False)
    rows = [PlannedPiece(str(code), *rest) for code, rest in zip(codes, cast, strict=True)]
    return tuple(sorted(rows, key=lambda piece: piece.code))


def _uncoded(plan, pour, name, test, stress):
    day = pour.poured_on + dt.timedelta(days=getattr(plan.cure_days, name))
    due_on = plan.calendar.next(day)
    return pour.pour, test, stress, (due_on - pour.poured_on).days, due_on

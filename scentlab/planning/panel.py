"""Who smells what, when and in which order.

Every assessor smells every piece of a sitting. When all pieces fit into one sitting there is one;
otherwise the pieces are dealt over sittings so that each holds the loads and blends as evenly as
can be and pieces of one pour day stay together. Within a sitting the orders are those of a
Williams square, so that what came before is balanced.
"""

import datetime as dt
from dataclasses import dataclass, field
from itertools import zip_longest

from scentlab.maths.designs import williams_square
from scentlab.planning.refusal import PlanError, need_whole
from scentlab.schema import THROW_KINDS


@dataclass(frozen=True)
class Sittings:
    """How the panel sits: ``kinds`` of throw, pieces one assessor may smell in a sitting.

    Three to six pieces a sitting are common practice, no source.
    """

    kinds: tuple = ("warm",)
    pieces_per_sitting: int = 6
    per_day: int = 1

    def __post_init__(self):
        kinds = (self.kinds,) if isinstance(self.kinds, str) else tuple(self.kinds)
        object.__setattr__(self, "kinds", tuple(k for k in THROW_KINDS if k in kinds))
        if not kinds or set(kinds) - set(THROW_KINDS) or len(set(kinds)) < len(kinds):
            raise PlanError(f"kinds of throw are {kinds!r}; give cold, warm or both, each once")
        need_whole(self.pieces_per_sitting, "pieces_per_sitting", 1, 40, "pieces")
        need_whole(self.per_day, "sittings per day", 1, 12)


@dataclass(frozen=True)
class Smelling:
    """One assessor smells one piece at one place of the order of one sitting."""

    sitting: str
    sitting_on: dt.date
    kind: str
    assessor: str
    position: int
    code: str


@dataclass(frozen=True)
class _Item:
    """A throw piece with what the dealing balances."""

    code: str
    pour_day: int
    due_on: dt.date
    blend: int = field(compare=False)
    load: int = field(compare=False)
    repeat: int = field(compare=False)


def smelling_orders(pieces, pours, assessors, sittings, rng):
    """The smellings of a plan, as a tuple of :class:`Smelling`.

    Parameters
    ----------
    pieces, pours : the plan's rows; only pieces for throw are used.
    assessors : codes of the panel.
    sittings : Sittings.
    rng : numpy Generator.
    """
    items = _items(pieces, pours)
    if not items:
        return ()
    sets = _deal(items, sittings.pieces_per_sitting, rng)
    rows = []
    count, previous, on_day = 0, None, 0
    for kind in sittings.kinds:
        for members in sets:
            count += 1
            day, on_day = _next_day(members, previous, on_day, sittings.per_day)
            previous = day
            rows += _sitting(f"S{count:02d}", day, kind, members, assessors, rng)
    return tuple(rows)


def _items(pieces, pours):
    by_name = {p.pour: p for p in pours}
    blends = sorted({p.blend for p in pours})
    loads = sorted({p.load_pct for p in pours})
    repeats, items = {}, []
    for piece in pieces:
        if piece.test != "throw":
            continue
        pour = by_name[piece.pour]
        cell = (pour.pour_day, pour.blend, pour.load_pct)
        repeats[cell] = repeats.get(cell, -1) + 1
        items.append(
            _Item(
                piece.code, pour.pour_day, piece.due_on, blends.index(pour.blend),
                loads.index(pour.load_pct), repeats[cell],
            )
        )
    return items


def _deal(items, limit, rng):
    """Pieces in sets of at most ``limit``, sizes as even as can be, pour days taking turns."""
    if len(items) <= limit:
        return [items]
    by_day = []
    for day in sorted({item.pour_day for item in items}):
        todays = _spread([item for item in items if item.pour_day == day], rng)
        number = -(-len(todays) // limit)
        cuts = [len(todays) * i // number for i in range(number + 1)]
        by_day.append([todays[a:b] for a, b in zip(cuts, cuts[1:], strict=False)])
    # taking turns, so that the pieces of a later pour day are not all older when they are smelt
    return [members for turn in zip_longest(*by_day) for members in turn if members]


def _spread(items, rng):
    """Pieces in an order whose neighbours differ in load and whose runs mix the blends.

    The order runs along the diagonals of the table of blends by loads, so that as many
    consecutive pieces as there are loads hold each load once.
    """
    n_blends = 1 + max(item.blend for item in items)
    n_loads = 1 + max(item.load for item in items)
    blend_place, load_place = rng.permutation(n_blends), rng.permutation(n_loads)

    def place(item):
        blend, load = int(blend_place[item.blend]), int(load_place[item.load])
        return item.repeat, (blend - load) % n_blends, load

    return sorted(items, key=place)


def _next_day(members, previous, on_day, per_day):
    ready = max(item.due_on for item in members)
    if previous is None or ready > previous:
        return ready, 1
    if on_day < per_day:
        return previous, on_day + 1
    return previous + dt.timedelta(days=1), 1


def _sitting(name, day, kind, members, assessors, rng):
    square = williams_square(len(members))
    codes = [members[i].code for i in rng.permutation(len(members))]
    # whole squares before any order is used again, so that few assessors get different ones
    orders = [i for _ in range(-(-len(assessors) // len(square)))
              for i in rng.permutation(len(square))]
    return [
        Smelling(name, day, kind, assessor, position + 1, codes[treatment])
        for assessor, order in zip(assessors, orders, strict=False)
        for position, treatment in enumerate(square[order])
    ]

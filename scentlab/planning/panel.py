"""Who smells what, when and in which order.

Either every assessor smells every piece: in one sitting when all fit, otherwise dealt over
sittings so that each holds the loads and blends as evenly as can be. Or the combinations of blend
and load are shared out: each assessor smells a block of them in a sitting, by a balanced
incomplete block design where one fits and a near-balanced one where none
does. Orders within a sitting are those of a Williams square, so that what came before is balanced.
"""

import datetime as dt
from collections import Counter
from dataclasses import dataclass
from itertools import zip_longest

from scentlab.maths.designs import near_balanced_blocks, williams_square
from scentlab.planning.refusal import count_of, need, need_whole
from scentlab.schema import THROW_KINDS

SHARES = ("all", "blocks")


@dataclass(frozen=True)
class Sittings:
    """How the panel sits. PlanError where it cannot.

    >>> Sittings("warm", control=True).own_places
    4

    Attributes
    ----------
    kinds : of throw, cold sittings before warm ones.
    pieces_per_sitting : most pieces of one assessor in a sitting. Three to six are common
        practice, no source.
    per_day : sittings a day.
    share : "all" when every assessor smells every piece, "blocks" when blends and loads are
        shared out in incomplete blocks.
    each : sittings of each assessor and kind with blocks; None for as many as show each assessor
        about every combination once.
    control : True to put two more pieces of one pour, under codes of their own, into every
        sitting: the difference of their scores is the assessor's repeatability.
    """

    kinds: tuple = ("warm",)
    pieces_per_sitting: int = 6
    per_day: int = 1
    share: str = "all"
    each: int | None = None
    control: bool = False

    def __post_init__(self):
        kinds = (self.kinds,) if isinstance(self.kinds, str) else tuple(self.kinds)
        object.__setattr__(self, "kinds", tuple(k for k in THROW_KINDS if k in kinds))
        need(kinds and set(kinds) <= set(THROW_KINDS) and len(set(kinds)) == len(kinds),
             f"kinds of throw are {kinds!r}", "give cold, warm or both, each once", field="kinds",
             value=kinds)
        least = (4 if self.share == "blocks" else 3) if self.control else 1
        need_whole(self.pieces_per_sitting, "pieces_per_sitting", least, 40, "pieces")
        need_whole(self.per_day, "sessions per day", 1, 12, field="per_day")
        need(self.share in SHARES, f"share is {self.share!r}", f"give one of {', '.join(SHARES)}",
             field="share", value=self.share)
        if self.each is not None:
            need_whole(self.each, "sessions of each tester", 1, 60, field="each")

    @property
    def own_places(self):
        """Places of a sitting that no control piece takes."""
        return self.pieces_per_sitting - 2 * self.control


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
    blend: int
    load: int
    repeat: int


def number_of_sets(sittings, pieces_by_day, cells):
    """How many sittings of one kind so many throw pieces on each pour day ask for."""
    if _in_blocks(sittings, cells):
        return sittings.each or -(-cells // sittings.own_places)
    if sum(pieces_by_day) <= sittings.own_places:
        return 1
    return sum(-(-pieces // sittings.own_places) for pieces in pieces_by_day)


def smelling_orders(plan, rng):
    """The smellings of a plan, as a tuple of :class:`Smelling`; ``rng`` is a numpy Generator."""
    items, controls = _items(plan)
    if not items:
        return ()
    cells = sorted({(item.blend, item.load) for item in items})
    if _in_blocks(plan.sittings, len(cells)):
        sets = _blocks(items, cells, plan, rng)
    else:
        dealt = _deal(items, plan.sittings.own_places, rng)
        sets = [dict.fromkeys(plan.assessors, members) for members in dealt]
    for number, members in enumerate(sets):
        pair = controls[2 * number:2 * number + 2]
        sets[number] = {a: [*pieces, *pair] for a, pieces in members.items()}
    return tuple(_seated(sets, plan.sittings, rng))


def _in_blocks(sittings, cells):
    return sittings.share == "blocks" and cells > sittings.own_places


def _items(plan):
    """Throw pieces, those beyond the usual number of the control pour apart."""
    by_name = {p.pour: p for p in plan.pour_rows}
    blends = sorted({p.blend for p in plan.pour_rows})
    loads = sorted({p.load_pct for p in plan.pour_rows})
    repeats, usual, controls, of_pour = Counter(), [], [], Counter()
    for piece in plan.piece_rows:
        if piece.test != "throw":
            continue
        pour = by_name[piece.pour]
        cell = (pour.pour_day, pour.blend, pour.load_pct)
        of_pour[piece.pour] += 1
        extra = of_pour[piece.pour] > plan.piece_numbers.throw
        item = _Item(piece.code, pour.pour_day, piece.due_on, blends.index(pour.blend),
                     loads.index(pour.load_pct), repeats[cell])
        repeats[cell] += not extra
        (controls if extra else usual).append(item)
    return usual, controls


def _blocks(items, cells, plan, rng):
    """One dict of assessor to pieces per sitting, combinations shared out in blocks."""
    sittings, assessors = plan.sittings, plan.assessors
    each = sittings.each or -(-len(cells) // sittings.own_places)
    number = each * len(assessors)
    need(number * sittings.own_places >= len(cells),
         f"{count_of(len(assessors), 'tester')} in {count_of(each, 'session')} of "
         f"{count_of(sittings.own_places, 'piece')} smell {number * sittings.own_places} pieces, "
         f"fewer than the {len(cells)} combinations of blend and load",
         "raise the sessions of each tester or the pieces in a session, or take more testers",
         field="sittings.each", value=each)
    blocks = near_balanced_blocks(len(cells), sittings.own_places, number, rng)
    blocks = blocks[rng.permutation(number)]
    stock = {cell: [i for i in items if (i.blend, i.load) == cell] for cell in cells}
    turn = Counter({cell: int(rng.integers(len(stock[cell]))) for cell in cells})
    sets = [{} for _ in range(each)]
    for place, block in enumerate(blocks):
        members = []
        for treatment in block:
            cell = cells[treatment]
            members.append(stock[cell][turn[cell] % len(stock[cell])])
            turn[cell] += 1
        sets[place % each][assessors[place // each]] = members
    return sets


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


def _seated(sets, sittings, rng):
    """Smellings of all sets for all kinds, on days when every piece is cured."""
    rows = []
    previous, on_day = None, 0
    for kind in sittings.kinds:
        for members in sets:
            ready = max(item.due_on for pieces in members.values() for item in pieces)
            previous, on_day = _next_day(ready, previous, on_day, sittings.per_day)
            name = f"S{1 + len({r.sitting for r in rows}):02d}"
            rows += _sitting(name, previous, kind, members, rng)
    return rows


def _next_day(ready, previous, on_day, per_day):
    if previous is None or ready > previous:
        return ready, 1
    if on_day < per_day:
        return previous, on_day + 1
    return previous + dt.timedelta(days=1), 1


def _sitting(name, day, kind, members, rng):
    """Orders of a sitting: whole squares before any order is used again."""
    size = len(next(iter(members.values())))
    square, shuffle = williams_square(size), rng.permutation(size)
    orders = [i for _ in range(-(-len(members) // len(square)))
              for i in rng.permutation(len(square))]
    return [
        Smelling(name, day, kind, assessor, position + 1, pieces[shuffle[treatment]].code)
        for (assessor, pieces), order in zip(members.items(), orders, strict=False)
        for position, treatment in enumerate(square[order])
    ]

"""Who smells what, when and in which order.

In a hot session one piece is warmed at a time in each room and all testers smell it in the same few
minutes, then the room is aired as a well-mixed box (textbook): with a air changes an hour the scent
falls as exp(-a t), which a real room does only away from the source and its walls. Cold pieces and
lidded jars do not fill the room: each tester goes through them in an own order. Sessions hold
the loads and blends as evenly as can be; orders are rows of Williams squares (Williams 1949), so
that what came before is balanced over the sessions, or over the testers of one. A fresh piece of
one anchor pour opens every session and ties the sessions together.
"""

import datetime as dt
import math
from collections import Counter, namedtuple
from dataclasses import dataclass
from itertools import pairwise, zip_longest

from scentlab.maths.designs import williams_square
from scentlab.planning.refusal import need, need_fields, need_whole
from scentlab.schema import THROW_KINDS
from scentlab.text import gathered

MOST_PIECES = 6  # of a session where nothing is said; three to six are common practice, no source
SNIFF_MIN, MELT_MIN = 2, 20  # a cold or jar piece for one nose; melting the jars. Own choice.


@dataclass(frozen=True)
class Sittings:
    """How the panel sits. PlanError where it cannot.

    >>> Sittings(rooms=2).places("warm", evening_min=180)
    5

    Attributes
    ----------
    kinds : of throw, in the order cold, jar, warm.
    pieces_per_sitting : most pieces of a session, the anchor piece among them; None for as many as
        an evening holds, up to ``MOST_PIECES``.
    per_day : sessions a day, which share its evening.
    anchor : True where a piece of one pour opens every session.
    together : True where all testers smell a hot piece at once; False for an order of each tester,
        which takes as many like rooms as pieces.
    rooms : rooms with a warmer each in which a hot piece can stand at the same time.
    warm_min, smell_min : minutes on the warmer before all smell, and of the smelling.
    air_changes_per_h : of a room while it is aired; open windows often give 5 (common practice).
    left_pct : scent that may be left of a piece when the next begins, %.
    """

    kinds: tuple = ("warm",)
    pieces_per_sitting: int | None = None
    per_day: int = 1
    anchor: bool = True
    together: bool = True
    rooms: int = 1
    warm_min: float = 30.0
    smell_min: float = 5.0
    air_changes_per_h: float = 5.0
    left_pct: float = 5.0

    def __post_init__(self):
        kinds = (self.kinds,) if isinstance(self.kinds, str) else tuple(self.kinds)
        object.__setattr__(self, "kinds", tuple(k for k in THROW_KINDS if k in kinds))
        need(kinds and set(kinds) <= set(THROW_KINDS) and len(set(kinds)) == len(kinds),
             f"kinds of throw are {kinds!r}", f"give {', '.join(THROW_KINDS)}, each once",
             field="kinds", value=kinds)
        if self.pieces_per_sitting is not None:
            need_whole(self.pieces_per_sitting, "pieces_per_sitting", 1 + self.anchor, 40, "pieces")
        need_fields(self)

    @property
    def air_min(self):
        """Whole minutes of airing until only ``left_pct`` of the scent remains."""
        hours = math.log(100.0 / self.left_pct) / self.air_changes_per_h
        return math.ceil(round(60 * hours, 6))

    def places(self, kind, evening_min):
        """Pieces of a session of this kind: as asked, or as many as an evening holds; PlanError for
        more than the rooms and the evening hold."""
        asked = self.pieces_per_sitting or MOST_PIECES
        if kind != "warm" or not self.together:
            need(kind != "warm" or self.rooms >= asked,
                 f"separate orders for testers in hot sessions of {asked} pieces need {asked} "
                 f"similar rooms, and there are {self.rooms}",
                 "let all testers smell the same piece at once, or add rooms",
                 field="sittings.together", value=self.together)
            return asked
        least = self.pieces_per_sitting or 1 + self.anchor
        each_min = (evening_min + self.air_min) / self.per_day - self.air_min
        fit = next((n for n in range(40) if self.minutes("warm", n + 1, 1) > each_min), 40)
        need(fit >= least,
             f"a hot session of {least} pieces does not fit: {self.rooms} warmed at a time, with "
             f"{self.air_min} min of airing after each, an evening of {evening_min:g} min and "
             f"{self.per_day} session{'s' * (self.per_day > 1)} a day hold {fit}",
             "use fewer pieces per session, fewer sessions a day, more rooms with a warmer, or a "
             "longer evening",
             field="sittings.pieces_per_sitting", value=self.pieces_per_sitting)
        return min(asked, fit)

    def minutes(self, kind, pieces, testers):
        """Minutes until the last piece is smelt."""
        if kind != "warm":
            return pieces * SNIFF_MIN * testers + (MELT_MIN if kind == "jar" else 0)
        if not self.together:
            return self.warm_min + pieces * self.smell_min
        return self.smelt_at(pieces)[-1][0] + self.smell_min

    def smelt_at(self, pieces):
        """The minute at which, and the room in which, all smell each piece of a hot session.

        A piece takes the room that is aired first and is put on the warmer so that it has stood
        there for ``warm_min`` when the noses are free.
        """
        free, last, times = [0.0] * self.rooms, -math.inf, []
        for _ in range(pieces):
            room = free.index(min(free))
            last = max(free[room] + self.warm_min, last + self.smell_min)
            free[room] = last + self.smell_min + self.air_min
            times.append((last, room))
        return times


@dataclass(frozen=True)
class Smelling:
    """One assessor smells one piece at one place of the order of one sitting."""

    sitting: str
    sitting_on: dt.date
    kind: str
    assessor: str
    position: int
    code: str


# A throw piece with what the dealing balances.
_Item = namedtuple("_Item", "code pour_day due_on blend load repeat")


def number_of_sets(sittings, evening_min, pieces):
    """The most sessions of a kind that so many throw pieces ask for."""
    return max(_sets(pieces, sittings.places(kind, evening_min) - sittings.anchor)
               for kind in sittings.kinds)


def smelling_orders(plan, rng):
    """The smellings of a plan, as a tuple of :class:`Smelling`; ``rng`` is a numpy Generator."""
    items, anchors = _items(plan)
    if not items:
        return ()
    sittings, dealt, rows, days = plan.sittings, {}, [], []
    for kind in sittings.kinds:
        places = sittings.places(kind, plan.calendar.evening_min) - sittings.anchor
        if places not in dealt:
            dealt[places] = _deal(items, places, rng)
        left = {}
        for number, members in enumerate(dealt[places]):
            first = anchors[number:number + 1]
            day = _day_after(plan, max(item.due_on for item in [*members, *first]), days)
            name = f"S{len(days):02d}"
            found = _orders(members, 1 if _at_once(sittings, kind) else len(plan.assessors), rng,
                            left)
            for place, assessor in enumerate(plan.assessors):
                order = [*first, *found[place % len(found)]]
                rows += [Smelling(name, day, kind, assessor, position, item.code)
                         for position, item in enumerate(order, 1)]
    return tuple(rows)


def _at_once(sittings, kind):
    return kind == "warm" and sittings.together


def _items(plan):
    """Throw pieces, those beyond the usual number of the anchor pour apart."""
    by_name = {p.pour: p for p in plan.pour_rows}
    blends = sorted({p.blend for p in plan.pour_rows})
    loads = sorted({p.load_pct for p in plan.pour_rows})
    repeats, usual, anchors, of_pour = Counter(), [], [], Counter()
    for piece in (p for p in plan.piece_rows if p.test == "throw"):
        pour = by_name[piece.pour]
        cell = (pour.pour_day, pour.blend, pour.load_pct)
        of_pour[piece.pour] += 1
        extra = of_pour[piece.pour] > plan.piece_numbers.throw
        item = _Item(piece.code, pour.pour_day, piece.due_on, blends.index(pour.blend),
                     loads.index(pour.load_pct), repeats[cell])
        repeats[cell] += not extra
        (anchors if extra else usual).append(item)
    return usual, anchors


def _deal(items, limit, rng):
    """Pieces in sets of at most ``limit``, sizes as even as can be; pour days are kept apart and
    take turns, unless that would make more sets."""
    if len(items) <= limit:
        return [items]
    days = gathered((item.pour_day, item) for item in items)
    if sum(_sets(len(own), limit) for own in days.values()) > _sets(len(items), limit):
        return _cut(_spread(items, rng), limit)
    by_day = [_cut(_spread(days[day], rng), limit) for day in sorted(days)]
    # taking turns, so that the pieces of a later pour day are not all older when they are smelt
    return [members for turn in zip_longest(*by_day) for members in turn if members]


def _sets(number, limit):
    return -(-number // limit)


def _cut(items, limit):
    number = _sets(len(items), limit)
    cuts = [len(items) * i // number for i in range(number + 1)]
    return [items[a:b] for a, b in pairwise(cuts)]


def _spread(items, rng):
    """Pieces by pour day along the diagonals of the table of blends by loads, so that as many
    neighbours as there are loads hold each load once, and their runs mix the blends."""
    n_blends = 1 + max(item.blend for item in items)
    n_loads = 1 + max(item.load for item in items)
    blend_place, load_place = rng.permutation(n_blends), rng.permutation(n_loads)

    def place(item):
        blend, load = int(blend_place[item.blend]), int(load_place[item.load])
        return item.pour_day, item.repeat, (blend - load) % n_blends, load

    return sorted(items, key=place)


def _orders(members, number, rng, left):
    """Orders of a session: whole squares before any order of the same number is used again;
    ``left`` keeps what is left of them by size.

    In sessions held together a treatment of the square is a rank of load, so that over the sessions
    each rank follows each other one alike; a tester's own orders shuffle the pieces first.
    """
    size = len(members)
    if number == 1:
        ranked = sorted(members, key=lambda item: (item.load, item.blend))
        if not left.get(size):
            square = williams_square(size)
            left[size] = [square[i] for i in rng.permutation(len(square))]
        return [[ranked[i] for i in left[size].pop(0)]]
    square = williams_square(size)
    shuffle = rng.permutation(size)
    rows = [i for _ in range(-(-number // len(square))) for i in rng.permutation(len(square))]
    return [[members[shuffle[i]] for i in square[row]] for row in rows[:number]]


def _day_after(plan, ready, taken):
    """The day of the next session, in order, and no more a day than allowed; ``taken`` grows."""
    if taken and ready <= taken[-1]:
        full = taken.count(taken[-1]) >= plan.sittings.per_day
        ready = taken[-1] + dt.timedelta(days=full)
    taken.append(plan.calendar.next(ready))
    return taken[-1]


def timetable(plan, sitting):
    """What happens when in a hot session held together: rows (time, room, what, code) in time, such
    as "19:05" in room 1; other sessions have none."""
    rows = [r for r in plan.smelling_rows if r.sitting == sitting]
    rules, codes = plan.sittings, list(dict.fromkeys(r.code for r in rows))
    if not rows or not _at_once(rules, rows[0].kind):
        return ()
    begin, _ = session_spans(plan)[sitting]
    steps = sorted(
        ((begin + smelt + later, room + 1, what, code)
         for code, (smelt, room) in zip(codes, rules.smelt_at(len(codes)), strict=True)
         for later, what in ((-rules.warm_min, "warm"), (0, "all smell"),
                             (rules.smell_min, f"off, air for {rules.air_min} min"))),
        key=lambda step: step[0])
    return tuple((plan.calendar.clock(minute), *rest) for minute, *rest in steps)


def session_minutes(plan):
    """Per session its minutes until the last piece is smelt (rooms are aired after), and testers.
    """
    found = {}
    for name, rows in plan.smellings.groupby("sitting", sort=False):
        testers = rows["assessor"].nunique()
        found[name] = plan.sittings.minutes(
            rows["kind"].iloc[0], int(rows["position"].max()), testers), testers
    return found


def session_spans(plan):
    """Per session the minutes of its day's evening at which it begins and the last piece is smelt:
    it begins after the one before it, with the rooms aired where that was hot."""
    held, free, found = session_minutes(plan), Counter(), {}
    for row in {r.sitting: r for r in plan.smelling_rows}.values():
        begin = free[row.sitting_on]
        found[row.sitting] = begin, begin + held[row.sitting][0]
        free[row.sitting_on] = found[row.sitting][1] + plan.sittings.air_min * (row.kind == "warm")
    return found

"""Rooms for smelling: how long to warm up, how long to air, and whether two rooms compare."""

from dataclasses import dataclass, field

import pandas as pd
from scipy import special

from scentlab.maths.room import airing_hours, decay_rate, hours_to_share, share_of_steady
from scentlab.planning.refusal import PlanError, need_above_zero, need_number
from scentlab.results import Result, say_percent

# odour intensity goes with concentration to a power of 0.2 to 0.8 (published range, 2017)
_EXPONENTS = (0.2, 0.8)


@dataclass(frozen=True)
class Room:
    """A room with its volume (m³), air changes an hour, and minutes on the warmer at the score."""

    name: str
    volume_m3: float
    air_changes_per_h: float
    minutes: float = 30.0

    def __post_init__(self):
        need_above_zero(self.volume_m3, f"room {self.name}: volume_m3", 2000, "m³")
        need_above_zero(self.air_changes_per_h, f"room {self.name}: air_changes_per_h", 30, "per h")
        need_above_zero(self.minutes, f"room {self.name}: minutes", 1440, "min")

    @property
    def strength(self):
        """Concentration at the score for an emission of 1 mg/h, in mg/m³ (well mixed)."""
        reached = share_of_steady(self.minutes / 60, self.air_changes_per_h)
        return float(reached / (self.air_changes_per_h * self.volume_m3))


@dataclass(frozen=True, repr=False)
class RoomTimes(Result):
    """What the air change of a room means for a sitting; ``table``: what, value, unit."""

    name: str
    air_changes_per_h: float
    minutes: float
    table: pd.DataFrame
    notes: tuple = ("The room is taken as well mixed; near the warmer it is not.",)

    @property
    def sentence(self):
        value = self.table.set_index("what")["value"]
        return (
            f"Room {self.name} at {self.air_changes_per_h:g} air changes an hour: 90 % "
            f"of the steady scent after {value['90 % of steady']:.1f} h, a score at "
            f"{self.minutes:g} min stands at {value['share of steady at the score']:.0f} % of "
            f"it, and airing down to 1 % takes {value['airing to 1 %']:.1f} h."
        )


@dataclass(frozen=True, repr=False)
class RoomComparison(Result):
    """How much stronger the same emission stands in each room at the score.

    ``table``: room, volume_m3, air_changes_per_h, minutes, strength (mg/m³ for 1 mg/h), ratio to
    the first room, comparable.
    """

    table: pd.DataFrame
    within: float
    notes: tuple = field(default=())

    @property
    def sentence(self):
        away = self.table[~self.table["comparable"]]
        first = self.table["room"].iloc[0]
        if away.empty:
            return (f"All rooms stand within a factor {self.within:g} of room {first} at the "
                    "score: their throws can be compared.")
        said = ", ".join(f"{r.room} at {r.ratio:.2f} times" for r in away.itertuples())
        return (f"Not comparable with room {first}: {said} its concentration at the score, "
                f"outside a factor {self.within:g}.")


@dataclass(frozen=True, repr=False)
class AirChange(Result):
    """Air changes an hour from a decay; ``table``: quantity, estimate, se, lower, upper."""

    table: pd.DataFrame
    readings: int
    confidence: float
    notes: tuple = field(default=())

    @property
    def sentence(self):
        row = self.table.iloc[0]
        return (
            f"{row['estimate']:.2f} air changes an hour ({say_percent(self.confidence)} interval "
            f"{row['lower']:.2f} to {row['upper']:.2f}) from {self.readings} readings."
        )


def room_times(room):
    """Warm-up, airing and the state at the score of a :class:`Room`. Returns :class:`RoomTimes`."""
    air = room.air_changes_per_h
    rows = [
        ("90 % of steady", float(hours_to_share(0.9, air)), "h"),
        ("share of steady at the score", 100 * float(share_of_steady(room.minutes / 60, air)), "%"),
        ("airing to 5 %", float(airing_hours(0.05, air)), "h"),
        ("airing to 1 %", float(airing_hours(0.01, air)), "h"),
    ]
    return RoomTimes(room.name, float(air), float(room.minutes),
                     pd.DataFrame(rows, columns=["what", "value", "unit"]))


def compare_rooms(rooms, within=1.25):
    """Compare rooms with the first one; ``within`` is the factor that still counts as alike.

    The factor 1.25 is this project's own choice: with it the throw differs by at most a fifth.
    Returns a :class:`RoomComparison`.
    """
    rooms = tuple(rooms)
    if len(rooms) < 2:
        raise PlanError("a comparison needs at least two rooms; give a list of Room")
    need_number(within, "within", 1, 10, "")
    first = rooms[0].strength
    rows = []
    for room in rooms:
        ratio = room.strength / first
        alike = 1 / within <= ratio <= within
        rows.append((room.name, float(room.volume_m3), float(room.air_changes_per_h),
                     float(room.minutes), room.strength, ratio, bool(alike)))
    table = pd.DataFrame(rows, columns=["room", "volume_m3", "air_changes_per_h", "minutes",
                                        "strength", "ratio", "comparable"])
    widest = max(max(r, 1 / r) for r in table["ratio"])
    low, high = (widest**n for n in _EXPONENTS)
    note = (f"The widest ratio, {widest:.2f}, would change the throw by a factor {low:.2f} to "
            f"{high:.2f} (exponents 0.2 to 0.8, published range).")
    return RoomComparison(table, float(within), (note,))


def air_change_from_decay(hours, readings, background=0.0, confidence=0.95):
    """Air changes an hour from readings that die away after the source is taken out.

    Carbon dioxide after people have left is the usual way: give the outdoor reading as
    background. Close windows as in a sitting, mix with a fan, read every few minutes.

    Returns an :class:`AirChange`; raises PlanError when the readings give no decay.
    """
    try:
        rate, se, freedom = decay_rate(hours, readings, background)
    except ValueError as problem:
        raise PlanError(str(problem)) from problem
    if rate <= 0:
        raise PlanError(
            f"the readings do not fall (rate {rate:.3f} per h); take the source out, close the "
            "doors and read again"
        )
    half = float(special.stdtrit(freedom, (1 + confidence) / 2)) * se
    notes = []
    if rate - half <= 0:
        notes.append("The interval reaches zero: read for longer.")
    table = pd.DataFrame({
        "quantity": ["air changes, per h"], "estimate": [rate], "se": [se],
        "lower": [max(rate - half, 0.0)], "upper": [rate + half],
    })
    return AirChange(table, len(list(readings)), confidence, tuple(notes))

"""The rules of a plan: pieces, cure days, heat cycle, how pots are poured, free evenings."""

import datetime as dt
from dataclasses import asdict, dataclass

from scentlab.files import table_beside
from scentlab.planning.refusal import need, need_fields, need_number, need_whole
from scentlab.planning.weights import SCALES
from scentlab.schema import HEATS, POURS
from scentlab.text import capital
from scentlab.units import say_temperature

TEXTS = table_beside(__file__, "texts.toml")
# What a piece is for, by the names of :class:`PieceNumbers`: test, stress, words of the key and of
# the diary.
PURPOSES = {
    "sweat": ("sweat", "rest", "sweat, room temperature", "Inspect sweat, room temperature"),
    "sweat_heat": ("sweat", "heat", "sweat, heat-cycled", "Inspect sweat, heat-cycled"),
    "frost": ("frost", "rest", "frost", "Inspect frost"),
    "throw": ("throw", None, "throw", ""),
    "reserve": ("reserve", None, "reserve", "Reserve pieces"),
}
# Headings of the printed grade sheets, in the order of a day.
GRADE_SHEETS = {
    PURPOSES[name][:2]: capital(PURPOSES[name][2]) for name in ("sweat", "sweat_heat", "frost")
}


@dataclass(frozen=True)
class PieceNumbers:
    """Pieces of each pour by test: ``sweat`` at room temperature, ``sweat_heat`` heat-cycled.
    Whole numbers from 0 to 50, PlanError otherwise.

    >>> PieceNumbers().total
    5
    """

    sweat: int = 1
    sweat_heat: int = 2
    frost: int = 1
    throw: int = 1
    reserve: int = 0

    def __post_init__(self):
        need_fields(self)
        need(self.total, "a test batch has no piece", "give at least one, such as 4 for sweat",
             field="sweat", value=0)

    @property
    def total(self):
        return sum(asdict(self).values())


@dataclass(frozen=True)
class CureDays:
    """Days from pouring to the look, by test, 0 to 3650. Common practice, no source.

    ``again``: later ages (days) at which the sweat pieces are looked at once more, for a piece may
    sweat late and the answer holds up to the oldest look.

    >>> CureDays(throw=10).throw
    10
    """

    sweat: int = 7
    sweat_heat: int = 7
    frost: int = 14
    throw: int = 14
    reserve: int = 90
    again: tuple = ()

    def __post_init__(self):
        object.__setattr__(self, "again", tuple(self.again))
        need_fields(self)
        for days in self.again:
            need_whole(days, "a later sweat inspection", max(self.sweat, self.sweat_heat) + 1, 3650,
                       "days", field="again")
        need(list(self.again) == sorted(set(self.again)), f"later inspections are {self.again!r}",
             "give the days in order, each once", field="again", value=self.again)


@dataclass(frozen=True)
class HeatCycle:
    """The warm cycle before a sweat look under stress, a stand-in for a warm van.

    >>> HeatCycle().words
    '3 x 12 h at 38 °C (100 °F)'
    """

    temp_c: float = 38.0
    hours: float = 12.0
    cycles: int = 3
    pack: str = "open"

    def __post_init__(self):
        need_fields(self)
        packs = HEATS["pack"].choices
        need(self.pack in packs, f"the pack is {self.pack!r}", f"give {' or '.join(packs)}",
             field="pack", value=self.pack)

    @property
    def words(self):
        pack = " in the shut pack" if self.pack == "shut" else ""
        return f"{self.cycles} x {self.hours:g} h at {say_temperature(self.temp_c)}{pack}"

    def begins(self, due_on):
        """The day of the first cycle, one a day, of pieces that are looked at on ``due_on``."""
        return due_on - dt.timedelta(days=self.cycles)


@dataclass(frozen=True)
class Pouring:
    """How the pots are poured. Temperatures (°C) left at None are those of the blend's makers.

    ``confirm`` adds, for one pot of every blend, a pour at the top load with a hot addition and a
    long stir: a cold addition or a short stir looks like too much fragrance, and this tells them
    apart. Stirring for 2 minutes is common practice, no source. ``dye_pct`` is the dye of all pots,
    g per 100 g of wax; it goes into the melt before the fragrance and counts in neither load basis.
    ``scale`` is the unit of the scales, "g" or "oz": what is weighed is in whole steps of it.

    >>> Pouring(pots_per_day=2).spare_pct
    5.0
    """

    spare_pct: float = 5.0
    pots_per_day: int | None = None
    days_between: int = 1
    add_temp_c: float | None = None
    pour_temp_c: float | None = None
    stir_min: float = 2.0
    confirm: bool = False
    confirm_add_temp_c: float | None = None
    confirm_stir_min: float = 10.0
    dye_pct: float = 0.0
    scale: str = "g"

    def __post_init__(self):
        need(self.scale in SCALES, f"the scale is in {self.scale!r}", "give g or oz",
             field="scale", value=self.scale)
        need_fields(self)
        # A planned value must be one that can be recorded.
        for name in ("add_temp_c", "pour_temp_c", "confirm_add_temp_c", "stir_min",
                     "confirm_stir_min"):
            value, column = getattr(self, name), POURS[name.removeprefix("confirm_")]
            if value is not None or getattr(Pouring, name) is not None:
                need_number(value, name, column.lower, column.upper, column.unit)

    def heat_of(self, blend):
        """Add and pour temperature of a blend, °C: planned, or else the makers'; None if unknown.
        """
        return tuple(getattr(blend, n) if getattr(self, n) is None else getattr(self, n)
                     for n in ("add_temp_c", "pour_temp_c"))


HEAT_HINTS = tuple(said["words"] for said in TEXTS["heat_hints"])
_DAYS = {"any": range(7), "weekdays": range(5), "weekend": (5, 6)}


@dataclass(frozen=True)
class Calendar:
    """When there is time: "any" day, "weekdays" or the "weekend"; sessions begin at ``begin`` and
    an evening has ``evening_min`` minutes.

    >>> Calendar("weekdays").next(dt.date(2026, 12, 5))
    datetime.date(2026, 12, 7)
    """

    days: str = "any"
    begin: str = "19:00"
    evening_min: int = 180

    def __post_init__(self):
        need(self.days in _DAYS, f"the days are {self.days!r}", f"give {', '.join(_DAYS)}",
             field="days", value=self.days)
        try:
            dt.time.fromisoformat(self.begin)
        except (TypeError, ValueError):
            need(False, f"an evening begins at {self.begin!r}", "write it as 19:00", field="begin",
                 value=self.begin)
        need_fields(self)

    def next(self, day):
        """The first day from this one on that has time."""
        return next(d for d in (day + dt.timedelta(days=n) for n in range(7))
                    if d.weekday() in _DAYS[self.days])

    def clock(self, minute):
        """The time of day so many minutes after the beginning."""
        begin = dt.datetime.combine(dt.date(2000, 1, 1), dt.time.fromisoformat(self.begin))
        return f"{begin + dt.timedelta(minutes=minute):%H:%M}"

"""The rules of a plan: pieces by test, cure days, the heat cycle, how the pots are poured."""

from dataclasses import asdict, dataclass

from scentlab.planning.refusal import need, need_number, need_whole
from scentlab.schema import POURS
from scentlab.text import capital
from scentlab.units import say_temperature

# What a piece is for, by the names of :class:`PieceNumbers`: test, stress, words of the key and of
# the diary.
PURPOSES = {
    "sweat": ("sweat", "rest", "sweat, room temperature", "Look for sweat at room temperature"),
    "sweat_heat": ("sweat", "heat", "sweat, heat-cycled", "Look for sweat, heat-cycled"),
    "frost": ("frost", "rest", "frost", "Look for frost"),
    "throw": ("throw", None, "throw", ""),
    "reserve": ("reserve", None, "reserve", "Reserve pieces"),
    "bleed": ("bleed", None, "bleed", "Weigh the blotters for bleed"),
}
# Headings of the printed grade sheets, in the order of a day.
GRADE_SHEETS = {
    PURPOSES[name][:2]: capital(PURPOSES[name][2]) for name in ("sweat", "sweat_heat", "frost")
}


@dataclass(frozen=True)
class PieceNumbers:
    """Pieces of each pour by test: ``sweat`` at room temperature, ``sweat_heat`` heat-cycled,
    ``bleed`` on a weighed blotter. Whole numbers from 0 to 50, PlanError otherwise.

    >>> PieceNumbers().total
    11
    """

    sweat: int = 4
    sweat_heat: int = 2
    frost: int = 2
    throw: int = 2
    reserve: int = 1
    bleed: int = 0

    def __post_init__(self):
        for name, number in asdict(self).items():
            what = f"number of {name} pieces of a pour"
            need_whole(number, what, 0, 50, "pieces", field=name)
        need(self.total, "a pour has no piece", "give at least one, such as 4 for sweat",
             field="sweat", value=0)

    @property
    def total(self):
        """Pieces of a pour over all tests."""
        return sum(asdict(self).values())


@dataclass(frozen=True)
class CureDays:
    """Days from pouring to the look, by test, 0 to 3650. Common practice, no source.

    >>> CureDays(throw=10).throw
    10
    """

    sweat: int = 7
    sweat_heat: int = 7
    frost: int = 14
    throw: int = 14
    reserve: int = 90
    bleed: int = 7

    def __post_init__(self):
        for name, days in asdict(self).items():
            need_whole(days, f"cure of {name} pieces", 0, 3650, "days", field=name)


@dataclass(frozen=True)
class HeatCycle:
    """The warm cycle before a sweat look under stress, a stand-in for a warm van.

    >>> HeatCycle().words
    '3 x 12 h at 38 °C (100 °F)'
    """

    temp_c: float = 38.0
    hours: float = 12.0
    cycles: int = 3

    def __post_init__(self):
        need_number(self.temp_c, "heat cycle temperature", 25, 80, "°C", field="temp_c")
        need_number(self.hours, "heat cycle time", 0.5, 72, "hours", field="hours")
        need_whole(self.cycles, "number of heat cycles", 1, 30, field="cycles")

    @property
    def words(self):
        """The cycle in words, with its unit."""
        return f"{self.cycles} x {self.hours:g} h at {say_temperature(self.temp_c)}"


@dataclass(frozen=True)
class Pouring:
    """How the pots are poured. Temperatures (°C) left at None are those of the blend's makers.

    ``confirm`` adds, for one pot of every blend, a pour at the top load with a hot addition and a
    long stir: a cold addition or a short stir looks like too much fragrance, and this tells them
    apart. Stirring for 2 minutes is common practice, no source. ``dye_pct`` is the dye of all pots,
    g per 100 g of wax; it goes into the melt before the fragrance and counts in neither load basis.

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

    def __post_init__(self):
        need_number(self.spare_pct, "spare", 0, 50, "%", field="spare_pct")
        need_number(self.dye_pct, "dye_pct", 0, 5, "% of wax")
        if self.pots_per_day is not None:
            need_whole(self.pots_per_day, "pots_per_day", 1, 50, "pots")
        what = "days_between pour days"
        need_whole(self.days_between, what, 1, 60, "days", field="days_between")
        for name in ("add_temp_c", "pour_temp_c", "confirm_add_temp_c"):
            if getattr(self, name) is not None:
                _need_in(POURS[name.removeprefix("confirm_")], getattr(self, name), name)
        for name in ("stir_min", "confirm_stir_min"):
            _need_in(POURS["stir_min"], getattr(self, name), name)


def _need_in(column, value, name):
    """A planned value must be one that can be recorded."""
    need_number(value, name, column.lower, column.upper, column.unit)

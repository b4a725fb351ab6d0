"""What is checked before a plan is laid out. Every refusal says what came and the remedy."""

from scentlab.materials import Blend
from scentlab.planning.refusal import PlanError, need, need_above_zero, need_whole
from scentlab.schema import MOST_LOAD_PCT, POURS, THROWS, Column
from scentlab.text import twins
from scentlab.units import in_maker_units, say_load_oz, say_temperature

MOST_PIECES = 900  # three-digit codes
TITLE = Column("title", "text", "title", pattern=".{1,200}",
               pattern_words="a text of 1 to 200 characters")
START = POURS["poured_on"]


def of_column(column, value, field, what=""):
    """A value as its column keeps it, or a :class:`PlanError`; ``what`` says the field in words."""
    found, wrong = column.check(value)
    if wrong:
        raise PlanError(f"{what or field} is {value!r}", field=field, value=value,
                        expected=wrong[0])
    return found


def check_loads(loads_pct):
    """At least two different loads as floats, the lowest first."""
    loads = [need_above_zero(load, "a load", MOST_LOAD_PCT, "g per 100 g of wax", field="loads_pct")
             for load in loads_pct]
    need(len({*loads}) == len(loads) >= 2, f"the loads are {', '.join(map(say_load_oz, loads))}",
         "give at least two different loads, each once", field="loads_pct",
         value=loads)
    return tuple(sorted(loads))


def check_blends(blends):
    """At least one blend, each named once."""
    blends = (blends,) if isinstance(blends, Blend) else tuple(blends)
    need(blends, "no blend was given", "give at least one Blend", field="blends")
    _need_apart("blends", [b.name for b in blends])
    _need_apart("waxes", dict.fromkeys(wax.name for b in blends for wax, _ in b.parts))
    return blends


def _need_apart(field, names, what=""):
    """Names that are the same, or differ only in look, are refused."""
    for first, name in twins(names):
        raise PlanError(f"the {what or field} {first!r} and {name!r} have the same name",
                        "give one thing one name, or two things clearly different names",
                        field=field, value=name)


def check_assessors(assessors, pieces):
    """Codes of the panel, never names; somebody where there are throw pieces."""
    if isinstance(assessors, int) and not isinstance(assessors, bool):
        assessors = [f"A{i + 1}" for i in range(need_whole(assessors, "assessors", 0, 999))]
    codes = (assessors,) if isinstance(assessors, str) else tuple(assessors)
    codes = tuple(of_column(THROWS["assessor"], code, "assessors", "a tester") for code in codes)
    _need_apart("assessors", codes, "testers")
    need(codes or not pieces.throw,
         f"{pieces.throw} throw pieces of each test batch but no tester to smell them",
         "give testers, such as A1, or no throw pieces", field="assessors", value=codes)
    return codes


def check_whole(plan):
    """What only the parts together can get wrong."""
    cycle, days = plan.heat_cycle, plan.cure_days.sweat_heat
    for code in plan.works_with_fragrance:
        need(code in plan.assessors,
             f"{code!r} works with the fragrance but is not among the testers "
             f"{', '.join(plan.assessors) or '(none)'}", "name testers of this plan",
             field="works_with_fragrance", value=code)
    if not plan.piece_numbers.sweat_heat:
        return
    need(cycle.cycles <= days,
         f"{cycle.cycles} heat cycles, one a day, do not fit before an inspection {days} days "
         "after pouring", "use fewer cycles, or cure longer before inspecting the heat-cycled "
                          "pieces", field="heat_cycle.cycles", value=cycle.cycles)
    for blend in (b for b in plan.blends if b.melt_temp_c is not None):
        need(cycle.temp_c < blend.melt_temp_c,
             f"the heat cycle at {say_temperature(cycle.temp_c)} melts blend {blend.name} (melts "
             f"at {say_temperature(blend.melt_temp_c)})",
             in_maker_units("choose a temperature at least 10 °C below the melting point"),
             field="heat_cycle.temp_c", value=cycle.temp_c)


def check_number_of_pieces(plan):
    total = sum(p.pieces for p in plan.pour_rows)
    need(total <= MOST_PIECES, f"{total} pieces were planned",
         f"there are {MOST_PIECES} three-digit codes: use fewer loads, pots or pieces, or plan two "
         "series", field="loads_pct", value=total)

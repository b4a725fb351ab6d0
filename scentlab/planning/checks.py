"""What is checked before a plan is laid out. Every refusal says what came and the remedy."""

import datetime as dt
import re

from scentlab.materials import Blend, Fragrance
from scentlab.planning.refusal import PlanError, count_of, need, need_above_zero, need_whole
from scentlab.schema import MOST_LOAD_PCT, THROWS
from scentlab.text import kept, twins, unseen
from scentlab.units import in_maker_units, say_temperature

MOST_PIECES = 900  # three-digit codes
_RENAME = "give one thing one name, or two things names that differ plainly"


def check_title(title):
    need(isinstance(title, str) and title.strip() and len(title) <= 200,
         f"the title is {title!r}", "give a text of 1 to 200 characters", field="title",
         value=title)
    hidden = ", ".join(unseen(title))
    need(not hidden, f"the title {title!r} holds {hidden}, which nobody can see", "type it anew",
         field="title", value=title)
    return kept(title)


def check_fragrance(fragrance):
    need(isinstance(fragrance, Fragrance), f"the fragrance is {fragrance!r}",
         "give a Fragrance, with its flash point", field="fragrance", value=fragrance)
    return fragrance


def check_loads(loads_pct):
    """At least two different loads as floats, the lowest first."""
    need(not isinstance(loads_pct, (int, float, str)), f"loads_pct is {loads_pct!r}",
         "give several loads, such as [4, 6, 8, 10]", field="loads_pct", value=loads_pct)
    loads = tuple(
        need_above_zero(load, "a load", MOST_LOAD_PCT, "g per 100 g of wax", field="loads_pct")
        for load in loads_pct
    )
    need(len(loads) >= 2, f"{count_of(len(loads), 'load')} came",
         "a series compares at least two loads, better five or six from well below to above the "
         "wax maker's limit", field="loads_pct", value=loads)
    for load in sorted(loads):
        need(loads.count(load) == 1, f"the load {load:g} % of wax came twice",
             "give each load once and ask for more pots or pieces to repeat it",
             field="loads_pct", value=load)
    return tuple(sorted(loads))


def check_blends(blends):
    """At least one blend, each named once."""
    blends = (blends,) if isinstance(blends, Blend) else tuple(blends)
    need(blends, "no blend came", "give at least one Blend", field="blends")
    for blend in blends:
        need(isinstance(blend, Blend), f"{blend!r} is no Blend", "make it with Blend(name, parts)",
             field="blends", value=blend)
    _need_apart("blend", [b.name for b in blends], "and ask for more pots to repeat it")
    waxes = dict.fromkeys(wax.name for blend in blends for wax, _ in blend.parts)
    _need_apart("wax", waxes)
    return blends


def _need_apart(what, names, instead=""):
    """Names that are the same, or differ only in look, are refused."""
    field = {"wax": "waxes", "tester": "assessors"}.get(what, f"{what}s")
    for first, name in twins(names):
        need(first != name, f"the {what} {name} came twice",
             " ".join(filter(None, [f"give each {what} once", instead])), field=field, value=name)
        raise PlanError(f"the {field} {first!r} and {name!r} differ only in look", _RENAME,
                        field=field, value=name)


def check_date(start):
    """The first pour day as a date."""
    try:
        return dt.date.fromisoformat(str(start)[:10] if isinstance(start, dt.date) else start)
    except (TypeError, ValueError):
        raise PlanError(f"start is {start!r}", "give a date as year-month-day, such as 2026-12-01",
                        field="start", value=start) from None


def check_assessors(assessors, pieces):
    """Codes of the panel, never names; somebody where there are throw pieces."""
    if isinstance(assessors, int) and not isinstance(assessors, bool):
        assessors = [f"A{i + 1}" for i in range(need_whole(assessors, "assessors", 0, 999))]
    codes = (assessors,) if isinstance(assessors, str) else tuple(assessors)
    for code in codes:
        need(re.fullmatch(THROWS["assessor"].pattern, str(code)),
             f"the tester {code!r} is no code",
             "use a letter and a number, such as A1, never a name", field="assessors", value=code)
    _need_apart("tester", codes)
    need(codes or not pieces.throw,
         f"{pieces.throw} throw pieces of each pour and no tester to smell them",
         "give testers, such as A1, or no throw pieces", field="assessors", value=codes)
    return codes


def check_whole(plan):
    """What only the parts together can get wrong."""
    cycle, days = plan.heat_cycle, plan.cure_days.sweat_heat
    for code in plan.works_with_fragrance:
        need(code in plan.assessors,
             f"{code!r} works with the fragrance and is not among the testers "
             f"{', '.join(plan.assessors) or '(none)'}", "name testers of this plan",
             field="works_with_fragrance", value=code)
    if not plan.piece_numbers.sweat_heat:
        return
    need(cycle.cycles <= days,
         f"{cycle.cycles} heat cycles, one a day, do not fit before an inspection {days} days "
         "after pouring", "take fewer cycles or more days of cure before the heat-cycled pieces "
         "are inspected", field="heat_cycle.cycles", value=cycle.cycles)
    for blend in (b for b in plan.blends if b.melt_temp_c is not None):
        need(cycle.temp_c < blend.melt_temp_c,
             f"the heat cycle at {say_temperature(cycle.temp_c)} melts blend {blend.name} (melts "
             f"at {say_temperature(blend.melt_temp_c)})",
             in_maker_units("choose a temperature at least 10 °C below the melting point"),
             field="heat_cycle.temp_c", value=cycle.temp_c)


def check_number_of_pieces(plan):
    total, pots = sum(p.pieces for p in plan.pour_rows), len({p.pot for p in plan.pour_rows})
    need(total <= MOST_PIECES,
         f"{total} pieces came ({count_of(len(plan.blends), 'blend')}, {count_of(pots, 'pot')}, "
         f"{count_of(len(plan.pour_rows), 'pour')}, "
         f"{count_of(plan.piece_numbers.total, 'piece')} of a pour)",
         f"there are {MOST_PIECES} three-digit codes: take fewer loads, pots or pieces, or plan "
         "two series", field="loads_pct", value=total)

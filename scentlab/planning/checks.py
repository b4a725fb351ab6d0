"""What is checked before a plan is laid out. Every refusal says what came and the remedy."""

import datetime as dt
import re

from scentlab.materials import Blend, Fragrance
from scentlab.planning.refusal import PlanError, count_of, need_above_zero, need_whole
from scentlab.schema import THROWS
from scentlab.text import kept, twins, unseen
from scentlab.units import say_temperature

MOST_PIECES = 900
_RENAME = "give one thing one name, or two things names that can be told apart"
HIGHEST_LOAD_PCT = 40.0


def check_title(title):
    """The title, a text of 1 to 120 characters."""
    if not isinstance(title, str) or not title.strip() or len(title) > 120:
        raise PlanError(
            f"the title is {title!r}", "give a text of 1 to 120 characters", field="title",
            value=title,
        )
    if unseen(title):
        raise PlanError(
            f"the title {title!r} holds {', '.join(unseen(title))}, which nobody can see",
            "type it anew", field="title", value=title,
        )
    return kept(title)


def check_fragrance(fragrance):
    """The fragrance, which must be a Fragrance."""
    if not isinstance(fragrance, Fragrance):
        raise PlanError(
            f"the fragrance is {fragrance!r}", "give a Fragrance, with its flash point",
            field="fragrance", value=fragrance,
        )
    return fragrance


def check_loads(loads_pct):
    """At least two different loads as floats, the lowest first."""
    if isinstance(loads_pct, (int, float, str)):
        raise PlanError(
            f"loads_pct is {loads_pct!r}", "give several loads, such as [4, 6, 8, 10]",
            field="loads_pct", value=loads_pct,
        )
    loads = tuple(
        need_above_zero(
            load, "a load", HIGHEST_LOAD_PCT, "g per 100 g of wax", field="loads_pct"
        )
        for load in loads_pct
    )
    if len(loads) < 2:
        raise PlanError(
            f"{count_of(len(loads), 'load')} came",
            "a series compares at least two loads, better five or six from well below to above "
            "the wax maker's limit", field="loads_pct", value=loads,
        )
    for load in sorted(loads):
        if loads.count(load) > 1:
            raise PlanError(
                f"the load {load:g} % of wax stands twice",
                "give each load once and ask for more pots or pieces to repeat it",
                field="loads_pct", value=load,
            )
    return tuple(sorted(loads))


def check_blends(blends):
    """At least one blend, each named once."""
    blends = (blends,) if isinstance(blends, Blend) else tuple(blends)
    if not blends:
        raise PlanError("no blend came", "give at least one Blend", field="blends")
    for blend in blends:
        if not isinstance(blend, Blend):
            raise PlanError(
                f"{blend!r} is no Blend", "make it with Blend(name, parts)", field="blends",
                value=blend,
            )
    for first, name in twins(b.name for b in blends):
        if first == name:
            raise PlanError(
                f"the blend {name} stands twice",
                "give each blend once and ask for more pots to repeat it", field="blends",
                value=name,
            )
        raise _differ_in_look("blends", repr(first), repr(name))
    waxes = dict.fromkeys(wax.name for blend in blends for wax, _ in blend.parts)
    for first, name in twins(waxes):
        raise _differ_in_look("waxes", repr(first), repr(name))
    return blends


def _differ_in_look(what, first, second):
    return PlanError(
        f"the {what} {first} and {second} differ only in look", _RENAME, field=what, value=second
    )


def check_date(start):
    """The first pour day as a date."""
    if isinstance(start, dt.datetime):
        return start.date()
    if isinstance(start, dt.date):
        return start
    try:
        return dt.date.fromisoformat(start)
    except (TypeError, ValueError):
        raise PlanError(
            f"start is {start!r}", "give a date as year-month-day, such as 2026-12-01",
            field="start", value=start,
        ) from None


def check_assessors(assessors, pieces):
    """Codes of the panel, never names; somebody where there are throw pieces."""
    if isinstance(assessors, int) and not isinstance(assessors, bool):
        assessors = [f"A{i + 1}" for i in range(need_whole(assessors, "assessors", 0, 999))]
    if isinstance(assessors, str):
        assessors = [assessors]
    codes = tuple(assessors)
    for first, code in twins(map(str, codes)):
        if first != code:
            raise _differ_in_look("assessors", first, code)
    for code in codes:
        if not re.fullmatch(THROWS["assessor"].pattern, str(code)):
            raise PlanError(
                f"the assessor {code!r} is no code",
                "use a letter and a number, such as A1, never a name", field="assessors",
                value=code,
            )
        if codes.count(code) > 1:
            raise PlanError(
                f"the assessor {code} stands twice", "give each assessor once",
                field="assessors", value=code,
            )
    if pieces.throw and not codes:
        raise PlanError(
            f"{pieces.throw} throw pieces of each pour and no assessor to smell them",
            "name assessors, such as A1, or set throw=0", field="assessors", value=codes,
        )
    return codes


def _check_works_with(plan):
    for code in plan.works_with_fragrance:
        if code not in plan.assessors:
            raise PlanError(
                f"works_with_fragrance names {code!r}, who is not among the assessors "
                f"{', '.join(plan.assessors) or '(none)'}",
                "name assessors of this plan", field="works_with_fragrance", value=code,
            )


def _check_heat_cycle(plan):
    if plan.piece_numbers.sweat_heat and plan.heat_cycle.cycles > plan.cure_days.sweat_heat:
        raise PlanError(
            f"{plan.heat_cycle.cycles} heat cycles, one a day, do not fit before a look "
            f"{plan.cure_days.sweat_heat} days after pouring",
            "take fewer cycles or a later look (sweat_heat of the cure days)",
            field="cycles", value=plan.heat_cycle.cycles,
        )
    for blend in plan.blends:
        if plan.piece_numbers.sweat_heat and blend.melt_temp_c is not None:
            if plan.heat_cycle.temp_c >= blend.melt_temp_c:
                raise PlanError(
                    f"the heat cycle at {say_temperature(plan.heat_cycle.temp_c)} melts blend "
                    f"{blend.name} (melts at {say_temperature(blend.melt_temp_c)})",
                    "choose a temperature at least 10 °C below the melting point",
                    field="temp_c", value=plan.heat_cycle.temp_c,
                )


def check_extra_pots(extra_pots, blends):
    """Names of blends of the plan."""
    names = [b.name for b in blends]
    extra = (extra_pots,) if isinstance(extra_pots, str) else tuple(extra_pots)
    for name in extra:
        if name not in names:
            raise PlanError(
                f"an extra pot is asked of {name!r}, which is not among the blends "
                f"{', '.join(names)}",
                "name a blend of this plan", field="extra_pots", value=name,
            )
    return extra


def check_extra_pours(extra_pours, blends):
    """Pairs of a blend of the plan and a load."""
    names = [b.name for b in blends]
    pairs = []
    for pair in extra_pours:
        if isinstance(pair, str) or len(tuple(pair)) != 2 or tuple(pair)[0] not in names:
            raise PlanError(
                f"an extra pour is {pair!r}",
                f"give the name of a blend of this plan ({', '.join(names)}) and a load",
                field="extra_pours", value=pair,
            )
        name, load = pair
        pairs.append((name, need_above_zero(load, "the load of an extra pour", HIGHEST_LOAD_PCT,
                                            "g per 100 g of wax", field="extra_pours")))
    return tuple(pairs)


def check_whole(plan):
    """What only the parts together can get wrong."""
    _check_works_with(plan)
    _check_heat_cycle(plan)


def check_number_of_pieces(plan):
    """No more pieces than there are three-digit codes."""
    total = sum(p.pieces for p in plan.pour_rows)
    if total > MOST_PIECES:
        pots = len({p.pot for p in plan.pour_rows})
        raise PlanError(
            f"{total} pieces came ({count_of(len(plan.blends), 'blend')}, {count_of(pots, 'pot')}, "
            f"{count_of(len(plan.pour_rows), 'pour')}, "
            f"{count_of(plan.piece_numbers.total, 'piece')} of a pour)",
            f"there are {MOST_PIECES} three-digit codes: take fewer loads, pots or pieces, "
            "or plan two series", field="loads_pct", value=total,
        )

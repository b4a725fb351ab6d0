"""What a plan takes: pours, wax, fragrance, days, money and the hours of its sessions."""

from scentlab.planning.diary import busy_days
from scentlab.planning.panel import session_minutes
from scentlab.planning.refusal import count_of
from scentlab.planning.shopping import shopping_list
from scentlab.schema import THROW_WORDS
from scentlab.units import say_load_oz, say_weight


def plan_costs(plan):
    """What a plan takes, as a dict: wax_g and fragrance_g to buy, with the spare; days from the
    first pour to the last look or sitting, without reserve pieces; evenings with work; money,
    missing when a price is; session_hours by the clock, until the last piece is smelt, panel_hours
    of all testers together.
    """
    buy, sessions = shopping_list(plan), session_minutes(plan).values()
    grams, days = buy.groupby("kind")["buy_g"].sum(), busy_days(plan)
    return {
        "pours": len(plan.pour_rows),
        "pots": len({p.pot for p in plan.pour_rows}),
        "pieces": len(plan.piece_rows),
        "wax_g": float(grams["wax"]),
        "fragrance_g": float(grams["fragrance"]),
        "days": (days[-1] - days[0]).days + 1,
        "evenings": len(days),
        "money": float(buy["cost"].sum(skipna=False)),
        "sessions": len(sessions),
        "session_hours": sum(minutes for minutes, _ in sessions) / 60.0,
        "panel_hours": sum(minutes * testers for minutes, testers in sessions) / 60.0,
    }


def materials_words(costs, currency):
    """What is to be bought by :func:`plan_costs`, and for how much where the prices are known."""
    money = costs["money"]
    return (f"{say_weight(costs['wax_g'], total=True)} of wax and "
            f"{say_weight(costs['fragrance_g'], total=True)} of fragrance, with spare"
            + (f", about {money:.2f} {currency or 'in your currency'}" if money == money else ""))


def plan_takes(plan):
    """What a plan is and takes, in four parts: batches, materials, throw, days."""
    costs, loads = plan_costs(plan), [say_load_oz(x) for x in plan.loads_pct]
    days = [f"{day}" for day in sorted({p.poured_on for p in plan.pour_rows})]
    when = days[0] if len(days) == 1 else f"{len(days)} days from {days[0]} to {days[-1]}"
    kinds = " and ".join(THROW_WORDS[kind] for kind in plan.sittings.kinds)
    return (
        f"{count_of(len(plan.blends), 'blend')} in {count_of(costs['pots'], 'pot')}, "
        f"{count_of(len(loads), 'load')} from {loads[0]} to {loads[-1]}: "
        f"{count_of(costs['pours'], 'test batch')} and {count_of(costs['pieces'], 'piece')} of "
        f"{say_weight(plan.piece_g)}",
        materials_words(costs, plan.currency),
        f"{kinds} throw in {count_of(costs['sessions'], 'session')}, "
        f"{costs['session_hours']:.1f} h by the clock" if plan.smelling_rows else "no throw",
        f"poured on {when}, {count_of(costs['evenings'], 'evening')} over {costs['days']} days")

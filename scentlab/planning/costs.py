"""What a plan takes: pours, wax, fragrance, days, money and the hours of its sessions."""

from scentlab.planning.diary import later_looks
from scentlab.planning.panel import session_minutes
from scentlab.planning.shopping import shopping_list


def plan_costs(plan):
    """What a plan takes, as a dict: wax_g and fragrance_g to buy, with the spare; days from the
    first pour to the last look or sitting, without reserve pieces; money, missing when a price is;
    session_hours by the clock, until the last piece is smelt, panel_hours of all testers together.
    """
    buy, sessions = shopping_list(plan), session_minutes(plan).values()
    grams, days = buy.groupby("kind")["buy_g"].sum(), [p.poured_on for p in plan.pour_rows]
    later = [p.due_on for p in plan.piece_rows if p.test != "reserve"]
    later += [day for day, _, _ in later_looks(plan)]
    later += [s.sitting_on for s in plan.smelling_rows]
    return {
        "pours": len(plan.pour_rows),
        "pots": len({p.pot for p in plan.pour_rows}),
        "pieces": len(plan.piece_rows),
        "wax_g": float(grams["wax"]),
        "fragrance_g": float(grams["fragrance"]),
        "days": (max(days + later) - min(days)).days + 1,
        "money": float(buy["cost"].sum(skipna=False)),
        "sessions": len(sessions),
        "session_hours": sum(minutes for minutes, _ in sessions) / 60.0,
        "panel_hours": sum(minutes * testers for minutes, testers in sessions) / 60.0,
    }

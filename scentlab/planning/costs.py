"""What a plan takes: pours, wax, fragrance, days, money and the panel's hours."""

from scentlab.planning.refusal import need_above_zero
from scentlab.planning.shopping import shopping_list


def plan_costs(plan, minutes_a_smelling=5.0):
    """What a plan takes, as a dict.

    Parameters
    ----------
    plan : Plan
    minutes_a_smelling : minutes of an assessor for one piece.

    Returns
    -------
    dict with pours, pots, pieces, wax_g and fragrance_g (to buy, with the spare), days (from the
    first pour to the last look or sitting, reserve pieces not counted), money (in the plan's
    currency; missing when a price is) and panel_hours (all assessors together).
    """
    need_above_zero(minutes_a_smelling, "minutes_a_smelling", 240, "minutes")
    buy = shopping_list(plan)
    grams = buy.groupby("kind")["buy_g"].sum()
    looks = [p.due_on for p in plan.piece_rows if p.test != "reserve"]
    last = max([p.poured_on for p in plan.pour_rows] + looks
               + [s.sitting_on for s in plan.smelling_rows])
    return {
        "pours": len(plan.pour_rows),
        "pots": len({p.pot for p in plan.pour_rows}),
        "pieces": len(plan.piece_rows),
        "wax_g": float(grams["wax"]),
        "fragrance_g": float(grams["fragrance"]),
        "days": (last - min(p.poured_on for p in plan.pour_rows)).days + 1,
        "money": float(buy["cost"].sum(skipna=False)),
        "panel_hours": len(plan.smelling_rows) * minutes_a_smelling / 60.0,
    }

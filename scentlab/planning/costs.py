"""What a plan takes: pours, wax, fragrance, days, money and the panel's hours."""

from scentlab.planning.shopping import shopping_list

MINUTES_A_SMELLING = 5.0  # of an assessor for one piece; this project's own choice


def plan_costs(plan):
    """What a plan takes, as a dict.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    dict with pours, pots, pieces, wax_g and fragrance_g (to buy, with the spare), days (from the
    first pour to the last look or sitting, reserve pieces not counted), money (in the plan's
    currency; missing when a price is) and panel_hours (all assessors together, 5 minutes a piece).

    >>> from scentlab.workshop import demo_plan
    >>> from scentlab.planning.plan import Plan
    >>> plan_costs(Plan.from_dict(demo_plan()))["pots"]
    6
    """
    buy = shopping_list(plan)
    grams, days = buy.groupby("kind")["buy_g"].sum(), [p.poured_on for p in plan.pour_rows]
    later = [p.due_on for p in plan.piece_rows if p.test != "reserve"]
    later += [s.sitting_on for s in plan.smelling_rows]
    return {
        "pours": len(plan.pour_rows),
        "pots": len({p.pot for p in plan.pour_rows}),
        "pieces": len(plan.piece_rows),
        "wax_g": float(grams["wax"]),
        "fragrance_g": float(grams["fragrance"]),
        "days": (max(days + later) - min(days)).days + 1,
        "money": float(buy["cost"].sum(skipna=False)),
        "panel_hours": len(plan.smelling_rows) * MINUTES_A_SMELLING / 60.0,
    }

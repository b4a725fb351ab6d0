"""What a plan takes: wax and fragrance with the spare, and what they cost."""

import math

import pandas as pd


def shopping_list(plan):
    """One row per wax and fragrance.

    Columns: kind, item, lot, needed_g (what the pours take), buy_g (with the spare, whole grams),
    price_per_kg and cost in the plan's currency (missing where no price is known).
    """
    rows = [_wax_row(plan, wax) for wax in _waxes(plan)]
    needed = sum(p.fragrance_g for p in plan.pour_rows)
    buy = math.ceil(round(needed * (1 + plan.pouring.spare_pct / 100), 6))
    rows.append(_row("fragrance", plan.fragrance, needed, buy))
    return pd.DataFrame(rows)


def busiest_day(plan):
    """Most pieces cast and most pours on one pour day, as (pieces, pours)."""
    days = plan.pours.groupby("pour_day")
    return int(days["pieces"].sum().max()), int(days.size().max())


def _waxes(plan):
    return list({w.name: w for blend in plan.blends for w, _ in blend.parts}.values())


def _wax_row(plan, wax):
    needed = sum(
        p.wax_g * plan.blend(p.blend).fractions.get(wax.name, 0.0) for p in plan.pour_rows
    )
    pots = dict.fromkeys(p.pot for p in plan.pour_rows)
    return _row("wax", wax, needed, sum(plan.melt(pot).get(wax.name, 0) for pot in pots))


def _row(kind, material, needed_g, buy_g):
    price = material.price_per_kg
    return {
        "kind": kind, "item": material.name, "lot": material.lot, "needed_g": float(needed_g),
        "buy_g": int(buy_g), "price_per_kg": float("nan") if price is None else float(price),
        "cost": float("nan") if price is None else buy_g * price / 1000,
    }

"""What a plan takes: wax and fragrance with the spare, and what they cost."""

from collections import Counter

import pandas as pd

from scentlab.planning.weights import to_buy
from scentlab.units import say_one_weight, say_temperature


def shopping_list(plan):
    """One row per wax and fragrance: needed_g (what the pours take), buy_g (with the spare, whole
    steps), price_per_kg and cost in the plan's currency (missing where no price is known)."""
    grams, melted = Counter(), Counter()
    for pour in plan.pour_rows:
        grams.update({wax: pour.wax_g * share
                      for wax, share in plan.blend(pour.blend).fractions.items()})
    for pot in dict.fromkeys(p.pot for p in plan.pour_rows):
        melted.update(plan.melt(pot))
    waxes = {w.name: w for blend in plan.blends for w, _ in blend.parts}
    rows = [("wax", name, w.lot, float(grams[name]), melted[name], w.price_per_kg)
            for name, w in waxes.items()]
    needed, fragrance = sum(p.fragrance_g for p in plan.pour_rows), plan.fragrance
    buy = to_buy(needed * (1 + plan.pouring.spare_pct / 100), plan.pouring.scale)
    rows.append(("fragrance", fragrance.name, fragrance.lot, needed, buy, fragrance.price_per_kg))
    frame = pd.DataFrame(rows, columns=["kind", "item", "lot", "needed_g", "buy_g", "price_per_kg"])
    frame["price_per_kg"] = frame["price_per_kg"].astype(float)
    return frame.assign(cost=frame["buy_g"] * frame["price_per_kg"] / 1000)


def said_weights(grams, total=False):
    """Weights as a list of texts for a table, without a decimal that is 0."""
    return [say_one_weight(each, total=total).replace(".0 g", " g") for each in grams]


def pots_table(plan):
    """The pots in the order of pouring, in words: what to weigh and to melt, and how warm."""
    pots = plan.pots.drop(columns="pour_day")
    for name in ("wax_g", "fragrance_g", "melt_g"):
        pots[name] = said_weights(pots[name])
    for name in ("add_temp_c", "pour_temp_c", "max_temp_c"):
        known = {blend.name: getattr(blend, name) for blend in plan.blends}
        pots[name] = [say_temperature(known[b]) if known[b] else "?" for b in pots["blend"]]
    pots.columns = ["pot", "blend", "poured on", "test batches", "wax to weigh",
                    "fragrance to weigh", "wax to melt, with spare", "add at", "pour at",
                    "never over"]
    return pots.set_index("pot")


def most_cast(plan):
    return int(plan.pours.groupby("pour_day")["pieces"].sum().max())

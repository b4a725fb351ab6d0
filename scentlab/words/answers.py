"""What an analysis says beside its numbers: order of the blends, notes, how it was done.

The same words are in the report, in the terminal and in the supplier's summary.
"""

import pandas as pd

from scentlab.choosing.ceiling import DRY, OPEN_ABOVE
from scentlab.choosing.ranking import order_words
from scentlab.choosing.rests import stress_words
from scentlab.choosing.saving import saving_words
from scentlab.choosing.so_far import recommended_by_maker
from scentlab.materials import say_lot
from scentlab.results import say_odds, say_percent
from scentlab.text import capital
from scentlab.units import in_maker_units, load_from_content, say_load_oz
from scentlab.words import (
    MISSING,
    THROW_WORDS,
    count,
    is_missing,
    say_both,
    say_loads,
    say_number,
    say_range,
    say_share,
)

_RECORDED = (
    ("pours", "add_temp_c", "fragrance added at {} °C"), ("pours", "stir_min", "stirred {} min"),
    ("pours", "pour_temp_c", "poured at {} °C"), ("pours", "room_temp_c", "room at {} °C"),
    ("sweat", "age_days", "pieces inspected at an age of {} days"),
)


def ranking_words(analysis):
    """The rule by which the blends are ranked, and what it could not weigh; "" for one blend."""
    picked = _picked(analysis)
    if len(picked) < 2:
        return ""
    frost, cost = (picked[c].notna().any() for c in ("frost_risk", "cost_per_piece"))
    ties = ", then ".join(["less frost"] * bool(frost) + ["lower cost"] * bool(cost))
    if picked["throw"].notna().any():
        rule = f"Strongest {THROW_WORDS[analysis.rules.throw_kind]} throw first"
        rule += f"; ties go to {ties}" if ties else ""
    else:
        rule = f"Ranked by {ties}" if ties else "In no order: nothing sets the blends apart"
    return f"{rule}.{_not_weighed(analysis, picked, frost, cost)}"


def _not_weighed(analysis, picked, frost, cost):
    """What the ranking leaves out, with the reason, as sentences that follow the rule."""
    words = []
    if not picked["throw"].notna().any():
        words.append("throw (there is no fit of it)")
    if not frost:
        words.append("frost (there is no fit of it)" if analysis.frost is None else
                     "frost (not known at that age and load)")
    if not cost:
        words.append("cost (prices are missing or not shared)")
    said = f" Not weighed: {'; '.join(words)}." if words else ""
    if cost and picked["cost_per_piece"].isna().any():
        without = picked.loc[picked["cost_per_piece"].isna(), "blend"]
        said += f" Without a known cost, and so after the others: {', '.join(without)}."
    return said


def ranked_words(analysis):
    """The blends in order with their loads; "" when fewer than two have one."""
    picked = _picked(analysis)
    return "" if len(picked) < 2 else "; ".join(
        f"{place}. {row.blend} at {say_load_oz(row.load_pct)}"
        for place, row in enumerate(picked.itertuples(), start=1)
    )


def ranking_sentences(analysis):
    """How the blends are ranked and what of the order is not settled."""
    return [w for w in (ranking_words(analysis), *order_words(analysis.pick)) if w]


def pick_notes(analysis):
    """What bears on the answer, each once: notes of the pick and of the fits behind it."""
    results = (analysis.pick, analysis.ceiling, analysis.sweat)
    every = list(dict.fromkeys(n for r in results if r is not None for n in r.notes))
    # A note that another one begins with and goes on from is said by that one.
    return tuple(
        n for n in every if not any(o != n and o.startswith(n.rstrip(".")) for o in every)
    )


def _picked(analysis):
    table = analysis.pick.table
    return table[table["load_pct"].notna()]


# ---- the first page ----------------------------------------------------------------------------


def headline(analysis):
    """The answer in figures, as the first page shows it; None without a load.

    Returns
    -------
    dict of blend, load (:class:`Loads`), warning, and facts: pairs of a name and its parts, words
    and loads.
    """
    best = analysis.pick.table.iloc[0]
    if is_missing(best["load_pct"]):
        return None
    rests = analysis.rests
    return {
        "blend": best["blend"],
        "load": say_loads(best["load_pct"]),
        "warning": "" if rests is None else rests.headline(best["blend"]),
        "facts": list(_facts(analysis, best)),
    }


def _facts(analysis, best):
    rules, series, blend = analysis.rules, analysis.series, best["blend"]
    state = analysis.ceiling.of(blend)["state"]
    yield "Highest safe load", ("at least " if state in (OPEN_ABOVE, DRY) else "",
                                say_loads(best["ceiling_load_pct"]))
    usual = recommended_by_maker(series, blend)
    yield "Wax maker", (
        "maximum ", say_loads(best["limit_load_pct"]), ", recommended ",
        "not recorded" if usual is None else say_loads(usual))
    if is_missing(best["throw"]):
        yield "Why this load", (f"{best['reason']}.",)
    else:
        kept = say_number(best["throw"], 1), _say_limits(best, "throw", lambda v: f"{v:.1f}")
        yield (f"{THROW_WORDS[rules.throw_kind].capitalize()} throw kept",
               (f"{kept[0]} of 10 ({kept[1]}). {best['reason'].split('. ')[0]}.",))
    yield "Sweat risk", (
        f"{say_share(best['sweat_risk'])} ({_say_limits(best, 'sweat', say_share)}), "
        f"{storage_words(analysis)}; {say_odds(best['p_over'], best['least_told'])} of more than "
        f"{say_percent(rules.risk)}",)
    today = rules.today_of(blend)
    if today is not None:
        words = saving_words(best["saving_per_1000"], today, series.currency)
        yield "Cost of wax and fragrance", (f"{capital(words)}.",)
    yield "Rests on", (_rests_on(analysis, best),)


def _say_limits(row, name, say):
    return say_range(row[f"{name}_lower"], row[f"{name}_upper"], say)


def _rests_on(analysis, best):
    """The pieces that decide up to the load, until when they were seen, pots and lots."""
    said = (f"{int(best['stressed_wet']) or 'none'} of {int(best['stressed_below'])} such pieces "
            "sweated up to this load")
    if analysis.rests is not None:
        found = analysis.rests.of(best["blend"]).set_index("name")["value"]
        age, lots = found["oldest inspection"], found["lots"]
        said += (f" {'by ' if age.startswith('day') else '('}{age}"
                 f"{'' if age.startswith('day') else ')'}; {count(int(found['pots']), 'pot')}, "
                 f"{'lots ' if lots == 'not recorded' else ''}{lots}")
    return f"{capital(said)}."


def regulatory_limit(blends, blend):
    """The fragrance's limit in both bases; a dash when none is known."""
    content = blends.loc[blends["blend"] == blend, "limit_content_pct"]
    if content.empty or is_missing(content.iloc[0]):
        return MISSING
    if float(content.iloc[0]) >= 100:
        return "none below 100 % of total"
    return say_both(load_from_content(float(content.iloc[0])))


def storage_words(analysis):
    """How the pieces that decide were kept, with the heat cycle where the plan has one."""
    return stress_words(analysis.ceiling.stress, analysis.series.plan)


# ---- how it was done ---------------------------------------------------------------------------


def difference_sentence(pours):
    """How far the weighed loads lie from the planned ones, in a sentence."""
    both = pours[["pour", "load_pct", "planned_load_pct"]].copy()
    both["planned_load_pct"] = pd.to_numeric(both["planned_load_pct"])
    both = both.dropna()
    if both.empty:
        return "No planned loads are on record, so poured and planned cannot be compared."
    gap = both["load_pct"] - both["planned_load_pct"]
    worst = gap.abs().idxmax()
    return (
        f"Planned and weighed in {len(both)} test batches: weighed minus planned is "
        f"{gap.mean():+.2f} points of load (% of wax) on average. The farthest is "
        f"{both.at[worst, 'pour']} with "
        f"{gap[worst]:+.2f} points."
    )


def tested_facts(series):
    """What was tested, as pairs of name and words: materials with their lots and limits."""
    plan = series.plan or {}
    about = plan.get("fragrance") or {}
    yield "Fragrance", _with_lot(series.fragrance or "not on record", about.get("lot"))
    lots = {part["wax"]["name"]: part["wax"].get("lot")
            for blend in plan.get("blends", ()) for part in blend["parts"]}
    if lots:
        yield "Waxes", "; ".join(_with_lot(name, lot) for name, lot in lots.items())
    for row in series.blends.to_dict("records"):
        limit = say_both(row["limit_load_pct"])
        known = "no limit known" if limit == MISSING else f"wax maker's limit {limit}"
        made_of = "" if is_missing(row["composition"]) else f"{row['composition']}; "
        yield row["blend"], made_of + known


def _with_lot(name, lot):
    """A material with its lot, or without a word of it where none is on record."""
    return f"{name}, {say_lot(lot)}" if lot and lot.strip() else name


def method_sentences(series):
    """How it was done, as sentences with the numbers that were recorded."""
    pours, sweat = series.pours, series.sweat()
    loads = pours["load_pct"]
    yield (
        f"{count(pours['pot'].nunique(), 'pot')}, {len(pours)} test batches from "
        f"{say_both(loads.min())} to {say_both(loads.max())}. "
        f"{count(sweat['code'].nunique(), 'piece')} inspected for sweat by blind code."
    )
    yield difference_sentence(pours)
    frames = {"pours": pours, "sweat": sweat}
    words = ", ".join(filter(None, (_span(frames[f][c], w) for f, c, w in _RECORDED)))
    if words:
        yield f"{in_maker_units(capital(words))}."
    yield f"Graded by {count(sweat['assessor'].dropna().nunique(), 'tester')}."


def _span(values, words):
    """The range of a recorded column in words; nothing when it was not recorded."""
    values = values.dropna()
    if values.empty:
        return ""
    low, high = f"{values.min():g}", f"{values.max():g}"
    return words.format(low if low == high else f"{low} to {high}")

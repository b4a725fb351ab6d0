"""Why the pick is as it is: the order of the blends, what is not settled, what bears on it.

The same words stand in the report, in the terminal and in the supplier's summary.
"""

from scentlab.choosing.rules import THROW_WORDS
from scentlab.units import say_load_oz


def ranking_words(analysis):
    """The rule by which the blends are ranked, and what it could not weigh; "" for one blend."""
    picked = _picked(analysis)
    if len(picked) < 2:
        return ""
    kind = THROW_WORDS[analysis.rules.throw_kind]
    frost = picked["frost_risk"].notna().any()
    cost = picked["cost_per_piece"].notna().any()
    keys = ["less frost"] * bool(frost) + ["lower cost"] * bool(cost)
    if picked["throw"].notna().any():
        rule = f"Strongest {kind} throw first"
        rule += f"; ties go to {', then '.join(keys)}" if keys else ""
    else:
        rule = f"Ranked by {', then '.join(keys)}" if keys else (
            "Ranked in no order, for nothing tells the blends apart"
        )
    return f"{rule}.{_not_weighed(analysis, picked, frost, cost)}"


def _not_weighed(analysis, picked, frost, cost):
    """What the ranking leaves out, with the reason, as sentences that follow the rule."""
    words = []
    if not picked["throw"].notna().any():
        words.append("throw (there is no fit of it)")
    if not frost:
        known = analysis.frost is not None
        words.append("frost (not known at that age and load)" if known else
                     "frost (there is no fit of it)")
    if not cost:
        words.append("cost (prices are missing or not shared)")
    said = f" Not weighed: {'; '.join(words)}." if words else ""
    if cost and picked["cost_per_piece"].isna().any():
        without = picked.loc[picked["cost_per_piece"].isna(), "blend"]
        said += f" Without a known cost, and so after the others: {', '.join(without)}."
    return said


def ranked_words(analysis):
    """The blends in order with their picks; "" when fewer than two have one."""
    picked = _picked(analysis)
    if len(picked) < 2:
        return ""
    return "; ".join(
        f"{place}. {row.blend} at {say_load_oz(row.load_pct)}"
        for place, row in enumerate(picked.itertuples(), start=1)
    )


def pick_notes(analysis):
    """What bears on the pick, each once: of the pick, the ceiling and the fit they rest on."""
    joint = () if analysis.joint is None else analysis.joint.notes
    every = [*analysis.pick.notes, *analysis.ceiling.notes, *analysis.sweat.notes, *joint,
             *analysis.believed.notes]
    every = list(dict.fromkeys(every))
    # A note that another one begins with and goes on from is said by that one.
    return tuple(
        n for n in every if not any(o != n and o.startswith(n.rstrip(".")) for o in every)
    )


def _picked(analysis):
    table = analysis.pick.table
    return table[table["load_pct"].notna()]

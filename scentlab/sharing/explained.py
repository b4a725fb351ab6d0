"""Why the pick is as it is: the order of the blends, what is not settled, what bears on it.

The same words stand in the report, in the terminal and in the supplier's summary.
"""

from itertools import pairwise

import numpy as np

from scentlab.fitting.throw import throw_draws
from scentlab.units import say_load


def ranking_words(analysis):
    """The rule by which the blends are ranked, and what it could not weigh; "" for one blend."""
    picked = _picked(analysis)
    if len(picked) < 2:
        return ""
    kind = analysis.rules.throw_kind
    frost = picked["frost_risk"].notna().any()
    cost = picked["cost_per_piece"].notna().any()
    keys = ["the lower risk of frost, in steps of 5 %"] if frost else []
    keys += ["the lower cost of a piece"] if cost else []
    if picked["throw"].notna().any():
        after = ", then ".join([*keys, "the stronger throw"])
        rule = (
            f"the strongest {kind} throw at its pick comes first; blends whose throw the scores "
            f"cannot tell from it stand with it, by {after}; then the same among the rest"
        )
    else:
        rule = "by " + ", then ".join(keys) if keys else "in no order, for nothing tells them apart"
    return f"How the blends are ranked: {rule}.{_not_weighed(analysis, picked, frost, cost)}"


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
    """The blends in order with their picks in both bases; "" when fewer than two have one."""
    picked = _picked(analysis)
    if len(picked) < 2:
        return ""
    return "; ".join(
        f"{place}. {row.blend} at {say_load(row.load_pct)}"
        for place, row in enumerate(picked.itertuples(), start=1)
    )


def order_words(analysis):
    """For each two blends that follow each other: whether their order by throw is settled.

    An interval of throw also holds what all blends share, such as how the panel uses the scale, so
    the difference of two blends is the test, as in the ranking itself. Nothing is said of blends
    whose intervals lie apart.
    """
    rows = [row for _, row in _picked(analysis).iterrows()]
    if analysis.throw is None:
        return ("The order of the blends by throw is not settled.",) if len(rows) > 1 else ()
    words = [_order_of_two(analysis.throw, *two) for two in pairwise(rows)]
    return tuple(w for w in words if w)


def _order_of_two(fit, first, second):
    blends = first["blend"], second["blend"]
    names = f"The order of {blends[0]} and {blends[1]}"
    if not set(blends) <= set(fit.blends):
        return f"{names} by throw is not settled: not both were scored."
    apart = (
        throw_draws(fit, blends[0], [first["load_pct"]])[:, 0]
        - throw_draws(fit, blends[1], [second["load_pct"]])[:, 0]
    )
    # As shown: an end that reads as 0 settles nothing.
    lower, upper = np.round(np.quantile(apart, [0.05, 0.95]), 1)
    found = (
        f"difference of throw {_signed(apart.mean())} points, 90 % interval {_signed(lower)} to "
        f"{_signed(upper)}"
    )
    if lower <= 0 <= upper:
        return f"{names} is not settled by these scores ({found})."
    if upper < 0:
        return f"{blends[1]} throws more than {blends[0]} and follows it by the rule ({found})."
    if first["throw_lower"] <= second["throw_upper"]:
        return f"{names} is settled by these scores, though their intervals overlap ({found})."
    return ""


def _signed(value):
    """One decimal with its sign; a small one is no minus zero."""
    return f"{round(float(value), 1) + 0.0:+.1f}"


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

"""Pieces as sold against plain ones of the same pots and loads: the exact test for few pieces.

With a handful of pieces no model says more than their counts. Pots and loads are strata; given how
many pieces of each stratum sweated, how many of them are as sold follows a hypergeometric law if
the finish changes nothing (Fisher 1935; over strata Gart 1970), whatever the pots are like.
"""

import numpy as np
import pandas as pd
from scipy import stats

from scentlab.choosing.ceiling import NEAR_PCT
from scentlab.fitting.looks import planned_loads, settle_looks
from scentlab.maths.intervals import binomial_limits
from scentlab.results import say_odds, say_percent
from scentlab.series import stress_words
from scentlab.text import in_sentences
from scentlab.units import say_percent_of_wax

LEVEL = 0.05  # of the test, for either side


def _words(blend, kept, table, more, less):
    """What pieces as sold showed beside plain ones, and whether the finish changes anything."""
    sold, wet, loads = table["as_sold"].sum(), table["as_sold_sweated"].sum(), table["load_pct"]
    could = 100.0 * binomial_limits(wet, int(sold), 0.9)[1]
    said = (f"whether the finish changes anything is too close to call: {say_odds(more, 0.001)} "
            "that chance alone gives as many or more")
    if min(more, less) < LEVEL:
        how = "sweat more" if more < LEVEL else "sweated less"
        said = (f"pieces as sold {how}: {say_odds(min(more, less), 0.001)} that chance alone gives "
                "such a gap")
    return in_sentences([
        f"Pieces of {blend} as sold, {kept}, at "
        f"{', '.join(sorted({say_percent_of_wax(x) for x in loads}))}: {wet} of {sold} sweated; "
        f"plain ones of the same pots: {table['plain_sweated'].sum()} of {table['plain'].sum()}",
        said, f"up to {could:.0f} % of pieces as sold could sweat, by these pieces alone "
        f"({say_percent(0.95)} sure)"])


def compare_finish(series, rules, blend, stress):
    """Whether pieces as sold sweat more than plain ones of the same pot and load, in a few
    sentences; empty where no pot has graded pieces of both at one load."""
    sold = series.apart
    if sold is None:
        return ""
    pours = set(sold.pours.loc[sold.pours["finish"] == "as sold", "pour"])
    looks = pd.concat([series.sweat(), sold.sweat()], ignore_index=True)
    looks = looks[(looks["blend"] == blend) & looks["pour"].isin([*series.pours["pour"], *pours])]
    if looks[["grade", "load_pct"]].isna().any(axis=1).all():
        return ""
    looks, _ = settle_looks(looks, "sweat")
    table = pd.DataFrame(_strata(looks[looks["stress"] == stress], pours, rules.limit_grade))
    if table.empty:
        return ""
    more, less = exact_chances(*(table[c].to_numpy(int) for c in (
        "as_sold_sweated", "as_sold", "plain_sweated", "plain")))
    return _words(blend, stress_words(stress, series.plan), table, more, less)


def _strata(looks, sold, limit_grade):
    """One row per pot and load with pieces of both kinds."""
    for pot, own in looks.groupby("pot", sort=True):
        for loads in planned_loads(own["load_pct"], NEAR_PCT):
            here = own[own["load_pct"].between(loads[0], loads[-1])]
            finished, wet = here["pour"].isin(sold), here["grade"].astype(int) >= limit_grade
            if finished.any() and not finished.all():
                yield {
                    "pot": pot, "load_pct": float(np.mean(loads)), "plain": int((~finished).sum()),
                    "plain_sweated": int((wet & ~finished).sum()), "as_sold": int(finished.sum()),
                    "as_sold_sweated": int((wet & finished).sum()),
                }


def exact_chances(wet, pieces, other_wet, other_pieces):
    """Chances of so many hits or more, and of so many or fewer, if both kinds are alike: sums of
    hypergeometric counts, conditional on the margins of each stratum."""
    law = np.ones(1)
    for k, n, j, m in zip(wet, pieces, other_wet, other_pieces, strict=True):
        law = np.convolve(law, stats.hypergeom.pmf(np.arange(n + 1), n + m, k + j, n))
    total = int(np.sum(wet))
    return float(law[total:].sum()), float(law[: total + 1].sum())

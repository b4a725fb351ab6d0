"""Pieces as sold, and against plain ones of the same pots and loads: the exact test for few pieces.

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
from scentlab.text import count_of, in_sentences
from scentlab.units import say_load_oz, say_percent_of_wax

LEVEL = 0.05  # of the test, for either side


def _words(table, more, less):
    """Whether the finish changes anything."""
    beside = f"{table['plain_sweated'].sum()} of {table['plain'].sum()}"
    said = (f"whether the finish matters is too close to call: {say_odds(more, 0.001)} that chance "
            "alone gives as many or more")
    if min(more, less) < LEVEL:
        how = "sweated more" if more < LEVEL else "sweated less"
        said = (f"pieces as sold {how}: {say_odds(min(more, less), 0.001)} that chance alone gives "
                "such a gap")
    return f"plain ones from the same pots: {beside}", said


def compare_finish(series, rules, blend, stress):
    """How many pieces as sold sweated, and whether more than plain ones of the same pot and load,
    where there are any, in a few sentences; empty where none is graded."""
    sold = graded_as_sold(series, blend)
    if sold.empty:
        return ""
    own = series.sweat()
    own = own[(own["blend"] == blend) & own["grade"].notna() & own["load_pct"].notna()]
    looks, _ = settle_looks(pd.concat([own, sold], ignore_index=True), "sweat")
    pours = set(sold["pour"])
    table = pd.DataFrame(_strata(looks[looks["stress"] == stress], pours, rules.limit_grade))
    if table.empty:
        beside = ("there are no plain pieces from the same pots",
                  "whether the finish matters is open")
        stress = stress if stress in set(sold["stress"]) else sold["stress"].iloc[0]
        sold = sold[sold["stress"] == stress]
        pieces, wet, loads = len(sold), (sold["grade"] >= rules.limit_grade).sum(), sold["load_pct"]
    else:
        beside = _words(table, *exact_chances(*(table[c].to_numpy(int) for c in (
            "as_sold_sweated", "as_sold", "plain_sweated", "plain"))))
        pieces, wet, loads = (table[c] for c in ("as_sold", "as_sold_sweated", "load_pct"))
        pieces, wet = pieces.sum(), wet.sum()
    could = 100.0 * binomial_limits(wet, int(pieces), 0.9)[1]
    at = ", ".join(sorted({say_percent_of_wax(x) for x in loads}))
    return in_sentences([
        f"Pieces of {blend} as sold, {stress_words(stress, series.plan)}, at {at}: {wet} of "
        f"{pieces} sweated; {beside[0]}", beside[1],
        f"up to {could:.0f} % of pieces as sold could sweat, going by these pieces alone "
        f"({say_percent(0.95)} sure)"])


def graded_as_sold(series, blend):
    """The sweat looks at pieces as sold of a blend, one row per piece and stress."""
    if series.apart is None:
        return series.sweat().iloc[:0]
    pours, looks = series.apart.pours, series.apart.sweat()
    pours = pours.loc[(pours["finish"] == "as sold") & (pours["blend"] == blend), "pour"]
    looks = looks[looks["pour"].isin(pours) & looks["grade"].notna() & looks["load_pct"].notna()]
    return looks if looks.empty else settle_looks(looks, "sweat")[0]


def sweated_as_sold(series, rules, blend, load_pct):
    """That of the pieces as sold at a load (% of wax; missing: at any) or less more sweated than
    the risk allows, in words; '' where not."""
    sold = graded_as_sold(series, blend).sort_values("grade").drop_duplicates("code", keep="last")
    if not pd.isna(load_pct):
        sold = sold[sold["load_pct"] <= load_pct + NEAR_PCT]
    wet = sold["grade"] >= rules.limit_grade
    if wet.sum() <= rules.risk * len(sold):
        return ""
    return (f"{wet.sum()} of {count_of(len(sold), 'piece')} as sold sweated, from "
            f"{say_load_oz(sold.loc[wet, 'load_pct'].min())} up")


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

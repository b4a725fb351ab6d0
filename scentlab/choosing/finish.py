"""Pieces as sold against plain ones of the same pots and loads: the exact test for few pieces.

With a handful of pieces no model says more than their counts. Pots and loads are strata; given how
many pieces of each stratum sweated, how many of them are as sold follows a hypergeometric law if
the finish changes nothing (Fisher 1935; over strata Gart 1970), whatever the pots are like.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from scentlab.choosing.ceiling import NEAR_PCT
from scentlab.choosing.rests import stress_words
from scentlab.fitting.looks import planned_loads, settle_looks
from scentlab.maths.intervals import binomial_limits
from scentlab.results import FitError, Result, say_odds, say_percent
from scentlab.text import in_sentences
from scentlab.units import say_percent_of_wax

LEVEL = 0.05  # of the test, for either side


@dataclass(frozen=True, repr=False)
class FinishCheck(Result):
    """Pieces as sold against plain ones.

    ``table`` : DataFrame, one row per pot and load that has both: pot, load_pct (% of wax), plain,
    plain_sweated, as_sold, as_sold_sweated (limit grade or more). ``more`` and ``less`` : chance of
    so many sweated pieces as sold or more, or fewer, if the finish changes nothing. ``could_pct`` :
    exact upper 95 % limit on the share of pieces as sold that would sweat, of these alone.
    """

    blend: str
    table: pd.DataFrame
    more: float
    less: float
    could_pct: float
    stress: str
    notes: tuple = ()

    @property
    def sentence(self):
        t = self.table
        loads = sorted({say_percent_of_wax(x) for x in t["load_pct"]})
        seen = (f"Pieces of {self.blend} as sold, {self.stress}, at {', '.join(loads)}: "
                f"{t['as_sold_sweated'].sum()} of {t['as_sold'].sum()} sweated; plain ones of the "
                f"same pots: {t['plain_sweated'].sum()} of {t['plain'].sum()}")
        if self.more < LEVEL:
            said = (f"pieces as sold sweat more: {say_odds(self.more, 0.001)} that chance alone "
                    "gives such a gap")
        elif self.less < LEVEL:
            said = (f"pieces as sold sweated less: {say_odds(self.less, 0.001)} that chance alone "
                    "gives such a gap")
        else:
            said = (f"whether the finish changes anything is too close to call: "
                    f"{say_odds(self.more, 0.001)} that chance alone gives as many or more")
        return in_sentences([
            seen, said, f"up to {self.could_pct:.0f} % of pieces as sold could sweat, by these "
            f"pieces alone ({say_percent(0.95)} sure)"])


def compare_finish(series, rules, blend, stress):
    """Whether pieces as sold sweat more than plain ones of the same pot and load.

    series : Series with pours as sold beside it. rules : Rules (limit_grade). blend : str.
    stress : rest or heat, the pieces that are compared.
    Returns FinishCheck.
    Raises FitError where no pot has graded pieces of both at one load.
    """
    sold = series.apart
    pours = [] if sold is None else sold.pours.loc[sold.pours["finish"] == "as sold", "pour"]
    looks = [series.sweat()] + ([] if sold is None else [sold.sweat()])
    looks = pd.concat(looks, ignore_index=True)
    looks = looks[(looks["blend"] == blend)]
    plain = series.pours["pour"]
    looks = looks[looks["pour"].isin([*plain, *pours])]
    none = f"no pot has graded pieces of {blend} both plain and as sold at one load"
    if looks["grade"].notna().sum() == 0 or not len(pours):
        raise FitError(f"{none}; pour both from one pot")
    looks, _ = settle_looks(looks, "sweat")
    looks = looks[looks["stress"] == stress]
    rows = list(_strata(looks, set(pours), rules.limit_grade))
    if not rows:
        raise FitError(f"{none}, {stress_words(stress, series.plan)}; pour both from one pot")
    table = pd.DataFrame(rows)
    more, less = exact_chances(*(table[c].to_numpy(int) for c in (
        "as_sold_sweated", "as_sold", "plain_sweated", "plain")))
    could = binomial_limits(table["as_sold_sweated"].sum(), int(table["as_sold"].sum()), 0.9)[1]
    return FinishCheck(blend, table, more, less, 100.0 * float(could),
                       stress_words(stress, series.plan))


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
    """Chances of so many hits or more, and of so many or fewer, if both kinds are alike.

    wet, pieces : int arrays (n,), hits and pieces of one kind in each stratum. other_wet,
        other_pieces : those of the other kind.
    Returns (more, less), conditional on the margins of each stratum: sums of hypergeometric counts.

    >>> [round(p, 4) for p in exact_chances([3], [4], [1], [4])]
    [0.2429, 0.9857]
    """
    law = np.ones(1)
    for k, n, j, m in zip(wet, pieces, other_wet, other_pieces, strict=True):
        law = np.convolve(law, stats.hypergeom.pmf(np.arange(n + 1), n + m, k + j, n))
    total = int(np.sum(wet))
    return float(law[total:].sum()), float(law[: total + 1].sum())

"""Plans side by side: what each would find, and what it takes of wax, days, money and panel."""

from dataclasses import dataclass, field

import pandas as pd

from scentlab.foresight.precision import (
    CEILING_OVER,
    NO_ANSWER,
    SHORTFALL,
    SPREAD,
    THROW_LOST,
    precision,
    share_limits,
)
from scentlab.maths.threads import one_thread
from scentlab.planning.costs import MINUTES_A_SMELLING, plan_costs
from scentlab.planning.refusal import need
from scentlab.results import Result, say_percent

_WITH_ERROR = {"shortfall_pct": SHORTFALL, "spread_pct": SPREAD, "throw_lost": THROW_LOST}
_CHANCES = {"p_over": CEILING_OVER, "p_none": NO_ANSWER}
MOST_WITHOUT_ANSWER = 0.10  # share of blends without a ceiling that a plan may leave


@dataclass(frozen=True, repr=False)
class Comparison(Result):
    """Plans side by side.

    ``table``: plan, pours, pots, pieces, wax_g, fragrance_g (to buy, with the spare), days (first
    pour to last look), money, panel_hours, then the measures over all blends: shortfall_pct and
    spread_pct of the ceiling (points of load, % of wax) and throw_lost (0 to 10), each with its
    Monte Carlo error (``_se``); p_over (ceiling oversaturates) and p_none (no tested load
    qualifies), each with exact 95 % limits (``_lower``, ``_upper``; blends of one series count as
    one trial, for they are alike); and series, how many were simulated.
    """

    table: pd.DataFrame
    currency: str
    notes: tuple = field(default=())

    @property
    def sentence(self):
        found = self.table[self.table["p_none"] <= MOST_WITHOUT_ANSWER]
        share = f"an answer for at least {say_percent(1 - MOST_WITHOUT_ANSWER)} of blends"
        if found.empty:
            return (f"None of {len(self.table)} plans gives {share}: lower loads or more pots "
                    "would.")
        best = found.loc[found["shortfall_pct"].idxmin()]
        least = found.loc[found["wax_g"].idxmin()]
        return (
            f"Of the {len(found)} of {len(self.table)} plans that give {share}, the closest is "
            f"{_said(best)} and the one with the least wax is {_said(least)}."
        )


@one_thread()
def compare(plans, guess, *, series=100, seed, progress=None, stop=None, **options):
    """What plans would find and what they take.

    Parameters
    ----------
    plans : dict of name to Plan. guess, series, seed, stop, options : as for :func:`precision`;
        all plans are simulated from the same seed.
    progress : callable(done, total) over the series of all plans.

    Returns
    -------
    Comparison. Plans that a stop cut short rest on fewer series, as their rows say.

    Raises
    ------
    PlanError for no plan, prices in several currencies, and as :func:`precision`.
    """
    need(plans, "there is no plan to compare", "give a dict of name to plan", field="plans")
    currencies = sorted({p.currency for p in plans.values()})
    need(len(currencies) == 1, f"the plans are priced in {', '.join(currencies)}", "use one",
         field="currency", value=currencies)
    rows, notes, found = [], [], None
    for place, (name, plan) in enumerate(plans.items()):
        if rows and stop is not None and stop():
            notes.append(f"The run was stopped before {', '.join(list(plans)[place:])}.")
            break
        found = precision(
            plan, guess, series=series, seed=seed, stop=stop, **options,
            progress=progress and (
                lambda done, _, before=place * series: progress(before + done, len(plans) * series)
            ),
        )
        rows.append(_row(name, plan, found))
        notes += [f"{name}: {n}" for n in found.notes if "stopped" in n or "could not" in n]
    table = pd.DataFrame(rows)
    notes.append(f"Panel hours count {MINUTES_A_SMELLING:g} minutes of an assessor for each piece "
                 "smelt.")
    if table["money"].isna().any():
        notes.append("Money is missing where a wax or the fragrance has no price.")
    return Comparison(table, currencies[0], (*notes, *found.notes[-3:]))


def _row(name, plan, found):
    row = {"plan": name, **plan_costs(plan)}
    for column, measure in _WITH_ERROR.items():
        row[column], row[f"{column}_se"] = found.of(measure)
    for column, measure in _CHANCES.items():
        row[column] = found.of(measure)[0]
        limits = share_limits(row[column], found.series, 0.95)
        row[f"{column}_lower"], row[f"{column}_upper"] = limits
    return {**row, "series": found.series}


def _said(row):
    return (
        f"{row['plan']!r} (ceiling {row['shortfall_pct']:.2f} ± {row['shortfall_pct_se']:.2f} "
        f"points of load, % of wax, below the true load at risk for {row['wax_g'] / 1000:.1f} kg "
        "of wax)"
    )

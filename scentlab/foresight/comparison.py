"""Plans side by side: what each would find, and what it takes of wax, days, money and panel."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from scentlab.foresight.precision import (
    CEILING_OVER,
    NO_ANSWER,
    SHORTFALL,
    SPREAD,
    THROW_LOST,
    precision,
)
from scentlab.maths.intervals import binomial_limits
from scentlab.maths.threads import one_thread
from scentlab.planning.costs import plan_costs
from scentlab.planning.refusal import PlanError, need_above_zero, need_number
from scentlab.results import Result, say_percent

MEASURES = {
    "shortfall_pct": SHORTFALL, "spread_pct": SPREAD, "p_over": CEILING_OVER,
    "p_none": NO_ANSWER, "throw_lost": THROW_LOST,
}
CHANCES = ("p_over", "p_none")
ONE_ERROR = 0.683  # confidence of limits one standard error of a normal value away
MOST_WITHOUT_ANSWER = 0.10  # share of blends without a ceiling that a plan may leave
BY = ("wax_g", "fragrance_g", "days", "money", "panel_hours", "pours")


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
    minutes_a_smelling: float
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


@dataclass(frozen=True, repr=False)
class SmallestPlan(Result):
    """The smallest plan that meets a target; ``found`` is its name, or "" when none does.

    ``table`` has the rows of a :class:`Comparison` for the plans that were tried, smallest first,
    with ``meets``.
    """

    table: pd.DataFrame
    found: str
    by: str
    target_shortfall_pct: float
    most_without_answer: float
    notes: tuple = field(default=())

    @property
    def sentence(self):
        target = (
            f"a shortfall of at most {self.target_shortfall_pct:g} points of load (% of wax) and "
            f"at most {say_percent(self.most_without_answer)} of blends without an answer"
        )
        if self.found:
            row = self.table.set_index("plan", drop=False).loc[self.found]
            return f"The smallest plan with {target} is {_said(row)}."
        best = self.table["shortfall_pct"].min()
        nearest = "" if np.isnan(best) else f"; the smallest shortfall was {best:.2f}"
        return (
            f"None of {len(self.table)} plans reaches {target}{nearest}. Add pots near the load "
            "where sweat begins, or accept a larger shortfall."
        )


@one_thread()
def compare(plans, guess, *, series=100, seed, minutes_a_smelling=5.0, progress=None, stop=None,
            keep=None, **options):
    """What plans would find and what they take.

    Parameters
    ----------
    plans : dict of name to Plan, or a sequence of Plan, named by their titles.
    guess, series, seed, progress, stop, options : as for :func:`precision`; progress counts the
        series of all plans. All plans are simulated from the same seed.
    minutes_a_smelling : minutes of an assessor for one piece; 5 is this project's own choice.
    keep : folder where finished series are kept.

    Returns
    -------
    Comparison. Plans that a stop cut short rest on fewer series, as their rows say.
    """
    named = _named(plans)
    rows, notes, currencies = [], [], {p.currency for p in named.values()}
    if len(currencies) > 1:
        raise PlanError(f"the plans are priced in {', '.join(sorted(currencies))}; use one")
    for place, (name, plan) in enumerate(named.items()):
        if rows and stop is not None and stop():
            notes.append(f"The run was stopped before {', '.join(list(named)[place:])}.")
            break
        found = precision(
            plan, guess, series=series, seed=seed, stop=stop, keep=_folder(keep),
            progress=_part(progress, place, len(named), series), **options,
        )
        rows.append(_row(name, plan, found, minutes_a_smelling))
        notes += [f"{name}: {n}" for n in found.notes if "stopped" in n or "could not" in n]
    table = pd.DataFrame(rows)
    return Comparison(
        table, next(iter(currencies)), float(minutes_a_smelling),
        tuple(notes) + _cost_notes(table, minutes_a_smelling) + found.notes[-3:],
    )


def smallest_plan(plans, guess, target_shortfall, *, most_without_answer=MOST_WITHOUT_ANSWER,
                  by="wax_g", **options):
    """The smallest plan that would come close enough to the true load at risk.

    Plans are simulated from the smallest on until one meets the target: its mean shortfall with
    one Monte Carlo error added, and the upper exact limit of its share of blends without an answer
    at the same confidence, are within it.

    Parameters
    ----------
    plans, guess, options : as for :func:`compare`.
    target_shortfall : points of load (% of wax).
    most_without_answer : share of blends that may stay without a ceiling.
    by : what makes a plan small: wax_g, fragrance_g, days, money, panel_hours or pours.

    Returns
    -------
    SmallestPlan, which says so when no plan meets the target.
    """
    need_above_zero(target_shortfall, "target_shortfall", 20, "points of load")
    need_number(most_without_answer, "most_without_answer", 0, 1, "")
    if by not in BY:
        raise PlanError(f"by is {by!r}; give one of {', '.join(BY)}")
    named = _named(plans)
    minutes = options.get("minutes_a_smelling", 5.0)
    sizes = {name: plan_costs(plan, minutes)[by] for name, plan in named.items()}
    unknown = [name for name, size in sizes.items() if np.isnan(size)]
    if unknown:
        raise PlanError(f"{by} of {', '.join(unknown)} is not known, for a price is missing")
    tables, notes, found = [], (), ""
    for name in sorted(named, key=sizes.get):
        seen = compare({name: named[name]}, guess, **options)
        table = seen.table
        row = table.iloc[0]
        meets = (row["shortfall_pct"] + row["shortfall_pct_se"] <= target_shortfall
                 and _limits(row["p_none"], row["series"], ONE_ERROR)[1] <= most_without_answer)
        tables.append(table.assign(meets=bool(meets)))
        notes = seen.notes
        if meets:
            found = name
            break
    return SmallestPlan(
        pd.concat(tables, ignore_index=True), found, by, float(target_shortfall),
        float(most_without_answer), notes,
    )


def _named(plans):
    named = dict(plans) if isinstance(plans, dict) else {p.title: p for p in plans}
    if not named or (not isinstance(plans, dict) and len(named) < len(list(plans))):
        raise PlanError(
            "the plans are none, or two have the same title; give a dict of name to plan"
        )
    return named


def _folder(keep):
    """A folder for the kept series of several plans, each of which has a file there."""
    if keep is None:
        return None
    folder = Path(keep)
    if folder.suffix and not folder.is_dir():
        raise PlanError(f"keep is the file {keep}; several plans need a folder")
    return folder


def _part(progress, place, plans, series):
    """Progress of one plan as a part of that of all."""
    if progress is None:
        return None
    return lambda done, total: progress(place * series + done, plans * series)


def _row(name, plan, found, minutes):
    row = {"plan": name, **plan_costs(plan, minutes)}
    known = set(found.table["measure"])
    for column, measure in MEASURES.items():
        estimate, se = found.of(measure) if measure in known else (np.nan, np.nan)
        row[column] = estimate
        if column in CHANCES:
            row[f"{column}_lower"], row[f"{column}_upper"] = _limits(estimate, found.series)
        else:
            row[f"{column}_se"] = se
    return {**row, "series": found.series}


def _limits(share, series, confidence=0.95):
    """Exact limits of a share of blends, those of a series counted as one trial."""
    return binomial_limits(min(share * series, series), series, confidence)


def _cost_notes(table, minutes):
    notes = (f"Panel hours count {minutes:g} minutes of an assessor for each piece smelt.",)
    if table["money"].isna().any():
        notes += ("Money is missing where a wax or the fragrance has no price.",)
    return notes


def _said(row):
    return (
        f"{row['plan']!r} (ceiling {row['shortfall_pct']:.2f} ± {row['shortfall_pct_se']:.2f} "
        f"points of load, % of wax, below the true load at risk for {row['wax_g'] / 1000:.1f} kg "
        "of wax)"
    )

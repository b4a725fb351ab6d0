"""The ceiling: the highest load whose risk of sweat stays under the limit, with confidence.

This is the benchmark dose and its lower limit (Crump 1984) carried to wax: the load at risk is
where a piece of a NEW pot reaches the limit grade with the stated chance, averaged over pots;
the ceiling is the lower quantile of what is believed of that load.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import special

from scentlab.choosing.rules import Rules
from scentlab.fitting.looks import NEAR_PCT, by_load, reached
from scentlab.fitting.sweat import PRECISE, at_age, load_at_risk_draws
from scentlab.maths.sampling import quantile_error, weighted_quantile
from scentlab.maths.threads import one_thread
from scentlab.results import Result, say_rule
from scentlab.series import stress_words
from scentlab.text import count_of
from scentlab.units import content_from_load, say_load, say_points

INSIDE = "inside the tested loads"
OPEN_ABOVE = "nothing tested above"
DRY = "no sweat seen"
NONE = "no tested load qualifies"
TEST_LOWER = "test lower loads or more pots"
# Sweat this unlikely under the risk speaks against it by itself: the ceiling is held below.
UNLIKELY = 0.01
_LATER = "This counts sweat after day {:g} too: a piece goes on ageing once it is sold."


def at_sale(fit, rules):
    """A sweat fit told at the age of sale of the rules, under the stress that decides."""
    return at_age(fit, rules.ship_age_days, rules.stress)


@dataclass(frozen=True, repr=False)
class Ceiling(Result):
    """The ceiling of each blend.

    ``table`` has, per blend: ceiling_load_pct and ceiling_content_pct (missing when no tested
    load qualifies), its Monte Carlo error_pct, load_at_risk_pct (median) with 90 % limits, the
    loads tested under the deciding stress, and the state (one of INSIDE, OPEN_ABOVE, DRY, NONE).
    """

    table: pd.DataFrame
    risk: float
    confidence: float
    limit_grade: int
    stress: str
    notes: tuple = ()

    @property
    def sentence(self):
        parts = [
            f"{r.blend}: no tested load qualifies" if r.state == NONE else
            f"{r.blend}: {'at least ' * (r.state != INSIDE)}"
            + say_load(r.ceiling_load_pct, sold=True)
            for r in self.table.itertuples()]
        return (
            f"Highest load with at most {say_rule(self.risk)} chance of sweat grade "
            f"{self.limit_grade} or worse for a piece from a new pot ({self.stress}), "
            f"{say_rule(self.confidence)} sure: " + "; ".join(parts) + "."
        )

    def of(self, blend):
        """The row of one blend."""
        return self.table.set_index("blend").loc[blend]


@one_thread()
def find_ceiling(fit, rules=None, blends=None):
    """The ceiling of the blends (all if None) of a sweat fit at the age of sale; none under a
    stress that nothing was graded under.

    It is held inside the loads tested: never above the highest, and none where even the lowest
    tested load is not shown to keep the risk. It is held below sweat that by itself, the pieces
    counted as they are, speaks against the risk. The limit grade is the same wherever it counts,
    also when nobody saw it: then its threshold is known from the prior and from how much lighter
    sweat there was without it.
    """
    rules = rules or Rules()
    if rules.stress not in (None, *fit.stresses):
        return _without_answer(find_ceiling(fit, replace(rules, stress=None)), rules.stress)
    every, fit, stress = fit, at_sale(fit, rules), rules.stress or fit.harshest
    draws, order = _in_order(fit, rules.risk, rules.limit_grade, stress)
    rows, notes = [], []
    if 0 < fit.counts[[f"g{g}" for g in range(1, 5)]].to_numpy().sum() and not reached(
            fit.counts, rules.limit_grade).any():
        notes.append(f"No piece reached sweat grade {rules.limit_grade}. How much more fragrance "
                     "that takes rests on what is usual and on the pieces below that grade.")
    for blend in blends or fit.blends:
        own = fit.counts[fit.counts["blend"] == blend]
        place = fit.blends.index(blend)
        row, more = _of_blend(blend, own, (draws[place], order[place]), fit, rules, stress)
        if held := held_below_sweat(fit, row, rules):
            row, more = held
            more += [_LATER.format(fit.ages[1])] if fit is not every else []
        rows.append(row | {"ceiling_content_pct": content_from_load(row["ceiling_load_pct"])})
        notes += more
    table = pd.DataFrame(rows)
    worst = table.loc[table["state"].isin((INSIDE, DRY)), "error_pct"].max()
    if worst > PRECISE:
        notes.append(
            "With other random draws these highest safe loads would shift by about "
            f"{say_points(worst, 2)} either way."
        )
    return Ceiling(
        table, rules.risk, rules.confidence, rules.limit_grade, stress, tuple(notes)
    )


def _without_answer(other, stress):
    """The ceiling under a stress that nothing was graded under, from that under another."""
    lacking = [c for c in other.table if c.endswith("_pct")]
    table = other.table.assign(state=NONE, **dict.fromkeys(lacking, np.nan))
    note = f"No piece was inspected {stress_words(stress)}, so there is no answer for that."
    return replace(other, table=table, stress=stress, notes=(note,))


def chances_over(fit, blend, loads, rules):
    """The chance of each load that it passes the risk of the rules, at the age of sale."""
    fit = at_sale(fit, rules)
    at_risk = load_at_risk_draws(fit, rules.risk, rules.limit_grade, rules.stress)
    own = at_risk[:, fit.blends.index(blend)]
    return [min(float(fit.weights @ (own < load)), 1.0) for load in loads]


def _in_order(fit, *asked):
    """The draws (B, S) of the load at risk in order, and that order, once for all quantiles."""
    if asked not in fit.reckoned:
        draws = load_at_risk_draws(fit, *asked).T
        order = np.argsort(draws)
        fit.reckoned[asked] = np.take_along_axis(draws, order, axis=1), order
    return fit.reckoned[asked]


def _of_blend(blend, own, in_order, fit, rules, stress):
    draws, order = in_order
    weights, counts = fit.weights[order], own[own["stress"] == stress]
    places = (1.0 - rules.confidence, 0.05, 0.5, 0.95)
    quantile, lower, middle, upper = map(float, weighted_quantile(draws, weights, places))
    row = {
        "blend": blend,
        "ceiling_load_pct": np.nan,
        "ceiling_content_pct": np.nan,
        "error_pct": quantile_error(draws, weights, fit.draw_lot[order], 1.0 - rules.confidence),
        "load_at_risk_pct": middle,
        "load_at_risk_lower_pct": lower,
        "load_at_risk_upper_pct": upper,
        "lowest_tested_pct": np.nan,
        "highest_tested_pct": np.nan,
        "state": NONE,
    }
    if counts.empty:
        return row, [
            f"No piece of {blend} was graded after {stress}, so it has no highest safe load for "
            "that."
        ]
    lowest, highest = float(counts["load_pct"].min()), float(counts["load_pct"].max())
    row |= {"lowest_tested_pct": lowest, "highest_tested_pct": highest}
    if quantile < lowest:
        return row, [_why_none(blend, counts, lowest, rules)]
    ceiling = min(quantile, highest)
    dry = bool((own["n"] == own["g0"]).all())
    row |= {
        "ceiling_load_pct": ceiling,
        "state": OPEN_ABOVE if quantile >= highest else DRY if dry else INSIDE,
    }
    notes = []
    if dry and ceiling < highest:
        top = counts[counts["load_pct"] > ceiling]
        notes.append(
            f"No piece of {blend} sweated up to {highest:.1f} % of wax, but the "
            f"{int(top['n'].sum())} "
            f"dry pieces above {ceiling:.1f} % are too few to be {say_rule(rules.confidence)} sure "
            f"of a risk under {say_rule(rules.risk)}."
        )
    elif quantile >= highest:
        notes.append(
            f"{blend} stayed within the risk at every load tested; nothing is claimed above "
            f"{say_load(highest)}."
        )
    return row, notes


def speak_against(wet, pieces, risk):
    """Whether so many wet ones of so many pieces are unlikely under a risk, by the binomial law."""
    return wet > 0 and special.bdtrc(wet - 1, pieces, risk) < UNLIKELY


def held_below_sweat(fit, row, rules):
    """The row and notes of a ceiling above sweat that speaks for itself; None without any.

    Where the risk grows with the load, the pieces up to a load that keeps the risk reach the limit
    grade with that chance at most; so many of them that the binomial chance of as many is under
    ``UNLIKELY`` speak against the load, whatever the curve.
    """
    if row["state"] == NONE:
        return None
    below, asked = np.nan, (row["blend"], rules.limit_grade)
    if asked not in fit.reckoned:
        own = fit.counts[fit.counts["blend"] == row["blend"]]
        table = by_load(own, rules.limit_grade, NEAR_PCT)
        table[["sweated", "pieces"]] = table[["sweated", "pieces"]].cumsum()
        fit.reckoned[asked] = list(table.itertuples(index=False, name=None))
    for _, lowest, highest, pieces, sweated in fit.reckoned[asked]:
        if lowest > row["ceiling_load_pct"] + NEAR_PCT / 2:
            return None
        if speak_against(sweated, pieces, rules.risk):
            return _held(row, below, highest, sweated, pieces, rules)
        below = highest
    return None


def _held(row, below, high, wet, pieces, rules):
    held = below if below >= row["lowest_tested_pct"] else np.nan
    where = "no lower load is left to choose"
    if not np.isnan(held):
        where = f"the highest safe load is held below them, at {say_load(held, sold=True)}"
    note = (
        f"{wet} of {count_of(pieces, 'piece')} of {row['blend']} at {say_load(high)} or less "
        f"reached sweat grade {rules.limit_grade}: more than a risk of "
        f"{say_rule(rules.risk)} allows, so {where}. Check how they were poured and graded, and "
        "pour these loads again."
    )
    state = NONE if np.isnan(held) else INSIDE
    return row | {"ceiling_load_pct": held, "state": state}, [note]


def _why_none(blend, counts, lowest, rules):
    own = counts[counts["load_pct"] <= counts["load_pct"].min() + 0.3]
    wet = int(reached(own, rules.limit_grade).sum())
    pieces = int(own["n"].sum())
    return (
        f"Not even the lowest load tested of {blend}, {say_load(lowest)}, is shown to keep the "
        f"risk under {say_rule(rules.risk)} ({wet} of {count_of(pieces, 'piece')} there reached "
        f"sweat grade {rules.limit_grade})."
    )

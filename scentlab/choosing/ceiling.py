"""The ceiling: the highest load whose risk of sweat stays under the limit, with confidence.

This is the benchmark dose and its lower limit (Crump 1984) carried to wax: the load at risk is
where a piece of a NEW pot reaches the limit grade with the stated chance, averaged over pots;
the ceiling is the lower quantile of what is believed of that load.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from scentlab.choosing.rules import Rules
from scentlab.fitting.checks import sweat_seen_early
from scentlab.fitting.looks import planned_loads
from scentlab.fitting.sweat import load_at_risk_draws
from scentlab.maths.sampling import weighted_quantile
from scentlab.results import Result, say_percent
from scentlab.units import content_from_load, say_load

INSIDE = "inside the tested loads"
OPEN_ABOVE = "nothing tested above"
DRY = "no sweat seen"
NONE = "no tested load qualifies"
# Sweat this unlikely under the fit speaks against the fit, and the ceiling is held below it.
UNLIKELY = 0.01
NEAR_PCT = 0.25  # weighed loads nearer than this are one planned load


@dataclass(frozen=True, repr=False)
class Ceiling(Result):
    """The ceiling of each blend.

    ``table`` has, per blend: ceiling_load_pct and ceiling_content_pct (missing when no tested
    load qualifies), load_at_risk_pct (median) with 90 % limits, the loads tested under the
    deciding stress, and the state (one of INSIDE, OPEN_ABOVE, DRY, NONE).
    """

    table: pd.DataFrame
    risk: float
    confidence: float
    limit_grade: int
    stress: str
    notes: tuple = field(default=())

    @property
    def sentence(self):
        parts = []
        for r in self.table.itertuples():
            if r.state == NONE:
                parts.append(f"{r.blend}: no tested load qualifies")
            elif r.state in (OPEN_ABOVE, DRY):
                parts.append(_say_open(r))
            else:
                parts.append(f"{r.blend}: {say_load(r.ceiling_load_pct)}")
        return (
            f"Highest load with at most {say_percent(self.risk)} chance of sweat grade "
            f"{self.limit_grade} or worse for a piece of a new pot ({self.stress}), held with "
            f"{say_percent(self.confidence)} confidence: " + "; ".join(parts) + "."
        )

    def of(self, blend):
        """The row of one blend."""
        return self.table.set_index("blend").loc[blend]


def _say_open(row):
    """Words for a ceiling that no sweat bounds from above."""
    dry = f"dry up to {row.highest_tested_pct:.1f} %, " if row.state == DRY else ""
    return f"{row.blend}: at least {say_load(row.ceiling_load_pct)}, {dry}nothing tested above"


def find_ceiling(fit, rules=None):
    """The ceiling of every blend of a sweat fit.

    Parameters
    ----------
    fit : SweatFit. rules : Rules (risk, confidence, limit_grade, stress).

    Returns
    -------
    Ceiling, held inside the loads tested: never above the highest, and none where even the
    lowest tested load is not shown to keep the risk. It is held below sweat that was seen and
    that the fit cannot explain.
    """
    rules = rules or Rules()
    stress = rules.stress or fit.stresses[-1]
    grade, notes = _grade_to_hold(fit, rules.limit_grade)
    draws = load_at_risk_draws(fit, rules.risk, grade, stress)
    rows, errors = [], []
    for b, blend in enumerate(fit.blends):
        errors.append(_draw_error(draws[:, b], fit.weights, 1.0 - rules.confidence))
        own = fit.counts[(fit.counts["blend"] == blend) & (fit.counts["stress"] == stress)]
        row, more = _of_blend(blend, own, draws[:, b], fit.weights, rules, stress)
        early = _held_below_sweat(fit, row, rules)
        rows.append(row if early is None else early[0])
        notes += more if early is None else early[1]
    worst = max((e for e, r in zip(errors, rows, strict=True) if r["state"] == INSIDE), default=0)
    if worst >= 0.05:
        notes.append(
            f"Drawn anew, the posterior would move these ceilings by about {worst:.1f} points of "
            f"load (Monte Carlo standard error of {fit.effective_size:.0f} effective draws): do "
            "not read more into their digits."
        )
    return Ceiling(
        pd.DataFrame(rows), rules.risk, rules.confidence, rules.limit_grade, stress, tuple(notes)
    )


def _draw_error(values, weights, chance):
    """Monte Carlo standard error of a weighted quantile, from the spread of the weights there."""
    below = values < weighted_quantile(values, weights, chance)
    share = np.sqrt(np.sum(weights**2 * (below - chance) ** 2))
    around = np.clip((chance - 2.0 * share, chance + 2.0 * share), 0.001, 0.999)
    low, high = weighted_quantile(values, weights, around)
    return float((high - low) * share / max(around[1] - around[0], 1e-9))


def _grade_to_hold(fit, limit_grade):
    """The limit grade, or the worst that was seen at all where that is lower.

    How far a grade that nobody saw lies above the others is known from the prior alone; the
    ceiling must not live on that, so it is held at the stricter grade.
    """
    columns = [f"g{g}" for g in range(1, 5)]
    seen = [g for g, c in enumerate(columns, start=1) if fit.counts[c].sum() > 0]
    grade = min(limit_grade, max(seen, default=1))
    if grade == limit_grade:
        return grade, []
    what = f"no grade above {grade}" if seen else "no sweat at all"
    return grade, [
        f"Of sweat, {what} was seen, so how much more fragrance grade {limit_grade} takes is not "
        f"known: the ceilings are held at grade {grade}, which is stricter."
    ]


def _of_blend(blend, counts, draws, weights, rules, stress):
    quantile = float(weighted_quantile(draws, weights, 1.0 - rules.confidence))
    lower, middle, upper = (float(q) for q in weighted_quantile(draws, weights, (0.05, 0.5, 0.95)))
    row = {
        "blend": blend,
        "ceiling_load_pct": np.nan,
        "ceiling_content_pct": np.nan,
        "load_at_risk_pct": middle,
        "load_at_risk_lower_pct": lower,
        "load_at_risk_upper_pct": upper,
        "lowest_tested_pct": np.nan,
        "highest_tested_pct": np.nan,
        "state": NONE,
    }
    if counts.empty:
        return row, [f"No piece of {blend} was graded after {stress}, so it has no ceiling there."]
    lowest, highest = float(counts["load_pct"].min()), float(counts["load_pct"].max())
    row |= {"lowest_tested_pct": lowest, "highest_tested_pct": highest}
    if quantile < lowest:
        return row, [_why_none(blend, counts, lowest, rules)]
    ceiling = min(quantile, highest)
    dry = int((counts["n"] - counts["g0"]).sum()) == 0
    row |= {
        "ceiling_load_pct": ceiling,
        "ceiling_content_pct": content_from_load(ceiling),
        "state": OPEN_ABOVE if quantile >= highest else DRY if dry else INSIDE,
    }
    notes = []
    if dry and ceiling < highest:
        top = counts[counts["load_pct"] > ceiling]
        notes.append(
            f"No piece of {blend} sweated up to {highest:.1f} % of wax, but the "
            f"{int(top['n'].sum())} "
            f"dry pieces above {ceiling:.1f} % are too few to hold a risk under "
            f"{say_percent(rules.risk)} with {say_percent(rules.confidence)} confidence there."
        )
    elif quantile >= highest:
        notes.append(
            f"{blend} kept the risk at every load tested; nothing is claimed above "
            f"{say_load(highest)}."
        )
    return row, notes


def _held_below_sweat(fit, row, rules):
    """The row and notes of a ceiling with unexplained sweat at or below it; None without any."""
    blend, ceiling = row["blend"], row["ceiling_load_pct"]
    if row["state"] == NONE:
        return None
    own = fit.counts[fit.counts["blend"] == blend]
    wet = own.loc[own[[f"g{g}" for g in range(rules.limit_grade, 5)]].any(axis=1), "load_pct"]
    loads = [(float(p[0]), float(p[-1])) for p in planned_loads(own["load_pct"], NEAR_PCT)]
    loads = [(low, high) for low, high in loads if low <= ceiling + NEAR_PCT / 2]
    found = (
        (i, sweat_seen_early(fit, blend, high, rules.limit_grade))
        for i, (_, high) in enumerate(loads)
        if high >= wet.min()
    )
    place, early = next(((i, e) for i, e in found if e.chance < UNLIKELY), (0, None))
    if early is None:
        return None
    high = loads[place][1]
    held = loads[place - 1][1] if place else np.nan
    if held < row["lowest_tested_pct"]:
        held = np.nan
    said = (
        f"{early.wet} of {early.pieces} pieces of {blend} at {say_load(high)} or less reached "
        f"sweat grade {rules.limit_grade}, where the fit expects {early.expected:.1f} (chance of "
        f"as much: {say_percent(early.chance, 1)}). The curve does not explain them, so "
    )
    where = "no load below them is left to pick"
    if not np.isnan(held):
        where = f"the ceiling is held at {say_load(held)}, below them"
    remedy = ": look up how they were poured and graded, and pour these loads again."
    state = NONE if np.isnan(held) else INSIDE
    content = np.nan if np.isnan(held) else content_from_load(held)
    changed = {"ceiling_load_pct": held, "ceiling_content_pct": content, "state": state}
    return row | changed, [said + where + remedy]


def _why_none(blend, counts, lowest, rules):
    own = counts[counts["load_pct"] <= counts["load_pct"].min() + 0.3]
    wet = int(sum(own[f"g{g}"].sum() for g in range(rules.limit_grade, 5)))
    pieces = int(own["n"].sum())
    return (
        f"Not even the lowest load tested of {blend}, {say_load(lowest)}, is shown to keep the "
        f"risk under {say_percent(rules.risk)} ({wet} of {pieces} pieces there reached sweat "
        f"grade {rules.limit_grade}): test lower loads or more pots."
    )

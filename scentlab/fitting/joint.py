"""Sweat and bleed as two witnesses on one capacity per blend.

The posterior draws of the sweat fit are weighed again by the profile likelihood that the bleed
has for each blend's capacity. A sharp bleed leaves too few of them to speak for both; then the
product of the two is drawn anew. Where sweat and bleed disagree, the sweat grades alone are
believed, and that is said.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from scentlab.fitting.bleed import capacity_drop, say_open
from scentlab.fitting.reweighting import reweighted
from scentlab.fitting.sweat import SweatFit, rebuild_model
from scentlab.maths.intervals import likelihood_drop
from scentlab.maths.sampling import (
    K_HAT_LIMIT,
    adaptive_draws,
    mixed_draws,
    weighted_quantile,
)
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result
from scentlab.units import say_load

MOST_APART = 2.0
# Fewer effective draws than this are drawn anew: the ceiling lives in the tails.
COMFORTABLE_DRAWS = 400.0


@dataclass(frozen=True, repr=False)
class Joint(Result):
    """Capacities on the evidence of sweat and bleed together.

    Attributes
    ----------
    sweat : SweatFit with its draws weighed or drawn anew; its peak (point, covariance) is still
        that of the sweat grades alone.
    table : DataFrame, one row per blend of the sweat fit: blend, estimate_pct, lower_pct,
        upper_pct (capacity on all that is used, 90 % interval, % of wax), width_before_pct,
        width_after_pct, gain (share of the width that the bleed took away), apart (how many
        standard errors the two lie apart; missing without a bleed), used (whether the bleed of
        the blend counts), state.
    redrawn : bool, whether the draws are new ones rather than those of the sweat fit.
    """

    sweat: SweatFit
    table: pd.DataFrame
    redrawn: bool
    notes: tuple = field(default=())

    @property
    def sentence(self):
        parts = [
            f"{r.blend} {say_load(r.estimate_pct)}, 90 % interval {r.lower_pct:.1f} to "
            f"{r.upper_pct:.1f} ({_gain_words(r)})"
            for r in self.table.itertuples()
        ]
        return "Half-sweat load by sweat and bleed together: " + "; ".join(parts) + "."


def _gain_words(row):
    if not row.used:
        return f"sweat alone: {row.state}"
    change = "narrower" if row.gain >= 0 else "wider"
    return f"{abs(100 * row.gain):.0f} % {change} than by sweat alone"


@one_thread()
def join_evidence(sweat, bleed, *, seed=1):
    """One half-sweat load per blend fitted to sweat grades and bleed weighings: a :class:`Joint`.

    The profile likelihood of a join (Hudson 1966) multiplies the posterior of the capacity. Raises
    FitError when a SweatFit and a BleedFit have no blend in common, or when a sweat fit under
    another prior than the weak one leaves too few draws that fit both.
    """
    shared = [b for b in sweat.blends if b in bleed.blends]
    if not shared:
        raise FitError(
            f"sweat was graded for {', '.join(sweat.blends)} and bleed weighed for "
            f"{', '.join(bleed.blends)}: no blend has both"
        )
    apart = {b: _apart(sweat, bleed, b) for b in shared}
    used = [b for b in shared if abs(apart[b]) <= MOST_APART]
    fit = sweat
    if used:
        drops = [capacity_drop(bleed, b, _capacity(sweat, b)) for b in used]
        fit = reweighted(sweat, -sum(drops))[0]
    redrawn = bool(used) and fit.effective_size < COMFORTABLE_DRAWS
    if redrawn:
        fit = _drawn_anew(sweat, bleed, used, seed)
    states = {
        b: USED if b in used else APART if b in shared else NOT_WEIGHED for b in sweat.blends
    }
    table = pd.DataFrame(
        [_row(sweat, fit, b, apart.get(b, np.nan), state) for b, state in states.items()]
    )
    notes = _notes(sweat, bleed, apart, states, fit)
    return Joint(fit, table, redrawn, notes)


USED, APART, NOT_WEIGHED = "both agree", "the two disagree", "no bleed was weighed"


@dataclass(frozen=True)
class _Start:
    """Where a proposal starts, as ``adaptive_draws`` takes it."""

    point: np.ndarray
    covariance: np.ndarray


def _drawn_anew(sweat, bleed, blends, seed):
    """The sweat fit with draws from the product of its posterior and the bleed's likelihood."""
    models = [_model_again(sweat, i) for i in range(len(sweat.links))]
    _need_peak(models[int(sweat.links["weight"].argmax())], sweat)
    before = _moments(sweat)
    start = _towards(before, sweat, bleed, blends)
    places = [sweat.layout["capacity"][0] + sweat.blends.index(b) for b in blends]
    found, log_weight = [], []
    for i, (model, weight) in enumerate(zip(models, sweat.links["weight"], strict=True)):

        def both(points, model=model):
            drops = [capacity_drop(bleed, b, points[:, k])
                     for b, k in zip(blends, places, strict=True)]
            return model.log_posterior(points) - sum(drops)

        size = max(int(len(sweat.draws) * max(weight, 0.25)), 500)
        sample = adaptive_draws(both, start, size=size, seed=[seed, i])
        without = adaptive_draws(model.log_posterior, before, size=size, seed=[seed, i, 1])
        found.append(sample)
        log_weight.append(np.log(weight) + sample.log_evidence - without.log_evidence)
    share = np.exp(np.array(log_weight) - max(log_weight))
    share = share / share.sum()
    points, weights, link, lot = mixed_draws(found, share)
    return replace(
        sweat, draws=points, weights=weights, draw_link=link, draw_lot=lot,
        k_hat=float(max(s.k_hat for s, w in zip(found, share, strict=True) if w > 0.1)),
        effective_size=float(1.0 / np.sum(weights**2)), links=sweat.links.assign(weight=share),
    )  # fmt: skip


def _model_again(sweat, link):
    """The sweat model of one link, on looks as the counts tell them."""
    one = sweat.links.assign(weight=[float(i == link) for i in range(len(sweat.links))])
    counts = sweat.counts.loc[:, ["pour", "pot", "blend", "load_pct", "stress"]]
    counts["age_days"] = sweat.counts.get("age_days", sweat.ages[1])
    looks = [
        counts.loc[np.repeat(counts.index, sweat.counts[f"g{g}"])].assign(grade=g)
        for g in range(5)
    ]
    looks = pd.concat(looks, ignore_index=True)
    looks["code"] = np.arange(len(looks)).astype(str)
    return rebuild_model(replace(sweat, links=one), looks)


def _need_peak(model, sweat):
    """The fit's peak must be one of this model, measured in its own standard errors."""
    slope = np.inf
    if len(model.start()) == len(sweat.point):
        slope = model.value_and_gradient(sweat.point)[1]
        slope = slope @ sweat.covariance @ slope
    if not slope < 0.05:
        raise FitError(
            "too few draws of the sweat fit agree with the bleed, and its priors cannot be made "
            "again for more; fit sweat with prior='weak'"
        )


def _moments(sweat):
    centre = sweat.weights @ sweat.draws
    away = sweat.draws - centre
    return _Start(centre, (sweat.weights[:, None] * away).T @ away)


def _towards(before, sweat, bleed, blends):
    """Moments after the bleed, as if all were normal; only a start for the proposal."""
    joins = bleed.joins.set_index("blend").loc[blends]
    width = (joins["upper_pct"] - joins["lower_pct"]).to_numpy(float)
    known = np.isfinite(width)
    if not known.any():
        return before
    places = [sweat.layout["capacity"][0] + sweat.blends.index(b) for b in joins.index[known]]
    error = np.maximum(width[known] / (2.0 * _reach(bleed.confidence)), 1e-3)
    pull = before.covariance[:, places]
    gain = np.linalg.solve(pull[places] + np.diag(error**2), pull.T).T
    gap = joins["join_pct"].to_numpy(float)[known] - before.point[places]
    return _Start(before.point + gain @ gap, before.covariance - gain @ pull.T)


def _capacity(sweat, blend):
    return sweat.named["capacity"][:, sweat.blends.index(blend)]


def _limits(fit, blend):
    return weighted_quantile(_capacity(fit, blend), fit.weights, (0.05, 0.5, 0.95))


def _apart(sweat, bleed, blend):
    """Bleed's capacity minus sweat's in standard errors of the difference.

    The standard error of each is that of its side towards the other, as intervals of capacities
    are seldom even. Nothing is apart from a side that is open.
    """
    lower, middle, upper = _limits(sweat, blend)
    row = bleed.joins.set_index("blend").loc[blend]
    tested = bleed.tested.set_index("blend").loc[blend]
    join = float(np.clip(row["join_pct"], tested["lowest_pct"], tested["highest_pct"]))
    above = join > middle
    own, other = (upper - middle, join - row["lower_pct"])
    if not above:
        own, other = (middle - lower, row["upper_pct"] - join)
    if not np.isfinite(other):
        return 0.0
    own_se, other_se = own / _reach(0.90), other / _reach(bleed.confidence)
    return float((join - middle) / np.hypot(own_se, other_se))


def _reach(confidence):
    """Standard errors from the middle of a normal interval to its end."""
    return np.sqrt(2.0 * likelihood_drop(confidence))


def _row(sweat, fit, blend, apart, state):
    before, (lower, middle, upper) = _limits(sweat, blend), _limits(fit, blend)
    width, after = before[2] - before[0], upper - lower
    return {
        "blend": blend, "estimate_pct": middle, "lower_pct": lower, "upper_pct": upper,
        "width_before_pct": width, "width_after_pct": after, "gain": 1.0 - after / width,
        "apart": apart, "used": state == USED, "state": state,
    }


def _notes(sweat, bleed, apart, states, fit):
    notes = []
    joins = bleed.joins.set_index("blend")
    for blend, state in states.items():
        if state == APART:
            lower, middle, upper = _limits(sweat, blend)
            row = joins.loc[blend]
            notes.append(
                f"Sweat and bleed disagree on the half-sweat load of {blend}: {middle:.1f} % of "
                f"wax by sweat ({lower:.1f} to {upper:.1f}) and {_join_words(row)} by bleed "
                f"({say_open(row['lower_pct'], row['upper_pct'])}), {abs(apart[blend]):.1f} "
                "standard errors apart. The sweat grades alone are used for it; look for a "
                "blotter or a temperature that was not as planned."
            )
        elif state == NOT_WEIGHED:
            notes.append(
                f"No bleed could be fitted for {blend}: its half-sweat load rests on sweat."
            )
    if fit.k_hat > K_HAT_LIMIT:
        notes.append(
            f"The joint draws are not to be trusted (k-hat {fit.k_hat:.2f}, above "
            f"{K_HAT_LIMIT}): fit with more draws."
        )
    return tuple(notes)


def _join_words(row):
    return f"{row['join_pct']:.1f} %" if np.isfinite(row["join_pct"]) else "no load tested"

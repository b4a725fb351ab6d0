"""What to pour next: three test batches of a new fragrance, and the map of waxes and fragrances."""

from __future__ import annotations

import numpy as np
import pandas as pd

from scentlab.fitting.sweat import LINKS_BELIEVED
from scentlab.maths.graded import half_student_of_score
from scentlab.maths.ordinal import marginal_location
from scentlab.memory.cells import name_by_parts
from scentlab.text import alike
from scentlab.units import load_from_ounces_per_pound, say_load_oz, shown, sold_load

# Where three batches lie: quantiles of the load at risk and of the load at which half of the
# pieces reach the limit grade, as they are foreseen.
_LOW, _HIGH, _LOW_BY = 0.05, 0.6, 0.5
_DRAWS, _LEAST_STEP = 2000, 0.5
# Half an ounce to the pound: less is hardly sold (common practice, no source), and of a wax that
# takes little the lowest load is half of its maker's limit, never more than three quarters.
_LOWEST, _OF_LIMIT, _MOST_OF_LIMIT = 3.125, 0.5, 0.75


def foreseen(memory, wax, fragrance, risks, seed=1):
    """Draws (S, R) of the loads at these risks of grade 2 (% of wax; heat-cycled where that was
    tested) of a piece of a pair before it is poured."""
    prior, rng = memory.prior(wax, fragrance), np.random.default_rng(seed)
    z = rng.standard_normal((_DRAWS, 6))
    capacity = prior.capacity_centre[0] + prior.capacity_scale[0] * rng.standard_t(
        prior.capacity_df, _DRAWS)
    spread = prior.spread_median * np.exp(prior.spread_log_sd * z[:, 0])
    heat = prior.stress_centre + prior.stress_scale * z[:, 1]
    heat = heat * memory.heated
    tau = prior.gap_median[0] * np.exp(prior.gap_log_sd[0] * z[:, 2])  # of grade 2
    sigma = half_student_of_score(prior.sigma_centre + prior.sigma_sd * z[:, 5],
                                  prior.sigma_scale, prior.sigma_df)[0]
    links = rng.random(_DRAWS) < LINKS_BELIEVED["skewed"]
    found = [np.where(links, *(marginal_location(risk, sigma / spread, link)
                               for link in ("skewed", "logit"))) for risk in risks]
    return np.column_stack([capacity + spread * (tau - heat + at) for at in found])


def three_loads(memory, wax, fragrance, limit_pct=None, *, seed=1):
    """Three loads (% of wax) for the test batches of a new fragrance in a wax: one that most such
    fragrances keep dry, one that most do not, and one halfway; none above ``limit_pct``, for it
    could not be sold. They are rounded to what is said and weighed in the maker's unit."""
    at_risk, half = foreseen(memory, wax, fragrance, (0.05, 0.5), seed).T
    most = np.inf if limit_pct is None else limit_pct
    low = max(float(np.quantile(at_risk, _LOW)) - _LOW_BY, min(_LOWEST, _OF_LIMIT * most))
    low = min(low, _MOST_OF_LIMIT * most)
    high = min(max(float(np.quantile(half, _HIGH)), low + 2.0 * _LEAST_STEP), most)
    step = load_from_ounces_per_pound(0.05) if shown().weight == "oz" else 0.25
    return tuple(min(step * round(v / step), most) for v in (low, 0.5 * (low + high), high))


def least_limit(shelf, wax, fragrance):
    """The highest load (% of wax) that a shelf allows of a fragrance in a wax, None where the wax
    maker's limit is not known, and what is said of it."""
    mixed = {alike(name_by_parts({w.name: f for w, f in b.parts})): b
             for b in map(shelf.blend, shelf.names("blend"))}
    of_wax = mixed.get(alike(wax), shelf.blend(wax)).limit_load_pct
    of_oil = shelf.fragrance(fragrance).limit_load_pct
    of_oil = None if of_oil is None else sold_load(of_oil)
    said = (f"The wax maker's limit of {wax} is not on the shelf: check its data sheet first. A "
            "load above it is for testing only, not for sale." if of_wax is None else
            f"The wax maker's limit is {say_load_oz(of_wax)}; no load above it is proposed.")
    if of_oil is not None:
        said += f" The limit of {fragrance} keeps loads at or below {say_load_oz(of_oil)}."
    return min((x for x in (of_wax, of_oil) if x is not None), default=None), said


KNOWN, GUESSED = "tested", "guess"


def memory_map(memory):
    """Every wax with every fragrance of a memory: what is known and guessed.

    Returns DataFrame with wax, fragrance, state (tested, or a guess where both were, but not
    together), load_at_risk_pct with lower and upper (90 % interval of the load, % of wax, at which
    5 % of the pieces of a next pot and lot reach grade 2), and gain, how much a full series of the
    pair would teach of all the others (0 to 1). None of it is a safe load: that takes test batches.
    """
    pairs = [(w, f) for f in memory.fragrances for w in memory.waxes]
    rows = []
    for pair, gain in zip(pairs, _gains(memory, pairs), strict=True):
        lower, middle, upper = np.quantile(foreseen(memory, *pair, (0.05,)), (0.05, 0.5, 0.95))
        state = KNOWN if pair in memory.pairs else GUESSED
        rows.append((*pair, state, middle, lower, upper, gain))
    return pd.DataFrame(rows, columns=[
        "wax", "fragrance", "state", "load_at_risk_pct", "load_at_risk_lower_pct",
        "load_at_risk_upper_pct", "gain"])


def _gains(memory, pairs):
    """By what share (n,) a series of each pair would narrow the variance of all pairs together."""
    rows, more = zip(*(memory.capacity_row(*pair) for pair in pairs), strict=True)

    def variances(sds):
        return np.column_stack([memory.unknown_variance(sds, names) for names in more])

    covariance = memory.learnt.predict(np.array(rows), variances)[1]
    lot = memory.sd_of("lot")
    of_cell = np.median([np.sqrt(np.cov(c.draws[:, 0], aweights=c.weights)) for c in memory.cells])
    told = np.diag(covariance) + lot**2 + float(of_cell) ** 2
    return (covariance**2).sum(axis=0) / told / np.trace(covariance)


def next_pairs(table):
    """The three rows of a :func:`memory_map` whose pairs teach most, of those that are not known,
    the best first; empty where all are."""
    return table[table["state"] != KNOWN].nlargest(3, "gain")

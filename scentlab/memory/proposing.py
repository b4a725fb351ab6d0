"""What to pour next: three test batches of a new fragrance, and the map of waxes and fragrances."""

from __future__ import annotations

import numpy as np

from scentlab.fitting.sweat import LINKS_BELIEVED
from scentlab.maths.graded import half_student_of_score
from scentlab.maths.ordinal import marginal_location

# Where three batches lie: quantiles of the load at risk and of the load at which half of the
# pieces reach the limit grade, as they are foreseen.
_LOW, _HIGH, _LOW_BY = 0.05, 0.6, 0.5
_DRAWS, _LEAST_STEP, _LOWEST = 2000, 0.5, 1.0


def foreseen(memory, wax, fragrance, risks=(0.05, 0.5), limit_grade=2, seed=1):
    """Draws (S, R) of the loads at these risks (% of wax; heat-cycled where that was tested) of a
    piece of a pair before it is poured."""
    prior, rng = memory.prior(wax, fragrance), np.random.default_rng(seed)
    z = rng.standard_normal((_DRAWS, 6))
    capacity = prior.capacity_centre[0] + prior.capacity_scale[0] * rng.standard_t(
        prior.capacity_df, _DRAWS)
    spread = prior.spread_median * np.exp(prior.spread_log_sd * z[:, 0])
    heat = prior.stress_centre + prior.stress_scale * z[:, 1]
    heat = heat * memory.heated
    gaps = np.asarray(prior.gap_median) * np.exp(np.asarray(prior.gap_log_sd) * z[:, 2:5])
    tau = np.column_stack([np.zeros(_DRAWS), np.cumsum(gaps, axis=1)])[:, limit_grade - 1]
    sigma = half_student_of_score(prior.sigma_centre + prior.sigma_sd * z[:, 5],
                                  prior.sigma_scale, prior.sigma_df)[0]
    links = rng.random(_DRAWS) < LINKS_BELIEVED["skewed"]
    found = []
    for risk in risks:
        at = np.where(links, marginal_location(risk, sigma / spread, "skewed"),
                      marginal_location(risk, sigma / spread, "logit"))
        found.append(capacity + spread * (tau - heat + at))
    return np.column_stack(found)


def three_loads(memory, wax, fragrance, *, limit_grade=2, seed=1):
    """Three loads (% of wax) for the test batches of a new fragrance in a wax: one that most such
    fragrances keep dry, one that most do not, and one halfway."""
    at_risk, half = foreseen(memory, wax, fragrance, (0.05, 0.5), limit_grade, seed).T
    low = max(float(np.quantile(at_risk, _LOW)) - _LOW_BY, _LOWEST)
    high = max(float(np.quantile(half, _HIGH)), low + 2.0 * _LEAST_STEP)
    return tuple(round(v, 1) for v in (low, 0.5 * (low + high), high))

"""Profile-likelihood limits of a parameter or of a smooth function of the parameters.

A value t of the target belongs to the interval when the best log-likelihood that keeps the
target at t lies within a stated drop of the maximum (Venzon & Moolgavkar 1988; for the benchmark
dose, Crump 1984). A side on which the drop is never reached has no limit, and is reported as
infinite rather than cut off. Use parameters that stay finite along the profile (level and rise
over the range of the data rather than an asymptote): a ridge that runs off to infinity cannot be
followed.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from scentlab.maths.optimum import difference_gradient
from scentlab.results import FitError


@dataclass(frozen=True)
class Limits:
    """An interval: ``estimate``, ``lower`` and ``upper`` (infinite where open), ``drop``."""

    estimate: float
    lower: float
    upper: float
    drop: float


def likelihood_drop(confidence, sides=2):
    """How far the log-likelihood may lie below its maximum inside the interval.

    With ``sides`` 1 each limit alone holds with the confidence, with 2 both together.

    >>> round(likelihood_drop(0.95), 4), round(likelihood_drop(0.95, sides=1), 4)
    (1.9207, 1.3528)
    """
    if not 0.5 < confidence < 1.0:
        raise ValueError(f"confidence is {confidence:g}; give a share above 0.5 and below 1")
    both = confidence if sides == 2 else 2.0 * confidence - 1.0
    return float(0.5 * stats.chi2.ppf(both, 1))


def binomial_limits(hits, trials, confidence=0.95):
    """Exact limits of a chance from independent trials (Clopper & Pearson 1934).

    They hold at least as often as the confidence says, and none of n seen is not never.

    Parameters
    ----------
    hits : number or array. Simulated series whose blends are alike count as one trial each, and a
        part of a hit is then the share of its blends. trials : int.

    Returns
    -------
    (lower, upper), floats or arrays.

    >>> [round(x, 4) for x in binomial_limits(0, 20)]
    [0.0, 0.1684]
    """
    hits, tail = np.asarray(hits, dtype=float), 0.5 - confidence / 2.0
    if not 0.0 < confidence < 1.0 or np.any((hits < 0) | (hits > trials)) or not trials > 0:
        raise ValueError(
            f"{hits} hits of {trials} trials with confidence {confidence:g}; give 0 to all of 1 or "
            "more trials, and a confidence between 0 and 1"
        )
    with np.errstate(invalid="ignore"):
        lower = np.where(hits == 0, 0.0, stats.beta.ppf(tail, hits, trials - hits + 1.0))
        upper = np.where(hits == trials, 1.0, stats.beta.ppf(1.0 - tail, hits + 1.0, trials - hits))
    return (float(lower), float(upper)) if hits.ndim == 0 else (lower, upper)


def profile_limits(function, peak, target, *, confidence=0.95, sides=2, drop=None, doublings=24):
    """Profile-likelihood interval.

    Parameters
    ----------
    function : callable of a point (p,), giving the log-likelihood and its gradient (p,).
    peak : array (p,), where it is highest.
    target : int, the parameter of that place, or a callable of a point giving the value of a
        smooth function and its gradient (p,).
    confidence, sides : as in :func:`likelihood_drop`; ``drop`` takes their place when given,
        such as 0.5 n log(1 + t**2 / df) for a normal response with its variance profiled out.
    doublings : int, how often the search doubles its reach, from one standard error, before a
        side counts as open.

    Returns
    -------
    Limits

    Raises
    ------
    FitError when ``peak`` is not a maximum or the profile cannot be followed.

    >>> import numpy as np
    >>> normal = lambda x: (-0.5 * x @ x, -x)
    >>> found = profile_limits(normal, np.zeros(2), 0)
    >>> round(found.lower, 4), round(found.upper, 4)
    (-1.96, 1.96)
    """
    peak = np.asarray(peak, dtype=float)
    drop = likelihood_drop(confidence, sides) if drop is None else float(drop)
    target = _parameter(target, len(peak)) if isinstance(target, (int, np.integer)) else target
    profile = _Profile(function, peak, target)
    lower, upper = (profile.limit(side, drop, doublings) for side in (-1.0, 1.0))
    return Limits(profile.estimate, lower, upper, drop)


def _parameter(place, size):
    unit = np.eye(size)[place]
    return lambda point: (float(point[place]), unit)


@dataclass
class _Profile:
    """The likelihood with the target held, from the peak outwards."""

    function: Callable
    peak: np.ndarray
    target: Callable

    def __post_init__(self):
        self.top = float(self.function(self.peak)[0])
        estimate, slope = self.target(self.peak)
        self.estimate = float(estimate)
        unit = self._unit(self.peak)
        if unit is None:
            raise FitError(
                "the point given to the profile is no peak of the likelihood; fit again or "
                "use a prior"
            )
        self.error = float(np.linalg.norm(unit.T @ np.asarray(slope, dtype=float)))
        if not self.error > 0:
            raise FitError("the target does not depend on the parameters at the peak")

    def _gradients(self, points):
        return np.array([self.function(p)[1] for p in points])

    def _unit(self, point, least=None):
        """Steps (p, p) of about one standard error each, so that scales do not matter.

        None where the likelihood does not curve down, unless a ``least`` share of the largest
        curvature is put in.
        """
        values, vectors = np.linalg.eigh(-difference_gradient(self._gradients, point))
        if least is None and not np.all(values > 0):
            return None
        values = np.abs(values)
        return vectors / np.sqrt(np.maximum(values, (least or 0.0) * values.max()))

    def fall(self, value, start):
        """How far the best likelihood with the target at ``value`` lies below the top, and where.

        Each round takes its steps from the curvature where it starts, since a bent ridge defeats
        those of the peak; it ends when nothing is left to climb along the held target.
        """
        point = start
        for _ in range(12):
            unit = self._unit(point, least=1e-12)
            point, done = self._round(value, point, unit)
            if done:
                return self.top - float(self.function(point)[0]), point
        raise FitError(
            f"the profile could not be followed to {value:g}: the likelihood there did not come "
            "to rest"
        )

    def _round(self, value, point, unit):
        """One constrained search from a point; the place found, and whether it is at rest."""

        def downhill(step):
            height, gradient = self.function(point + unit @ step)
            if not np.isfinite(height):
                return 1e10, np.zeros_like(step)
            return self.top - height, -unit.T @ gradient

        def gap(step):
            return (self.target(point + unit @ step)[0] - value) / self.error

        def gap_slope(step):
            return unit.T @ self.target(point + unit @ step)[1] / self.error

        step = optimize.minimize(
            downhill,
            np.zeros(len(point)),
            jac=True,
            method="SLSQP",
            constraints={"type": "eq", "fun": gap, "jac": gap_slope},
            options={"ftol": 1e-13, "maxiter": 200},
        ).x
        along, slope = gap_slope(step), downhill(step)[1]
        left = slope - along * (along @ slope) / max(along @ along, 1e-300)
        return point + unit @ step, bool(abs(gap(step)) < 1e-7 and np.linalg.norm(left) < 1e-4)

    def limit(self, side, drop, doublings):
        """The limit on one side (-1 or 1); infinite when the drop is not reached."""
        inner, place, reach = self.estimate, self.peak, self.error
        for _ in range(doublings):
            outer = self.estimate + side * reach
            fall, there = self.fall(outer, place)
            if fall >= drop:
                return self._cross(inner, outer, drop, place)
            inner, place, reach = outer, there, 2.0 * reach
        return side * np.inf

    def _cross(self, inner, outer, drop, place):
        known = {inner: -drop} if inner == self.estimate else {}

        def above(value):
            return known[value] if value in known else self.fall(value, place)[0] - drop

        return float(optimize.brentq(above, inner, outer, xtol=1e-10 * self.error, rtol=1e-13))

"""Linear mixed models with several groupings, nested or crossed, by REML or ML.

y = X beta + sum_k Z_k b_k + e, with b_k ~ N(0, (theta_k sigma)^2) and e ~ N(0, sigma^2). The
criterion is profiled over beta and sigma (Bates, Maechler, Bolker & Walker 2015), so that only
the relative standard deviations theta are searched. The cross products are formed once; each
evaluation then costs a factorisation of the size of the random effects.

The variances are found by Newton steps from the exact and the expected second derivatives (both
are nearly free once the gradient is known), each held at 0 or above.

Degrees of freedom are Satterthwaite's, so that what differs between pots is judged by the number
of pots and not by the number of scores.
"""

import copy
from dataclasses import dataclass

import numpy as np
from scipy import linalg, special

from scentlab.results import FitError

_MOST_STEPS = 200


@dataclass(frozen=True)
class MixedFit:
    """A fitted linear mixed model.

    Attributes
    ----------
    beta : array (p,), fixed effects, and ``covariance`` (p, p).
    theta : array (K,), standard deviations of the groupings relative to sigma.
    variances : array (K + 1,), of the groupings and, last, the residual.
    criterion : float, -2 log of the (restricted) likelihood.
    effects : tuple of arrays, the predicted effects of each grouping.
    reml : bool
    """

    beta: np.ndarray
    covariance: np.ndarray
    theta: np.ndarray
    variances: np.ndarray
    criterion: float
    effects: tuple
    reml: bool


class MixedProblem:
    """Data of a linear mixed model, with cross products formed once.

    Parameters
    ----------
    y : array (n,). x : array (n, p) of full rank. groups : list of int arrays (n,), the level of
        each observation in each grouping, 0 ... levels - 1. slopes : list of None or array (n,),
        what the effects of each grouping are multiplied by (None: by 1).
    """

    def __init__(self, y, x, groups, slopes=None):
        self.y = np.asarray(y, dtype=float)
        self.levels = [int(g.max()) + 1 for g in groups]
        z = np.zeros((len(self.y), sum(self.levels)))
        offset = 0
        for g, size, slope in zip(groups, self.levels, slopes or [None] * len(groups), strict=True):
            z[np.arange(len(z)), offset + np.asarray(g)] = 1.0 if slope is None else slope
            offset += size
        self.z, self.ztz, self.zty = z, z.T @ z, z.T @ self.y
        self.yty = self.y @ self.y
        self._take(x)

    def with_fixed(self, x):
        """The same scores and groupings with other fixed effects x (n, p)."""
        other = copy.copy(self)
        other._take(x)
        return other

    def _take(self, x):
        self.x = np.asarray(x, dtype=float)
        self.n, self.p = self.x.shape
        if self.n <= self.p:
            raise FitError(
                f"{self.n} scores cannot settle {self.p} fixed effects; score more pieces"
            )
        if np.linalg.matrix_rank(self.x) < self.p:
            raise FitError(
                "the loads and blends scored cannot tell the fixed effects apart; every blend "
                "needs scores at two loads at least"
            )
        self.ztx = self.z.T @ self.x
        self.xtx, self.xty = self.x.T @ self.x, self.x.T @ self.y

    @property
    def starts(self):
        """Where the effects of each grouping begin."""
        return np.concatenate([[0], np.cumsum(self.levels)[:-1]]).astype(int)

    def solve(self, theta):
        """Profiled pieces at relative standard deviations theta (K,)."""
        scale, lower, log_det, hy = self._factor(theta)
        hx = _forward(lower, scale[:, None] * self.ztx)
        information = self.xtx - hx.T @ hx
        root = linalg.cholesky(information, lower=True, check_finite=False)
        right = self.xty - hx.T @ hy
        beta = linalg.cho_solve((root, True), right, check_finite=False)
        residual = self.yty - hy @ hy - beta @ right
        log_det_x = 2.0 * np.log(np.diag(root)).sum()
        return _Solved(beta, information, residual, log_det, log_det_x, lower, hx, hy, scale)

    def _factor(self, theta):
        scale = np.repeat(np.asarray(theta, dtype=float), self.levels)
        a = scale[:, None] * self.ztz * scale
        a.flat[:: len(a) + 1] += 1.0
        lower = linalg.cholesky(a, lower=True, overwrite_a=True, check_finite=False)
        log_det = 2.0 * np.log(np.diag(lower)).sum()
        return scale, lower, log_det, _forward(lower, scale * self.zty)

    def likelihood_of_fixed(self, theta):
        """-2 log of the full likelihood as a function of the fixed effects' columns (n, p).

        With theta held the random effects are factorised once, however many columns are tried.
        """
        scale, lower, log_det, hy = self._factor(theta)

        def value(x):
            hx = _forward(lower, scale[:, None] * (self.z.T @ x))
            right = x.T @ self.y - hx.T @ hy
            beta = np.linalg.solve(x.T @ x - hx.T @ hx, right)
            residual = self.yty - hy @ hy - beta @ right
            return log_det + self.n * (1.0 + np.log(2.0 * np.pi * residual / self.n))

        return value

    def criterion(self, theta, reml=True):
        """-2 log of the restricted (or full) likelihood, profiled over beta and sigma."""
        return self._criterion(self.solve(theta), reml)

    def _criterion(self, s, reml):
        df = self.n - self.p if reml else self.n
        value = s.log_det + df * (1.0 + np.log(2.0 * np.pi * s.residual / df))
        return value + (s.log_det_x if reml else 0.0)

    def expansion(self, ratio, reml=True):
        """The criterion at variances ``ratio`` (K,) relative to sigma^2, and its derivatives.

        Returns
        -------
        (value, gradient (K,), Hessian (K, K), expected Hessian (K, K))
        """
        s = self.solve(np.sqrt(ratio))
        df = self.n - self.p if reml else self.n
        # With W = V / sigma^2: Z'W^-1 Z, Z'W^-1 X and Z'W^-1 (y - X beta), from the factor, and
        # Z'PZ with P = W^-1 - W^-1 X (X'W^-1 X)^-1 X'W^-1.
        half = _forward(s.lower, s.scale[:, None] * self.ztz)
        whole = self.ztz - half.T @ half
        wx = self.ztx - half.T @ s.hx
        we = (self.zty - half.T @ s.hy) - wx @ s.beta
        inner = whole - wx @ linalg.solve(s.information, wx.T, assume_a="pos", check_finite=False)
        seen = inner if reml else whole
        trace, square = self._sums(np.diag(seen)), self._sums(self._sums(seen**2).T)
        fitted = self._sums(we**2) / s.residual
        moved = self._sums(self._sums(we[:, None] * inner * we).T) / s.residual
        slope = trace - df * fitted
        hessian = df * (2.0 * moved - np.outer(fitted, fitted)) - square
        expected = square - np.outer(trace, trace) / df
        return self._criterion(s, reml), slope, hessian, expected

    def _sums(self, values):
        """Sums over the effects of each grouping along the first axis."""
        return np.add.reduceat(values, self.starts, axis=0)

    def seen_through(self, theta):
        """Z'W^-1 Z and Z'W^-1 X at theta, with W = V / sigma^2."""
        s = self.solve(theta)
        half = _forward(s.lower, s.scale[:, None] * self.ztz)
        return self.ztz - half.T @ half, self.ztx - half.T @ s.hx


def _forward(lower, right):
    return linalg.solve_triangular(lower, right, lower=True, check_finite=False)


@dataclass(frozen=True)
class _Solved:
    beta: np.ndarray
    information: np.ndarray
    residual: float
    log_det: float
    log_det_x: float
    lower: np.ndarray
    hx: np.ndarray
    hy: np.ndarray
    scale: np.ndarray


def fit_mixed(problem, reml=True, start=None, precise=True):
    """Fit by REML (or ML).

    ``precise`` False stops where the criterion is settled to about 1e-6, which is enough to
    compare shapes and to start another fit from.

    Returns
    -------
    MixedFit

    Raises
    ------
    FitError when the scores fit exactly, so that there is no error to measure.
    """
    count = len(problem.levels)
    if problem.solve(np.zeros(count)).residual <= 1e-10 * max(problem.yty, 1e-300):
        raise FitError("the scores fit the loads exactly: there is no error to measure")
    theta = np.zeros(0)
    if count:
        theta = _search(problem, reml, np.ones(count) if start is None else start, precise)
    s = problem.solve(theta)
    df = problem.n - problem.p if reml else problem.n
    residual = s.residual / df
    covariance = residual * np.linalg.inv(s.information)
    spherical = linalg.solve_triangular(s.lower.T, s.hy - s.hx @ s.beta, lower=False)
    pieces = np.split(s.scale * spherical, np.cumsum(problem.levels)[:-1]) if count else []
    return MixedFit(
        s.beta,
        covariance,
        theta,
        np.append(theta**2, 1.0) * residual,
        float(problem.criterion(theta, reml)),
        tuple(pieces),
        reml,
    )


def _search(problem, reml, start, precise):
    """Minimise over theta >= 0; a theta that does not matter is put to exactly 0."""
    best = np.sqrt(_descend(problem, reml, np.square(start), 1e-13 if precise else 1e-8))
    value = problem.criterion(best, reml)
    for k in np.argsort(best):
        trial = best.copy()
        trial[k] = 0.0
        if 0.0 < best[k] < 0.05 and problem.criterion(trial, reml) <= value + 1e-8:
            best, value = trial, min(value, problem.criterion(trial, reml))
    return best


def _descend(problem, reml, ratio, enough):
    """The variances relative to sigma^2, none below 0, by Newton steps of the criterion.

    Where the criterion bends the wrong way its expected bend serves (Fisher's scoring). Ends
    where a step promises less than ``enough`` of the criterion.
    """
    value, slope, bend, expected = problem.expansion(ratio, reml)
    for _ in range(_MOST_STEPS):
        step = _step(slope, bend, expected, (ratio > 0.0) | (slope < 0.0))
        if -slope @ step < enough:
            break
        for share in 0.5 ** np.arange(30):
            there = np.maximum(ratio + share * step, 0.0)
            found = problem.expansion(there, reml)
            if found[0] <= value + 1e-4 * slope @ (there - ratio):
                break
        else:
            break
        ratio, (value, slope, bend, expected) = there, found
    return ratio


def _step(slope, bend, expected, free):
    """Newton's step of the free variances; those at 0 that would fall stay."""
    step = np.zeros(len(slope))
    if not free.any():
        return step
    own = np.ix_(free, free)
    for curvature in (bend[own], expected[own]):
        try:
            step[free] = -linalg.cho_solve(linalg.cho_factor(curvature), slope[free])
            return step
        except np.linalg.LinAlgError:
            continue
    step[free] = -slope[free] / np.maximum(np.diag(expected)[free], 1e-300)
    return step


def variance_covariance(problem, fit):
    """Covariance (K + 1, K + 1) of the variances, from their expected information by REML.

    A variance that was put to 0 is kept in: it is not known to be 0, and leaving it out would
    lend the scores of a pot the freedom of independent ones. In a balanced plan the expected
    information at the estimate is that of the mean squares, 2 MS^2 / df each.
    """
    error, groups = fit.variances[-1], fit.variances[:-1]
    if not len(groups):
        return np.array([[2.0 * error**2 / (problem.n - problem.p)]])
    zz, zx = problem.seen_through(fit.theta)
    inner = (zz - zx @ (fit.covariance / error) @ zx.T) / error  # Z'PZ
    starts = problem.starts
    squared = np.add.reduceat(np.add.reduceat(inner**2, starts, axis=0), starts, axis=1)
    trace = np.add.reduceat(np.diag(inner), starts)
    # P = P V P gives the traces with the residual from those of the groupings.
    with_error = (trace - squared @ groups) / error
    trace_p = (problem.n - problem.p - groups @ trace) / error
    corner = (trace_p - groups @ with_error) / error
    information = np.block([[squared, with_error[:, None]], [with_error[None, :], corner]]) / 2.0
    return np.linalg.pinv(information, rcond=1e-10, hermitian=True)


def satterthwaite(problem, fit, contrast):
    """A contrast of the fixed effects with its denominator degrees of freedom.

    df = 2 f^2 / (g' A g), with f the variance of the contrast, g its slope in the variances and
    A their covariance (Satterthwaite 1946; Giesbrecht & Burns 1985).

    Parameters
    ----------
    problem : MixedProblem. fit : MixedFit of it by REML. contrast : array (p,) or (c, p).

    Returns
    -------
    (estimate, se, df) : floats, or arrays (c,). df is 1 at least and n - p at most.
    """
    contrasts = np.atleast_2d(np.asarray(contrast, dtype=float))
    error, groups = fit.variances[-1], fit.variances[:-1]
    through = contrasts @ fit.covariance
    variance = np.sum(through * contrasts, axis=1)
    slopes = np.empty((len(contrasts), len(groups) + 1))
    if len(groups):
        _, zx = problem.seen_through(fit.theta)
        slopes[:, :-1] = np.add.reduceat((through @ zx.T / error) ** 2, problem.starts, axis=1)
    slopes[:, -1] = (variance - slopes[:, :-1] @ groups) / error
    df = _freedom(variance, slopes, variance_covariance(problem, fit), problem.n - problem.p)
    found = contrasts @ fit.beta, np.sqrt(variance), df
    return tuple(float(v[0]) for v in found) if np.ndim(contrast) == 1 else found


def combined_variance(variances, covariance, weights):
    """Weighted sums of variances with Satterthwaite's degrees of freedom.

    Parameters
    ----------
    variances : array (K + 1,). covariance : that of :func:`variance_covariance`.
    weights : array (..., K + 1), not negative.

    Returns
    -------
    (sum, df) : arrays (...,)

    >>> found = combined_variance(np.array([4.0]), np.array([[2 * 16.0 / 9]]), np.array([0.5]))
    >>> [float(v) for v in found]
    [2.0, 9.0]
    """
    total = weights @ variances
    return total, _freedom(total, weights, covariance, np.inf)


def _freedom(variance, slopes, covariance, most):
    spread = np.einsum("...i,ij,...j->...", slopes, covariance, slopes)
    return np.clip(2.0 * variance**2 / np.maximum(spread, 1e-300), 1.0, most)


def least_difference(se, df, power=0.8, alpha=0.05):
    """The least true difference that a two-sided t test finds with the stated power.

    se : standard error of the difference, with df degrees of freedom; arrays broadcast. From the
    noncentral t distribution, the far tail left out.

    >>> round(float(least_difference(1.0, 38)), 4)
    2.8749
    """
    critical = special.stdtrit(df, 1.0 - alpha / 2.0)
    return se * special.nctdtrinc(df, 1.0 - power, critical)

"""Linear mixed models with several groupings, nested or crossed, by REML or ML.

y = X beta + sum_k Z_k b_k + e, with b_k ~ N(0, (theta_k sigma)^2) and e ~ N(0, sigma^2). The
criterion is profiled over beta and sigma (Bates, Maechler, Bolker & Walker 2015), so that only
the relative standard deviations theta are searched. The cross products are formed once; each
evaluation then costs a factorisation of the size of the random effects less the largest grouping.

The variances are found by Newton steps with average information, each held at 0 or above.

Degrees of freedom are Satterthwaite's, so that what differs between pots is judged by the number
of pots and not by the number of scores.
"""

import copy
from dataclasses import dataclass

import numpy as np
from scipy import linalg, sparse

from scentlab.results import FitError

_MOST_STEPS = 200
# Above so many entries, most of them 0, a block of Z'Z is multiplied as a sparse one.
_SPARSE_FROM = 20_000


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


class Groupings:
    """The columns Z of the random effects and Z'Z.

    The largest grouping is eliminated first: its own block of Z'Z is diagonal, so that a factor
    costs the cube of the other effects only.

    Parameters
    ----------
    groups : list of int arrays (n,), the level of each observation in each grouping,
        0 ... levels - 1. slopes : list of None or array (n,), what the effects of each grouping
        are multiplied by (None: by 1). n : int, observations.
    """

    def __init__(self, groups, slopes, n):
        self.levels = [int(g.max()) + 1 for g in groups]
        self.z = effect_columns(groups, slopes, n)
        self.zt = self.z.T
        self.ztz = (self.zt @ self.z).toarray()
        self.starts = np.cumsum([0, *self.levels])[:-1].astype(int)
        k = int(np.argmax(self.levels)) if groups else 0
        size = self.levels[k] if groups else 0
        self.own = np.arange(size) + (self.starts[k] if groups else 0)
        self.rest = np.setdiff1d(np.arange(len(self.ztz)), self.own)
        self.diagonal = np.diag(self.ztz)[self.own]
        self.across = self.ztz[np.ix_(self.own, self.rest)]
        self.inner = self.ztz[np.ix_(self.rest, self.rest)]
        self.down = self.across.T
        if self.across.size > _SPARSE_FROM:
            self.down = sparse.csr_array(self.across.T)

    def factor(self, theta):
        """The :class:`Factor` at standard deviations theta (K,) relative to the error's."""
        scale = np.repeat(np.asarray(theta, dtype=float), self.levels)
        squared, second = scale[self.own] ** 2, scale[self.rest]
        more = 1.0 + squared * self.diagonal
        weight = squared / more
        a = self.inner - self.down @ (weight[:, None] * self.across)
        a *= second[:, None] * second
        a.flat[:: len(a) + 1] += 1.0
        lower = _cholesky(a)
        log_det = np.log(more).sum() + 2.0 * np.log(np.diag(lower)).sum()
        return Factor(self, weight, second, lower, float(log_det))

    def sums(self, values):
        """Sums over the effects of each grouping along the first axis."""
        return np.add.reduceat(values, self.starts, axis=0)

    def apart(self, values):
        """A vector (q,) over the effects as columns (q, K), one for each grouping."""
        grouping = np.repeat(np.arange(len(self.levels)), self.levels)
        return np.where(grouping[:, None] == np.arange(len(self.levels)), values[:, None], 0.0)


def effect_columns(groups, slopes, n):
    """The columns (n, q) of random effects, sparse; see :class:`Groupings`."""
    levels = [int(g.max()) + 1 for g in groups]
    places = np.empty((n, len(groups)), dtype=int)
    entries = np.ones((n, len(groups)))
    for k, (group, slope) in enumerate(zip(groups, slopes, strict=True)):
        places[:, k] = group + sum(levels[:k])
        if slope is not None:
            entries[:, k] = slope
    rows = len(groups) * np.arange(n + 1)
    return sparse.csr_array((entries.ravel(), places.ravel(), rows), shape=(n, sum(levels)))


@dataclass(frozen=True)
class Factor:
    """W = I + Z diag(theta^2) Z', factorised; ``log_det`` is its log determinant."""

    groupings: Groupings
    weight: np.ndarray
    second: np.ndarray
    lower: np.ndarray
    log_det: float

    def forward(self, zr):
        """h (q, m) of Z'R (q, m), with R'W^-1 R = R'R - h'h."""
        g, h = self.groupings, np.empty(zr.shape)
        own = zr[g.own]
        h[g.own] = np.sqrt(self.weight)[:, None] * own
        left = zr[g.rest] - g.down @ (self.weight[:, None] * own)
        if len(left):
            left *= self.second[:, None]
            h[g.rest] = linalg.lapack.dtrtrs(self.lower, left, lower=True, overwrite_b=True)[0]
        return h

    def effects(self, h):
        """The predicted effects (q,) from h (q,), the forward of Z'(y - X beta)."""
        g, found = self.groupings, np.empty(len(h))
        found[g.rest] = self.second * linalg.solve_triangular(
            self.lower.T, h[g.rest], lower=False, check_finite=False
        )
        found[g.own] = np.sqrt(self.weight) * h[g.own]
        found[g.own] -= self.weight * (g.across @ found[g.rest])
        return found


def _cholesky(a):
    """The lower factor of a symmetric matrix, by LAPACK itself: checks would cost more than it."""
    if not len(a):
        return a
    lower, failed = linalg.lapack.dpotrf(a.T, lower=True, clean=True, overwrite_a=True)
    if failed:
        raise np.linalg.LinAlgError("the variances leave a matrix that is not positive definite")
    return lower


class MixedProblem:
    """Data of a linear mixed model, with cross products formed once.

    Parameters
    ----------
    y : array (n,). x : array (n, p) of full rank. groups, slopes : see :class:`Groupings`.
    """

    def __init__(self, y, x, groups, slopes=None):
        self.y = np.asarray(y, dtype=float)
        self.groupings = Groupings(groups, slopes or [None] * len(groups), len(self.y))
        self.levels = self.groupings.levels
        self.zty = self.groupings.zt @ self.y
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
        self.ztx = self.groupings.zt @ self.x
        self.xtx, self.xty = self.x.T @ self.x, self.x.T @ self.y

    def solve(self, theta):
        """Profiled pieces at relative standard deviations theta (K,)."""
        factor = self.groupings.factor(theta)
        h = factor.forward(np.column_stack([self.ztx, self.zty]))
        hx, hy = h[:, :-1], h[:, -1]
        information = self.xtx - hx.T @ hx
        root = linalg.cholesky(information, lower=True, check_finite=False)
        right = self.xty - hx.T @ hy
        beta = linalg.cho_solve((root, True), right, check_finite=False)
        residual = self.yty - hy @ hy - beta @ right
        log_det_x = 2.0 * np.log(np.diag(root)).sum()
        return _Solved(beta, information, residual, log_det_x, factor, hx, hy)

    def criterion(self, theta, reml=True):
        """-2 log of the restricted (or full) likelihood, profiled over beta and sigma."""
        return self._criterion(self.solve(theta), reml)

    def _criterion(self, s, reml):
        df = self.n - self.p if reml else self.n
        value = s.factor.log_det + df * (1.0 + np.log(2.0 * np.pi * s.residual / df))
        return value + (s.log_det_x if reml else 0.0)

    def expansion(self, ratio, reml=True):
        """The criterion at variances ``ratio`` (K,) relative to sigma^2, its slope and its bend.

        The bend is the average of the observed and the expected one (Gilmour, Thompson & Cullis
        1995), which needs no square of the inverse and is never negative.

        Returns
        -------
        (value, slope (K,), bend (K, K))
        """
        s, g = self.solve(np.sqrt(ratio)), self.groupings
        df = self.n - self.p if reml else self.n
        # With W = V / sigma^2: Z'W^-1 X and Z'W^-1 (y - X beta), and of Z'W^-1 Z the diagonal.
        half = s.factor.forward(g.ztz)
        wx = self.ztx - half.T @ s.hx
        we = (self.zty - half.T @ s.hy) - wx @ s.beta
        seen = np.diag(g.ztz) - np.einsum("ij,ij->j", half, half)
        through = linalg.solve(s.information, wx.T, assume_a="pos", check_finite=False)
        if reml:
            seen = seen - np.sum(wx * through.T, axis=1)
        trace, fitted = g.sums(seen), g.sums(we**2) / s.residual
        apart = g.apart(we)
        moved, fixed = half @ apart, wx.T @ apart
        moved = apart.T @ (g.ztz @ apart) - moved.T @ moved - fixed.T @ (through @ apart)
        bend = df * (moved / s.residual - np.outer(fitted, fitted))
        return self._criterion(s, reml), trace - df * fitted, bend

    def seen_through(self, theta):
        """Z'W^-1 Z and Z'W^-1 X at theta, with W = V / sigma^2."""
        s, ztz = self.solve(theta), self.groupings.ztz
        half = s.factor.forward(ztz)
        return ztz - half.T @ half, self.ztx - half.T @ s.hx


@dataclass(frozen=True)
class _Solved:
    beta: np.ndarray
    information: np.ndarray
    residual: float
    log_det_x: float
    factor: Factor
    hx: np.ndarray
    hy: np.ndarray


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
    effects = s.factor.effects(s.hy - s.hx @ s.beta)
    pieces = np.split(effects, np.cumsum(problem.levels)[:-1]) if count else []
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

    Ends where a step promises less than ``enough`` of the criterion.
    """
    value, slope, bend = problem.expansion(ratio, reml)
    for _ in range(_MOST_STEPS):
        step = newton_step(slope, bend, (ratio > 0.0) | (slope < 0.0))
        if -slope @ step < enough:
            break
        for share in 0.5 ** np.arange(30):
            there = np.maximum(ratio + share * step, 0.0)
            found = problem.expansion(there, reml)
            if found[0] <= value + 1e-4 * slope @ (there - ratio):
                break
        else:
            break
        ratio, (value, slope, bend) = there, found
    return ratio


def newton_step(slope, bend, free):
    """Newton's step (K,) of what is free (K,); what is held at a bound stays."""
    step = np.zeros(len(slope))
    if free.any():
        own = bend[np.ix_(free, free)]
        ridge = np.diag(1e-10 * np.diag(own) + 1e-300)
        step[free] = -linalg.lstsq(own + ridge, slope[free], check_finite=False)[0]
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
    starts = problem.groupings.starts
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
        slopes[:, :-1] = problem.groupings.sums((zx @ through.T / error) ** 2).T
    slopes[:, -1] = (variance - slopes[:, :-1] @ groups) / error
    df = _freedom(variance, slopes, variance_covariance(problem, fit), problem.n - problem.p)
    found = contrasts @ fit.beta, np.sqrt(variance), df
    return tuple(float(v[0]) for v in found) if np.ndim(contrast) == 1 else found


def _freedom(variance, slopes, covariance, most):
    spread = np.einsum("...i,ij,...j->...", slopes, covariance, slopes)
    return np.clip(2.0 * variance**2 / np.maximum(spread, 1e-300), 1.0, most)

"""Linear mixed models with several groupings, nested or crossed, by REML or ML.

y = X beta + sum_k Z_k b_k + e, with b_k ~ N(0, (theta_k sigma)^2) and e ~ N(0, sigma^2). The
criterion is profiled over beta and sigma (Bates, Maechler, Bolker & Walker 2015), so that only
the relative standard deviations theta are searched. The cross products are formed once; each
evaluation then costs a factorisation of the size of the random effects.
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize

from scentlab.results import FitError


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
        each observation in each grouping, 0 ... levels - 1.
    """

    def __init__(self, y, x, groups):
        self.y, self.x = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
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
        self.levels = [int(g.max()) + 1 for g in groups]
        z = np.zeros((self.n, sum(self.levels)))
        offset = 0
        for g, size in zip(groups, self.levels, strict=True):
            z[np.arange(self.n), offset + np.asarray(g)] = 1.0
            offset += size
        self.ztz, self.ztx, self.zty = z.T @ z, z.T @ self.x, z.T @ self.y
        self.xtx, self.xty, self.yty = self.x.T @ self.x, self.x.T @ self.y, self.y @ self.y

    def solve(self, theta):
        """Profiled pieces at relative standard deviations theta (K,)."""
        scale = np.repeat(np.asarray(theta, dtype=float), self.levels)
        a = scale[:, None] * self.ztz * scale
        a[np.diag_indices_from(a)] += 1.0
        lower = linalg.cholesky(a, lower=True, check_finite=False)
        right = scale[:, None] * np.column_stack([self.ztx, self.zty])
        half = linalg.solve_triangular(lower, right, lower=True, check_finite=False)
        hx, hy = half[:, :-1], half[:, -1]
        information = self.xtx - hx.T @ hx
        root = linalg.cholesky(information, lower=True, check_finite=False)
        beta = linalg.cho_solve((root, True), self.xty - hx.T @ hy, check_finite=False)
        residual = self.yty - hy @ hy - beta @ (self.xty - hx.T @ hy)
        log_det = 2.0 * np.log(np.diag(lower)).sum()
        log_det_x = 2.0 * np.log(np.diag(root)).sum()
        return _Solved(beta, information, residual, log_det, log_det_x, lower, hx, hy, scale)

    def criterion(self, theta, reml=True):
        """-2 log of the restricted (or full) likelihood, profiled over beta and sigma."""
        return self._criterion(self.solve(theta), reml)

    def _criterion(self, s, reml):
        df = self.n - self.p if reml else self.n
        value = s.log_det + df * (1.0 + np.log(2.0 * np.pi * s.residual / df))
        return value + (s.log_det_x if reml else 0.0)

    def criterion_and_slope(self, theta, reml=True):
        """The criterion and its gradient (K,) in theta."""
        s = self.solve(theta)
        df = self.n - self.p if reml else self.n
        # With W = V / sigma^2: Z'W^-1 Z, Z'W^-1 X and Z'W^-1 (y - X beta), from the factor.
        half = linalg.solve_triangular(
            s.lower, s.scale[:, None] * self.ztz, lower=True, check_finite=False
        )
        own = np.diag(self.ztz) - (half**2).sum(axis=0)
        wx = self.ztx - half.T @ s.hx
        we = (self.zty - half.T @ s.hy) - wx @ s.beta
        each = own - df * we**2 / s.residual
        if reml:
            each = each - (wx * np.linalg.solve(s.information, wx.T).T).sum(axis=1)
        starts = np.concatenate([[0], np.cumsum(self.levels)[:-1]]).astype(int)
        return self._criterion(s, reml), 2.0 * np.asarray(theta) * np.add.reduceat(each, starts)


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


def fit_mixed(problem, reml=True, start=None):
    """Fit by REML (or ML).

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
        theta = _search(problem, reml, np.ones(count) if start is None else start)
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


def _search(problem, reml, start):
    """Minimise over theta >= 0; a theta that does not matter is put to exactly 0."""
    found = optimize.minimize(
        lambda t: problem.criterion_and_slope(t, reml),
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=[(0.0, None)] * len(start),
        options={"ftol": 1e-15, "gtol": 1e-8, "maxiter": 500},
    )
    best, value = found.x, found.fun
    for k in np.argsort(best):
        trial = best.copy()
        trial[k] = 0.0
        if best[k] < 0.05 and problem.criterion(trial, reml) <= value + 1e-8:
            best, value = trial, min(value, problem.criterion(trial, reml))
    return best

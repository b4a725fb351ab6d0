"""Cumulative-link models with two crossed groupings, such as pots and the assessors who graded.

P(Y <= j) = F(theta_j - x'beta - sigma_1 z_g - sigma_2 z_h). With crossed groups the integral does
not fall into single ones, so it is taken by the Laplace approximation at the joint peak of all
effects (Breslow & Clayton 1993; Tierney & Kadane 1986): good when each group has many looks.
"""

from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize

from scentlab.maths.ordinal import cell_terms, count_looks
from scentlab.results import FitError


@dataclass(frozen=True)
class CrossedFit:
    """A fit with two groupings.

    Attributes
    ----------
    thresholds : array (K - 1,), beta : array (p,), sigmas : array (2,), of the two groupings.
    log_likelihood : float, by the Laplace approximation.
    effects : pair of arrays, each group's effect on the scale of eta, in the order of ``labels``.
    labels : pair of arrays.
    """

    thresholds: np.ndarray
    beta: np.ndarray
    sigmas: np.ndarray
    log_likelihood: float
    effects: tuple
    labels: tuple


class CrossedProblem:
    """Looks with two groupings, reduced to counts per cell.

    Parameters
    ----------
    grades : int array (n,), 0 ... n_grades - 1. design : array (n, p), without intercept.
    first, second : arrays (n,) of labels.
    """

    def __init__(self, grades, design, first, second, n_grades, link="logit"):
        self.link = link
        first_labels, first_index = np.unique(np.asarray(first), return_inverse=True)
        second_labels, second_index = np.unique(np.asarray(second), return_inverse=True)
        self.labels = (first_labels, second_labels)
        pair = first_index * len(second_labels) + second_index
        self.data = count_looks(grades, design, pair, n_grades)
        cell_pair = self.data.groups[self.data.cell_group]
        self.first, self.second = np.divmod(cell_pair, len(second_labels))
        self.sizes = (len(first_labels), len(second_labels))

    def peak(self, theta, eta, sigmas, start=None):
        """Joint peak of the effects: (height, log determinant of the curvature, effects z)."""
        g, h = self.sizes
        z = np.zeros(g + h) if start is None else start.copy()
        places = np.column_stack([self.first, g + self.second])
        scale = np.asarray(sigmas, dtype=float)
        for _ in range(60):
            shift = scale[0] * z[self.first] + scale[1] * z[g + self.second]
            value, slope, bend = cell_terms(self.data, theta, eta + shift, self.link)
            gradient = -z.copy()
            curvature = np.eye(g + h)
            for a in range(2):
                np.add.at(gradient, places[:, a], scale[a] * slope)
                for b in range(2):
                    np.add.at(curvature, (places[:, a], places[:, b]), -scale[a] * scale[b] * bend)
            root = linalg.cho_factor(curvature, lower=True)
            step = linalg.cho_solve(root, gradient)
            z = z + np.clip(step, -2.0, 2.0)
            if np.max(np.abs(step)) < 1e-9:
                break
        log_det = 2.0 * np.log(np.diag(root[0])).sum()
        return value.sum() - 0.5 * z @ z, log_det, z

    def log_likelihood(self, theta, beta, sigmas, start=None):
        """Laplace approximation of the marginal log-likelihood, and the effects z at the peak."""
        height, log_det, z = self.peak(theta, self.data.design @ beta, sigmas, start)
        return float(height - 0.5 * log_det), z


def fit_crossed(problem):
    """Fit by maximum likelihood under the Laplace approximation.

    Raises
    ------
    FitError when a grade was never seen or the search does not come to rest.
    """
    counts = problem.data.counts.sum(axis=0)
    if np.any(counts == 0):
        raise FitError(
            f"grade {int(np.argmin(counts))} was never seen, so its threshold has no finite "
            "estimate; join it with its neighbour"
        )
    k, p = len(counts) - 1, problem.data.design.shape[1]
    share = np.cumsum(counts)[:-1] / counts.sum()
    cut = np.log(share / (1.0 - share))
    start = np.concatenate([cut[:1], np.log(np.diff(cut)), np.zeros(p), [-0.5, -0.5]])
    memory = {}

    def natural(free):
        theta = np.concatenate([free[:1], free[0] + np.cumsum(np.exp(free[1:k]))])
        return theta, free[k : k + p], np.exp(free[k + p :])

    def downhill(free):
        if np.any(np.abs(free[1:k]) > 8) or np.any(np.abs(free[k + p :]) > 8):
            return 1e10
        value, memory["z"] = problem.log_likelihood(*natural(free), memory.get("z"))
        return -value

    found = optimize.minimize(downhill, start, method="BFGS", options={"gtol": 1e-4})
    if np.max(np.abs(found.jac)) > 1e-2:
        raise FitError(
            "the fit with two groupings did not come to rest; look for groups whose looks all "
            "have one grade, or leave one grouping out"
        )
    theta, beta, sigmas = natural(found.x)
    value, z = problem.log_likelihood(theta, beta, sigmas, memory["z"])
    g = problem.sizes[0]
    return CrossedFit(
        theta, beta, sigmas, value, (sigmas[0] * z[:g], sigmas[1] * z[g:]), problem.labels
    )

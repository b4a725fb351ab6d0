"""Are the grades as the cumulative model assumes? Likelihood-ratio tests on counts.

The proportional-odds assumption says that a covariate shifts all thresholds alike (nominal test
lets each threshold have its own effect), and that it leaves the spread of the latent scale alone
(scale test). Both after Christensen's treatment of cumulative link models; groups are ignored.
"""

from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from scentlab.maths.links import find_link, grade_terms
from scentlab.results import FitError

# A search towards infinity stops where the slope is gone, and with it the curvature (1e-6); one
# look at a grade of its own bends the likelihood by far more than this.
LEAST_CURVATURE = 1e-4


@dataclass(frozen=True)
class RatioTest:
    """A likelihood-ratio test: ``statistic``, ``df`` and ``p_value``."""

    statistic: float
    df: int
    p_value: float


def nominal_test(data, column, link="logit"):
    """Test that a column of the design shifts all thresholds alike.

    Parameters
    ----------
    data : Counts, design without intercept. column : int. link : name.

    Raises
    ------
    FitError when the grades are separated, so that the plain fit has no finite maximum.
    """
    n = data.counts.shape[1] - 1
    effects = np.zeros((n, n - 1, data.design.shape[1]))
    # The first threshold keeps the shared effect; each other one gets its own departure.
    for j in range(n - 1):
        effects[j + 1, j, column] = 1.0
    return _compare(data, link, nominal=effects)


def scale_test(data, column, link="logit"):
    """Test that a column of the design leaves the spread of the latent scale alone."""
    return _compare(data, link, scale=data.design[:, [column]])


def _compare(data, link, nominal=None, scale=None):
    plain, start = _maximum(data, link, None, None, None)
    extra = nominal.shape[1] if nominal is not None else scale.shape[1]
    full, _ = _maximum(data, link, nominal, scale, np.concatenate([start, np.zeros(extra)]))
    statistic = max(2.0 * (full - plain), 0.0)
    return RatioTest(float(statistic), extra, float(stats.chi2.sf(statistic, extra)))


def _maximum(data, link, nominal, scale, start):
    n, p = data.counts.shape[1] - 1, data.design.shape[1]
    found_link = find_link(link)
    counts = data.counts.T
    if start is None:
        share = np.cumsum(data.counts.sum(axis=0) + 0.5)[:-1] / (data.counts.sum() + 0.5 * (n + 1))
        start = np.concatenate([np.log(share / (1 - share)), np.zeros(p)])

    def downhill(free):
        theta, beta, extra = free[:n], free[n : n + p], free[n + p :]
        cut = np.repeat(theta[:, None], len(data.design), axis=1)
        stretch = np.ones(len(data.design))
        if nominal is not None:
            cut = cut + np.einsum("jkp,cp,k->jc", nominal, data.design, extra)
        if scale is not None:
            stretch = np.exp(-(scale @ extra))
        eta = data.design @ beta
        z = (cut - eta) * stretch
        if np.any(np.diff(z, axis=0) <= 1e-9):
            return 1e10, np.zeros_like(free)
        terms = grade_terms(found_link, z, np.zeros(len(eta)))
        ratio = counts / terms.p
        d_z = terms.density * (ratio[:-1] - ratio[1:])
        d_cut = d_z * stretch
        slope = [d_cut.sum(axis=1), -(d_cut.sum(axis=0) @ data.design)]
        if nominal is not None:
            slope.append(np.einsum("jkp,cp,jc->k", nominal, data.design, d_cut))
        if scale is not None:
            slope.append(-(d_z * z).sum(axis=0) @ scale)
        return -(counts * terms.log_p).sum(), -np.concatenate(slope)

    found = optimize.minimize(downhill, start, jac=True, method="BFGS", options={"gtol": 1e-6})
    # The freer fit may have its maximum at infinity (a group without a grade): its likelihood still
    # has a limit, which is what the test compares. Under the plain one nothing could be told.
    plain = nominal is None and scale is None
    flat = plain and _least_curvature(downhill, found.x) < LEAST_CURVATURE
    if not np.isfinite(found.fun) or flat:
        raise FitError("the grades are separated by a covariate; this assumption cannot be tested")
    return -float(found.fun), found.x


def _least_curvature(downhill, at, step=1e-4):
    """Smallest eigenvalue of the Hessian: next to nothing where the maximum lies at infinity."""
    steps = step * np.eye(len(at))
    rows = [(downhill(at + s)[1] - downhill(at - s)[1]) / (2.0 * step) for s in steps]
    return np.linalg.eigvalsh(0.5 * (np.array(rows) + np.array(rows).T)).min()

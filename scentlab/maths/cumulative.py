"""Maximum-likelihood fits of cumulative-link models, plain or with one grouping of effects.

Covers McCullagh (1980) proportional-odds models and their mixed form. The sweat and frost fits
use the same likelihood in parameters of their own, with priors.
"""

from dataclasses import dataclass

import numpy as np

from scentlab.maths.links import find_link, grade_terms
from scentlab.maths.optimum import climb
from scentlab.maths.ordinal import log_likelihood
from scentlab.results import FitError

FEWEST_NODES, MOST_NODES = 15, 120  # twice as many serve the check
SETTLED = 1e-4  # what twice the nodes may move the log-likelihood by


@dataclass(frozen=True)
class CumulativeFit:
    """A fit of P(Y <= j) = F(theta_j - x'beta - sigma z).

    Attributes
    ----------
    thresholds : array (K - 1,), beta : array (p,), sigma : float or None
    covariance : array over (thresholds, beta, sigma) from the observed information.
    log_likelihood : float
    modes : array (G,) or None, each group's effect (on the scale of eta) at its peak.
    """

    thresholds: np.ndarray
    beta: np.ndarray
    sigma: float | None
    covariance: np.ndarray
    log_likelihood: float
    modes: np.ndarray | None

    @property
    def standard_errors(self):
        return np.sqrt(np.diag(self.covariance))


def fit_cumulative(data, *, link="logit", mixed=False, nodes=None):
    """Fit by maximum likelihood.

    Parameters
    ----------
    data : Counts, design without an intercept (the thresholds take its place).
    link : logit, probit or cloglog.
    mixed : bool, with a random effect per group.
    nodes : int, quadrature nodes; 1 gives the Laplace approximation. None doubles them from 15
        until twice as many move the log-likelihood by less than 1e-4: tiny groups that differ
        widely need more.

    Returns
    -------
    CumulativeFit

    Raises
    ------
    FitError when a grade was never seen (drop it first), or when there is no finite maximum,
    such as with perfectly separated grades; or when 120 nodes do not settle the integral.
    """
    n_thresholds = data.counts.shape[1] - 1
    seen = data.counts.sum(axis=0)
    if np.any(seen == 0):
        raise FitError(
            f"grade {int(np.argmin(seen))} was never seen, so its threshold has no finite "
            "estimate; join it with its neighbour or fit with a prior"
        )
    if not mixed:
        return _fit_plain(data, link)
    natural, peak = _settled_peak(data, link, nodes)
    point = natural.to_natural(peak.point)
    settled = peak.converged
    try:
        covariance = np.linalg.inv(-natural.information(point))
    except np.linalg.LinAlgError:
        covariance = None
    if covariance is not None and not natural.by_differences:
        # Where the likelihood only flattens out, a Newton step is as long far out as anywhere.
        _, gradient = natural.value_and_natural_gradient(point)
        settled &= bool(np.all(np.abs(covariance @ gradient) < 1e-2 * (1.0 + np.abs(point))))
    if not settled or covariance is None or np.any(np.diag(covariance) <= 0):
        raise FitError(_NO_MAXIMUM)
    size = data.design.shape[1]
    sigma = float(point[-1])
    return CumulativeFit(
        point[:n_thresholds],
        point[n_thresholds : n_thresholds + size],
        sigma,
        covariance,
        peak.value,
        natural.modes * sigma,
    )


def _settled_peak(data, link, nodes):
    """The mixed likelihood with nodes enough, and its peak in free values.

    With too few nodes the slopes are not those of the sum, and a climb may not come to rest.
    """
    point = _start(data, data.counts.shape[1] - 1)
    count = nodes or FEWEST_NODES
    while True:
        natural = _Natural(data, link, True, count)
        peak = climb(natural.evaluate, point, hessian=False)
        if nodes or (count == MOST_NODES and not peak.converged):
            return natural, peak
        point, count = peak.point, 2 * count
        finer = _Natural(data, link, True, count).evaluate(point)[0]
        if peak.converged and abs(finer - peak.value) < SETTLED:
            return natural, peak
        if count > MOST_NODES:
            raise FitError(
                f"{MOST_NODES} quadrature nodes do not settle the likelihood: the groups are too "
                f"small for effects this large (sd {natural.to_natural(point)[-1]:.3g}); grade "
                "more pieces of each group, or fit without the effects"
            )


def _fit_plain(data, link):
    """Newton's method on the exact Hessian: the log-likelihood is concave without effects."""
    n = data.counts.shape[1] - 1
    point = _natural_start(data, n)
    value, gradient, hessian = _plain_terms(data, link, point)
    settled = False
    for _ in range(60):
        try:
            step = np.linalg.solve(-hessian, gradient)
        except np.linalg.LinAlgError:
            break
        settled = bool(np.all(np.abs(step) < 1e-9 * (1.0 + np.abs(point))))
        if settled:
            break
        for _ in range(40):
            new = _plain_terms(data, link, point + step)
            if new[0] >= value - 1e-12 * abs(value):
                break
            step = 0.5 * step
        point, (value, gradient, hessian) = point + step, new
    covariance = np.linalg.inv(-hessian) if settled else None
    if not settled or np.any(np.diag(covariance) <= 0):
        raise FitError(_NO_MAXIMUM)
    return CumulativeFit(point[:n], point[n:], None, covariance, float(value), None)


def _plain_terms(data, link, point):
    """Log-likelihood, gradient and Hessian over (thresholds, beta) without random effects."""
    n = data.counts.shape[1] - 1
    theta, beta, x = point[:n], point[n:], data.design
    if np.any(np.diff(theta) <= 0):
        return -np.inf, None, None
    terms = grade_terms(find_link(link), theta[:, None], x @ beta)
    counts, p, f = data.counts.T, terms.p, terms.density
    ratio = counts / p
    pull = f * (ratio[:-1] - ratio[1:])
    square = ratio / p
    bend = terms.density_slope * pull - f**2 * (square[:-1] + square[1:])
    cross = f[:-1] * f[1:] * square[1:-1]
    rows = bend.copy()
    rows[:-1] += cross
    rows[1:] += cross
    size = len(point)
    hessian = np.empty((size, size))
    hessian[:n, :n] = np.diag(bend.sum(axis=1))
    place = np.arange(n - 1)
    hessian[place, place + 1] = hessian[place + 1, place] = cross.sum(axis=1)
    hessian[:n, n:] = -(rows @ x)
    hessian[n:, :n] = hessian[:n, n:].T
    hessian[n:, n:] = (x * rows.sum(axis=0)[:, None]).T @ x
    gradient = np.concatenate([pull.sum(axis=1), -(pull.sum(axis=0) @ x)])
    return float((counts * terms.log_p).sum()), gradient, hessian


_NO_MAXIMUM = (
    "the likelihood has no finite maximum; look for grades that are separated perfectly by a "
    "covariate, or fit with a prior"
)


def _natural_start(data, n_thresholds):
    total = data.counts.sum(axis=0) + 0.5
    share = np.cumsum(total)[:-1] / total.sum()
    return np.concatenate([np.log(share / (1.0 - share)), np.zeros(data.design.shape[1])])


def _start(data, n_thresholds):
    """First threshold, log gaps, beta and log sigma to climb from."""
    natural = _natural_start(data, n_thresholds)
    gaps = np.log(np.maximum(np.diff(natural[:n_thresholds]), 0.05))
    return np.concatenate([natural[:1], gaps, natural[n_thresholds:], [-0.5]])


class _Natural:
    """The likelihood over (first threshold, log gaps, beta, log sigma), and over natural values."""

    def __init__(self, data, link, mixed, nodes):
        self.data, self.link, self.mixed, self.nodes = data, link, mixed, nodes
        self.n_thresholds = data.counts.shape[1] - 1
        self.modes = None

    @property
    def by_differences(self):
        """Whether so few nodes are used that their own movement counts in the derivatives."""
        return self.mixed and self.nodes < 7

    def to_natural(self, free):
        k = self.n_thresholds
        theta = np.concatenate([free[:1], free[0] + np.cumsum(np.exp(free[1:k]))])
        rest = free[k:].copy()
        if self.mixed:
            rest[-1] = np.exp(rest[-1])
        return np.concatenate([theta, rest])

    def _at(self, natural):
        k, p = self.n_thresholds, self.data.design.shape[1]
        eta = self.data.design @ natural[k : k + p]
        sigma = natural[-1] if self.mixed else None
        return log_likelihood(
            self.data, natural[:k], eta, sigma, link=self.link, nodes=self.nodes, modes=self.modes
        )

    def value_and_natural_gradient(self, natural):
        found = self._at(natural)
        self.modes = found.modes
        gradient = np.concatenate([found.d_theta, found.d_eta @ self.data.design])
        if self.mixed:
            gradient = np.append(gradient, found.d_log_sigma.sum() / natural[-1])
        return float(found.value), gradient

    def evaluate(self, free):
        natural = self.to_natural(free)
        if self.mixed and not 1e-6 < natural[-1] < 1e3:
            return -np.inf, np.zeros_like(free)
        if self.by_differences:
            return self._evaluate_by_differences(free)
        value, gradient = self.value_and_natural_gradient(natural)
        return value, self._chain(free, natural, gradient)

    def _chain(self, free, natural, gradient):
        k = self.n_thresholds
        tail = np.cumsum(gradient[:k][::-1])[::-1]
        out = gradient.copy()
        out[0] = tail[0]
        out[1:k] = tail[1:] * np.exp(free[1:k])
        if self.mixed:
            out[-1] *= natural[-1]
        return out

    def _evaluate_by_differences(self, free, step=1e-5):
        """Value and gradient for few nodes, where the nodes' own movement counts."""
        here = self._at(self.to_natural(free))
        value, self.modes = float(here.value), here.modes
        gradient = np.empty_like(free)
        for i in range(len(free)):
            move = np.zeros_like(free)
            move[i] = step
            up = self._at(self.to_natural(free + move)).value
            gradient[i] = (up - self._at(self.to_natural(free - move)).value) / (2.0 * step)
        return value, gradient

    def information(self, natural, step=1e-4):
        """Hessian of the log-likelihood over natural values."""
        size = len(natural)
        hessian = np.empty((size, size))
        moves = step * np.maximum(1.0, np.abs(natural))
        if self.by_differences:
            return _second_differences(lambda x: float(self._at(x).value), natural, 10 * moves)
        for i in range(size):
            move = np.zeros(size)
            move[i] = moves[i]
            up = self.value_and_natural_gradient(natural + move)[1]
            hessian[i] = (up - self.value_and_natural_gradient(natural - move)[1]) / (2 * moves[i])
        return 0.5 * (hessian + hessian.T)


def _second_differences(function, point, moves):
    size = len(point)
    hessian = np.empty((size, size))
    steps = np.diag(moves)
    for i in range(size):
        for j in range(i, size):
            a, b = steps[i], steps[j]
            cross = (
                function(point + a + b)
                - function(point + a - b)
                - function(point - a + b)
                + function(point - a - b)
            )
            hessian[i, j] = hessian[j, i] = cross / (4.0 * moves[i] * moves[j])
    return hessian

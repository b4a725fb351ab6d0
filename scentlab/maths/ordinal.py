"""Cumulative-link models with one grouping of random effects, on counts.

P(Y <= j) = F(theta_j - eta_c - sigma z_g), z_g ~ N(0, 1) for the cells c of group g. The looks
are reduced to counts per cell (same group, same covariates) first, so that the cost does not
grow with the number of pieces. The group effects are integrated out by adaptive Gauss-Hermite
quadrature in log-sum-exp form (Pinheiro & Bates 1995; one node is the Laplace approximation).

A grade may be misread: with probability ``misread`` the recorded grade is one off, up or down
with equal chance, and stays where there is nothing beyond.

All functions take leading batch dimensions: ``theta`` (..., K - 1), ``eta`` (..., C), ``sigma``
and ``misread`` (...).
"""

import copy
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.polynomial.hermite import hermgauss
from scipy import special
from scipy.interpolate import CubicSpline

from scentlab.maths.links import find_link, grade_terms

_TINY = 1e-300
_GRID_SIZE = 72


def _even_normal(reach, step):
    """Evenly spaced points and standard-normal weights: the trapezoid rule, which for a smooth
    integrand that dies off converges as fast as any and, unlike Gauss-Hermite, keeps its
    accuracy when the group effects are large."""
    z = np.arange(-reach, reach + step / 2, step)
    weights = np.exp(-0.5 * z**2)
    return z, weights / weights.sum()


_Z, _Z_WEIGHTS = _even_normal(8.0, 0.05)
_Z_COARSE, _Z_COARSE_WEIGHTS = _even_normal(6.5, 0.3)


@dataclass(frozen=True)
class Counts:
    """Looks reduced to counts.

    Attributes
    ----------
    counts : array (C, K), looks per cell and grade, cells sorted by group.
    design : array (C, p), covariates of each cell.
    starts : int array (G,), first cell of each group.
    groups : array (G,), the groups' labels.
    """

    counts: np.ndarray
    design: np.ndarray
    starts: np.ndarray
    groups: np.ndarray

    @cached_property
    def cell_group(self):
        """Index of the group of each cell, int array (C,)."""
        sizes = np.diff(np.append(self.starts, len(self.counts)))
        return np.repeat(np.arange(len(self.starts)), sizes)


def count_looks(grades, design, group, n_grades, weights=None):
    """Reduce looks to :class:`Counts`.

    Parameters
    ----------
    grades : int array (n,), 0 ... n_grades - 1.
    design : array (n, p).
    group : array (n,) of labels; looks of one group share a random effect.
    n_grades : int, K.
    weights : array (n,), how many looks each row stands for; default 1 each.
    """
    grades = np.asarray(grades, dtype=int)
    design = np.asarray(design, dtype=float).reshape(len(grades), -1)
    labels, group_index = np.unique(np.asarray(group), return_inverse=True)
    key = np.column_stack([group_index, design])
    cells, cell_index = np.unique(key, axis=0, return_inverse=True)
    counts = np.zeros((len(cells), n_grades))
    np.add.at(counts, (cell_index.ravel(), grades), 1.0 if weights is None else weights)
    starts = np.searchsorted(cells[:, 0], np.arange(len(labels)))
    return Counts(counts, cells[:, 1:], starts, labels)


def grade_probabilities(theta, eta, link="logit"):
    """P(grade = 0 ... K - 1) at thresholds (..., K - 1) and location (...): array (..., K)."""
    theta, eta = np.asarray(theta, dtype=float), np.asarray(eta, dtype=float)
    theta = np.moveaxis(theta, -1, 0)
    theta = theta.reshape(theta.shape[:1] + (1,) * (eta.ndim + 1 - theta.ndim) + theta.shape[1:])
    found = grade_terms(find_link(link), theta, eta, densities=False)
    return np.moveaxis(found.p, 0, -1)


def misread_flow(values):
    """What flows into each grade when all are misread: neighbours less itself, halved (K, ...).

    Recorded probabilities are p + misread * misread_flow(p), the grade axis first. The map is
    symmetric, so that it serves derivatives as well.
    """
    step = values[1:] - values[:-1]
    step *= 0.5
    flow = np.empty_like(values)
    flow[0] = step[0]
    flow[-1] = -step[-1]
    np.subtract(step[1:], step[:-1], out=flow[1:-1])
    return flow


@dataclass(frozen=True)
class Evaluation:
    """The log-likelihood and its derivatives; ``modes`` are the groups' effects (z) at the peak."""

    value: np.ndarray
    d_theta: np.ndarray | None
    d_eta: np.ndarray | None
    d_log_sigma: np.ndarray | None
    d_misread: np.ndarray | None
    modes: np.ndarray | None


def log_likelihood(
    data,
    theta,
    eta,
    sigma=None,
    *,
    link="logit",
    misread=None,
    nodes=15,
    modes=None,
    derivatives=True,
):
    """Marginal log-likelihood of counts, with analytic derivatives.

    Parameters
    ----------
    data : Counts
    theta : array (..., K - 1), rising thresholds.
    eta : array (..., C), location of each cell.
    sigma : array (...), standard deviation of the group effects; None for no effects.
    misread : array (...), probability that a grade is recorded one off; None for 0.
    nodes : int, quadrature nodes per group; 1 is the Laplace approximation.
    modes : array (..., G), where to start the search of each group's peak.
    derivatives : bool. They differentiate the integral under its sign and so belong to the
        converged quadrature (7 nodes or more), not to the Laplace approximation.

    Returns
    -------
    Evaluation
    """
    problem = _Problem(data, np.asarray(theta, float), np.asarray(eta, float), link, misread)
    if sigma is None:
        terms = problem.terms(np.zeros(problem.eta.shape + (1,)), derivatives)
        value = terms.value[..., 0].sum(axis=-1)
        if not derivatives:
            return Evaluation(value, None, None, None, None, None)
        return Evaluation(
            value,
            np.moveaxis(terms.d_theta[..., 0].sum(axis=-1), 0, -1),
            terms.d_eta[..., 0],
            None,
            None if terms.d_misread is None else terms.d_misread[..., 0].sum(axis=-1),
            None,
        )
    sigma = np.asarray(sigma, dtype=float)
    tolerance, steps = _settled(nodes, derivatives)
    modes, scale = _peaks(problem, sigma, modes, tolerance, steps)
    return _integrate(problem, sigma, modes, scale, nodes, derivatives)


def _settled(nodes, derivatives):
    """How near a mode must be found, and in how many steps at most: the more nodes, the less."""
    if nodes < 5:
        return 1e-8, 50
    if derivatives:
        return 1e-2, 30
    return (0.3 if nodes < 7 else 0.1), 6


class _Problem:
    """Counts with parameters: evaluates the cells' terms at shifted locations."""

    def __init__(self, data, theta, eta, link, misread):
        self.data, self.eta = data, eta
        self.theta = np.moveaxis(theta, -1, 0)[..., None, None]
        self.counts = data.counts.T[:, :, None]
        self.link = find_link(link)
        self.misread = None
        if misread is not None:
            self.misread = np.asarray(misread, dtype=float)[..., None, None]

    def of(self, points):
        """The problem of some points of a batch of one dimension."""
        if points is ...:
            return self
        other = copy.copy(self)
        other.eta = self.eta[points]
        other.theta = self.theta[:, points] if self.theta.ndim > 3 else self.theta
        if self.misread is not None and self.misread.ndim > 2:
            other.misread = self.misread[points]
        return other

    def sum_groups(self, cells):
        """Sum over the cells of each group: (..., C, Q) to (..., G, Q)."""
        return np.add.reduceat(cells, self.data.starts, axis=-2)

    def spread_groups(self, groups):
        """Each group's value to its cells: (..., G, Q) to (..., C, Q)."""
        return groups[..., self.data.cell_group, :]

    def _weigh(self, values):
        """Sum over grades of counts times values (K, ..., C, Q)."""
        total = self.counts[0] * values[0]
        for counts, value in zip(self.counts[1:], values[1:], strict=True):
            total += counts * value
        return total

    def terms(self, shift, derivatives, curvature=False, value=True):
        """Each cell's log-likelihood at eta + shift, (..., C, Q), if wanted, and derivatives."""
        wanted = derivatives or curvature
        found = grade_terms(self.link, self.theta, self.eta[..., :, None] + shift, wanted)
        # The grade axis stands first, the batch between it and the cells.
        counts = self.counts.reshape(
            self.counts.shape[:1] + (1,) * (found.p.ndim - 3) + self.counts.shape[1:]
        )
        weights, read, shown = counts, None, found.p
        if self.misread is not None:
            flow = misread_flow(found.p)
            shown = read = self.misread * flow
            read += found.p
            np.maximum(read, _TINY, out=read)
            if wanted:
                ratio = counts / read
                weights = found.p * (ratio + self.misread * misread_flow(ratio))
        value = self._weigh(np.log(shown, out=None if wanted else shown)) if value else None
        if not wanted:
            return _Terms(value, None, None, None, None)
        upper = found.density / found.p[:-1]
        lower = found.density / found.p[1:]
        d_theta = weights[:-1] * upper - weights[1:] * lower
        d_misread = bend = None
        if self.misread is not None and derivatives:
            d_misread = (ratio * flow).sum(axis=0)
        if curvature:
            bend = self._curvature(found, upper, lower, weights, read)
        return _Terms(value, d_theta, -d_theta.sum(axis=0), d_misread, bend)

    def _curvature(self, found, upper, lower, weights, read):
        """Second derivative of each cell's term in its location."""
        first = np.zeros_like(found.p)
        second = np.zeros_like(found.p)
        first[1:] += lower
        first[:-1] -= upper
        second[:-1] += found.density_slope * upper
        second[1:] -= found.density_slope * lower
        if read is None:
            return self._weigh(second - first**2)
        d_p = found.p * first
        d_read = (d_p + self.misread * misread_flow(d_p)) / read
        return (weights * second).sum(axis=0) - self._weigh(d_read**2)


@dataclass(frozen=True)
class _Terms:
    value: np.ndarray | None
    d_theta: np.ndarray | None
    d_eta: np.ndarray | None
    d_misread: np.ndarray | None
    bend: np.ndarray | None


def _peaks(problem, sigma, modes, tolerance, steps):
    """Mode and scale of each group's integrand in z, by damped Newton steps.

    The quadrature adapts to where the mode is, so that a near one serves when nodes are many.
    Of a batch only the points that have not settled are stepped on.
    """
    shape = problem.eta.shape[:-1] + (len(problem.data.starts),)
    z = np.zeros(shape) if modes is None else np.broadcast_to(modes, shape).copy()
    bend = np.empty(shape)
    left = np.arange(len(z)) if z.ndim == 2 else ...
    for _ in range(steps):
        step, bend[left] = _newton(problem.of(left), sigma[left], z[left])
        z[left] += step
        far = np.abs(step).max(axis=-1) >= tolerance
        if not far.any():
            break
        if z.ndim == 2:
            left = left[far]
    return z, 1.0 / np.sqrt(-bend)


def _newton(problem, sigma, z):
    """A damped step towards each group's mode, and the curvature there."""
    shift = sigma[..., None, None] * problem.spread_groups(z[..., None])
    terms = problem.terms(shift, False, curvature=True, value=False)
    slope = sigma[..., None] * problem.sum_groups(terms.d_eta)[..., 0] - z
    bend = sigma[..., None] ** 2 * problem.sum_groups(terms.bend)[..., 0] - 1.0
    bend = np.minimum(bend, -0.3)
    return np.clip(-slope / bend, -2.0, 2.0), bend


def cell_terms(data, theta, eta, link="logit"):
    """Each cell's log-likelihood (C,) with its first and second derivatives in eta (C,)."""
    problem = _Problem(data, np.asarray(theta, float), np.asarray(eta, float), link, None)
    terms = problem.terms(np.zeros(problem.eta.shape + (1,)), True, curvature=True)
    return terms.value[..., 0], terms.d_eta[..., 0], terms.bend[..., 0]


@lru_cache(maxsize=16)
def _hermite(nodes):
    return hermgauss(nodes)


def _integrate(problem, sigma, modes, scale, nodes, derivatives):
    t, w = _hermite(nodes)
    z = modes[..., None] + np.sqrt(2.0) * scale[..., None] * t
    shift = sigma[..., None, None] * problem.spread_groups(z)
    terms = problem.terms(shift, derivatives)
    log_terms = problem.sum_groups(terms.value) - 0.5 * z**2 + np.log(w) + t**2
    top = log_terms.max(axis=-1, keepdims=True)
    raw = np.exp(log_terms - top)
    total = raw.sum(axis=-1, keepdims=True)
    groups = (top + np.log(total))[..., 0] + np.log(scale) - 0.5 * np.log(np.pi)
    value = groups.sum(axis=-1)
    if not derivatives:
        return Evaluation(value, None, None, None, None, modes)
    share = problem.spread_groups(raw / total)
    d_eta = (share * terms.d_eta).sum(axis=-1)
    d_theta = np.moveaxis((share * terms.d_theta).sum(axis=(-1, -2)), 0, -1)
    d_log_sigma = (share * terms.d_eta * shift).sum(axis=(-1, -2))
    d_misread = None
    if terms.d_misread is not None:
        d_misread = (share * terms.d_misread).sum(axis=(-1, -2))
    return Evaluation(value, d_theta, d_eta, d_log_sigma, d_misread, modes)


def marginal_location(probability, sigma, link="logit"):
    """Location m at which E[1 - F(-m - sigma Z)] equals a probability, Z ~ N(0, 1).

    This turns a risk for a NEW group, averaged over groups, into a distance on the latent
    scale: the typical group's risk at m is lower (for small probabilities) the larger sigma is.
    Many values of sigma are served by a spline over a grid of them.

    Parameters
    ----------
    probability : float in (0, 1), P(grade above the threshold).
    sigma : array (...), standard deviation of the group effects.

    Returns
    -------
    array (...), m; the threshold is passed with the stated probability where
    eta - theta equals m.
    """
    sigma = np.asarray(sigma, dtype=float)
    if sigma.size <= _GRID_SIZE:
        return _solve_location(probability, sigma, find_link(link))
    # asinh keeps the spline smooth from no effect at all to very large ones.
    x = np.arcsinh(sigma)
    grid = np.linspace(x.min(), max(x.max(), x.min() + 1e-9), _GRID_SIZE)
    solved = _solve_location(probability, np.sinh(grid), find_link(link))
    return CubicSpline(grid, solved)(x)


def _solve_location(probability, sigma, link):
    """Bracketed Newton steps on the logit of the risk."""
    goal = special.logit(probability)
    typical = -link.quantile(1.0 - probability)
    low = np.minimum(typical, 0.0) - 12.0 * (1.0 + sigma)
    high = np.maximum(typical, 0.0) + 12.0 * (1.0 + sigma)
    m = typical * np.sqrt(1.0 + 0.35 * sigma**2)
    for _ in range(100):
        z = -(m[..., None] + sigma[..., None] * _Z)
        risk = np.clip(link.sf(z) @ _Z_WEIGHTS, 1e-12, 1.0 - 1e-12)
        density = np.maximum(np.exp(link.log_pdf(z)) @ _Z_WEIGHTS, 1e-12)
        miss = special.logit(risk) - goal
        low, high = np.where(miss < 0, m, low), np.where(miss > 0, m, high)
        new = m - miss * risk * (1.0 - risk) / density
        # At the root the step ends on the bracket itself; that must not send it to the middle.
        inside = (new > low - 1e-9) & (new < high + 1e-9)
        new = np.where(inside, new, 0.5 * (low + high))
        if np.max(np.abs(new - m)) < 1e-8:
            return new
        m = new
    return m


def marginal_risk(location, sigma, link="logit"):
    """P(grade above the threshold) for a new group at eta - theta = location: array (...)."""
    location, sigma = np.broadcast_arrays(
        np.asarray(location, dtype=float), np.asarray(sigma, dtype=float)
    )
    z = -(location[..., None] + sigma[..., None] * _Z_COARSE)
    return find_link(link).sf(z) @ _Z_COARSE_WEIGHTS

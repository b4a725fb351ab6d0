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

from dataclasses import dataclass

import numpy as np
from numpy.polynomial.hermite import hermgauss
from scipy import special

from scentlab.maths.links import find_link, grade_terms

_TINY = 1e-300


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

    @property
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
    return grade_terms(find_link(link), theta, eta, densities=False).p


def misread_flow(values):
    """What flows into each grade when all are misread: neighbours less itself, halved (..., K).

    Recorded probabilities are p + misread * misread_flow(p). The map is symmetric, so that it
    serves derivatives as well.
    """
    step = 0.5 * np.diff(values, axis=-1)
    flow = np.zeros_like(values)
    flow[..., :-1] += step
    flow[..., 1:] -= step
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
            terms.d_theta[..., 0, :].sum(axis=-2),
            terms.d_eta[..., 0],
            None,
            None if terms.d_misread is None else terms.d_misread[..., 0].sum(axis=-1),
            None,
        )
    sigma = np.asarray(sigma, dtype=float)
    tolerance, steps = (1e-8, 50) if nodes < 7 else (1e-4, 30) if derivatives else (3e-2, 6)
    modes, scale = _peaks(problem, sigma, modes, tolerance, steps)
    return _integrate(problem, sigma, modes, scale, nodes, derivatives)


class _Problem:
    """Counts with parameters: evaluates the cells' terms at shifted locations."""

    def __init__(self, data, theta, eta, link, misread):
        self.data, self.theta, self.eta = data, theta, eta
        self.link = find_link(link)
        self.misread = None
        if misread is not None:
            self.misread = np.asarray(misread, dtype=float)[..., None, None, None]

    def sum_groups(self, cells):
        """Sum over the cells of each group: (..., C, Q) to (..., G, Q)."""
        return np.add.reduceat(cells, self.data.starts, axis=-2)

    def spread_groups(self, groups):
        """Each group's value to its cells: (..., G, Q) to (..., C, Q)."""
        return groups[..., self.data.cell_group, :]

    def terms(self, shift, derivatives, curvature=False):
        """Each cell's log-likelihood at eta + shift, (..., C, Q), and its derivatives."""
        wanted = derivatives or curvature
        theta = self.theta[..., None, None, :]
        found = grade_terms(self.link, theta, self.eta[..., :, None] + shift, wanted)
        counts = self.data.counts[:, None, :]
        if self.misread is None:
            value, weights, read = (counts * found.log_p).sum(axis=-1), counts, None
        else:
            flow = misread_flow(found.p)
            read = np.maximum(found.p + self.misread * flow, _TINY)
            value = (counts * np.log(read)).sum(axis=-1)
            if wanted:
                ratio = counts / read
                weights = found.p * (ratio + self.misread * misread_flow(ratio))
        if not wanted:
            return _Terms(value, None, None, None, None)
        upper = found.density / found.p[..., :-1]
        lower = found.density / found.p[..., 1:]
        d_theta = weights[..., :-1] * upper - weights[..., 1:] * lower
        d_misread = bend = None
        if self.misread is not None and derivatives:
            d_misread = (ratio * flow).sum(axis=-1)
        if curvature:
            bend = self._curvature(found, upper, lower, weights, read)
        return _Terms(value, d_theta, -d_theta.sum(axis=-1), d_misread, bend)

    def _curvature(self, found, upper, lower, weights, read):
        """Second derivative of each cell's term in its location."""
        first = np.zeros_like(found.p)
        second = np.zeros_like(found.p)
        first[..., 1:] += lower
        first[..., :-1] -= upper
        second[..., :-1] += found.density_slope * upper
        second[..., 1:] -= found.density_slope * lower
        counts = self.data.counts[:, None, :]
        if read is None:
            return (counts * (second - first**2)).sum(axis=-1)
        d_p = found.p * first
        d_read = (d_p + self.misread * misread_flow(d_p)) / read
        return (weights * second).sum(axis=-1) - (counts * d_read**2).sum(axis=-1)


@dataclass(frozen=True)
class _Terms:
    value: np.ndarray
    d_theta: np.ndarray | None
    d_eta: np.ndarray | None
    d_misread: np.ndarray | None
    bend: np.ndarray | None


def _peaks(problem, sigma, modes, tolerance, steps):
    """Mode and scale of each group's integrand in z, by damped Newton steps.

    The quadrature adapts to where the mode is, so that a near one serves when nodes are many.
    """
    n_groups = len(problem.data.starts)
    shape = problem.eta.shape[:-1] + (n_groups,)
    z = np.zeros(shape) if modes is None else np.broadcast_to(modes, shape).copy()
    s = sigma[..., None, None]
    for _ in range(steps):
        terms = problem.terms(s * problem.spread_groups(z[..., None]), True, curvature=True)
        slope = sigma[..., None] * problem.sum_groups(terms.d_eta)[..., 0] - z
        bend = sigma[..., None] ** 2 * problem.sum_groups(terms.bend)[..., 0] - 1.0
        bend = np.minimum(bend, -0.3)
        step = np.clip(-slope / bend, -2.0, 2.0)
        z = z + step
        if np.max(np.abs(step)) < tolerance:
            break
    return z, 1.0 / np.sqrt(-bend)


def _integrate(problem, sigma, modes, scale, nodes, derivatives):
    t, w = hermgauss(nodes)
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
    d_theta = (share[..., None] * terms.d_theta).sum(axis=(-2, -3))
    d_log_sigma = (share * terms.d_eta * shift).sum(axis=(-1, -2))
    d_misread = None
    if terms.d_misread is not None:
        d_misread = (share * terms.d_misread).sum(axis=(-1, -2))
    return Evaluation(value, d_theta, d_eta, d_log_sigma, d_misread, modes)


def marginal_location(probability, sigma, link="logit", nodes=61):
    """Location m at which E[1 - F(-m - sigma Z)] equals a probability, Z ~ N(0, 1).

    This turns a risk for a NEW group, averaged over groups, into a distance on the latent
    scale: the typical group's risk at m is lower (for small probabilities) the larger sigma is.

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
    found = find_link(link)
    t, w = np.polynomial.hermite_e.hermegauss(nodes)
    w = w / w.sum()
    m = -found.quantile(1.0 - probability) * np.sqrt(1.0 + 0.35 * sigma**2)
    goal = special.logit(probability)
    for _ in range(60):
        z = -(m[..., None] + sigma[..., None] * t)
        risk = (w * np.exp(found.log_sf(z))).sum(axis=-1)
        density = (w * np.exp(found.log_pdf(z))).sum(axis=-1)
        step = (special.logit(risk) - goal) * risk * (1.0 - risk) / density
        step = np.clip(step, -5.0, 5.0)
        m = m - step
        if np.max(np.abs(step)) < 1e-11:
            break
    return m


def marginal_risk(location, sigma, link="logit", nodes=61):
    """P(grade above the threshold) for a new group at eta - theta = location: array (...)."""
    location, sigma = np.broadcast_arrays(
        np.asarray(location, dtype=float), np.asarray(sigma, dtype=float)
    )
    t, w = np.polynomial.hermite_e.hermegauss(nodes)
    z = -(location[..., None] + sigma[..., None] * t)
    return (w / w.sum() * np.exp(find_link(link).log_sf(z))).sum(axis=-1)

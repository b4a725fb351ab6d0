"""Posterior draws by adaptive multiple importance sampling, or by Hamiltonian steps.

Each lot of draws comes from a multivariate t that has learnt from all lots before it, and all
draws weigh by the mixture of all the t's (Cornuet, Marin, Mira & Robert 2012, "Adaptive multiple
importance sampling"). Within a lot the draws are scrambled Sobol points. The raw weights are
smoothed by fitting a generalised Pareto distribution to their largest values (Vehtari, Simpson,
Gelman, Yao & Gabry, "Pareto smoothed importance sampling"); the fitted shape, k-hat, says how far
the proposals can be trusted: above 0.7 they cannot.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy import special, stats

K_HAT_LIMIT = 0.7
LOT, _OF_ONE = 512, 1000  # draws in a lot, lots of a proposal, at most
_FIRST = 128  # draws of the first proposal for each 8 dimensions
_DF, _STRETCH = 8.0, 1.1


@dataclass(frozen=True)
class Draws:
    """Weighted draws: ``points`` (S, p), ``weights`` (S,) summing to 1, ``lot`` (S,), the number of
    the lot that each was drawn in (lots of one proposal share their thousands), k-hat,
    ``log_evidence``, the log of the integral of the density that was drawn from, and the ``parts``
    (S, k) of its log at the points."""

    points: np.ndarray
    weights: np.ndarray
    lot: np.ndarray
    k_hat: float
    log_evidence: float
    parts: np.ndarray

    @property
    def effective_size(self):
        return float(1.0 / np.sum(self.weights**2))


def adaptive_draws(log_density, peak, *, size, seed):
    """About ``size`` draws from a density known up to a constant, as :class:`Draws`.

    log_density : callable, points (S, p) to log density (S,), or to parts (S, k) that add up to it.
    peak : Peak of that density (``point``, ``covariance``), which shapes the first proposal.
    size : int. seed : int, sequence of ints or numpy Generator.
    Raises numpy.linalg.LinAlgError when the Hessian of the peak is not negative definite.
    """
    sampler = Sampler(log_density, peak, seed)
    sampler.grow(size)
    return sampler.weighed()


class Sampler:
    """All lots so far, with the log density of each draw under each proposal."""

    def __init__(self, log_density, peak, seed):
        self.log_density, self.first = log_density, peak.covariance
        self.rng = np.random.default_rng(seed)
        self.proposals, self.sizes, self.under, self.lots = [], [], [], []
        self.points = np.empty((0, len(peak.point)))
        self.density, self.parts = np.empty(0), []
        self.next = _Student(peak.point, _STRETCH**2 * peak.covariance)

    def grow(self, size):
        """Draw until there are ``size`` draws or more. Each proposal draws more than the one
        before it, in lots that are scrambled each by itself."""
        first = _FIRST * max(1, self.points.shape[1] // 8)
        while len(self.density) < size:
            some = max(first, len(self.density) // 3)
            lot = min(LOT, 2 ** int(np.log2(some / 2)))  # Sobol points come in powers of 2
            self._draw([lot] * -(-some // lot))

    def _draw(self, lots):
        """Draw lots of these sizes from the next proposal, and learn the one after it."""
        new = np.concatenate([self.next.draw(size, self.rng) for size in lots])
        self.under = [
            np.append(old, p.log_density(new))
            for old, p in zip(self.under, self.proposals, strict=True)
        ]
        self.points = np.concatenate([self.points, new])
        self.parts.append(self.log_density(new).reshape(len(new), -1))
        self.density = np.append(self.density, self.parts[-1].sum(axis=1))
        self.proposals.append(self.next)
        self.under.append(self.next.log_density(self.points))
        self.lots += [_OF_ONE * len(self.sizes) + i for i, n in enumerate(lots) for _ in range(n)]
        self.sizes.append(len(new))
        weights = np.exp(smooth_weights(self._log_ratio())[0])
        self.next = _Student(*_learn(self.points, weights, self.first))

    def _log_ratio(self):
        """Log density over that of the mixture of the proposals, (S,)."""
        sizes = np.array(self.sizes, dtype=float)
        mixture = np.array(self.under) + np.log(sizes / sizes.sum())[:, None]
        return self.density - np.logaddexp.reduce(mixture, axis=0)

    def weighed(self):
        """All lots as :class:`Draws`."""
        log_ratio = self._log_ratio()
        usable = log_ratio[np.isfinite(log_ratio)]
        log_evidence = float(np.logaddexp.reduce(usable) - np.log(len(log_ratio)))
        log_weights, k_hat = smooth_weights(log_ratio)
        return Draws(self.points, np.exp(log_weights), np.array(self.lots), k_hat, log_evidence,
                     np.concatenate(self.parts))


class _Student:
    """A multivariate t to draw from."""

    def __init__(self, centre, covariance):
        self.centre, self.root = centre, np.linalg.cholesky(covariance)
        self.unroot = np.linalg.inv(self.root)
        self.log_scale = np.log(np.diag(self.root)).sum()

    def draw(self, size, rng):
        """Points (size, p): scrambled Sobol points, one coordinate of which is the mixing."""
        unit = stats.qmc.Sobol(len(self.centre) + 1, rng=rng).random(size)
        unit = np.clip(unit, 1e-12, 1.0 - 1e-12)
        mixing = special.chdtri(_DF, unit[:, -1]) / _DF
        step = special.ndtri(unit[:, :-1]) / np.sqrt(mixing)[:, None]
        return self.centre + step @ self.root.T

    def log_density(self, points):
        """Log density at points (S, p)."""
        step, p = (points - self.centre) @ self.unroot.T, len(self.centre)
        constant = (special.gammaln((_DF + p) / 2) - special.gammaln(_DF / 2)
                    - 0.5 * p * np.log(_DF * np.pi))
        away = np.log1p((step**2).sum(axis=1) / _DF)
        return constant - 0.5 * (_DF + p) * away - self.log_scale


def _learn(points, weights, curvature):
    """Mean and widened covariance of weighted draws, leaning on the curvature while they are
    few."""
    centre, covariance = moments(points, weights)
    effective = 1.0 / np.sum(weights**2)
    trust = effective / (effective + 2.0 * len(centre))
    return centre, _STRETCH**2 * (trust * covariance + (1.0 - trust) * curvature)


def moments(points, weights):
    """Mean (p,) and covariance (p, p) of weighted draws (S, p)."""
    centre = weights @ points
    return centre, (weights[:, None] * (points - centre)).T @ (points - centre)


def hamiltonian_draws(value_and_gradient, start, *, size, seed, chains=16, warm_up=80):
    """Equally weighted draws by Hamiltonian Monte Carlo (Neal 2011), many chains side by side.

    For posteriors that importance sampling cannot hold. Slower by an order of magnitude.

    value_and_gradient : callable, points (S, p) to log density (S,) and gradient (S, p).
    start : Draws near the density: where the chains set out, and the metric of their steps.
    size : int, draws to keep, all of the steps after ``warm_up``. The chain is the lot.
    """
    rng = np.random.default_rng(seed)
    at = start.points[rng.choice(len(start.weights), chains, p=start.weights)]

    def metric(points, weights):
        return np.linalg.cholesky(_learn(points, weights, np.eye(at.shape[1]))[1])

    root = metric(start.points, start.weights)
    value, slope = value_and_gradient(at)
    log_step, past, kept = np.log(0.3), [], []
    for i in range(warm_up + -(-size // chains)):
        step = np.exp(log_step) * rng.uniform(0.7, 1.3)
        push = first = rng.standard_normal(at.shape)
        there, v, g = at, value, slope
        for _ in range(rng.integers(3, 9)):
            push = push + 0.5 * step * g @ root
            there = there + step * push @ root.T
            v, g = value_and_gradient(there)
            g = np.where(np.isfinite(g), g, 0.0)
            push = push + 0.5 * step * g @ root
        with np.errstate(over="ignore", invalid="ignore"):  # a path that ran away is refused
            gain = v - value - 0.5 * (push**2 - first**2).sum(axis=1)
        gain = np.where(np.isfinite(gain), gain, -np.inf)
        taken = np.log(rng.random(chains)) < gain
        at, slope = np.where(taken[:, None], there, at), np.where(taken[:, None], g, slope)
        value = np.where(taken, v, value)
        past.append(at)
        if i < warm_up:
            log_step += 0.1 * (np.exp(np.minimum(gain, 0.0)).mean() - 0.8)
            if i + 1 in (warm_up // 3, 2 * warm_up // 3):
                points = np.concatenate(past)
                root, past = metric(points, np.full(len(points), 1.0 / len(points))), []
        else:
            kept.append(at)
    points = np.concatenate(kept)
    lot = np.tile(np.arange(chains), len(kept))
    even = np.full(len(points), 1.0 / len(points))
    return replace(start, points=points, weights=even, lot=lot)


def even_places(weights, size, start=0.5):
    """Places (size,) of draws, each as often as its weight says (systematic resampling)."""
    steps = (np.arange(size) + start) / size
    ends = np.cumsum(weights)
    return np.minimum(np.searchsorted(ends / ends[-1], steps), len(ends) - 1)


def summary(values, weights):
    """Median, sd, and lower and upper 5 % points of weighted draws (S,)."""
    lower, middle, upper = weighted_quantile(values, weights, (0.05, 0.5, 0.95))
    return middle, float(np.sqrt(np.cov(values, aweights=weights, ddof=0))), lower, upper


def mixed_draws(samples, shares):
    """Lots of Draws as one mixture.

    Returns (points (S, p), weights (S,), which (S,), lot (S,)) : which of the samples each draw
    belongs to, and the number of its lot among all.
    """
    sizes = [len(s.weights) for s in samples]
    first = _OF_ONE * np.cumsum([0] + [s.lot.max() // _OF_ONE + 1 for s in samples])[:-1]
    return (
        np.concatenate([s.points for s in samples]),
        np.concatenate([share * s.weights for s, share in zip(samples, shares, strict=True)]),
        np.repeat(np.arange(len(samples)), sizes),
        np.concatenate([s.lot for s in samples]) + np.repeat(first, sizes),
    )


def quantile_error(values, weights, lot, chance):
    """Monte Carlo standard error of a weighted quantile, from how the lots differ.

    values, weights : arrays (S,). lot : int array (S,). chance : float.

    Each lot's share of the weight below the quantile varies about that of the lots of the same
    proposal (Owen 2013, "Monte Carlo theory, methods and examples", batching); over the density
    there.
    """
    below = values < weighted_quantile(values, weights, chance)
    lots, own = np.unique(lot, return_inverse=True)
    each = np.bincount(own, weights * (below - chance))
    _, proposal, number = np.unique(lots // _OF_ONE, return_inverse=True, return_counts=True)
    away = each - (np.bincount(proposal, each) / number)[proposal]
    error = np.sqrt(np.sum(away**2 * (number / np.maximum(number - 1.0, 1.0))[proposal]))
    width = max(2.0 * error, 0.02)
    around = np.clip((chance - width, chance + width), 0.002, 0.998)
    low, high = weighted_quantile(values, weights, around)
    return float((high - low) * error / (around[1] - around[0]))


def smooth_weights(log_ratio):
    """Pareto-smoothed, normalised log-weights (S,) of raw log-ratios (S,), and k-hat."""
    log_ratio = np.where(np.isfinite(log_ratio), log_ratio, -1e300)
    weights = log_ratio - log_ratio.max()
    size = len(weights)
    tail = int(np.ceil(min(0.2 * size, 3.0 * np.sqrt(size))))
    order = np.argsort(weights)
    largest, cutoff = order[-tail:], weights[order[-tail - 1]]
    # Draws may weigh the same, so that some of the largest only equal the cut-off.
    largest = largest[weights[largest] > cutoff]
    tail, excess = len(largest), np.exp(weights[largest]) - np.exp(cutoff)
    k_hat = -np.inf
    if tail >= 5 and excess[-1] > excess[0]:
        with np.errstate(all="ignore"):  # a draw that outweighs all others leaves no shape to fit
            k_hat, scale = fit_pareto(excess)
    if np.isnan(k_hat):
        k_hat = np.inf
    elif np.isfinite(k_hat):
        chance = (np.arange(tail) + 0.5) / tail
        smoothed = np.log(stats.genpareto.ppf(chance, k_hat, scale=scale) + np.exp(cutoff))
        weights = weights.copy()
        weights[largest] = np.minimum(smoothed, 0.0)
    return weights - np.logaddexp.reduce(weights), float(k_hat)


def fit_pareto(excess):
    """Shape k and scale of a generalised Pareto distribution (Zhang & Stephens 2009).

    excess : array (n,), sorted, positive: how far each value lies above the cut-off.

    The shape is drawn towards 0.5 with the weight of ten observations, as the smoothing of
    importance weights asks for.
    """
    n = len(excess)
    grid = 30 + int(np.sqrt(n))
    quarter = excess[int(n / 4 + 0.5) - 1]
    theta = 1.0 / excess[-1] + (1.0 - np.sqrt(grid / (np.arange(1, grid + 1) - 0.5))) / (
        3.0 * quarter
    )
    shape = np.log1p(-theta[:, None] * excess).mean(axis=1)
    profile = n * (np.log(-theta / shape) - shape - 1.0)
    best = np.sum(theta * special.softmax(profile))
    k = float(np.log1p(-best * excess).mean())
    scale = -k / best
    return (n * k + 5.0) / (n + 10.0), float(scale)


def weighted_quantile(values, weights, chance):
    """Quantile(s) of weighted draws (S, ...): the smallest value whose cumulative weight reaches
    the chance."""
    chance = np.maximum(np.asarray(chance) - 1e-12, 0.0)
    return np.quantile(values, chance, axis=0, weights=weights, method="inverted_cdf")

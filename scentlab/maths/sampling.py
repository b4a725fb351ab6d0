"""Posterior draws by importance sampling from a t proposal at the peak.

The raw weights are smoothed by fitting a generalised Pareto distribution to their largest
values (Vehtari, Simpson, Gelman, Yao & Gabry, "Pareto smoothed importance sampling"); the
fitted shape, k-hat, says how far the proposal can be trusted: above 0.7 it cannot.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

K_HAT_LIMIT = 0.7
_LEAST_LOT = 100  # fewer draws show no tail
_COMFORTABLE = 0.5  # k-hat of a round whose draws are kept among the final ones


@dataclass(frozen=True)
class Draws:
    """Weighted draws: ``points`` (S, p), ``weights`` (S,) summing to 1, k-hat, effective size,
    and ``log_evidence``, the log of the integral of the density that was drawn from."""

    points: np.ndarray
    weights: np.ndarray
    k_hat: float
    effective_size: float
    log_evidence: float


@dataclass(frozen=True)
class Proposal:
    """A multivariate t to draw from: ``centre`` (p,), ``covariance`` (p, p), ``df``; what was
    learnt of the log of the density's integral, ``log_evidence``; and the draws of the rounds of
    learning that can be trusted, ``in_hand``."""

    centre: np.ndarray
    covariance: np.ndarray
    df: float
    log_evidence: float
    in_hand: Draws | None = None


def importance_draws(log_density, peak, *, size, seed, df=5.0, stretch=1.15, rounds=5):
    """Draw from a density known up to a constant, with a proposal that learns.

    Parameters
    ----------
    log_density : callable, points (S, p) to log density (S,).
    peak : Peak of that density; its covariance shapes the first proposal.
    size : int, number of draws S (made even).
    seed : int or numpy Generator.
    df, stretch, rounds : as in :func:`learn_proposal`.

    Raises
    ------
    numpy.linalg.LinAlgError when the Hessian of the peak is not negative definite.
    """
    rng = np.random.default_rng(seed)
    proposal = learn_proposal(
        log_density, peak, seed=rng, size=size // 4, df=df, stretch=stretch, rounds=rounds
    )
    return draw_until_trusted(log_density, proposal, size=size, seed=rng)


def draw_until_trusted(log_density, proposal, *, size, seed, tries=4):
    """Draws from a proposal that learns from each lot until k-hat is within its limit.

    The draws that the proposal has in hand count towards ``size``; only what they lack is drawn.
    Returns :class:`Draws`, about ``size`` of them, whose k-hat says whether they may be trusted.
    """
    in_hand = proposal.in_hand
    lacking = size if in_hand is None else size - len(in_hand.weights)
    if lacking <= 0:
        return in_hand
    lacking = max(lacking, min(size, _LEAST_LOT))
    rng = np.random.default_rng(seed)
    found = draw_from(log_density, proposal, size=lacking, seed=rng)
    learnt = found
    for _ in range(tries - 1):
        if found.k_hat <= K_HAT_LIMIT:
            break
        centre, covariance = _learn(learnt, proposal.covariance)
        better = Proposal(centre, 1.3 * covariance, proposal.df, found.log_evidence)
        found = draw_from(log_density, better, size=lacking, seed=rng)
        learnt = _pool(learnt, found)
    trusted = in_hand is not None and found.k_hat <= K_HAT_LIMIT
    return _pool(in_hand, found) if trusted else found


def learn_proposal(log_density, peak, *, seed, size=250, df=5.0, stretch=1.15, rounds=5):
    """Learn a proposal in rounds.

    The first round proposes from a multivariate t at the peak. Its weighted mean and covariance,
    which know of skewness that the curvature at the peak does not, shape the next proposal, and
    so on until k-hat is comfortable.

    Parameters
    ----------
    size : int, draws a round (at least 240). df : float, degrees of freedom of the t (heavier
        tails than normal). stretch : float, factor on the standard deviations. rounds : int, at
        most so many.
    """
    rng = np.random.default_rng(seed)
    size = max(size, 240)
    proposal = Proposal(peak.point, stretch**2 * peak.covariance, df, np.nan)
    learnt = in_hand = None
    for _ in range(rounds):
        found = draw_from(log_density, proposal, size=size, seed=rng)
        learnt = found if learnt is None else _pool(learnt, found)
        if found.k_hat < _COMFORTABLE:
            in_hand = found if in_hand is None else _pool(in_hand, found)
        centre, covariance = _learn(learnt, peak.covariance)
        log_evidence = (in_hand or found).log_evidence
        proposal = Proposal(centre, stretch**2 * covariance, df, log_evidence, in_hand)
        if found.k_hat < _COMFORTABLE and found.effective_size > 0.1 * len(found.weights):
            break
    return proposal


def _pool(first, second):
    """Two lots as one, each weighing as much as its effective size; the larger k-hat is kept."""
    total = first.effective_size + second.effective_size
    share = first.effective_size / total
    weights = np.concatenate([share * first.weights, (1.0 - share) * second.weights])
    log_evidence = np.logaddexp(
        np.log(share) + first.log_evidence, np.log1p(-share) + second.log_evidence
    )
    return Draws(
        np.concatenate([first.points, second.points]),
        weights,
        max(first.k_hat, second.k_hat),
        float(1.0 / np.sum(weights**2)),
        float(log_evidence),
    )


def _learn(draws, curvature):
    """Mean and covariance of weighted draws, leaning on the curvature while they are few."""
    centre = draws.weights @ draws.points
    away = draws.points - centre
    covariance = (draws.weights[:, None] * away).T @ away
    trust = draws.effective_size / (draws.effective_size + 2.0 * len(centre))
    return centre, trust * covariance + (1.0 - trust) * curvature


def ensemble_draws(log_density, start, *, size, seed, warm_up=200):
    """Draws by an affine-invariant ensemble sampler (Goodman & Weare 2010), equally weighted.

    For posteriors that importance sampling cannot hold. Slower by an order of magnitude.

    Parameters
    ----------
    log_density : callable, points (S, p) to log density (S,).
    start : Draws near the density, from which the walkers set out.
    size : int, draws to keep. warm_up : int, steps thrown away first.
    """
    import emcee  # rarely needed, and slow to import

    rng = np.random.default_rng(seed)
    dimension = start.points.shape[1]
    walkers = 4 * dimension
    first = rng.choice(len(start.weights), walkers, p=start.weights / start.weights.sum())
    at = start.points[first] + 1e-3 * rng.standard_normal((walkers, dimension))

    def finite(points):
        value = log_density(points)
        return np.where(np.isfinite(value), value, -1e300)

    sampler = emcee.EnsembleSampler(walkers, dimension, finite, vectorize=True)
    state = np.random.RandomState(rng.integers(2**31)).get_state()
    steps = int(np.ceil(4 * size / walkers))
    sampler.run_mcmc(emcee.State(at, random_state=state), warm_up + steps)
    points = sampler.get_chain(discard=warm_up, flat=True)
    kept = points[np.linspace(0, len(points) - 1, size).astype(int)]
    return Draws(kept, np.full(size, 1.0 / size), np.nan, float(size) / 4.0, start.log_evidence)


def draw_from(log_density, proposal, *, size, seed):
    """Importance draws from a proposal, in mirrored pairs: :class:`Draws` of ``size`` (even)."""
    rng = np.random.default_rng(seed)
    root, df = np.linalg.cholesky(proposal.covariance), proposal.df
    half, dimension = (size + 1) // 2, len(proposal.centre)
    normal = rng.standard_normal((half, dimension))
    mixing = np.tile(rng.chisquare(df, half) / df, 2)
    step = np.concatenate([normal, -normal]) / np.sqrt(mixing)[:, None]
    points = proposal.centre + step @ root.T
    log_proposal = _log_student(step, df) - np.log(np.diag(root)).sum()
    log_ratio = log_density(points) - log_proposal
    log_weights, k_hat = smooth_weights(log_ratio)
    weights = np.exp(log_weights)
    usable = log_ratio[np.isfinite(log_ratio)]
    log_evidence = float(np.logaddexp.reduce(usable) - np.log(len(points)))
    return Draws(points, weights, k_hat, float(1.0 / np.sum(weights**2)), log_evidence)


def _log_student(step, df):
    """Log density of the standard multivariate t at rows of ``step``."""
    p = step.shape[1]
    constant = (
        special.gammaln((df + p) / 2) - special.gammaln(df / 2) - 0.5 * p * np.log(df * np.pi)
    )
    return constant - 0.5 * (df + p) * np.log1p((step**2).sum(axis=1) / df)


def smooth_weights(log_ratio):
    """Pareto-smoothed, normalised log-weights (S,) of raw log-ratios (S,), and k-hat."""
    log_ratio = np.where(np.isfinite(log_ratio), log_ratio, -1e300)
    weights = log_ratio - log_ratio.max()
    size = len(weights)
    tail = int(np.ceil(min(0.2 * size, 3.0 * np.sqrt(size))))
    order = np.argsort(weights)
    largest, cutoff = order[-tail:], weights[order[-tail - 1]]
    # Mirrored draws may weigh the same, so that some of the largest only equal the cut-off.
    largest = largest[weights[largest] > cutoff]
    tail, excess = len(largest), np.exp(weights[largest]) - np.exp(cutoff)
    k_hat = -np.inf
    if tail >= 5 and excess[-1] > excess[0]:
        k_hat, scale = fit_pareto(excess)
        chance = (np.arange(tail) + 0.5) / tail
        smoothed = np.log(pareto_quantile(chance, k_hat, scale) + np.exp(cutoff))
        weights = weights.copy()
        weights[largest] = np.minimum(smoothed, 0.0)
    return weights - np.logaddexp.reduce(weights), float(k_hat)


def fit_pareto(excess):
    """Shape k and scale of a generalised Pareto distribution (Zhang & Stephens 2009).

    Parameters
    ----------
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
    share = np.exp(profile - profile.max())
    share = share / share.sum()
    best = np.sum(theta * share)
    k = float(np.log1p(-best * excess).mean())
    scale = -k / best
    return (n * k + 5.0) / (n + 10.0), float(scale)


def pareto_quantile(chance, k, scale):
    """Quantile of the generalised Pareto distribution with shape k."""
    if abs(k) < 1e-12:
        return -scale * np.log1p(-chance)
    return scale * np.expm1(-k * np.log1p(-chance)) / k


def weighted_quantile(values, weights, chance):
    """Quantile(s) of weighted draws: the smallest value whose cumulative weight reaches chance."""
    order = np.argsort(values, kind="stable")
    cumulative = np.cumsum(np.asarray(weights)[order])
    place = np.searchsorted(cumulative / cumulative[-1], np.asarray(chance) - 1e-12)
    return np.asarray(values)[order][np.minimum(place, len(order) - 1)]

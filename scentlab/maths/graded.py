"""Graded looks in parameters that mean something: the sweat model and the frost model, on arrays.

Sweat (:class:`CapacityModel`). For a piece of pot k, blend b, load x and stress s:

    logit P(grade >= g) = (x - capacity_b) / spread + s'gamma + u_k - tau_g,   u_k ~ N(0, sigma)

with tau_1 = 0 < tau_2 < ..., so that capacity_b is the load at which half of the pieces of a
typical pot show any sweat at rest.

Frost (:class:`LinearModel`). The location is linear in the covariates instead.

The free parameters are laid out as: the location's own, then log gaps between thresholds, log
sigma and logit of the misreading probability.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from scentlab.maths.ordinal import log_likelihood


@dataclass(frozen=True)
class GradePrior:
    """Weakly informative priors of what all graded models share.

    Gaps between thresholds: log-normal (latent units). sigma (between pots): half Student t.
    misread: logit-normal, ``misread_median`` None when no grade is misread.
    """

    gap_median: float = 1.5
    gap_log_sd: float = 0.7
    sigma_scale: float = 0.7
    sigma_df: float = 2.0
    misread_median: float | None = 0.02
    misread_logit_sd: float = 1.0


@dataclass(frozen=True)
class CapacityPrior(GradePrior):
    """Priors of the sweat model.

    The capacities of the blends are normal about ``capacity_centre`` (load) with covariance
    ``pool^2 I + A S^2 A'``: A = ``shared`` (B, q) are columns that blends share (all ones for a
    common shift; wax fractions for a blending function), S = ``shared_scale`` how far each may
    move, and ``pool`` how far single blends stray from what is shared, log-normal so that the
    posterior has a peak (a prior that admits 0 has none when the blends are alike). With
    ``shared`` empty each capacity is a Student t of its own.
    spread: log-normal, that of each blend log-normal about it with ``spread_shift_sd`` (0 holds
    all blends to one spread, which makes a blend of wider spread false-safe); stress: normal.
    """

    capacity_centre: tuple = ()
    capacity_scale: float = 4.0
    capacity_df: float = 3.0
    shared: tuple = ()
    shared_scale: tuple = ()
    pool_median: float = 1.5
    pool_log_sd: float = 0.6
    spread_median: float = 0.8
    spread_log_sd: float = 0.8
    spread_shift_sd: float = 0.25
    stress_scale: float = 2.0


@dataclass(frozen=True)
class LinearPrior(GradePrior):
    """Priors of the frost model: each coefficient normal about 0 with its own scale."""

    coefficient_scales: tuple = ()


class GradedModel:
    """Likelihood and prior over the free parameters; subclasses give the location.

    Parameters
    ----------
    data : Counts, its design as the subclass reads it.
    prior : GradePrior of the subclass's kind, or None for plain maximum likelihood.
    link : logit, probit or cloglog. mixed : False leaves the pot effects out.
    nodes : int, quadrature nodes per pot.
    """

    def __init__(self, data, prior, *, link="logit", mixed=True, nodes=15):
        self.data, self.prior, self.link, self.mixed, self.nodes = data, prior, link, mixed, nodes
        self.reads = prior is not None and prior.misread_median is not None
        self.modes = self.moving = None
        sizes = {
            **self.location_sizes(),
            "log_gaps": data.counts.shape[1] - 2,
            "log_sigma": int(mixed),
            "logit_misread": int(self.reads),
        }
        ends = np.cumsum(list(sizes.values()))
        self.places = {
            key: slice(end - size, end)
            for (key, size), end in zip(sizes.items(), ends, strict=True)
        }
        self.size = int(ends[-1])

    def location_sizes(self):
        """How many free parameters the location has, by key."""
        raise NotImplementedError

    def location(self, free):
        """Latent location eta (..., C) of each cell."""
        raise NotImplementedError

    def location_slope(self, free, d_eta):
        """Derivatives by key of a function whose derivative in eta is d_eta (..., C)."""
        raise NotImplementedError

    def location_prior(self, free):
        """Pairs of key and (log density, gradient) of the location's parameters."""
        raise NotImplementedError

    def take(self, free, key):
        """The part of the free parameters (..., p) with that key."""
        return free[..., self.places[key]]

    def shared(self, free):
        """tau (..., K - 1), sigma (...) and misread (...) of free parameters (..., p)."""
        gaps = np.exp(self.take(free, "log_gaps"))
        zero = np.zeros(free.shape[:-1])
        return {
            "tau": np.concatenate([zero[..., None], np.cumsum(gaps, axis=-1)], axis=-1),
            "sigma": np.exp(self.take(free, "log_sigma"))[..., 0] if self.mixed else zero,
            "misread": (
                special.expit(self.take(free, "logit_misread"))[..., 0] if self.reads else zero
            ),
        }

    def _evaluate(self, free, derivatives, nodes, modes=None):
        shared = self.shared(free)
        return log_likelihood(
            self.data,
            shared["tau"],
            self.location(free),
            shared["sigma"] if self.mixed else None,
            link=self.link,
            misread=shared["misread"] if self.reads else None,
            nodes=nodes,
            modes=self.modes if modes is None else modes,
            derivatives=derivatives,
        )

    def log_likelihood(self, free, nodes=None):
        """Log-likelihood (...) at free parameters (..., p)."""
        modes = None if self.moving is None else self.moving.at(free)
        return self._evaluate(free, False, nodes or self.nodes, modes).value

    def log_posterior(self, free, nodes=None, chunk=24):
        """Log-likelihood plus log prior (S,) at points (S, p), in chunks that fit a cache."""
        parts = [
            self.log_likelihood(free[i : i + chunk], nodes) for i in range(0, len(free), chunk)
        ]
        return np.concatenate(parts) + self.log_prior(free)[0]

    def value_and_gradient(self, free):
        """Log posterior (log likelihood without a prior) and its gradient at one point (p,)."""
        if self.out_of_reach(free):
            return -np.inf, np.zeros(self.size)
        found = self._evaluate(free, True, self.nodes)
        if self.mixed:
            self.modes = found.modes
        return float(found.value + self.log_prior(free)[0]), self._gradient(free, found)

    def gradients(self, free):
        """Gradients (S, p) of the log posterior at points (S, p) near each other.

        From there on :meth:`log_posterior` looks for the modes where these points say they are.
        """
        found = self._evaluate(free, True, self.nodes)
        if self.mixed and len(free) > self.size:
            self.moving = _Moving.between(free, found.modes)
        return self._gradient(free, found)

    def _gradient(self, free, found):
        slope = self.log_prior(free)[1].copy()
        for key, gradient in self.location_slope(free, found.d_eta).items():
            slope[..., self.places[key]] += gradient
        tail = np.cumsum(found.d_theta[..., ::-1], axis=-1)[..., ::-1]
        slope[..., self.places["log_gaps"]] += tail[..., 1:] * np.exp(self.take(free, "log_gaps"))
        if self.mixed:
            slope[..., self.places["log_sigma"]] += found.d_log_sigma[..., None]
        if self.reads:
            misread = special.expit(self.take(free, "logit_misread"))
            slope[..., self.places["logit_misread"]] += (
                found.d_misread[..., None] * misread * (1.0 - misread)
            )
        return slope

    def out_of_reach(self, free):
        """Whether a logarithm among the free parameters (p,) is too large to compute with."""
        logs = [k for k in self.places if k.startswith("log")]
        return any(np.any(np.abs(self.take(free, k)) > 30.0) for k in logs)

    def log_prior(self, free):
        """Log prior density (...) up to a constant, and its gradient (..., p)."""
        if self.prior is None:
            return np.zeros(free.shape[:-1]), np.zeros(free.shape)
        p, value, slope = self.prior, 0.0, np.zeros(free.shape)
        parts = self.location_prior(free)
        parts.append(
            (
                "log_gaps",
                normal_density(self.take(free, "log_gaps"), np.log(p.gap_median), p.gap_log_sd),
            )
        )
        if self.mixed:
            parts.append(
                (
                    "log_sigma",
                    half_student_density_of_log(
                        self.take(free, "log_sigma"), p.sigma_scale, p.sigma_df
                    ),
                )
            )
        if self.reads:
            parts.append(
                (
                    "logit_misread",
                    normal_density(
                        self.take(free, "logit_misread"),
                        special.logit(p.misread_median),
                        p.misread_logit_sd,
                    ),
                )
            )
        for key, (log_density, gradient) in parts:
            value = value + log_density.sum(axis=-1)
            slope[..., self.places[key]] = gradient
        return value, slope

    def start(self):
        """A point to climb from; subclasses add the location's parameters."""
        free = np.zeros(self.size)
        prior = self.prior or GradePrior()
        free[self.places["log_gaps"]] = np.log(prior.gap_median)
        free[self.places["log_sigma"]] = np.log(0.5)
        free[self.places["logit_misread"]] = special.logit(prior.misread_median or 0.02)
        return free


@dataclass(frozen=True)
class _Moving:
    """About where the groups' modes lie: ``modes`` (G,) at ``centre`` (p,), ``slope`` (p, G)."""

    centre: np.ndarray
    modes: np.ndarray
    slope: np.ndarray

    @classmethod
    def between(cls, points, modes):
        """What points (S, p) near each other and their modes (S, G) tell."""
        centre, middle = points.mean(axis=0), modes.mean(axis=0)
        return cls(centre, middle, np.linalg.lstsq(points - centre, modes - middle)[0])

    def at(self, free):
        # Far from the centre a straight line runs away; Newton's steps go on from within reach.
        return np.clip(self.modes + (free - self.centre) @ self.slope, -4.0, 4.0)


class CapacityModel(GradedModel):
    """The sweat model. The design's columns: load, an indicator per blend (B), the stresses."""

    def __init__(self, data, n_blends, prior, **options):
        self.load = data.design[:, 0]
        self.blends = data.design[:, 1 : 1 + n_blends]
        self.stress = data.design[:, 1 + n_blends :]
        self.pooled = prior is not None and len(prior.shared) > 0
        if self.pooled:
            shared = np.asarray(prior.shared, dtype=float) * np.asarray(prior.shared_scale)
            self.shared_variance, self.shared_axes = np.linalg.eigh(shared @ shared.T)
        self.spreads = prior is not None and prior.spread_shift_sd > 0 and n_blends > 1
        super().__init__(data, prior, **options)

    def location_sizes(self):
        return {
            "capacity": self.blends.shape[1],
            "log_spread": 1,
            "log_spread_shift": self.blends.shape[1] if self.spreads else 0,
            "stress": self.stress.shape[1],
            "log_pool": int(self.pooled),
        }

    def cell_spread(self, free):
        """Spread (..., C or 1) of each cell's blend."""
        log_spread = self.take(free, "log_spread")
        if self.spreads:
            log_spread = log_spread + self.take(free, "log_spread_shift") @ self.blends.T
        return np.exp(log_spread)

    def location(self, free):
        reach = self.load - self.take(free, "capacity") @ self.blends.T
        return reach / self.cell_spread(free) + self.take(free, "stress") @ self.stress.T

    def location_slope(self, free, d_eta):
        pull = d_eta / self.cell_spread(free)
        reach = self.load - self.take(free, "capacity") @ self.blends.T
        slope = {
            "capacity": -(pull @ self.blends),
            "log_spread": -(pull * reach).sum(axis=-1, keepdims=True),
            "stress": d_eta @ self.stress,
        }
        if self.spreads:
            slope["log_spread_shift"] = -((pull * reach) @ self.blends)
        return slope

    def location_prior(self, free):
        p = self.prior
        parts = [
            (
                "log_spread",
                normal_density(
                    self.take(free, "log_spread"), np.log(p.spread_median), p.spread_log_sd
                ),
            ),
            ("stress", normal_density(self.take(free, "stress"), 0.0, p.stress_scale)),
        ]
        if self.spreads:
            shift = self.take(free, "log_spread_shift")
            parts.append(("log_spread_shift", normal_density(shift, 0.0, p.spread_shift_sd)))
        away = self.take(free, "capacity") - np.asarray(p.capacity_centre)
        if not self.pooled:
            own = student_density(away, 0.0, p.capacity_scale, p.capacity_df)
            return parts + [("capacity", own)]
        log_pool = self.take(free, "log_pool")
        capacity, pool = pooled_density(away, log_pool, self.shared_variance, self.shared_axes)
        own = normal_density(log_pool, np.log(p.pool_median), p.pool_log_sd)
        return parts + [("capacity", capacity), ("log_pool", (own[0], own[1] + pool))]

    def start(self):
        free = super().start()
        prior = self.prior or CapacityPrior(
            capacity_centre=tuple([float(np.mean(self.load))] * self.blends.shape[1])
        )
        free[self.places["capacity"]] = self._first_capacity(prior)
        free[self.places["log_spread"]] = np.log(max(prior.spread_median, np.ptp(self.load) / 8))
        free[self.places["log_pool"]] = np.log(prior.pool_median)
        return free

    def _first_capacity(self, prior):
        """Each blend's load where the observed share of wet pieces passes one half, roughly."""
        wet = self.data.counts[:, 1:].sum(axis=1)
        dry = self.data.counts[:, 0]
        capacity = np.array(prior.capacity_centre, dtype=float)
        for b in range(self.blends.shape[1]):
            own = self.blends[:, b] == 1.0
            driest = np.sum(dry[own] * self.load[own]), np.sum(dry[own])
            wettest = np.sum(wet[own] * self.load[own]), np.sum(wet[own])
            if driest[1] > 0 and wettest[1] > 0:
                capacity[b] = 0.5 * (driest[0] / driest[1] + wettest[0] / wettest[1])
            elif driest[1] > 0:
                capacity[b] = max(capacity[b], self.load[own].max())
            elif wettest[1] > 0:
                capacity[b] = min(capacity[b], self.load[own].min())
        return capacity


class LinearModel(GradedModel):
    """The frost model: location = design @ coefficients."""

    def location_sizes(self):
        return {"coefficients": self.data.design.shape[1]}

    def location(self, free):
        return self.take(free, "coefficients") @ self.data.design.T

    def location_slope(self, free, d_eta):
        return {"coefficients": d_eta @ self.data.design}

    def location_prior(self, free):
        scales = np.asarray(self.prior.coefficient_scales)
        return [("coefficients", normal_density(self.take(free, "coefficients"), 0.0, scales))]


def normal_density(x, mean, sd):
    """Log density up to a constant, and its slope."""
    z = (x - mean) / sd
    return -0.5 * z**2, -z / sd


def student_density(x, centre, scale, df):
    """Log density of a Student t up to a constant, and its slope."""
    z = (x - centre) / scale
    return -0.5 * (df + 1) * np.log1p(z**2 / df), -(df + 1) * z / (df + z**2) / scale


def pooled_density(away, log_pool, shared_variance, shared_axes):
    """Log density of capacities about their centres, normal with covariance pool^2 I + shared.

    Parameters
    ----------
    away : array (..., B). log_pool : array (..., 1).
    shared_variance, shared_axes : eigenvalues (B,) and eigenvectors (B, B) of the shared part.

    Returns
    -------
    (log density (..., 1), gradient in away (..., B)), gradient in log_pool (..., 1)
    """
    pool2 = np.exp(2.0 * log_pool)
    variance = pool2 + np.maximum(shared_variance, 0.0)
    turned = away @ shared_axes
    value = -0.5 * (np.log(variance) + turned**2 / variance).sum(axis=-1, keepdims=True)
    slope = -(turned / variance) @ shared_axes.T
    pool = (pool2 * (turned**2 / variance - 1.0) / variance).sum(axis=-1, keepdims=True)
    return (value, slope), pool


def half_student_density_of_log(log_x, scale, df):
    """Log density of log x where x is half Student t, up to a constant, and its slope."""
    z2 = np.exp(2.0 * log_x) / scale**2 / df
    return -0.5 * (df + 1) * np.log1p(z2) + log_x, 1.0 - (df + 1) * z2 / (1.0 + z2)

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

    Gaps between thresholds: log-normal (latent units; one for all, or a tuple of one each). sigma
    (between pots): half Student t, in latent units or, in :class:`CapacityPrior`, in points of
    load; its normal score about ``sigma_centre`` with ``sigma_sd`` where earlier series tell more.
    misread: logit-normal, ``misread_median`` None when no grade is misread.
    """

    gap_median: float | tuple = 1.5
    gap_log_sd: float | tuple = 0.7
    sigma_scale: float = 0.7
    sigma_df: float = 2.0
    sigma_centre: float = 0.0
    sigma_sd: float = 1.0
    misread_median: float | None = 0.02
    misread_logit_sd: float = 1.0

    def normals(self):
        """Mean and sd of the free parameters that are normal beforehand, by key."""
        found = {"log_gaps": (np.log(self.gap_median), np.asarray(self.gap_log_sd)),
                 "sigma": (self.sigma_centre, self.sigma_sd)}
        if self.misread_median is not None:
            found["logit_misread"] = special.logit(self.misread_median), self.misread_logit_sd
        return found


@dataclass(frozen=True)
class CapacityPrior(GradePrior):
    """Priors of the sweat model.

    The capacities of the blends are normal about ``capacity_centre`` (load) with covariance
    ``pool^2 I + shift_scale^2``: ``shift_scale`` is how far all may move together, and ``pool`` how
    far single blends stray from that, log-normal so that the posterior has a peak (a prior that
    admits 0 has none when the blends are alike). Without a shift each capacity is a Student t of
    its own.
    spread: log-normal, that of each blend log-normal about it with ``spread_shift_sd`` (0 holds
    all blends to one spread, which makes a blend of wider spread false-safe); stress: normal;
    ageing: half Student t, points of load by which capacities fall with each doubling of age.
    """

    capacity_centre: tuple = ()
    capacity_scale: float | tuple = 4.0
    capacity_df: float = 3.0
    shift_scale: float = 0.0
    pool_median: float = 1.5
    pool_log_sd: float = 0.6
    spread_median: float = 0.8
    spread_log_sd: float = 0.8
    spread_shift_sd: float = 0.6
    stress_scale: float = 2.0
    stress_centre: float = 0.0
    sigma_scale: float = 0.6
    sigma_df: float = 3.0
    ageing_scale: float = 0.5
    ageing_df: float = 3.0

    def normals(self):
        return {
            "log_spread": (np.log(self.spread_median), self.spread_log_sd),
            "stress": (self.stress_centre, self.stress_scale), "ageing": (0.0, 1.0),
            "log_spread_shift": (0.0, self.spread_shift_sd),
            "log_pool": (np.log(self.pool_median), self.pool_log_sd), **super().normals(),
        }


@dataclass(frozen=True)
class LinearPrior(GradePrior):
    """Priors of the frost model: each coefficient normal about 0 with its own scale."""

    coefficient_scales: tuple = ()

    def normals(self):
        return {"coefficients": (0.0, np.asarray(self.coefficient_scales)), **super().normals()}


class GradedModel:
    """Likelihood and prior over the free parameters. Subclasses give the location (..., C): the
    numbers of its parameters by key, and derivatives by key of what has a derivative d_eta in it.

    data : Counts, its design as the subclass reads it.
    prior : GradePrior of the subclass's kind. link : name of a link.
    """

    def __init__(self, data, prior, *, link="logit"):
        self.data, self.prior, self.link = data, prior, link
        self.reads = prior.misread_median is not None
        sizes = {
            **self.location_sizes(),
            "log_gaps": data.counts.shape[1] - 2,
            "sigma": 1,
            "logit_misread": int(self.reads),
        }
        ends = np.cumsum(list(sizes.values()))
        self.places = {
            key: slice(end - size, end)
            for (key, size), end in zip(sizes.items(), ends, strict=True)
        }
        self.size = int(ends[-1])

    def take(self, free, key):
        """The part of the free parameters (..., p) with that key."""
        return free[..., self.places[key]]

    def shared(self, free):
        """tau (..., K - 1), sigma (...) and misread (...) of free parameters (..., p)."""
        gaps = np.exp(self.take(free, "log_gaps"))
        zero = np.zeros(free.shape[:-1])
        return {
            "tau": np.concatenate([zero[..., None], np.cumsum(gaps, axis=-1)], axis=-1),
            "sigma": self.of_score(free, "sigma")[0][..., 0],
            "misread": (
                special.expit(self.take(free, "logit_misread"))[..., 0] if self.reads else zero
            ),
        }

    def of_score(self, free, key):
        """What a free parameter is a score of (..., 0 or 1), and the slope of its logarithm: sigma,
        or by "ageing" the points of load that a doubling of the age takes.

        The free parameter is the normal score, so that what the data do not tell is normal; the
        logarithm has a tail that no proposal holds.
        """
        return half_student_of_score(
            self.take(free, key), getattr(self.prior, f"{key}_scale"),
            getattr(self.prior, f"{key}_df"))

    def group_sd(self, free, sigma):
        """Latent standard deviation (..., G or 1) of the effect of each group."""
        return sigma[..., None]

    def group_sd_slope(self, free, d_log_sd):
        """Derivatives by key of a function whose derivative in each group's log sd is d_log_sd
        (..., G), but for sigma itself."""
        return {}

    def _evaluate(self, free, derivatives):
        shared = self.shared(free)
        return log_likelihood(
            self.data, shared["tau"], self.location(free),
            self.group_sd(free, shared["sigma"]), link=self.link,
            misread=shared["misread"] if self.reads else None, derivatives=derivatives,
        )

    def log_parts(self, free):
        """Log-likelihood of each group, and log prior, (S, G + 1) at points (S, p); minus infinity
        out of reach."""
        reach = ~self.out_of_reach(free)
        parts = np.full((len(free), len(self.data.starts) + 1), -np.inf)
        parts[reach, :-1] = self._evaluate(free[reach], False).each
        parts[reach, -1] = self.log_prior(free[reach])[0]
        return parts

    def log_posterior(self, free):
        """Log-likelihood plus log prior (S,) at points (S, p); minus infinity out of reach."""
        return self.log_parts(free).sum(axis=1)

    def value_and_gradient(self, free):
        """Log posterior and its gradient at one point (p,)."""
        value, gradient = self.values_and_gradients(free[None])
        return float(value[0]), gradient[0]

    def effects(self, free):
        """Each group's effect (G,), in its standard deviations, at one point (p,)."""
        return self._evaluate(free[None], True).modes[0]

    def values_and_gradients(self, free):
        """Log posteriors (S,) and gradients (S, p) at points (S, p)."""
        reach = ~self.out_of_reach(free)
        value, gradient = np.full(len(free), -np.inf), np.zeros(free.shape)
        if reach.any():
            found = self._evaluate(free[reach], True)
            value[reach] = found.value + self.log_prior(free[reach])[0]
            gradient[reach] = self._gradient(free[reach], found)
        return value, gradient

    def _gradient(self, free, found):
        slope = self.log_prior(free)[1].copy()
        for key, gradient in self.location_slope(free, found.d_eta).items():
            slope[..., self.places[key]] += gradient
        tail = np.cumsum(found.d_theta[..., ::-1], axis=-1)[..., ::-1]
        slope[..., self.places["log_gaps"]] += tail[..., 1:] * np.exp(self.take(free, "log_gaps"))
        own = self.of_score(free, "sigma")[1] * found.d_log_sigma.sum(axis=-1, keepdims=True)
        slope[..., self.places["sigma"]] += own
        for key, gradient in self.group_sd_slope(free, found.d_log_sigma).items():
            slope[..., self.places[key]] += gradient
        if self.reads:
            misread = special.expit(self.take(free, "logit_misread"))
            slope[..., self.places["logit_misread"]] += (
                found.d_misread[..., None] * misread * (1.0 - misread)
            )
        return slope

    def out_of_reach(self, free):
        """Whether (S,) a parameter of points (S, p) is too large to compute with."""
        logs = [self.places[k] for k in self.places if k.startswith("log_")]
        far = [np.abs(free[:, place]).max(axis=1, initial=0.0) > 30.0 for place in logs]
        return np.any(far, axis=0) | ~np.all(np.abs(free) < 1e6, axis=1)

    def log_prior(self, free):
        """Log prior density (...) up to a constant, and its gradient (..., p)."""
        value, slope = 0.0, np.zeros(free.shape)
        for key, (log_density, gradient) in self.densities(free):
            value = value + log_density.sum(axis=-1)
            slope[..., self.places[key]] += gradient
        return value, slope

    def densities(self, free):
        """Pairs of key and (log density up to a constant, gradient) of the free parameters."""
        for key, (mean, sd) in self.prior.normals().items():
            yield key, normal_density(self.take(free, key), mean, sd)

    def start(self):
        """A point to climb from; subclasses add the location's parameters."""
        free = np.zeros(self.size)
        free[self.places["log_gaps"]] = np.log(self.prior.gap_median)
        free[self.places["logit_misread"]] = special.logit(self.prior.misread_median or 0.02)
        return free


# About how far (points of load) the pieces of one pot tell its capacity, and blends lie apart.
_PIECES_SD, _BLENDS_SD = 0.6, 2.0


class CapacityModel(GradedModel):
    """The sweat model. The design's columns: load, an indicator per blend (B), the stresses and,
    where it is ``aged``, the doublings of the age (0 at the age that is asked about)."""

    def __init__(self, data, n_blends, prior, *, aged=False, **options):
        self.aged, last = aged, data.design.shape[1] - int(aged)
        self.load = data.design[:, 0]
        self.blends = data.design[:, 1 : 1 + n_blends]
        self.stress = data.design[:, 1 + n_blends : last]
        self.age = data.design[:, last:]
        self.pooled = prior.shift_scale > 0
        if self.pooled:
            self.shared_variance, self.shared_axes = np.linalg.eigh(
                np.full((n_blends, n_blends), prior.shift_scale**2))
        self.spreads = prior.spread_shift_sd > 0 and n_blends > 1
        self.pot_blends = self.blends[data.starts]
        super().__init__(data, prior, **options)

    def named(self, free):
        """Free parameters (S, p) by meaning: capacity and spread (S, B), stress (S, T - 1), tau
        (S, K - 1), sigma, misread, pool and ageing (S,), 0 where there is none."""
        return {
            "capacity": self.take(free, "capacity"), "spread": np.exp(self.log_spread(free)),
            "stress": self.take(free, "stress"), **self.shared(free),
            "pool": np.exp(self.take(free, "log_pool")).sum(axis=1),
            "ageing": self.of_score(free, "ageing")[0].sum(axis=1),
        }

    def group_sd(self, free, sigma):
        """Pots differ in points of load: the steeper the curve, the more on the latent scale."""
        return sigma[..., None] / np.exp(self.log_spread(free) @ self.pot_blends.T)

    def group_sd_slope(self, free, d_log_sd):
        slope = {"log_spread": -d_log_sd.sum(axis=-1, keepdims=True)}
        if self.spreads:
            slope["log_spread_shift"] = -(d_log_sd @ self.pot_blends)
        return slope

    def unfunnelled(self, points, anchor):
        """Points (S, p) whose capacities lie as far from those of the anchor (p,) as the sd between
        pots of each point allows, and the log of the Jacobian (S,).

        The more pots differ, the less a few of them tell of a capacity: the posterior is a funnel,
        which a proposal of one width cannot hold (Neal 2003, "Slice sampling", section 8).
        """
        place, pots = self.places["capacity"], self.pot_blends.sum(axis=0)

        def width(free):
            told = pots / (_PIECES_SD**2 + self.of_score(free, "sigma")[0] ** 2)
            return 1.0 / np.sqrt(told + _BLENDS_SD**-2)

        stretch = width(points) / width(anchor)
        moved = points.copy()
        moved[:, place] = anchor[place] + stretch * (points[:, place] - anchor[place])
        return moved, np.log(stretch).sum(axis=1)

    def log_spread(self, free):
        """Logarithm of the spread (..., B) of each blend."""
        common = self.take(free, "log_spread")
        if self.spreads:
            return common + self.take(free, "log_spread_shift")
        return np.broadcast_to(common, common.shape[:-1] + (self.blends.shape[1],))

    def location_sizes(self):
        return {
            "capacity": self.blends.shape[1],
            "log_spread": 1,
            "log_spread_shift": self.blends.shape[1] if self.spreads else 0,
            "stress": self.stress.shape[1],
            "ageing": self.age.shape[1],
            "log_pool": int(self.pooled),
        }

    def cell_spread(self, free):
        """Spread (..., C) of each cell's blend."""
        return np.exp(self.log_spread(free) @ self.blends.T)

    def location(self, free):
        stress = self.take(free, "stress") @ self.stress.T
        return self.reach(free) / self.cell_spread(free) + stress

    def reach(self, free):
        """How far (..., C) the load of each cell lies above the capacity of its age."""
        reach = self.load - self.take(free, "capacity") @ self.blends.T
        return reach + self.of_score(free, "ageing")[0] @ self.age.T

    def location_slope(self, free, d_eta):
        pull = d_eta / self.cell_spread(free)
        reach, (ageing, log_slope) = self.reach(free), self.of_score(free, "ageing")
        slope = {
            "ageing": (pull @ self.age) * ageing * log_slope,
            "capacity": -(pull @ self.blends),
            "log_spread": -(pull * reach).sum(axis=-1, keepdims=True),
            "stress": d_eta @ self.stress,
        }
        if self.spreads:
            slope["log_spread_shift"] = -((pull * reach) @ self.blends)
        return slope

    def densities(self, free):
        for key, (log_density, gradient) in super().densities(free):
            if key == "log_pool":
                capacity, pool = self._capacity_density(free)
                yield "capacity", capacity
                gradient = gradient + pool
            yield key, (log_density, gradient)

    def _capacity_density(self, free):
        """Log density and gradient of the capacities, and the gradient in log_pool."""
        p = self.prior
        away = self.take(free, "capacity") - np.asarray(p.capacity_centre)
        if self.pooled:
            return pooled_density(
                away, self.take(free, "log_pool"), self.shared_variance, self.shared_axes)
        return student_density(away, 0.0, np.asarray(p.capacity_scale), p.capacity_df), 0.0

    def start(self):
        free, prior = super().start(), self.prior
        free[self.places["capacity"]] = self._first_capacity()
        free[self.places["log_spread"]] = np.log(max(prior.spread_median, np.ptp(self.load) / 8))
        free[self.places["log_pool"]] = np.log(prior.pool_median)
        return free

    def _first_capacity(self):
        """Each blend's load where the observed share of wet pieces passes one half, roughly."""
        dry, capacity = self.data.counts[:, 0], np.array(self.prior.capacity_centre, dtype=float)
        wet = self.data.counts[:, 1:].sum(axis=1)
        for b in range(self.blends.shape[1]):
            own = self.blends[:, b] == 1.0
            load, drier, wetter = self.load[own], dry[own], wet[own]
            if drier.any() and wetter.any():
                capacity[b] = 0.5 * sum(np.average(load, weights=n) for n in (drier, wetter))
            elif drier.any():
                capacity[b] = max(capacity[b], load.max())
            elif wetter.any():
                capacity[b] = min(capacity[b], load.min())
        return capacity


class LinearModel(GradedModel):
    """The frost model: location = design @ coefficients."""

    def location_sizes(self):
        return {"coefficients": self.data.design.shape[1]}

    def location(self, free):
        return self.take(free, "coefficients") @ self.data.design.T

    def location_slope(self, free, d_eta):
        return {"coefficients": d_eta @ self.data.design}


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

    away : array (..., B). log_pool : array (..., 1).
    shared_variance, shared_axes : eigenvalues (B,) and eigenvectors (B, B) of the shared part.
    Returns (log density (..., 1), gradient in away (..., B)), gradient in log_pool (..., 1)
    """
    pool2 = np.exp(2.0 * log_pool)
    variance = pool2 + np.maximum(shared_variance, 0.0)
    turned = away @ shared_axes
    value = -0.5 * (np.log(variance) + turned**2 / variance).sum(axis=-1, keepdims=True)
    slope = -(turned / variance) @ shared_axes.T
    pool = (pool2 * (turned**2 / variance - 1.0) / variance).sum(axis=-1, keepdims=True)
    return (value, slope), pool


def half_student_of_score(score, scale, df):
    """The half Student t value whose normal score is ``score``, and the slope of its logarithm."""
    score = np.clip(score, -7.5, 12.0)
    x = -special.stdtrit(df, 0.5 * special.ndtr(-score))
    log_density = special.gammaln((df + 1) / 2) - special.gammaln(df / 2) - 0.5 * (df + 1) * (
        np.log1p(x**2 / df)
    )
    log_normal = -0.5 * score**2 - np.log(2.0)
    return scale * x, np.exp(log_normal - log_density) * np.sqrt(df / 2.0) / x

"""Links of the cumulative model: distributions of the latent scale, stable in both tails.

Convention: P(Y <= j) = F(theta_j - eta). For the symmetric links (logit, probit) this is the
same as P(Y > j) = F(eta - theta_j). The two links of the default fit have short cuts, in which
one exponential per location serves all grades.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special


@dataclass(frozen=True)
class Link:
    """A distribution F on the line: 1 - F, log density and quantile; log F and log (1 - F) where no
    short cut (the pace of its exponential, and its terms) gives the grades."""

    sf: Callable
    log_pdf: Callable
    quantile: Callable
    log_cdf: Callable | None = None
    log_sf: Callable | None = None
    short: tuple | None = None


def _skewed_power(z):
    """exp(-z / sqrt 2), the power of one half that makes the skewed link."""
    return np.exp(np.clip(-z / np.sqrt(2.0), -700.0, 700.0))


_LN2 = float(np.log(2.0))
_LEAST = 1e-37  # nearly the smallest number of single precision


def find_link(name):
    """The :class:`Link` of that name. Raises ValueError naming the links there are."""
    if name not in LINKS:
        raise ValueError(f"no link is called {name!r}; there are {', '.join(LINKS)}")
    return LINKS[name]


def grade_terms(link, theta, eta, densities=True):
    """Probabilities (K, ...) of the grades at thresholds ``theta`` and locations ``eta``, and the
    densities (K - 1, ...) at the cut points, which their derivatives need.

    The grade axis comes first: each grade lies together in memory, which is what makes the
    evaluation over many draws and nodes fast. Differences of two distribution values are formed
    without losing digits in either tail.

    theta : array (K - 1, ...), thresholds rising along the first axis, broadcast against ``eta``.
    eta : array (...), locations.
    densities : bool, False leaves the densities out: None.
    """
    if link.short is None:
        return _general_terms(link, theta, eta, densities)
    pace, terms, most = *link.short, 300.0 if eta.dtype == np.float64 else 40.0
    e = eta * pace
    np.clip(e, -most, most, out=e)
    np.exp(e, out=e)
    return terms(np.exp(np.clip(pace * theta, -most, most)), e, densities)


def _logit_terms(cut, e, densities):
    """One exponential per location: P(Y > j) = e / (e + T), e = exp(eta), T = exp(theta)."""
    inverse = e + cut
    np.reciprocal(inverse, out=inverse)
    above = e * inverse
    p = np.empty((len(above) + 1,) + above.shape[1:], above.dtype)
    np.multiply(cut[0], inverse[0], out=p[0])
    p[-1] = above[-1]
    gap = np.maximum(cut[1:] - cut[:-1], _LEAST)
    np.multiply(above[1:], inverse[:-1], out=p[1:-1])
    p[1:-1] *= gap
    if not densities:
        return p, None
    np.maximum(p, _LEAST, out=p)
    return p, above * (cut * inverse)


def _skewed_terms(cut, e, densities):
    """One exponential per location serves all cut points: log F = -ln 2 exp(-z / sqrt 2)."""
    log_cdf = np.maximum(e * (-_LN2 / cut), -80.0 if e.dtype == np.float32 else -690.0)
    below = np.exp(log_cdf)
    p = np.empty((len(below) + 1,) + below.shape[1:], below.dtype)
    p[0] = below[0]
    p[-1] = -np.expm1(log_cdf[-1])
    p[1:-1] = below[1:] * -np.expm1(log_cdf[:-1] - log_cdf[1:])
    np.maximum(p, _LEAST, out=p)
    return p, -log_cdf * below / np.sqrt(2.0) if densities else None


def _general_terms(link, theta, eta, densities):
    z = theta - eta
    log_cdf, log_sf = link.log_cdf(z), link.log_sf(z)
    log_p = np.empty((len(z) + 1,) + z.shape[1:])
    log_p[0] = log_cdf[0]
    log_p[-1] = log_sf[-1]
    upper = z[:-1] > 0
    larger = np.where(upper, log_sf[:-1], log_cdf[1:])
    smaller = np.where(upper, log_sf[1:], log_cdf[:-1])
    log_p[1:-1] = larger + np.log(-np.expm1(-np.maximum(larger - smaller, 1e-300)))
    p = np.exp(np.maximum(log_p, -690.0))
    return p, np.exp(link.log_pdf(z)) if densities else None


# The links of the default fit take exp(pace * location): the exponential of a sum is a product.
LINKS = {
    "logit": Link(
        lambda z: special.expit(-z), lambda z: special.log_expit(z) + special.log_expit(-z),
        special.logit, short=(1.0, _logit_terms)),
    "probit": Link(
        lambda z: special.ndtr(-z), lambda z: -0.5 * z**2 - 0.5 * np.log(2.0 * np.pi),
        special.ndtri, special.log_ndtr, lambda z: special.log_ndtr(-z)),
    "cloglog": Link(
        lambda z: np.exp(-np.exp(np.minimum(z, 700.0))),
        lambda z: z - np.exp(np.minimum(z, 700.0)),
        lambda p: np.log(-np.log1p(-p)),
        lambda z: np.log(-np.expm1(-np.exp(np.clip(z, -700.0, 700.0)))),
        lambda z: -np.exp(np.minimum(z, 700.0))),
    # A Gumbel distribution with a long upper tail, its median at 0 and the variance of the
    # logistic, so that capacity and spread keep their meaning.
    "skewed": Link(
        lambda z: -np.expm1(-_LN2 * _skewed_power(z)),
        lambda z: np.log(_LN2 / np.sqrt(2.0)) - z / np.sqrt(2.0) - _LN2 * _skewed_power(z),
        lambda p: -np.sqrt(2.0) * np.log(-np.log(p) / _LN2), short=(2.0**-0.5, _skewed_terms)),
}

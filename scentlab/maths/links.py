"""Links of the cumulative model: distributions of the latent scale, stable in both tails.

Convention: P(Y <= j) = F(theta_j - eta). For the symmetric links (logit, probit) this is the
same as P(Y > j) = F(eta - theta_j). The logit link has a short cut, since it is the default
and one exponential serves all its grades.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special


@dataclass(frozen=True)
class Link:
    """A distribution F on the line: log F, log (1 - F), log density, slope of the log density."""

    name: str
    log_cdf: Callable
    log_sf: Callable
    log_pdf: Callable
    log_pdf_slope: Callable
    quantile: Callable


def _logistic_log_pdf(z):
    return -np.abs(z) - 2.0 * np.log1p(np.exp(-np.abs(z)))


def _gumbel_log_pdf(z):
    return z - np.exp(np.minimum(z, 700.0))


LINKS = {
    "logit": Link(
        "logit",
        special.log_expit,
        lambda z: special.log_expit(-z),
        _logistic_log_pdf,
        lambda z: -np.tanh(z / 2.0),
        special.logit,
    ),
    "probit": Link(
        "probit",
        special.log_ndtr,
        lambda z: special.log_ndtr(-z),
        lambda z: -0.5 * z**2 - 0.5 * np.log(2.0 * np.pi),
        lambda z: -z,
        special.ndtri,
    ),
    "cloglog": Link(
        "cloglog",
        lambda z: np.log(-np.expm1(-np.exp(np.clip(z, -700.0, 700.0)))),
        lambda z: -np.exp(np.minimum(z, 700.0)),
        _gumbel_log_pdf,
        lambda z: 1.0 - np.exp(np.minimum(z, 700.0)),
        lambda p: np.log(-np.log1p(-p)),
    ),
}


def find_link(name):
    """The :class:`Link` of that name. Raises ValueError naming the links there are."""
    if name not in LINKS:
        raise ValueError(f"no link is called {name!r}; there are {', '.join(LINKS)}")
    return LINKS[name]


@dataclass(frozen=True)
class GradeTerms:
    """Probabilities of the K grades and what their derivatives need.

    ``p`` (..., K); ``density`` and ``density_slope`` (..., K - 1), the density f at each cut
    point and f'/f there.
    """

    p: np.ndarray
    log_p: np.ndarray
    density: np.ndarray
    density_slope: np.ndarray


def grade_terms(link, theta, eta, densities=True):
    """Probabilities of the grades at thresholds ``theta`` and locations ``eta``.

    Differences of two distribution values are formed without losing digits in either tail.

    Parameters
    ----------
    link : Link
    theta : array (..., K - 1), rising thresholds, broadcast against ``eta[..., None]``.
    eta : array (...), locations.
    densities : bool, False leaves the densities out.
    """
    terms = _logit_terms if link.name == "logit" else _general_terms
    return terms(link, theta, eta, densities)


def _logit_terms(link, theta, eta, densities):
    """One exponential per location: P(Y > j) = e / (e + T), e = exp(eta), T = exp(theta)."""
    e = np.exp(np.clip(eta, -300.0, 300.0))[..., None]
    cut = np.exp(np.clip(theta, -300.0, 300.0))
    inverse = 1.0 / (e + cut)
    above = e * inverse
    below = cut * inverse
    p = np.empty(above.shape[:-1] + (above.shape[-1] + 1,))
    p[..., 0] = below[..., 0]
    p[..., -1] = above[..., -1]
    gap = np.maximum(cut[..., 1:] - cut[..., :-1], 1e-300)
    np.multiply(above[..., 1:] * gap, inverse[..., :-1], out=p[..., 1:-1])
    np.maximum(p, 1e-300, out=p)
    log_p = np.log(p)
    if not densities:
        return GradeTerms(p, log_p, None, None)
    return GradeTerms(p, log_p, above * below, above - below)


def _general_terms(link, theta, eta, densities):
    z = theta - eta[..., None]
    log_cdf, log_sf = link.log_cdf(z), link.log_sf(z)
    log_p = np.empty(z.shape[:-1] + (z.shape[-1] + 1,))
    log_p[..., 0] = log_cdf[..., 0]
    log_p[..., -1] = log_sf[..., -1]
    upper = z[..., :-1] > 0
    larger = np.where(upper, log_sf[..., :-1], log_cdf[..., 1:])
    smaller = np.where(upper, log_sf[..., 1:], log_cdf[..., :-1])
    log_p[..., 1:-1] = larger + np.log(-np.expm1(-np.maximum(larger - smaller, 1e-300)))
    log_p = np.maximum(log_p, -690.0)
    if not densities:
        return GradeTerms(np.exp(log_p), log_p, None, None)
    return GradeTerms(np.exp(log_p), log_p, np.exp(link.log_pdf(z)), link.log_pdf_slope(z))

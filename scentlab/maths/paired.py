"""Two pieces side by side and which is stronger: exact counts, power and the probit model.

The counts are those of ISO 5495 (paired comparison, forced choice): of n pairs, how many must name
the same piece before chance alone is unlikely. The model is Thurstone's: P(A named) =
Phi((throw of A - throw of B) / noise), with the noise in points of throw.
"""

import numpy as np
from scipy import special, stats

# Noise of one comparison, points: that of the difference of two scores of sd 1. This project's own
# estimate; 90 % of it within a factor of 1.9 either way.
NOISE, NOISE_SPREAD = 1.4, 0.4
MOST_PAIRS = 4000
# Even steps serve where many answers of one tester make a narrow peak; Gauss-Hermite nodes miss it.
_NODES = np.linspace(-5.0, 5.0, 61)
_LOG_WEIGHTS = (-0.5 * _NODES**2 - special.logsumexp(-0.5 * _NODES**2))[:, None]


def least_agreeing(n, level=0.05, sides=1):
    """The least number of n pairs that must agree; n + 1 (or array of it) where none is enough.

    >>> least_agreeing(30), least_agreeing(30, sides=2)
    (20, 21)
    """
    found = stats.binom.isf(level / sides, n, 0.5).astype(int) + 1
    return int(found) if np.ndim(n) == 0 else found


def agreeing_chance(k, n, sides=1):
    """The chance that k or more of n pairs agree where there is no difference (exact).

    >>> round(agreeing_chance(21, 30), 4)
    0.0214
    """
    return float(min(1.0, sides * stats.binom.sf(k - 1, n, 0.5)))


def pair_power(n, chance, level=0.05):
    """The chance that n pairs reach :func:`least_agreeing` (one-sided) where one names the stronger
    piece with that chance."""
    return stats.binom.sf(least_agreeing(n, level) - 1, n, chance)


def pairs_for(chance, power=0.8, level=0.05):
    """The number of pairs from which on the power stays at or above ``power``.

    (The power of an exact test is a saw: fewer pairs may reach it and one more fall below.)
    Raises ValueError where ``MOST_PAIRS`` are not enough.
    """
    n = np.arange(1, MOST_PAIRS + 1)
    below = np.flatnonzero(pair_power(n, chance, level) < power)
    if len(below) == len(n) or (len(below) and below[-1] == len(n) - 1):
        raise ValueError(f"{MOST_PAIRS} pairs are not enough for a chance of {chance:.3f}")
    return int(n[below[-1]] + 1) if len(below) else 1


def named_chance(points, noise=NOISE):
    """P(the stronger piece is named) where it is stronger by so many points."""
    return special.ndtr(points / noise)


def log_likelihoods(differences, slopes, named, noise):
    """Log-likelihood (D,) of pairs under each draw of a throw curve.

    A tester's own difference is the panel's plus an effect of the tester times the slope of the
    two, the effect standard normal and integrated by the trapezoid rule; noise as drawn.

    differences : array (D, K), throw of the one less the other, points, of each two batches.
    slopes : array (D, K), sd of the testers' own differences, signed alike where they go together.
    named : array (T, K, 2), how often each tester named the one and the other.
    noise : array (D,).
    """
    z = [(d + _NODES[:, None] * slope) / noise
         for d, slope in zip(differences.T, slopes.T, strict=True)]
    logs = [(special.log_ndtr(x), special.log_ndtr(-x)) for x in z]
    found = np.zeros(len(differences))
    for own, testers in zip(*np.unique(named, axis=0, return_counts=True), strict=True):
        chances = _LOG_WEIGHTS + sum(n[0] * one + n[1] * other
                                     for n, (one, other) in zip(own, logs, strict=True) if n.any())
        found += testers * special.logsumexp(chances, axis=0)
    return found

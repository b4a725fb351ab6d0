"""Discrimination tests: exact counts, their power, and the d' behind a share of right answers.

In a triangle test two pieces are alike and one is odd; in a duo-trio test one piece is a
reference; in a paired test (2-AFC) the stronger of two is named. A guess is right with the chance
1/3, 1/2 and 1/2. ``pd`` is the share of assessors who really tell, on top of those who guess.
"""

import numpy as np
from scipy import optimize, special

CHANCE = {"triangle": 1 / 3, "duo-trio": 1 / 2, "paired": 1 / 2}
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)


def tail(right, n, share):
    """Probability of ``right`` or more right answers of n when each is right with ``share``."""
    right = np.asarray(right, dtype=float)
    return np.where(right <= 0, 1.0, special.bdtrc(np.maximum(right, 1) - 1, n, share))


def critical_count(n, chance, alpha, two_sided=False):
    """Least number of right answers of n that happens by guessing with at most ``alpha``.

    None when even n right answers are not rare enough. ``two_sided`` is for a preference.

    >>> critical_count(30, 1 / 3, 0.05), critical_count(5, 1 / 3, 0.001)
    (15, None)
    """
    _need_n(n)
    reach = alpha / 2 if two_sided else alpha
    rare = np.flatnonzero(tail(np.arange(n + 1), n, chance) <= reach)
    return int(rare[0]) if len(rare) else None


def discrimination_power(n, chance, pd, alpha):
    """Chance to reach the critical count when a share ``pd`` of the assessors really tells.

    Returns 0 when no count is critical.

    >>> round(discrimination_power(30, 1 / 3, 0.3, 0.05), 4)
    0.7091
    """
    count = critical_count(n, chance, alpha)
    if count is None:
        return 0.0
    return float(tail(count, n, chance + (1 - chance) * pd))


def assessors_needed(chance, pd, alpha, power, most=2000):
    """The first n that reaches the power, and the n from which it is never missed again.

    They differ because the power moves in a saw-tooth: the critical count is a whole number.
    (None, None) when more than ``most`` would be needed.

    >>> assessors_needed(1 / 3, 0.3, 0.05, 0.80)
    (40, 42)
    """
    first = next(
        (n for n in range(2, most + 1) if discrimination_power(n, chance, pd, alpha) >= power), None
    )
    if first is None:
        return None, None
    # the teeth shrink as n grows, so twice the first n and some is far enough to look
    steady = first
    for n in range(first, 2 * first + 60):
        if discrimination_power(n, chance, pd, alpha) < power:
            steady = n + 1
    return first, steady


def share_right(d_prime, method):
    """Share of right answers of an assessor with sensitivity d' in a test (Ennis 1993).

    >>> round(float(share_right(1.0, "triangle")), 4)
    0.418
    """
    d = np.asarray(d_prime, dtype=float)
    if method == "paired":
        return special.ndtr(d / np.sqrt(2))
    if method == "duo-trio":
        far, near = special.ndtr(d / np.sqrt(2)), special.ndtr(d / np.sqrt(6))
        return 1 - far - near + 2 * far * near
    if method != "triangle":
        raise ValueError(f"the method is {method!r}; give one of {', '.join(CHANCE)}")
    z = 5 * (_NODES + 1)  # from 0 to 10, beyond which the normal density is nothing
    shift = d[..., None] * np.sqrt(2 / 3)
    inner = special.ndtr(-z * np.sqrt(3) + shift) + special.ndtr(-z * np.sqrt(3) - shift)
    density = np.exp(-z * z / 2) / np.sqrt(2 * np.pi)
    return 2 * 5 * np.sum(_WEIGHTS * density * inner, axis=-1)


def d_prime(share, method):
    """The d' behind a share of right answers; nan below chance and at 1, which no d' gives.

    >>> round(d_prime(0.5, "triangle"), 2)
    1.47
    """
    chance = float(share_right(0.0, method))
    if not chance - 1e-12 <= share < float(share_right(12.0, method)):
        return float("nan")
    if share <= chance:
        return 0.0
    return float(optimize.brentq(lambda d: share_right(d, method) - share, 0.0, 12.0, xtol=1e-12))


def _need_n(n):
    if n < 1:
        raise ValueError(f"a test with {n} answers says nothing; give 1 or more")

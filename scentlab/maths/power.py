"""Power in closed form: two groups, two shares, several groups, and a split plot.

Cohen 1988; noncentral t and F. ``alpha`` is two-sided for two groups or shares.
"""

import numpy as np
from scipy import optimize, special


def two_groups(n, difference, sd, alpha=0.05):
    """Power of the t test of two groups of n each.

    >>> round(two_groups(64, 0.5, 1.0), 4)
    0.8015
    """
    freedom = 2 * (n - 1)
    away = abs(difference) / sd * np.sqrt(n / 2)
    return float(1 - special.nctdtr(freedom, away, special.stdtrit(freedom, 1 - alpha / 2)))


def two_shares(n, first, second, alpha=0.05):
    """Power of the comparison of two shares with n looks each (normal approximation).

    >>> round(two_shares(50, 0.5, 0.75), 4)
    0.7402
    """
    pooled = (first + second) * (1 - (first + second) / 2)
    own = first * (1 - first) + second * (1 - second)
    z = special.ndtri(1 - alpha / 2)
    return float(
        special.ndtr((np.sqrt(n) * abs(first - second) - z * np.sqrt(pooled)) / np.sqrt(own))
    )


def several_groups(n, groups, between_variance, within_variance, alpha=0.05):
    """Power of the one-way analysis of variance with n looks in each group.

    >>> round(several_groups(45, 4, 0.25**2 * 4 / 3, 1.0), 4)
    0.804
    """
    noncentral = (groups - 1) * n * between_variance / within_variance
    return f_power(noncentral, groups - 1, (n - 1) * groups, alpha)


def f_power(noncentral, upper, lower, alpha=0.05):
    """Power of an F test with so much noncentrality and these degrees of freedom."""
    critical = special.fdtri(upper, lower, 1 - alpha)
    return float(1 - special.ncfdtr(upper, lower, noncentral, critical))


def split_plot(blend_effects, load_effects, pots, pot_sd, piece_sd, alpha=0.05):
    """Power for the blends (whole plots) and for the loads (sub-plots) of a split plot.

    Effects are deviations from their mean; every blend has so many pots and each pot every load
    once. The pots, not the pieces, are what repeats a blend.

    >>> [round(p, 4) for p in split_plot([-1, 0, 1], [-.45, -.15, .15, .45], 4, 1.0, 1.0)]
    [0.4661, 0.4147]
    """
    blend, load = _centred(blend_effects), _centred(load_effects)
    n_blends, n_loads = len(blend), len(load)
    whole = pots * n_loads * np.sum(blend**2) / (piece_sd**2 + n_loads * pot_sd**2)
    sub = n_blends * pots * np.sum(load**2) / piece_sd**2
    repeats = n_blends * (pots - 1)
    if repeats < 1:
        raise ValueError("one pot of each blend leaves nothing to compare blends with; pour two")
    for_blends = f_power(whole, n_blends - 1, repeats, alpha) if n_blends > 1 else float("nan")
    return for_blends, f_power(sub, n_loads - 1, repeats * (n_loads - 1), alpha)


def looks_needed(power_of_n, power, most=1e6):
    """The (broken) number n at which a rising power function of n reaches ``power``; nan if never.

    >>> round(looks_needed(lambda n: two_groups(n, 1.0, 1.0), 0.90), 3)
    22.021
    """
    if power_of_n(most) < power:
        return float("nan")
    return float(optimize.brentq(lambda n: power_of_n(n) - power, 1.5, most, xtol=1e-9))


def _centred(effects):
    effects = np.asarray(effects, dtype=float)
    return effects - effects.mean()

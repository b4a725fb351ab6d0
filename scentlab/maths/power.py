"""Power of a split plot in closed form, by the noncentral F (Cohen 1988)."""

import numpy as np
from scipy import special


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


def _centred(effects):
    effects = np.asarray(effects, dtype=float)
    return effects - effects.mean()

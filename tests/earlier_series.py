"""Workshops with a known truth, as frames."""

from dataclasses import replace

import numpy as np

from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

WAXES = {"soft": 9.0, "hard": 11.0}
THREE_LOADS = (3.5, 7.0, 10.5)
FRAGRANCES = {"fig": 0.9, "cedar": -1.1, "rose": 0.3, "mint": -0.6, "lime": 1.4, "oak": -0.2}


def poured(wax, fragrance, capacity, seed, loads=(5, 7, 9, 11), pots=2, heat=4):
    """A simulated series with codes of three digits."""
    truth = Truth({wax: BlendTruth(capacity)}, pot_sd=0.7)
    layout = even_layout([wax], loads, pots=pots, sweat=1, sweat_heat=heat)
    codes = {code: f"{100 + i}" for i, code in enumerate(layout.pieces["code"])}
    layout = replace(layout, pieces=layout.pieces.assign(code=layout.pieces["code"].map(codes)))
    return replace(simulate_series(layout, truth, seed), fragrance=fragrance,
                   title=f"{fragrance} in {wax}")


def earlier(fragrances=FRAGRANCES, seed=3):
    """Series of most waxes with most fragrances, by name."""
    found = {}
    for i, (fragrance, shift) in enumerate(fragrances.items()):
        for j, (wax, level) in enumerate(WAXES.items()):
            if (i + j) % 3 != 2:
                own = 0.5 * np.random.default_rng([seed, i, j]).standard_normal()
                found[f"{fragrance}-{wax}"] = poured(wax, fragrance, level + shift + own,
                                                     [seed, i, j])
    return found

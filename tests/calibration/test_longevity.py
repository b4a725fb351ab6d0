"""How often the 90 % intervals of longevity hold the truth, over simulated series.

Three blends, two pots each, one piece a pot, weighed and smelt by three assessors at seven times;
scores are rounded to half points and cut at 0 and 10, weights to 0.01 g.
"""

import numpy as np
import pytest
from warmed import FADE, warmed

from scentlab.fitting.longevity import fit_longevity
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

SERIES = 100
HOURS = (0, 1, 2, 4, 6, 9, 12)
TRUTH = Truth({b: BlendTruth(12.0) for b in ("soft", "firm", "creamy")}, assessor_sd=0.7)


@pytest.fixture(scope="module")
def held():
    """Per series and blend: are the hours until half in their interval?"""
    layout = even_layout(list(TRUTH.blends), [10], pots=2, throw=1)
    codes = layout.pieces.drop_duplicates("pour")["code"]
    half = 1.0 + np.log(2) / FADE
    rows = []
    for seed in range(SERIES):
        series = simulate_series(layout, TRUTH, seed)
        series = warmed(series, codes, TRUTH, HOURS, ("A1", "A2", "A3"), seed)
        fit = fit_longevity(series.warmings, seed=seed)
        for place in range(len(TRUTH.blends)):
            hours = fit.throw_life.half_life(place)
            rows.append(hours["lower"] <= half <= hours["upper"])
    return np.mean(rows)


@pytest.mark.calibration
def test_coverage(held):
    """Not less often than they say; 98 % here, where pieces and testers differ by less than the
    priors hold likely. Blends of a series share testers, so that whole series count."""
    error = np.sqrt(0.9 * 0.1 / SERIES)
    print(f"holds the truth in {100 * held:.1f} %")
    assert held > 0.90 - 3 * error

"""How often the 90 % intervals of longevity hold the truth, over simulated series.

Three blends, two pots each, one piece a pot, weighed and smelt by three assessors at seven times;
scores are rounded to half points and cut at 0 and 10, weights to 0.01 g.
"""

import dataclasses

import numpy as np
import pytest

from scentlab.fitting.longevity import fit_longevity
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series, warmer_checks

SERIES = 100
HOURS = (0, 1, 2, 4, 6, 9, 12)
TRUTH = Truth({b: BlendTruth(12.0) for b in ("soft", "firm", "creamy")}, assessor_sd=0.7)


@pytest.fixture(scope="module")
def held():
    """Per series and blend: are the hours until half in their interval?"""
    layout = even_layout(list(TRUTH.blends), [10], pots=2, throw=1)
    layout = dataclasses.replace(
        layout, checks=warmer_checks(
            layout.pieces.drop_duplicates("pour")["code"], HOURS, ("A1", "A2", "A3")
        ),
    )
    half = 1.0 + np.log(2) / TRUTH.fade_rate
    rows = []
    for seed in range(SERIES):
        fit = fit_longevity(simulate_series(layout, TRUTH, seed).warmings, seed=seed)
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

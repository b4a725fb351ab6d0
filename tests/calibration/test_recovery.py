"""Coverage over many simulated series: a small round by default, the long ones under a marker.

python -m pytest -m calibration tests/calibration
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from scentlab.fitting.sweat import fit_sweat
from scentlab.fitting.throw import fit_throw, throw_draws
from scentlab.maths.intervals import binomial_limits
from scentlab.maths.sampling import weighted_quantile
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

_SPEC = importlib.util.spec_from_file_location("worlds", Path(__file__).with_name("worlds.py"))
worlds = importlib.util.module_from_spec(_SPEC)
sys.modules["worlds"] = worlds
_SPEC.loader.exec_module(worlds)
HONEST = "the model itself, pot sd 0.5"


def test_few_ceilings_are_false_safe():
    """6 series, 18 ceilings: at a true 5 %, more than 5 come up less than once in 1,000 times.

    The posterior median in place of the lower limit would be false-safe in about half.
    """
    assert stats.binom.sf(5, 18, 0.05) < 1e-3
    results = [worlds.one_series(seed, HONEST, draws=300)[1] for seed in range(1, 7)]
    rows = [row for series in results for row in series]
    assert sum(row["ceiling"] > row["true"] for row in rows) <= 5
    assert not any(row["said"] for row in rows)
    found = worlds.summary(results)
    assert found["none"] < 0.5 and found["shortfall"] < 3.0


def test_shares_count_a_series_once_and_a_refusal_as_nothing():
    def row(ceiling, pick):
        return {"ceiling": ceiling, "pick": pick, "true": 9.0, "lost": 0.2, "k_hat": 0.8, "said": 0}

    refused = [row(np.nan, np.nan)] * 2
    found = worlds.summary([[row(8.0, 8.0), row(9.5, 9.2)], [row(8.5, 8.0), refused[0]], refused])
    assert found["pick"] == pytest.approx((1 / 6, *binomial_limits(0.5, 3)))
    assert found["given"] == pytest.approx((1 / 3, *binomial_limits(2 / 3, 2)))
    assert found["ceiling"] == found["given"]
    assert found["none"] == 0.5 and found["k_hat"] == 1.0
    assert found["shortfall"] == pytest.approx(0.5)
    assert worlds.line(HONEST, worlds.summary([refused])).count("none") == 2


def test_finished_series_are_kept(tmp_path, monkeypatch):
    made = []

    class Pool:
        def __init__(self, workers):
            pass

        def __enter__(self):
            return self

        def __exit__(self, *args):
            pass

        def map(self, function, seeds, chunksize):
            made.extend(seeds)
            return [(seed, [{"pick": float(seed)}]) for seed in seeds]

    monkeypatch.setattr(worlds, "ProcessPoolExecutor", Pool)
    for number in (2, 4, 0):
        found = worlds.run(HONEST, number, 1, tmp_path)
    assert made == [1, 2, 3, 4]
    assert [rows[0]["pick"] for rows in found] == [1.0, 2.0, 3.0, 4.0]


@pytest.mark.calibration
@pytest.mark.parametrize("world", list(worlds.WORLDS))
def test_few_loads_given_are_false_safe(world, tmp_path):
    """200 series a world; fails only when the excess is beyond the Monte Carlo error."""
    goal = {worlds.HONEST: 0.05, worlds.TINY: 0.05, worlds.HOSTILE: 0.08, worlds.UNSEEN: 1.0}
    found = worlds.summary(worlds.run(world, 200, 2, tmp_path))
    print("", worlds.HEADINGS, worlds.line(world, found), sep="\n")
    assert found["given"][1] <= goal[worlds.WORLDS[world].kind]


@pytest.mark.calibration
def test_ninety_percent_intervals_of_the_capacity_cover_that_often():
    """100 series of 2 blends from the model, prior centred near; binomial limits at 1 in 1,000."""
    truth = Truth({"soft": BlendTruth(9.0), "hard": BlendTruth(12.0)}, spread=0.8, pot_sd=0.6)
    layout = even_layout(["soft", "hard"], [6, 8, 10, 12, 14, 16], pots=2, sweat=4)
    inside = []
    for seed in range(100):
        frame = simulate_series(layout, truth, seed).sweat()
        fit = fit_sweat(
            frame, {"soft": 10.0, "hard": 10.0}, draws=800, precise=None, seed=seed
        )
        for b, true in enumerate((9.0, 12.0)):
            low, high = weighted_quantile(fit.named["capacity"][:, b], fit.weights, (0.05, 0.95))
            inside.append(low < true < high)
    assert stats.binom.cdf(sum(inside), 200, 0.9) > 1e-3


def _gains_inside(layout, truth, gain, series, draws):
    """The chance that so few of the 90 % intervals of the throw gained hold it."""
    inside = 0
    for seed in range(series):
        fit = fit_throw(simulate_series(layout, truth, seed).throws, draws=draws, seed=seed)
        found = throw_draws(fit, "soft", [6.0, 12.0])
        low, high = np.quantile(found[:, 1] - found[:, 0], [0.05, 0.95])
        inside += low < gain < high
    return stats.binom.cdf(inside, series, 0.9)


@pytest.mark.calibration
@pytest.mark.parametrize("rogues", [0, 1])
def test_ninety_percent_intervals_of_the_throw_gained_cover_that_often(rogues):
    """100 panels of 6. A rogue scores at random, so that with one the gain is 5/6 of the truth."""
    truth = Truth({"soft": BlendTruth(9.0)}, rogues=rogues)
    layout = even_layout(["soft"], [6, 8, 10, 12], pots=3, sweat=0, throw=2, assessors=6)
    gain = (truth.throw("soft", 12.0) - truth.throw("soft", 6.0)) * (6 - rogues) / 6
    assert _gains_inside(layout, truth, gain, 100, 600) > 1e-3


@pytest.mark.calibration
def test_intervals_of_the_throw_gained_with_few_pours():
    """200 panels of 6, 2 pots of 4 loads, a straight line in truth and pours that differ by 0.3."""
    line = BlendTruth(9.0, throw_floor=2.0, throw_rise=4e5, throw_half=1e6)
    truth = Truth({"soft": line}, scale_sd=0.0, pour_sd=0.3)
    layout = even_layout(["soft"], [6, 8, 10, 12], pots=2, sweat=0, throw=2, assessors=6)
    gain = truth.throw("soft", 12.0) - truth.throw("soft", 6.0)
    assert _gains_inside(layout, truth, gain, 200, 400) > 1e-3

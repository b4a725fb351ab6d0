"""Coverage over many simulated series: a small round by default, the long ones under a marker.

python -m pytest -m calibration tests/calibration
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from scentlab.fitting.bleed import fit_bleed
from scentlab.fitting.sweat import fit_sweat
from scentlab.fitting.throw import fit_throw, throw_draws
from scentlab.maths.sampling import weighted_quantile
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

_SPEC = importlib.util.spec_from_file_location(
    "false_safe", Path(__file__).with_name("false_safe.py")
)
false_safe = importlib.util.module_from_spec(_SPEC)
sys.modules["false_safe"] = false_safe
_SPEC.loader.exec_module(false_safe)


def test_few_ceilings_are_false_safe():
    """8 series, 24 ceilings: at a true 5 %, more than 5 come up less than once in 1,000 times.

    The posterior median in place of the lower limit would be false-safe in about half.
    """
    assert stats.binom.sf(5, 24, 0.05) < 1e-3
    outcomes = false_safe.run(8, 1, "model", draws=300)
    every = [o for series in outcomes for o in series]
    assert sum(o.false_safe for o in every) <= 5
    short = [o.true - o.ceiling for o in every if not np.isnan(o.ceiling)]
    assert len(short) > 16 and np.median(short) < 3.0


def test_shares_and_words():
    outcome = false_safe.Outcome
    series = [[outcome(8.0, 9.0, 0.3), outcome(9.5, 9.0, 0.3)], [outcome(np.nan, 9.0, 0.8)] * 2]
    assert false_safe.summary(series) == [
        "2 series, 4 ceilings",
        "false-safe per blend: 25.0 % (95 % limits 0.0 to 93.9)",
        "false-safe in a series: 50.0 % (95 % limits 1.3 to 98.7)",
        "no tested load qualifies: 50.0 % (95 % limits 1.3 to 98.7)",
        "shortfall of the others: median 0.25 points of load (% of wax), middle half -0.12 to 0.62",
        "k-hat above 0.7 in 50.0 % of series",
    ]


@pytest.mark.calibration
@pytest.mark.parametrize("world", list(false_safe.WORLDS))
def test_at_most_five_percent_of_ceilings_are_false_safe(world):
    """200 series a world; fails only when the excess is beyond the Monte Carlo error."""
    outcomes = false_safe.run(200, 2, world)
    hits = [o.false_safe for series in outcomes for o in series]
    print(f"\nworld: {world}", *false_safe.summary(outcomes), sep="\n")
    assert stats.binom.sf(sum(hits) - 1, len(hits), 0.05) > 0.01


@pytest.mark.calibration
def test_ninety_percent_intervals_of_the_capacity_cover_that_often():
    """100 series of 2 blends from the model, prior centred near; binomial limits at 1 in 1,000."""
    truth = Truth({"soft": BlendTruth(9.0), "hard": BlendTruth(12.0)}, spread=0.8, pot_sd=0.6)
    layout = even_layout(["soft", "hard"], [6, 8, 10, 12, 14, 16], pots=2, sweat=4)
    inside = []
    for seed in range(100):
        frame = simulate_series(layout, truth, seed).sweat()
        fit = fit_sweat(frame, {"soft": 10.0, "hard": 10.0}, draws=800, seed=seed)
        for b, true in enumerate((9.0, 12.0)):
            low, high = weighted_quantile(fit.named["capacity"][:, b], fit.weights, (0.05, 0.95))
            inside.append(low < true < high)
    assert stats.binom.cdf(sum(inside), 200, 0.9) > 1e-3


@pytest.mark.calibration
@pytest.mark.parametrize("rogues", [0, 1])
def test_ninety_percent_intervals_of_the_throw_gained_cover_that_often(rogues):
    """100 panels of 6. A rogue scores at random, so that with one the gain is 5/6 of the truth."""
    truth = Truth({"soft": BlendTruth(9.0)}, rogues=rogues)
    layout = even_layout(["soft"], [6, 8, 10, 12], pots=3, sweat=0, throw=2, assessors=6)
    gain = (truth.throw("soft", 12.0) - truth.throw("soft", 6.0)) * (6 - rogues) / 6
    inside = []
    for seed in range(100):
        fit = fit_throw(simulate_series(layout, truth, seed).throws, draws=600, seed=seed)
        draws = throw_draws(fit, "soft", [6.0, 12.0])
        low, high = np.quantile(draws[:, 1] - draws[:, 0], [0.05, 0.95])
        inside.append(low < gain < high)
    assert stats.binom.cdf(sum(inside), 100, 0.9) > 1e-3


@pytest.mark.calibration
def test_intervals_of_the_throw_gained_with_few_pours():
    """200 panels of 6, 2 pots of 4 loads, a straight line in truth and pours that differ by 0.3."""
    line = BlendTruth(9.0, throw_floor=2.0, throw_rise=4e5, throw_half=1e6)
    truth = Truth({"soft": line}, scale_sd=0.0, pour_sd=0.3)
    layout = even_layout(["soft"], [6, 8, 10, 12], pots=2, sweat=0, throw=2, assessors=6)
    gain = truth.throw("soft", 12.0) - truth.throw("soft", 6.0)
    inside = []
    for seed in range(200):
        fit = fit_throw(simulate_series(layout, truth, seed).throws, draws=400, seed=seed)
        draws = throw_draws(fit, "soft", [6.0, 12.0])
        low, high = np.quantile(draws[:, 1] - draws[:, 0], [0.05, 0.95])
        inside.append(low < gain < high)
    assert stats.binom.cdf(sum(inside), 200, 0.9) > 1e-3


@pytest.mark.calibration
@pytest.mark.parametrize("pots", [2, 3, 6])
def test_ninety_percent_intervals_of_bleed_cover_that_often(pots):
    """300 series of 3 blends: capacity, floor and rise, each held by 87 to 93 % of intervals.

    The blends of a series share its estimates of the variances, so that 900 intervals scatter
    more than a binomial: about 1.2 points (one standard error) instead of 1.
    """
    capacities = {"soft": 9.0, "middle": 10.2, "hard": 11.3}
    truth = Truth({blend: BlendTruth(c) for blend, c in capacities.items()})
    layout = even_layout(list(capacities), [5, 7, 9, 11, 13, 15], pots=pots, sweat=0, bleed=2)
    inside = {"capacity": [], "floor": [], "rise": []}
    for seed in range(300):
        table = fit_bleed(simulate_series(layout, truth, seed).bleeds, draws=800, seed=seed).table
        rows = table.set_index("parameter")
        for blend, capacity in capacities.items():
            for what, name, true in (
                ("capacity", f"capacity of {blend} by bleed", capacity),
                ("floor", f"bleed below it, {blend}", truth.bleed_floor),
                ("rise", f"rise beyond it, {blend}", truth.bleed_slope),
            ):
                row = rows.loc[name]
                inside[what].append(row["lower"] <= true <= row["upper"])
    shares = {what: float(np.mean(held)) for what, held in inside.items()}
    print(f"\n{pots} pots:", shares)
    assert all(0.87 - 0.024 <= share <= 0.93 + 0.024 for share in shares.values()), shares

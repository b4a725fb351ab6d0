"""Speed of the ordinal engine as ratios within one run, on the processor's time.

    python -m pytest -n 0 -m benchmark -s tests/benchmarks

Ratios compare two ways of doing the same on the same machine in the same run, in turn, so that
they hold on any machine; the milliseconds are printed for the reader and asserted nowhere.
"""


import numpy as np
import pytest
from timing import seconds

from scentlab.fitting.sweat import fit_sweat
from scentlab.maths.ordinal import count_looks, log_likelihood
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

pytestmark = pytest.mark.benchmark

TRUTH = Truth({"soft": BlendTruth(9.0), "middle": BlendTruth(10.5), "hard": BlendTruth(12.0)})
LOADS = (6.5, 8.0, 9.5, 11.0, 12.5, 14.0)


def rows(number, seed=1):
    """Grades 0 to 4, two indicators and a group for so many looks; every grade is seen."""
    rng = np.random.default_rng(seed)
    x = rng.integers(0, 2, (number, 2)).astype(float)
    group = rng.integers(0, 9, number)
    effect = rng.standard_normal(9)[group]
    latent = x @ [2.5, 1.5] + effect + rng.logistic(size=number)
    grade = np.searchsorted([-1.3, 1.3, 3.5, 5.0], latent)
    grade[:5] = np.arange(5)
    return grade, x, group


def in_turn(first, second, repeats=5):
    """Median seconds of two jobs run alternately, after one run of each to warm up."""
    first(), second()
    pairs = [(seconds(first), seconds(second)) for _ in range(repeats)]
    return tuple(np.median(pairs, axis=0))


def test_cost_does_not_grow_with_the_pieces_of_a_pour():
    few, many = (
        simulate_series(even_layout(list(TRUTH.blends), LOADS, sweat=n), TRUTH, 1).sweat()
        for n in (4, 40)
    )
    data = {}
    for name, looks in (("few", few), ("many", many)):
        design = np.column_stack(
            [looks["load_pct"]] + [(looks["blend"] == b) for b in TRUTH.blends]
        ).astype(float)
        data[name] = count_looks(
            looks["grade"].to_numpy(int), design, looks["pot"].to_numpy(str), 5
        )

    def evaluate(counts):
        eta = counts.design[:, 0] - 10.0
        for _ in range(50):
            log_likelihood(counts, np.array([0.0, 1.5, 3.0, 4.5]), eta, 0.5)

    small, large = in_turn(lambda: evaluate(data["few"]), lambda: evaluate(data["many"]))
    print(f"\n40 pieces a pour cost {large / small:.2f} times what 4 cost")
    assert len(data["few"].counts) == len(data["many"].counts)
    assert large < 1.5 * small


def test_a_whole_sweat_fit_is_printed():
    looks = simulate_series(even_layout(list(TRUTH.blends), LOADS), TRUTH, 1).sweat()
    limits = dict.fromkeys(TRUTH.blends, 10.0)
    default, double = in_turn(
        lambda: fit_sweat(looks, limits, draws=1000), lambda: fit_sweat(looks, limits, draws=2000)
    )
    print(
        f"\nsweat fit of 144 pieces: {1e3 * default:.0f} ms with 1000 draws, "
        f"{1e3 * double:.0f} ms with 2000"
    )
    assert double < 3 * default

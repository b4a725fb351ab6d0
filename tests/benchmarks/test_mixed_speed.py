"""Mixed models with thousands of scores cost no more than their share: ratios within one run.

    python -m pytest -m benchmark -s tests/benchmarks/test_mixed_speed.py
"""


import pytest
from timing import seconds

from scentlab.fitting.throw import fit_throw
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

pytestmark = pytest.mark.benchmark


def frame(blends, pots):
    names = "abcdefghijkl"[:blends]
    truth = Truth({b: BlendTruth(10.0) for b in names})
    layout = even_layout(names, [5, 7, 9, 11, 13, 15], pots=pots, throw=1, assessors=6)
    return simulate_series(layout, truth, 1).throws


@pytest.fixture(scope="module")
def few():
    return frame(3, 2)


@pytest.fixture(scope="module")
def many():
    """6,480 scores: 12 blends, 15 pots of each, 1,080 pours."""
    return frame(12, 15)


def test_thirty_times_the_scores_cost_no_more_than_ninety_times_the_time(few, many):
    assert (len(few), len(many)) == (216, 6480)
    one, other = seconds(lambda: fit_throw(few), 3), seconds(lambda: fit_throw(many), 1)
    print(f"\n216 scores {one:.3f} s, 6,480 scores {other:.2f} s")
    assert other < 3 * 30 * one

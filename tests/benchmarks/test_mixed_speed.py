"""Mixed models with thousands of scores cost no more than their share: ratios within one run.

    python -m pytest -m benchmark -s tests/benchmarks/test_mixed_speed.py
"""

import time

import numpy as np
import pandas as pd
import pytest

from scentlab.fitting.throw import fit_throw
from scentlab.maths.mixed import MixedProblem, fit_mixed
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

pytestmark = pytest.mark.benchmark


def seconds(job, repeats):
    """Least processor seconds of a job, after one run to warm up."""
    job()
    taken = []
    for _ in range(repeats):
        start = time.process_time()
        job()
        taken.append(time.process_time() - start)
    return min(taken)


def frame(blends, pots):
    names = "abcdefghijkl"[:blends]
    truth = Truth({b: BlendTruth(10.0) for b in names})
    layout = even_layout(names, [5, 7, 9, 11, 13, 15], pots=pots, throw=1, assessors=6)
    return simulate_series(layout, truth, 1).throws


def line(scores):
    """The straight line in the load per blend by REML: testers, pots, pours, testers in blends."""
    blend, names = pd.factorize(scores["blend"])
    arms = np.eye(len(names))[blend]
    x = np.column_stack([arms, arms * scores["load_pct"].to_numpy()[:, None]])
    both = scores["assessor"] + scores["blend"]
    groups = [pd.factorize(g)[0] for g in (scores["assessor"], scores["pot"], scores["pour"], both)]
    return fit_mixed(MixedProblem(scores["throw"], x, groups), precise=False)


@pytest.fixture(scope="module")
def few():
    return frame(3, 2)


@pytest.fixture(scope="module")
def many():
    """6,480 scores: 12 blends, 15 pots of each, 1,080 pours."""
    return frame(12, 15)


@pytest.mark.parametrize("job", [line, fit_throw])
def test_thirty_times_the_scores_cost_no_more_than_ninety_times_the_time(few, many, job):
    assert (len(few), len(many)) == (216, 6480)
    one, other = seconds(lambda: job(few), 3), seconds(lambda: job(many), 1)
    print(f"\n{job.__name__}: 216 scores {one:.3f} s, 6,480 scores {other:.2f} s")
    assert other < 3 * 30 * one

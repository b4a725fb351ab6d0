"""Speed of the ordinal engine as ratios within one run, on the processor's time.

    python -m pytest -n 0 -m benchmark -s tests/benchmarks

Ratios compare two ways of doing the same on the same machine in the same run, in turn, so that
they hold on any machine; the milliseconds are printed for the reader and asserted nowhere.
"""

import time

import numpy as np
import pytest
from scipy import optimize, special

from scentlab.fitting.sweat import fit_sweat
from scentlab.maths.cumulative import fit_cumulative
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


def seconds(job, repeats):
    """Median processor seconds of a job."""
    taken = []
    for _ in range(repeats):
        start = time.process_time()
        job()
        taken.append(time.process_time() - start)
    return float(np.median(taken))


def in_turn(first, second, repeats=5):
    """Median seconds of two jobs run alternately, after one run of each to warm up."""
    first(), second()
    pairs = [(seconds(first, 1), seconds(second, 1)) for _ in range(repeats)]
    return tuple(np.median(pairs, axis=0))


@pytest.mark.parametrize("number", [60, 600, 6000])
def test_fixed_effects_against_statsmodels(number):
    model = pytest.importorskip("statsmodels.miscmodels.ordinal_model")
    grade, x, _ = rows(number)

    def ours():
        return fit_cumulative(count_looks(grade, x, np.zeros(number), 5))

    def theirs():
        return model.OrderedModel(grade, x, distr="logit").fit(method="bfgs", disp=False)

    assert ours().log_likelihood == pytest.approx(theirs().llf, abs=1e-4)
    own, other = in_turn(ours, theirs)
    print(
        f"\n{number} rows, fixed effects: {1e3 * own:.1f} ms, statsmodels {1e3 * other:.1f} ms, "
        f"{other / own:.1f} times faster"
    )
    assert other > 10 * own


def plain_mixed(grade, x, group):
    """The mixed fit in plain numpy: rows, 25 fixed nodes, numerical gradient."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(25)
    weights = weights / weights.sum()

    def downhill(free):
        theta = np.concatenate([free[:1], free[0] + np.cumsum(np.exp(free[1:4]))])
        edges = np.concatenate([[-np.inf], theta, [np.inf]])
        eta = (x @ free[4:6])[:, None] + np.exp(free[6]) * nodes
        upper = special.expit(edges[grade + 1][:, None] - eta)
        lower = special.expit(edges[grade][:, None] - eta)
        log_p = np.log(np.maximum(upper - lower, 1e-300))
        groups = np.array([log_p[group == g].sum(axis=0) for g in range(group.max() + 1)])
        return -special.logsumexp(groups, b=weights, axis=1).sum()

    start = np.array([-1.0, 0.5, 0.5, 0.5, 0.0, 0.0, -0.5])
    return optimize.minimize(downhill, start, method="BFGS")


@pytest.mark.parametrize("number", [60, 6000])
def test_mixed_against_plain_numpy(number):
    grade, x, group = rows(number)

    def ours():
        return fit_cumulative(count_looks(grade, x, group, 5), mixed=True, nodes=9)

    own, other = in_turn(ours, lambda: plain_mixed(grade, x, group), repeats=3)
    print(
        f"\n{number} rows, random effects: {1e3 * own:.1f} ms, plain numpy {1e3 * other:.1f} ms, "
        f"{other / own:.1f} times faster"
    )
    assert other > 2 * own


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

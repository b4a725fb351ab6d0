"""The hinge against a published break, an exact hinge, and data with a known truth.

Stagnant band height: Bacon & Watts 1971, carried by R segmented; break, slopes and residual sum
of squares by R segmented and by PyPI piecewise-regression, profile limits by an exact search in R.
"""

from types import SimpleNamespace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from scentlab.maths.hinge import (
    HingeProblem,
    _crossing,
    f_drop,
    hinge,
    join_limits,
    join_profile,
    log_det,
)
from scentlab.maths.intervals import likelihood_drop

DROP = likelihood_drop(0.95)


@pytest.fixture
def stagnant(reference):
    """Turned upside down, since the kit's hinge rises beyond its join."""
    frame = reference("stagnant")
    return HingeProblem(frame["x"], -frame["y"], left=True)


def bent(problem):
    """Joins, and the least squares given them."""
    design = problem.design(problem.best_joins)
    beta = np.linalg.lstsq(design, problem.y, rcond=None)[0]
    rest = problem.y - design @ beta
    return SimpleNamespace(joins=problem.best_joins, beta=beta, rss=float(rest @ rest))


def criterion(y, design, pot):
    """-2 log of the likelihood of a mixed model, lowest over the share of the pots: by hand."""
    same = (pot[:, None] == pot).astype(float)

    def at(share):
        v = np.eye(len(y)) + share / (1 - share) * same
        fit = sm.GLS(y, design, sigma=v).fit()
        return -2 * fit.llf

    return min(at(s) for s in np.linspace(0, 0.95, 96))


def two_blends(seed, joins=(9.0, 12.0), pot_sd=0.8, sd=1.2):
    """x, y, group and pot of 2 blends x 2 pots x 8 loads."""
    rng = np.random.default_rng(seed)
    x = np.tile(np.arange(5.0, 16.0, 1.4), 4)
    group, pot = np.repeat([0, 1], 16), np.repeat(range(4), 8)
    y = hinge(x, np.array([3.0, 2.0])[group], 6.0, np.array(joins)[group])
    return x, y + pot_sd * rng.normal(size=4)[pot] + sd * rng.normal(size=32), group, pot


class TestStagnant:
    def test_fit(self, stagnant):
        fit = bent(stagnant)
        assert fit.joins[0] == pytest.approx(0.0411058, abs=1e-5)
        slopes = -fit.beta[1], -fit.beta[1] - fit.beta[2]
        assert slopes == pytest.approx((-0.4220768, -1.0205675), abs=1e-5)
        assert fit.rss == pytest.approx(0.0091401972, abs=1e-8)
        assert np.sqrt(stagnant.variances()[1]) == pytest.approx(0.0195152, abs=1e-6)

    def test_limits_by_f(self, stagnant):
        limits = join_limits(stagnant, 0, f_drop(stagnant, 0.95))
        assert limits == pytest.approx((-0.0281763, 0.0879913), abs=1e-5)

    def test_limits_by_chi_square(self, stagnant):
        assert join_limits(stagnant, 0, DROP) == pytest.approx((-0.0221760, 0.0837949), abs=1e-5)

    def test_units_do_not_matter(self, reference):
        frame = reference("stagnant")
        other = HingeProblem(10 * frame["x"], 5 - 1000 * frame["y"], left=True)
        assert other.best_joins[0] == pytest.approx(0.411058, abs=1e-4)
        assert join_limits(other, 0, DROP)[1] == pytest.approx(0.837949, abs=1e-4)


class TestExact:
    """Synthetic: an exact hinge, break 8, slope 0.05."""

    x = np.arange(4.0, 13.0)
    y = np.array([0.02, 0.02, 0.02, 0.02, 0.02, 0.07, 0.12, 0.17, 0.22])

    def test_no_error_is_left(self):
        problem = HingeProblem(self.x, self.y)
        fit = bent(problem)
        assert fit.rss == pytest.approx(0.0, abs=1e-28)
        assert (fit.joins[0], *fit.beta) == pytest.approx((8.0, 0.02, 0.05))
        assert problem.variances().tolist() == [0.0, 0.0]
        assert join_limits(problem, 0, DROP) == pytest.approx((8.0, 8.0), abs=1e-6)

    def test_a_join_between_the_data(self):
        fit = bent(HingeProblem(self.x, hinge(self.x, 1.0, 2.0, 7.3)))
        assert (fit.joins[0], fit.rss) == pytest.approx((7.3, 0.0), abs=1e-9)


class TestOpenSides:
    def test_a_straight_line_has_no_lower_limit(self):
        x = np.tile(np.arange(6.0, 13.0), 3)
        y = 2.0 * x + np.random.default_rng(3).normal(size=21)
        lower, upper = join_limits(HingeProblem(x, y), 0, DROP)
        assert lower == -np.inf and np.isfinite(upper)

    def test_no_rise_has_no_upper_limit(self):
        x = np.tile(np.arange(6.0, 13.0), 3)
        y = -0.5 * x + 0.1 * np.random.default_rng(3).normal(size=21)
        problem = HingeProblem(x, y)
        assert problem.best_joins[0] == np.inf
        assert join_limits(problem, 0, DROP)[1] == np.inf

    def test_noise_is_seldom_taken_for_a_rise(self):
        found = 0
        for seed in range(100):
            x = np.tile(np.arange(5.0, 16.0, 2.0), 2)
            problem = HingeProblem(x, np.random.default_rng(seed).normal(size=12))
            one, two = (f_drop(problem, 0.90, k) for k in (1, 2))
            found += np.isfinite(join_limits(problem, 0, one, two)[1])
        # Nominal 10 %, one-sided and of several joins; more than 20 would be one in 1000.
        assert found <= 20

    def test_a_rise_at_the_highest_x_alone(self):
        x = np.tile([6.0, 8.0, 10.0, 12.0], 4)
        y = np.where(x == 12.0, 20.0, 3.0) + 0.3 * np.random.default_rng(3).normal(size=16)
        lower, upper = join_limits(HingeProblem(x, y), 0, DROP)
        # Anywhere between the two highest, and a bit below where the noise allows it.
        assert 9.8 < lower <= 10.0 and upper == pytest.approx(12.0, abs=1e-6)


class TestGroupsAndPots:
    def test_criterion_is_that_of_the_mixed_model(self):
        """Against generalised least squares of statsmodels on a grid of shares."""
        x, y, group, pot = two_blends(5)
        problem = HingeProblem(x, y, group, pot)
        found = criterion(y, problem.design(problem.best_joins), pot)
        assert problem.lowest == pytest.approx(found, abs=0.01)

    def test_no_joins_on_a_grid_are_better(self):
        x, y, group, pot = two_blends(5)
        problem = HingeProblem(x, y, group, pot)
        best = min(
            criterion(y, problem.design(np.array([one, two])), pot)
            for one in (8.0, 8.5, 9.0, 9.5) for two in (11.0, 11.5, 12.0, 12.5)
        )  # fmt: skip
        assert problem.lowest <= best + 1e-6

    def test_variances_are_those_of_statsmodels(self):
        """REML given the joins, but for the joins counted as fitted (28 and 26 contrasts). Pots far
        apart: where they are alike, statsmodels does not always reach the bound."""
        x, y, group, pot = two_blends(5, pot_sd=5.0)
        problem = HingeProblem(x, y, group, pot)
        fit = sm.MixedLM(y, problem.design(problem.best_joins), pot).fit(reml=True)
        expected = np.array([float(np.asarray(fit.cov_re).item()), fit.scale]) * 28 / 26
        assert problem.variances() == pytest.approx(expected, rel=5e-3)

    def test_log_determinant(self):
        pot = np.array([0, 0, 0, 1, 1])
        v = np.eye(5) + 0.4 / 0.6 * (pot[:, None] == pot)
        assert log_det(pot, 0.4) == pytest.approx(np.linalg.slogdet(v)[1])

    def test_profile_is_zero_at_the_best_join(self):
        x, y, group, pot = two_blends(5)
        problem = HingeProblem(x, y, group, pot)
        for g in (0, 1):
            joins, drops = join_profile(problem, g)
            assert drops[joins == problem.best_joins[g]] == pytest.approx(0.0, abs=1e-6)
            assert np.all(drops >= 0)

    def test_order_and_labels_do_not_matter(self):
        x, y, group, pot = two_blends(5)
        there = join_limits(HingeProblem(x, y, group, pot), 0, DROP)
        mix = np.random.default_rng(1).permutation(len(x))
        other = HingeProblem(x[mix], y[mix], 1 - group[mix], 3 - pot[mix])
        assert join_limits(other, 1, DROP) == pytest.approx(there, abs=1e-6)

    def test_pots_that_differ_are_no_error(self):
        # Pots 20 mg apart blur nothing; taken as independent they would.
        x, y, group, pot = two_blends(5, pot_sd=20.0)
        with_pots, without = (
            join_limits(HingeProblem(x, y, group, p), 0, DROP) for p in (pot, None)
        )
        assert with_pots[1] - with_pots[0] < 1.2
        assert not without[1] - without[0] < 3.0

    def test_limits_hold_the_truth_as_often_as_they_say(self):
        caught, width = 0, []
        for seed in range(40):
            problem = HingeProblem(*two_blends(seed))
            lower, upper = join_limits(problem, 0, f_drop(problem, 0.90))
            caught += lower <= 9.0 <= upper
            width.append(upper - lower)
        # But for one chance in 200.
        low, high = stats.binom.ppf([0.0025, 0.9975], 40, 0.90)
        assert low <= caught <= high
        assert np.median(width) < 1.0


def test_a_crossing_that_rounding_hides_is_the_join_outside():
    assert _crossing(lambda x: 8.0 - x, 6.0, 9.0) == pytest.approx(8.0)
    assert _crossing(lambda x: x - 8.0, 9.0, 6.0) == pytest.approx(8.0)
    assert _crossing(lambda x: -1e-12, 9.0, 6.0) == 9.0

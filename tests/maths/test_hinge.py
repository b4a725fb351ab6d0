"""The hinge against published breaks, an exact hinge, and data with a known truth.

Stagnant band height: Bacon & Watts 1971, carried by R segmented; break, slopes and residual sum
of squares by R segmented and by PyPI piecewise-regression, profile limits by an exact search in
R. Down syndrome: Muggeo 2008, R News 8/1 (from memory: 31.08, deviance 43.939); more digits, and
the fit with a level left part, by R segmented and an exact profile in R.
"""

import warnings

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from scentlab.maths.hinge import (
    HingeProblem,
    best_join,
    f_drop,
    fit_hinge,
    hinge,
    hinge_inverse,
    join_limits,
    join_profile,
)
from scentlab.maths.mixed import MixedProblem, fit_mixed
from scentlab.results import FitError


@pytest.fixture
def stagnant(reference):
    frame = reference("stagnant")
    return HingeProblem(frame["x"], frame["y"], left=True)


def two_blends(seed, joins=(9.0, 12.0), pot_sd=0.8, sd=1.2):
    """x, y, group and pot of 2 blends x 2 pots x 8 loads."""
    rng = np.random.default_rng(seed)
    x = np.tile(np.arange(5.0, 16.0, 1.4), 4)
    group, pot = np.repeat([0, 1], 16), np.repeat(range(4), 8)
    y = hinge(x, np.array([3.0, 2.0])[group], 6.0, np.array(joins)[group])
    return x, y + pot_sd * rng.normal(size=4)[pot] + sd * rng.normal(size=32), group, pot


class TestCurve:
    def test_inverse_undoes_the_curve(self):
        x = np.array([8.5, 9.0, 14.0])
        for left in (0.0, 0.4):
            y = hinge(x, 2.0, 6.0, 8.0, left)
            assert hinge_inverse(y, 2.0, 6.0, 8.0, left) == pytest.approx(x)
        assert hinge_inverse(2.0 + 0.4 * 5.0, 2.0, 6.0, 8.0, 0.4) == pytest.approx(5.0)

    def test_out_of_reach(self):
        assert np.isnan(hinge_inverse(1.9, 2.0, 6.0, 8.0))
        assert np.isnan(hinge_inverse(3.0, 2.0, 0.0, 8.0))
        # Down to 1.2 and up again: 2.0 is passed twice.
        assert np.isnan(hinge_inverse(2.0, 2.0, 0.5, 8.0, -0.1))

    def test_the_level_part_ends_at_the_join(self):
        assert hinge_inverse(2.0, 2.0, 6.0, 8.0) == 8.0


class TestStagnant:
    def test_fit(self, stagnant):
        fit = fit_hinge(stagnant)
        assert fit.joins[0] == pytest.approx(0.0411058, abs=1e-5)
        slopes = fit.lefts[0], fit.lefts[0] + fit.slopes[0]
        assert slopes == pytest.approx((-0.4220768, -1.0205675), abs=1e-5)
        assert fit.rss == pytest.approx(0.0091401972, abs=1e-8)
        assert np.sqrt(fit.variances[1]) == pytest.approx(0.0195152, abs=1e-6)

    def test_limits_by_f(self, stagnant):
        limits = join_limits(stagnant, 0, drop=f_drop(stagnant, 0.95))
        assert (limits.lower, limits.upper) == pytest.approx((-0.0281763, 0.0879913), abs=1e-5)

    def test_limits_by_chi_square(self, stagnant):
        limits = join_limits(stagnant, 0)
        assert (limits.lower, limits.upper) == pytest.approx((-0.0221760, 0.0837949), abs=1e-5)

    def test_the_search_finds_what_the_exact_way_finds(self, reference):
        frame = reference("stagnant")
        x, y = frame["x"].to_numpy(), frame["y"].to_numpy()

        def rss(join):
            columns = np.column_stack([np.ones_like(x), x, np.maximum(0.0, x - join)])
            rest = y - columns @ np.linalg.lstsq(columns, y, rcond=None)[0]
            return float(rest @ rest)

        assert best_join(rss, x) == pytest.approx((0.0411058, 0.0091401972), abs=1e-6)

    def test_units_do_not_matter(self, reference):
        frame = reference("stagnant")
        other = HingeProblem(10 * frame["x"], 1000 * frame["y"] - 5, left=True)
        assert fit_hinge(other).joins[0] == pytest.approx(0.411058, abs=1e-4)
        assert join_limits(other, 0).upper == pytest.approx(0.837949, abs=1e-4)


@pytest.mark.parametrize(
    "left, join, lowest", [(False, 31.637607, 44.448924), (True, 31.081151, 43.938675)]
)
def test_down_syndrome_by_any_deviance(reference, left, join, lowest):
    frame = reference("down")
    age = frame["age"].to_numpy()
    counts = np.column_stack([frame["cases"], frame["births"] - frame["cases"]])

    def deviance(at):
        columns = [np.ones_like(age), np.maximum(0.0, age - at)] + [age] * left
        model = sm.GLM(counts, np.column_stack(columns), family=sm.families.Binomial())
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # at the ends of the data a column is superfluous
            return model.fit().deviance

    assert best_join(deviance, age) == pytest.approx((join, lowest), rel=1e-6)


def test_best_join_is_not_trapped():
    # The wide valley at 3 is not as deep as the narrow one at 11.3.
    def deviance(join):
        return 0.1 * (join - 3.0) ** 2 - 9.0 * np.exp(-8.0 * (join - 11.3) ** 2)

    assert best_join(deviance, np.arange(0.0, 13.0))[0] == pytest.approx(11.3, abs=0.02)


class TestExact:
    """Synthetic: an exact hinge, break 8, slope 0.05."""

    x = np.arange(4.0, 13.0)
    y = np.array([0.02, 0.02, 0.02, 0.02, 0.02, 0.07, 0.12, 0.17, 0.22])

    def test_no_error_is_left(self):
        problem = HingeProblem(self.x, self.y, rising=True)
        fit = fit_hinge(problem)
        assert fit.rss == pytest.approx(0.0, abs=1e-28)
        assert (fit.joins[0], fit.slopes[0], fit.floors[0]) == pytest.approx((8.0, 0.05, 0.02))
        assert fit.variances.tolist() == [0.0, 0.0]
        limits = join_limits(problem, 0)
        assert (limits.lower, limits.upper) == pytest.approx((8.0, 8.0), abs=1e-6)

    def test_a_join_between_the_data(self):
        fit = fit_hinge(HingeProblem(self.x, hinge(self.x, 1.0, 2.0, 7.3)))
        assert (fit.joins[0], fit.rss) == pytest.approx((7.3, 0.0), abs=1e-9)


class TestOpenSides:
    def test_a_straight_line_has_no_lower_limit(self):
        x = np.tile(np.arange(6.0, 13.0), 3)
        y = 2.0 * x + np.random.default_rng(3).normal(size=21)
        limits = join_limits(HingeProblem(x, y, rising=True), 0)
        assert limits.lower == -np.inf and np.isfinite(limits.upper)

    def test_no_rise_has_no_upper_limit(self):
        x = np.tile(np.arange(6.0, 13.0), 3)
        y = -0.5 * x + 0.1 * np.random.default_rng(3).normal(size=21)
        problem = HingeProblem(x, y, rising=True)
        fit, limits = fit_hinge(problem), join_limits(problem, 0)
        assert fit.joins[0] == np.inf and fit.slopes[0] == 0.0
        assert limits.estimate == np.inf and limits.upper == np.inf

    def test_noise_is_seldom_taken_for_a_rise(self):
        found = 0
        for seed in range(100):
            x = np.tile(np.arange(5.0, 16.0, 2.0), 2)
            problem = HingeProblem(x, np.random.default_rng(seed).normal(size=12), rising=True)
            one, two = (f_drop(problem, 0.90, k) for k in (1, 2))
            found += np.isfinite(join_limits(problem, 0, drop=one, flat_drop=two).upper)
        # Nominal 10 %, one-sided and of several joins; more than 20 would be one in 1000.
        assert found <= 20

    def test_a_rise_at_the_highest_x_alone(self):
        x = np.tile([6.0, 8.0, 10.0, 12.0], 4)
        y = np.where(x == 12.0, 20.0, 3.0) + 0.3 * np.random.default_rng(3).normal(size=16)
        limits = join_limits(HingeProblem(x, y, rising=True), 0)
        # Anywhere between the two highest, and a bit below where the noise allows it.
        assert 9.8 < limits.lower <= 10.0 and limits.upper == pytest.approx(12.0, abs=1e-6)


class TestGroupsAndPots:
    def test_criterion_is_that_of_the_mixed_model(self):
        x, y, group, pot = two_blends(5)
        problem = HingeProblem(x, y, group, pot, rising=True)
        fit = fit_hinge(problem)
        beyond = np.maximum(0.0, x - fit.joins[group])
        both = np.eye(2)[group]
        mixed = MixedProblem(y, np.column_stack([both, both * beyond[:, None]]), [pot])
        assert fit_mixed(mixed, reml=False).criterion == pytest.approx(fit.criterion, abs=1e-6)
        assert problem.lowest() == pytest.approx(fit.criterion, abs=1e-3)

    def test_no_joins_on_a_grid_are_better(self):
        x, y, group, pot = two_blends(5)
        fit = fit_hinge(HingeProblem(x, y, group, pot, rising=True))
        both = np.eye(2)[group]
        best = np.inf
        for one in np.arange(8.0, 10.1, 0.25):
            for two in np.arange(11.0, 13.1, 0.25):
                beyond = np.maximum(0.0, x - np.array([one, two])[group])
                mixed = MixedProblem(y, np.column_stack([both, both * beyond[:, None]]), [pot])
                best = min(best, fit_mixed(mixed, reml=False).criterion)
        assert fit.criterion <= best + 1e-6

    def test_profile_is_zero_at_the_best_join(self):
        x, y, group, pot = two_blends(5)
        problem = HingeProblem(x, y, group, pot, rising=True)
        fit = fit_hinge(problem)
        for g in (0, 1):
            joins, drops = join_profile(problem, g)
            assert drops[joins == fit.joins[g]] == pytest.approx(0.0, abs=1e-6)
            assert np.all(drops >= 0)

    def test_order_and_labels_do_not_matter(self):
        x, y, group, pot = two_blends(5)
        there = join_limits(HingeProblem(x, y, group, pot, rising=True), 0)
        mix = np.random.default_rng(1).permutation(len(x))
        other = HingeProblem(x[mix], y[mix], 1 - group[mix], 3 - pot[mix], rising=True)
        here = join_limits(other, 1)
        assert (here.lower, here.upper) == pytest.approx((there.lower, there.upper), abs=1e-6)

    def test_pots_that_differ_are_no_error(self):
        # Pots 20 mg apart blur nothing; taken as independent they would.
        x, y, group, pot = two_blends(5, pot_sd=20.0)
        with_pots, without = (
            join_limits(HingeProblem(x, y, group, p, rising=True), 0) for p in (pot, None)
        )
        assert with_pots.upper - with_pots.lower < 1.2
        assert not without.upper - without.lower < 3.0

    def test_limits_hold_the_truth_as_often_as_they_say(self):
        caught, width = 0, []
        for seed in range(120):
            problem = HingeProblem(*two_blends(seed), rising=True)
            limits = join_limits(problem, 0, drop=f_drop(problem, 0.90))
            caught += limits.lower <= 9.0 <= limits.upper
            width.append(limits.upper - limits.lower)
        # 90 %: with 120 series between 97 and 117, but for one chance in 200.
        low, high = stats.binom.ppf([0.0025, 0.9975], 120, 0.90)
        assert low <= caught <= high
        assert np.median(width) < 1.0


class TestRefusals:
    def test_two_x(self):
        with pytest.raises(FitError) as error:
            HingeProblem([1.0, 2.0, 2.0, 1.0], np.zeros(4))
        assert str(error.value) == "group 0 has 2 different x; a hinge needs at least 3"

    def test_as_many_parameters_as_observations(self):
        with pytest.raises(FitError) as error:
            HingeProblem([1.0, 2.0, 3.0], np.zeros(3))
        assert str(error.value) == (
            "3 observations cannot settle 3 parameters of the hinges and an error"
        )

"""Profile limits against published benchmark doses and confidence intervals.

The benchmark dose is what the load at risk is: the stimulus x where the chance of a response has
risen by an extra risk of 0.10. The kit's own ordinal model, given two grades and no pots, must
give the published logistic and probit numbers exactly. Limits: one-sided 95 %.

Sources: U.S. EPA, BMDS unit test (set ddataset2) and pybmds quickstart page, both read; more
digits from pybmds 25.2 and an R profile likelihood. Wine: Christensen, clm_article and the clmm2
tutorial, read. Beetles: Dobson, read; budworm and menarche: Venables & Ripley 2002, from memory;
profile limits computed in R. Puromycin: Bates & Watts 1988, limits by R confint. biom: Bretz,
Pinheiro & Branson 2005; its limits, and Puromycin's to more digits, by a direct search here.
"""

import numpy as np
import pytest
from scipy import optimize, stats

from scentlab.maths.cumulative import _Natural, fit_cumulative
from scentlab.maths.curves import SHAPES, scaled
from scentlab.maths.graded import CapacityModel
from scentlab.maths.intervals import binomial_limits, likelihood_drop, profile_limits
from scentlab.maths.links import find_link
from scentlab.maths.optimum import climb
from scentlab.maths.ordinal import count_looks
from scentlab.results import FitError


def two_grades(frame, scale=1.0, link="logit", flip=False):
    """The kit's sweat model, with two grades, on x / scale, and the peak of its likelihood."""
    x = np.tile(frame["x"].to_numpy(float) / scale, 2)
    grades = np.repeat([0, 1], len(frame))
    weights = np.concatenate([frame["n"] - frame["y"], frame["y"]])
    design = np.column_stack([-x if flip else x, np.ones_like(x)])
    data = count_looks(1 - grades if flip else grades, design, np.zeros_like(x), 2, weights)
    model = CapacityModel(data, 1, None, link=link, mixed=False)
    return model, climb(model.value_and_gradient, model.start())


def with_slope(function, step=1e-6):
    """A function of a point with its gradient by central differences."""

    def both(point):
        moves = step * np.eye(len(point))
        slope = [(function(point + m) - function(point - m)) / (2 * step) for m in moves]
        return function(point), np.array(slope)

    return both


def benchmark(link, extra=0.10):
    """x at which the risk is P(0) + extra (1 - P(0)), of (capacity, log spread)."""
    found = find_link(link)

    def stimulus(free):
        capacity, spread = free[0], np.exp(free[1])
        none = np.exp(found.log_cdf(-capacity / spread))
        return capacity + spread * found.quantile(none + extra * (1.0 - none))

    return with_slope(stimulus)


class TestBenchmarkDose:
    """x is divided by 10 and the answers are multiplied by it."""

    @pytest.mark.parametrize(
        "name, link, published, digits",
        [
            ("ddataset2", "logit", (69.584, 61.193, 77.945), (69.583506, 61.189212, 77.972951)),
            ("ddataset2", "probit", (66.883, 58.333, 75.368), (66.883454, 58.3235, 75.3654)),
            ("quickstart", "logit", (88.015790, 67.41785, None), (88.015790, 67.41933, None)),
            ("quickstart", "probit", (83.148535, 64.93258, None), (83.148535, 64.93405, None)),
        ],
    )
    def test_published(self, reference, name, link, published, digits):
        frame = reference("benchmark")
        model, peak = two_grades(frame[frame["set"] == name], 10.0, link)
        got = profile_limits(model.value_and_gradient, peak.point, benchmark(link), sides=1)
        for value, printed, exact in zip(
            (got.estimate, got.lower, got.upper), published, digits, strict=True
        ):
            if printed is not None:
                # EPA's engine stops its profile early; its own tests allow 0.5.
                assert 10 * value == pytest.approx(printed, abs=0.03)
                assert 10 * value == pytest.approx(exact, rel=1e-6)

    @pytest.mark.parametrize("name, value", [("ddataset2", -179.97826), ("quickstart", -62.260494)])
    def test_likelihood(self, reference, name, value):
        frame = reference("benchmark")
        _, peak = two_grades(frame[frame["set"] == name], 10.0)
        assert peak.value == pytest.approx(value, abs=5e-6)

    def test_parameters_of_the_quickstart_set(self, reference):
        frame = reference("benchmark")
        _, peak = two_grades(frame[frame["set"] == "quickstart"], 10.0)
        slope = np.exp(-peak.point[1])
        assert slope / 10 == pytest.approx(0.006487035, rel=1e-6)
        assert -peak.point[0] * slope == pytest.approx(-1.779976, rel=1e-6)

    def test_two_sided_limits_are_another_thing(self, reference):
        """The tempting mistake: chi-square(0.95) where one side of 95 % is asked for."""
        frame = reference("benchmark")
        model, peak = two_grades(frame[frame["set"] == "ddataset2"], 10.0)
        wrong = profile_limits(model.value_and_gradient, peak.point, benchmark("logit"))
        assert 10 * wrong.lower < 60


class TestBeetles:
    def test_logit(self, reference):
        model, peak = two_grades(reference("beetles"))
        slope = np.exp(-peak.point[1])
        assert slope == pytest.approx(34.270326, rel=1e-6)
        assert -peak.point[0] * slope == pytest.approx(-60.717455, rel=1e-6)
        got = profile_limits(model.value_and_gradient, peak.point, 0)
        assert got.estimate == pytest.approx(1.771721, abs=5e-7)
        assert [got.lower, got.upper] == pytest.approx([1.7639821, 1.7791872], rel=1e-7)
        assert np.sqrt(peak.covariance[0, 0]) == pytest.approx(0.0038581, abs=1e-7)

    def test_probit(self, reference):
        _, peak = two_grades(reference("beetles"), link="probit")
        slope = np.exp(-peak.point[1])
        assert [-peak.point[0] * slope, slope] == pytest.approx([-34.935259, 19.727934], rel=1e-6)
        assert peak.point[0] == pytest.approx(1.7708524, abs=5e-8)

    def test_cloglog(self, reference):
        """The link is of P(Y <= 0), so grade 0 stands for the dead and x is turned round."""
        model, peak = two_grades(reference("beetles"), link="cloglog", flip=True)
        slope = np.exp(-peak.point[1])
        assert slope == pytest.approx(22.041170, rel=1e-6)
        assert peak.point[0] * slope == pytest.approx(-39.572311, rel=1e-6)
        half = with_slope(lambda f: -f[0] + np.exp(f[1]) * np.log(np.log(2.0)))
        got = profile_limits(model.value_and_gradient, peak.point, half)
        assert got.estimate == pytest.approx(1.7787530, abs=5e-8)
        assert [got.lower, got.upper] == pytest.approx([1.7705346, 1.7863481], rel=1e-6)


def test_budworm_loads_at_three_risks(reference):
    frame = reference("budworm")
    frame = frame[frame["sex"] == "F"]
    expected = {0.25: 2.231265, 0.50: 3.263587, 0.75: 4.295910}
    # The published slope is that of both sexes together, so both are fitted.
    both = reference("budworm")
    x, grades = np.tile(both["x"].to_numpy(float), 2), np.repeat([0, 1], 12)
    sex = np.tile((both["sex"] == "F").to_numpy(float), 2)
    design = np.column_stack([x, sex, 1.0 - sex])
    weights = np.concatenate([both["n"] - both["y"], both["y"]])
    model = CapacityModel(
        count_looks(grades, design, np.zeros(24), 2, weights), 2, None, mixed=False
    )
    peak = climb(model.value_and_gradient, model.start())
    for risk, value in expected.items():
        target = with_slope(lambda f, r=risk: f[0] + np.exp(f[2]) * np.log(r / (1 - r)))
        estimate, slope = target(peak.point)
        assert estimate == pytest.approx(value, abs=1e-6)
        error = {0.25: 0.2499089, 0.50: 0.2297539, 0.75: 0.2746874}[risk]
        assert np.sqrt(slope @ peak.covariance @ slope) == pytest.approx(error, rel=1e-5)


def test_menarche(reference):
    _, peak = two_grades(reference("menarche").rename(columns={"age": "x"}))
    slope = np.exp(-peak.point[1])
    assert [-peak.point[0] * slope, slope] == pytest.approx([-21.2263949, 1.6319683], rel=1e-6)
    assert peak.point[0] == pytest.approx(13.006622, abs=1e-6)
    assert np.sqrt(peak.covariance[0, 0]) == pytest.approx(0.0386658, rel=1e-5)


class TestWine:
    @pytest.fixture
    def wine(self, reference):
        frame = reference("wine")
        design = np.column_stack([frame["temp"] == "warm", frame["contact"] == "yes"])
        return count_looks(frame["rating"] - 1, design.astype(float), frame["assessor"], 5)

    def free(self, fit):
        start = [fit.thresholds[:1], np.log(np.diff(fit.thresholds)), fit.beta]
        return np.concatenate(start + ([[np.log(fit.sigma)]] if fit.sigma else []))

    def test_profile_of_the_fixed_effects(self, wine):
        likelihood, free = _Natural(wine, "logit", False, 1), self.free(fit_cumulative(wine))
        warm, yes = (profile_limits(likelihood.evaluate, free, i) for i in (4, 5))
        assert [warm.lower, warm.upper] == pytest.approx([1.5097627, 3.595225], rel=1e-4)
        assert [yes.lower, yes.upper] == pytest.approx([0.6157925, 2.492404], rel=1e-4)

    def test_profile_of_the_assessors_sd(self, wine):
        free = self.free(fit_cumulative(wine, mixed=True, nodes=10))
        got = profile_limits(_Natural(wine, "logit", True, 10).evaluate, free, 6)
        limits = np.exp([got.lower, got.upper])
        assert limits == pytest.approx([0.5048597, 2.272327], rel=1e-4)


def normal_likelihood(x, y, curve):
    """Log-likelihood of a least-squares fit, its variance profiled out, with its gradient."""

    def function(point):
        fitted, slopes = curve(x, point)
        rss = np.sum((y - fitted) ** 2)
        return -0.5 * len(y) * np.log(rss), len(y) * ((y - fitted) @ slopes) / rss

    return function


def t_drop(n, size, confidence=0.95):
    t = stats.t.ppf(0.5 + confidence / 2, n - size)
    return 0.5 * n * np.log1p(t**2 / (n - size))


def direct_limits(x, y, intercept, low, high):
    """95 % profile-t limits of the half-effect load by root search: the rest is linear."""

    def rss(half):
        left = (x / (half + x))[:, None]
        left = np.column_stack([np.ones_like(x), left]) if intercept else left
        return np.sum((y - left @ np.linalg.lstsq(left, y, rcond=None)[0]) ** 2)

    best = optimize.minimize_scalar(
        rss, bounds=(low, 1.0), method="bounded", options={"xatol": 1e-12}
    )
    df = len(x) - 2 - intercept
    most = best.fun * (1 + stats.t.ppf(0.975, df) ** 2 / df)
    return [
        optimize.brentq(lambda half: rss(half) - most, best.x, end) if rss(end) > most else None
        for end in (low, high)
    ]


def test_puromycin_profile_t_limits(reference):
    frame = reference("puromycin")
    frame = frame[frame["state"] == "treated"]

    def curve(x, point):
        share = x / (point[1] + x)
        return point[0] * share, np.column_stack([share, -point[0] * share / (point[1] + x)])

    function = normal_likelihood(frame["conc"].to_numpy(), frame["rate"].to_numpy(float), curve)
    peak = climb(function, [212.7, 0.064], gradient_tolerance=1e-8)
    drop = t_drop(12, 2)
    top, half = (profile_limits(function, peak.point, i, drop=drop) for i in (0, 1))
    # R draws a spline through its profile; a search of the profile itself gives more digits.
    assert [top.lower, top.upper] == pytest.approx([197.3021, 229.2901], rel=2e-4)
    assert [half.lower, half.upper] == pytest.approx([0.0469252, 0.0861600], rel=2e-4)
    exact = direct_limits(frame["conc"].to_numpy(), frame["rate"].to_numpy(float), False, 0.02, 0.2)
    assert [half.lower, half.upper] == pytest.approx(exact, rel=1e-7)


def test_a_side_without_a_limit_is_infinite(reference):
    """biom: the load of half effect could be as high as one likes."""
    frame = reference("biom")
    emax = SHAPES["emax"]

    def curve(x, point):
        half = np.exp(point[2])
        share = scaled(emax, x, half, 0.0, 1.0)
        bend = point[1] * half * x * (x - 1.0) / (half + x) ** 2  # of s = x (1 + k) / (k + x)
        return point[0] + point[1] * share, np.column_stack([np.ones_like(x), share, bend])

    x, y = frame["x"].to_numpy(float), frame["y"].to_numpy(float)
    function = normal_likelihood(x, y, curve)
    peak = climb(function, [0.32, 0.65, np.log(0.142)])
    got = profile_limits(function, peak.point, 2, drop=t_drop(100, 3), doublings=6)
    lower, upper = direct_limits(x, y, True, 1e-4, 1e6)
    assert np.exp(got.lower) == pytest.approx(lower, rel=1e-6)
    assert upper is None and got.upper == np.inf


class TestMachinery:
    def test_drops(self):
        assert likelihood_drop(0.95) == pytest.approx(stats.norm.ppf(0.975) ** 2 / 2)
        assert likelihood_drop(0.95, sides=1) == pytest.approx(stats.norm.ppf(0.95) ** 2 / 2)
        with pytest.raises(ValueError) as error:
            likelihood_drop(0.3)
        assert str(error.value) == "confidence is 0.3; give a share above 0.5 and below 1"

    def test_normal_likelihood_gives_the_normal_interval_of_a_ratio_free_sum(self):
        """Correlated normal: the profile interval of a'x is a'm -+ 1.96 sqrt(a'Va)."""
        covariance = np.array([[2.0, 0.9, 0.0], [0.9, 1.0, 0.3], [0.0, 0.3, 50.0]])
        centre, a = np.array([3.0, -1.0, 100.0]), np.array([1.0, -2.0, 0.5])
        precision = np.linalg.inv(covariance)

        def function(x):
            return -0.5 * (x - centre) @ precision @ (x - centre), -precision @ (x - centre)

        got = profile_limits(function, centre, lambda x: (a @ x, a))
        half = stats.norm.ppf(0.975) * np.sqrt(a @ covariance @ a)
        middle = a @ centre
        assert [got.estimate, got.lower, got.upper] == pytest.approx(
            [middle, middle - half, middle + half], rel=1e-7
        )

    def test_a_change_of_scale_carries_the_limits_along(self, reference):
        model, peak = two_grades(reference("beetles"))
        plain = profile_limits(model.value_and_gradient, peak.point, 1)
        spread = profile_limits(
            model.value_and_gradient, peak.point, with_slope(lambda f: np.exp(f[1]))
        )
        assert [spread.lower, spread.upper] == pytest.approx(
            np.exp([plain.lower, plain.upper]), rel=1e-6
        )

    def test_not_at_a_peak(self):
        with pytest.raises(FitError) as error:
            profile_limits(lambda x: (x @ x, 2 * x), np.zeros(2), 0)
        assert str(error.value) == (
            "the point given to the profile is no peak of the likelihood; fit again or use a prior"
        )

    def test_a_target_that_depends_on_nothing(self):
        with pytest.raises(FitError) as error:
            profile_limits(lambda x: (-(x @ x), -2 * x), np.zeros(2), lambda x: (1.0, 0.0 * x))
        assert str(error.value) == "the target does not depend on the parameters at the peak"


class TestBinomial:
    @pytest.mark.parametrize("hits, trials", [(0, 1), (0, 16), (3, 20), (20, 20), (17, 1000)])
    @pytest.mark.parametrize("confidence", [0.683, 0.9, 0.95])
    def test_as_scipy_binomtest(self, hits, trials, confidence):
        exact = stats.binomtest(hits, trials).proportion_ci(confidence, method="exact")
        found = binomial_limits(hits, trials, confidence)
        assert found == pytest.approx(tuple(exact), abs=1e-12)

    def test_none_of_twenty(self):
        """By hand: 1 - 0.025^(1/20); one-sided at 95 %, 1 - 0.05^(1/20) = 13.9 %."""
        assert binomial_limits(0, 20)[1] == pytest.approx(1 - 0.025 ** (1 / 20))
        assert binomial_limits(0, 20, 0.90)[1] == pytest.approx(0.139, abs=5e-4)

    def test_limits_hold_at_least_as_often_as_they_say(self):
        """Summed over all outcomes of 30 trials, for chances small and middling."""
        hits = np.arange(31)
        lower, upper = binomial_limits(hits, 30, 0.9)
        for chance in (0.001, 0.02, 0.05, 0.31, 0.5):
            inside = (lower <= chance) & (chance <= upper)
            assert stats.binom.pmf(hits, 30, chance)[inside].sum() >= 0.9

    @pytest.mark.parametrize("hits, trials", [(-1, 5), (6, 5), (0, 0)])
    def test_refusals(self, hits, trials):
        with pytest.raises(ValueError, match="give 0 to all of 1 or more trials"):
            binomial_limits(hits, trials)

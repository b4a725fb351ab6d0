"""Linear mixed models against published variance components, and statsmodels as a second witness.

Steel bars: Box 1996, *Quality Engineering*, and Box, Hunter & Hunter 2005 (mean squares from
memory; recomputed in R aov and lmer). One furnace heat holds four coatings as one pot holds
several loads. Oats: Yates 1935, MASS help output, read. lme4's examples: Bates, Maechler, Bolker
& Walker 2015, read; more digits computed in lme4 1.1-31.
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import optimize, stats

from scentlab.maths.mixed import (
    MixedProblem,
    fit_mixed,
    satterthwaite,
    variance_covariance,
)
from scentlab.results import FitError


def dummies(*factors):
    """Full design of crossed factors: one column per combination."""
    cells = pd.Series(list(zip(*factors, strict=True)))
    return pd.get_dummies(cells.map(str)).to_numpy(float), sorted(set(cells.map(str)))


def codes(*columns):
    return pd.factorize(pd.Series(list(zip(*columns, strict=True))).map(str))[0]


def f_ratio(fit, contrasts):
    """Wald F of contrasts (q, p) of the fixed effects."""
    value = contrasts @ fit.beta
    covariance = contrasts @ fit.covariance @ contrasts.T
    return value @ np.linalg.solve(covariance, value) / len(contrasts)


def cell_contrasts(first, second):
    """Main effects of two crossed factors and their interaction, over the cells in order."""

    def differences(n):
        return np.eye(n)[1:] - np.eye(n)[0]

    def mean(n):
        return np.full((1, n), 1.0 / n)

    return (
        np.kron(differences(first), mean(second)),
        np.kron(mean(first), differences(second)),
        np.kron(differences(first), differences(second)),
    )


class TestSteelBars:
    @pytest.fixture
    def bars(self, reference):
        return reference("steel_bars")

    def problem(self, bars, groups):
        x, _ = dummies(bars["temperature"], bars["coating"])
        return MixedProblem(bars["y"], x, groups)

    def fit(self, bars, groups):
        return fit_mixed(self.problem(bars, groups))

    def test_variances(self, bars):
        fit = self.fit(bars, [codes(bars["heat"])])
        assert fit.variances == pytest.approx([1172.1667, 124.5417], rel=1e-6)
        whole = 4 * fit.variances[0] + fit.variances[1]
        assert whole == pytest.approx(14439.625 / 3, rel=1e-6)

    def test_criterion(self, bars):
        """lmer's 111.231411 is for treatment contrasts, whose log determinant is that here."""
        temperature = pd.get_dummies(bars["temperature"], drop_first=True).to_numpy(float)
        coating = pd.get_dummies(bars["coating"], drop_first=True).to_numpy(float)
        both = (temperature[:, :, None] * coating[:, None, :]).reshape(len(bars), -1)
        x = np.column_stack([np.ones(len(bars)), temperature, coating, both])
        fit = fit_mixed(MixedProblem(bars["y"], x, [codes(bars["heat"])]))
        assert fit.criterion == pytest.approx(111.231411, abs=1e-5)

    def test_f_ratios(self, bars):
        fit = self.fit(bars, [codes(bars["heat"])])
        expected = [2.75484, 11.47976, 4.37571]
        for contrasts, value in zip(cell_contrasts(3, 4), expected, strict=True):
            assert f_ratio(fit, contrasts) == pytest.approx(value, rel=1e-5)

    def test_freedom_is_that_of_the_heats_and_of_the_bars(self, bars):
        """Six heats at three temperatures leave 3; coatings and their interaction have 9."""
        problem = self.problem(bars, [codes(bars["heat"])])
        fit = fit_mixed(problem)
        printed = [0.20932, 0.0019769, 0.0240664]
        for contrasts, df, p in zip(cell_contrasts(3, 4), (3, 9, 9), printed, strict=True):
            estimate, se, found = satterthwaite(problem, fit, contrasts)
            assert found == pytest.approx(np.full(len(contrasts), df), rel=1e-6)
            assert estimate == pytest.approx(contrasts @ fit.beta)
            assert se**2 == pytest.approx(np.diag(contrasts @ fit.covariance @ contrasts.T))
            f = f_ratio(fit, contrasts)
            assert stats.f.sf(f, len(contrasts), found[0]) == pytest.approx(p, rel=1e-4)

    def test_bars_taken_as_independent_have_the_wrong_freedom(self, bars):
        """24 bars in 12 cells leave 12 for everything, where the temperature has 3."""
        problem = self.problem(bars, [])
        temperature, coating, _ = cell_contrasts(3, 4)
        wrong = fit_mixed(problem)
        for contrasts in (temperature, coating):
            assert satterthwaite(problem, wrong, contrasts)[2] == pytest.approx(12.0)
        assert satterthwaite(problem, wrong, temperature[0])[1] < 0.6 * 34.6886

    def test_the_wrong_analysis_has_its_published_wrong_answer(self, bars):
        """Bars taken as independent: temperature 10.2256, coating 1.1026. Not what is given."""
        wrong = self.fit(bars, [])
        temperature, coating, _ = cell_contrasts(3, 4)
        assert f_ratio(wrong, temperature) == pytest.approx(10.2256, abs=5e-5)
        assert f_ratio(wrong, coating) == pytest.approx(1.1026, abs=5e-5)
        right = self.fit(bars, [codes(bars["heat"])])
        assert f_ratio(right, temperature) < 0.3 * f_ratio(wrong, temperature)
        assert f_ratio(right, coating) > 10 * f_ratio(wrong, coating)


class TestOats:
    @pytest.fixture
    def oats(self, reference):
        return reference("oats")

    def groups(self, oats):
        return [codes(oats["block"]), codes(oats["block"], oats["variety"])]

    def test_full_factorial(self, oats):
        x, _ = dummies(oats["variety"], oats["nitro"])
        fit = fit_mixed(MixedProblem(oats["yield"], x, self.groups(oats)))
        assert fit.variances == pytest.approx([214.4747, 106.0615, 177.0836], rel=1e-4)
        # Balanced and inside its range, REML is the analysis of variance.
        block, plot, error = 3175.06, 601.331, 177.083
        squares = [(block - plot) / 12, (plot - error) / 4, error]
        assert fit.variances == pytest.approx(squares, rel=1e-5)
        printed = [1.485, 37.686, 0.303]
        digits = [1.48534, 37.68565, 0.30282]
        for contrasts, p, d in zip(cell_contrasts(3, 4), printed, digits, strict=True):
            assert f_ratio(fit, contrasts) == pytest.approx(p, abs=5e-4)
            assert f_ratio(fit, contrasts) == pytest.approx(d, abs=6e-6)

    def test_straight_line_in_nitrogen(self, oats):
        x = np.column_stack([np.ones(72), oats["nitro"]])
        fit = fit_mixed(MixedProblem(oats["yield"], x, self.groups(oats)))
        assert fit.beta == pytest.approx([81.872222, 73.666667], rel=1e-6)
        assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([6.945280, 6.781483], rel=1e-6)
        assert fit.variances == pytest.approx([210.4235, 121.1029, 165.5586], rel=1e-5)
        assert -0.5 * fit.criterion == pytest.approx(-296.5208767, abs=1e-6)

    def test_freedom_of_the_strata(self, oats):
        """Varieties (6 - 1)(3 - 1) = 10, nitrogen and interaction 71 - 5 - 2 - 10 - 3 - 6 = 45."""
        x, _ = dummies(oats["variety"], oats["nitro"])
        problem = MixedProblem(oats["yield"], x, self.groups(oats))
        fit = fit_mixed(problem)
        printed = [0.272, 2.46e-12, 0.932]
        for contrasts, df, p in zip(cell_contrasts(3, 4), (10, 45, 45), printed, strict=True):
            found = satterthwaite(problem, fit, contrasts)[2]
            assert found == pytest.approx(np.full(len(contrasts), df), rel=1e-6)
            f = f_ratio(fit, contrasts)
            assert stats.f.sf(f, len(contrasts), found[0]) == pytest.approx(p, rel=2e-3)

    def test_variances_are_as_sure_as_their_mean_squares(self, oats):
        """Var((MS1 - MS2) / m) = 2 (MS1^2 / df1 + MS2^2 / df2) / m^2, strata 5, 10 and 45."""
        x, _ = dummies(oats["variety"], oats["nitro"])
        problem = MixedProblem(oats["yield"], x, self.groups(oats))
        fit = fit_mixed(problem)
        covariance = variance_covariance(problem, fit)
        block, plot, error = 2 * np.array([3175.06, 601.331, 177.083]) ** 2 / [5, 10, 45]
        expected = [(block + plot) / 12**2, (plot + error) / 4**2, error]
        assert np.diag(covariance) == pytest.approx(expected, rel=1e-4)

    def test_plots_taken_as_independent_are_wrong(self, oats):
        x, _ = dummies(oats["variety"], oats["nitro"])
        wrong = fit_mixed(MixedProblem(oats["yield"], x, [codes(oats["block"])]))
        variety = cell_contrasts(3, 4)[0]
        assert f_ratio(wrong, variety) > 2 * 1.485


class TestOnePackageOfExamples:
    def test_sleepstudy_random_intercept(self, reference):
        frame = reference("sleepstudy")
        x = np.column_stack([np.ones(len(frame)), frame["days"]])
        fit = fit_mixed(MixedProblem(frame["reaction"], x, [codes(frame["subject"])]))
        assert fit.variances == pytest.approx([1378.1785, 960.4566], rel=1e-6)
        assert fit.criterion == pytest.approx(1786.465085, abs=1e-5)
        assert fit.beta == pytest.approx([251.405105, 10.467286], rel=1e-7)

    def test_penicillin_crossed(self, reference):
        frame = reference("penicillin")
        groups = [codes(frame["plate"]), codes(frame["sample"])]
        fit = fit_mixed(MixedProblem(frame["diameter"], np.ones((144, 1)), groups))
        assert np.sqrt(fit.variances) == pytest.approx([0.8467, 1.9316, 0.5499], abs=5e-5)
        assert fit.variances == pytest.approx([0.71690514, 3.7311318, 0.30241496], rel=1e-4)
        assert fit.criterion == pytest.approx(330.860589, abs=1e-6)

    def test_pastes_nested(self, reference):
        frame = reference("pastes")
        groups = [codes(frame["lot"], frame["cask"]), codes(frame["lot"])]
        fit = fit_mixed(MixedProblem(frame["strength"], np.ones((60, 1)), groups))
        assert fit.variances == pytest.approx([8.4336659, 1.6573109, 0.6779999], rel=1e-5)
        assert fit.criterion == pytest.approx(246.990746, abs=1e-6)

    def test_dyestuff_by_reml_and_by_ml(self, reference):
        frame = reference("dyestuff")
        problem = MixedProblem(frame["yield"], np.ones((30, 1)), [codes(frame["lot"])])
        reml = fit_mixed(problem)
        assert reml.variances == pytest.approx([1764.05, 2451.25], rel=1e-6)
        assert reml.criterion == pytest.approx(319.654277, abs=1e-6)
        ml = fit_mixed(problem, reml=False)
        assert ml.variances[0] == pytest.approx(1388.3333, rel=1e-6)
        assert ml.criterion == pytest.approx(327.32706, abs=5e-6)
        assert not ml.reml

    def test_predicted_effects_shrink_the_group_means(self, reference):
        """Balanced one-way: effect = (mean - grand mean) * n s_b / (n s_b + s_e)."""
        frame = reference("dyestuff")
        fit = fit_mixed(MixedProblem(frame["yield"], np.ones((30, 1)), [codes(frame["lot"])]))
        means = frame.groupby("lot", sort=False)["yield"].mean() - frame["yield"].mean()
        shrink = 5 * 1764.05 / (5 * 1764.05 + 2451.25)
        assert fit.effects[0] == pytest.approx(shrink * means.to_numpy(), rel=1e-5)


class TestFreedom:
    def test_welch(self):
        """Two samples with variances of their own: Welch's t, by scipy."""
        rng = np.random.default_rng(3)
        one, two = rng.normal(0, 3, 8), rng.normal(1, 0.5, 12)
        x = np.column_stack([np.repeat([1.0, 0.0], [8, 12]), np.repeat([0.0, 1.0], [8, 12])])
        # The wider sample gets an effect of its own per score beside the common error.
        own = np.where(x[:, 0] > 0, np.arange(20), 0)
        problem = MixedProblem(np.append(one, two), x, [own], slopes=[x[:, 0]])
        estimate, se, df = satterthwaite(problem, fit_mixed(problem), np.array([1.0, -1.0]))
        welch = stats.ttest_ind(one, two, equal_var=False)
        assert estimate / se == pytest.approx(welch.statistic, rel=1e-5)
        assert df == pytest.approx(welch.df, rel=1e-4)

    def test_expected_information_is_the_observed_one_in_a_balanced_plan(self, reference):
        """Second derivatives of the REML log likelihood in the variances, by differences."""
        frame = reference("dyestuff")
        y, lots = frame["yield"].to_numpy(float), codes(frame["lot"])
        problem = MixedProblem(y, np.ones((30, 1)), [lots])
        fit = fit_mixed(problem)
        same = (lots[:, None] == lots).astype(float)

        def half_criterion(v):
            inverse = np.linalg.inv(v[0] * same + v[1] * np.eye(30))
            total = inverse.sum()
            centred = y - (inverse @ y).sum() / total
            squares = centred @ inverse @ centred
            return 0.5 * (-np.linalg.slogdet(inverse)[1] + np.log(total) + squares)

        step = 0.5 * np.diag([20.0, 20.0])
        hessian = np.empty((2, 2))
        for i in range(2):
            for j in range(2):
                signs = [(1, 1), (1, -1), (-1, 1), (-1, -1)]
                values = [
                    a * b * half_criterion(fit.variances + a * step[i] + b * step[j])
                    for a, b in signs
                ]
                hessian[i, j] = sum(values) / (4 * 10.0 * 10.0)
        covariance = variance_covariance(problem, fit)
        assert np.linalg.inv(hessian) == pytest.approx(covariance, rel=2e-3)

    def test_a_variance_of_zero_still_counts_its_groups(self):
        """Every group holds the same ten values: the mean of six groups has 5 and not 59."""
        y = np.tile(np.random.default_rng(8).standard_normal(10), 6)
        problem = MixedProblem(y, np.ones((60, 1)), [np.repeat(np.arange(6), 10)])
        fit = fit_mixed(problem)
        assert fit.variances[0] == 0.0
        assert satterthwaite(problem, fit, np.ones(1))[2] == pytest.approx(5.0, rel=1e-6)

    def test_of_independent_scores_it_is_n_less_p(self):
        y = np.random.default_rng(1).standard_normal(9)
        problem = MixedProblem(y, np.column_stack([np.ones(9), np.arange(9.0)]), [])
        assert satterthwaite(problem, fit_mixed(problem), np.array([0.0, 1.0]))[2] == 7.0

    def test_of_an_unbalanced_plan_it_lies_between_pots_and_scores(self, reference):
        frame = reference("steel_bars").drop(index=[3, 10, 17])
        x, _ = dummies(frame["temperature"], frame["coating"])
        problem = MixedProblem(frame["y"], x, [codes(frame["heat"])])
        df = satterthwaite(problem, fit_mixed(problem), cell_contrasts(3, 4)[0])[2]
        assert np.all((df > 2.5) & (df < 4.0))


class TestSlopes:
    def test_random_slope_against_statsmodels(self, reference):
        """Intercepts and slopes of the subjects, not correlated (sleepstudy)."""
        frame = reference("sleepstudy")
        days = frame["days"].to_numpy(float)
        x = np.column_stack([np.ones(len(frame)), days])
        subject = codes(frame["subject"])
        fit = fit_mixed(MixedProblem(frame["reaction"], x, [subject, subject], [None, days]))
        other = sm.MixedLM.from_formula(
            "reaction ~ days", frame, re_formula="0", groups=np.ones(len(frame)),
            vc_formula={"a": "0 + C(subject)", "b": "0 + C(subject):days"},
        ).fit()  # fmt: skip
        assert -0.5 * fit.criterion == pytest.approx(other.llf, abs=1e-4)
        assert fit.variances[:2] == pytest.approx(other.vcomp, rel=1e-3)

    def test_other_fixed_effects_with_the_same_groupings(self, reference):
        frame = reference("sleepstudy")
        one, days = np.ones((len(frame), 1)), frame[["days"]].to_numpy(float)
        groups = [codes(frame["subject"])]
        whole = np.column_stack([one, days])
        changed = MixedProblem(frame["reaction"], one, groups).with_fixed(whole)
        fresh = MixedProblem(frame["reaction"], whole, groups)
        assert fit_mixed(changed).beta == pytest.approx(fit_mixed(fresh).beta, rel=1e-12)


@pytest.mark.parametrize("reml", [True, False])
def test_statsmodels_agrees_on_an_unbalanced_set(reference, reml):
    frame = reference("sleepstudy").sample(frac=0.6, random_state=4)
    x = np.column_stack([np.ones(len(frame)), frame["days"]])
    fit = fit_mixed(MixedProblem(frame["reaction"], x, [codes(frame["subject"])]), reml=reml)
    other = sm.MixedLM(frame["reaction"].to_numpy(), x, groups=frame["subject"]).fit(reml=reml)
    assert fit.beta == pytest.approx(other.fe_params, rel=1e-4)
    assert fit.variances == pytest.approx([other.cov_re[0, 0], other.scale], rel=2e-3)
    assert -0.5 * fit.criterion == pytest.approx(other.llf, abs=1e-3)


class TestMachinery:
    @pytest.fixture
    def problem(self, reference):
        frame = reference("pastes")
        x = np.column_stack([np.ones(60), np.linspace(0, 1, 60)])
        return MixedProblem(frame["strength"], x, [codes(frame["lot"]), codes(frame["cask"])])

    @pytest.mark.parametrize("reml", [True, False])
    def test_slope_against_a_numerical_one(self, problem, reml):
        """Steps of 1e-4 of a criterion near 250: rounding is far below the tolerance."""
        ratio, moves = np.array([0.5, 1.7]), 1e-4 * np.eye(2)
        value, slope, _ = problem.expansion(ratio, reml)
        assert value == pytest.approx(problem.criterion(np.sqrt(ratio), reml), rel=1e-12)
        around = [
            [problem.criterion(np.sqrt(ratio + way * m), reml) for way in (1, -1)] for m in moves
        ]
        assert slope == pytest.approx([(up - down) / 2e-4 for up, down in around], rel=1e-4)

    @pytest.mark.parametrize("reml", [True, False])
    def test_bend_is_that_of_a_balanced_plan_at_its_best(self, reference, reml):
        """One way and balanced, the average information at the estimate is the observed one."""
        frame = reference("dyestuff")
        problem = MixedProblem(frame["yield"], np.ones((30, 1)), [codes(frame["lot"])])
        ratio = fit_mixed(problem, reml).theta ** 2
        up, down = (problem.expansion(ratio + way * 1e-4, reml)[1] for way in (1, -1))
        assert problem.expansion(ratio, reml)[2] == pytest.approx(
            ((up - down) / 2e-4)[:, None], rel=1e-3
        )

    def test_likelihood_is_that_of_the_normal_distribution(self, reference, problem):
        """-2 log density of y at the fit, by scipy's multivariate normal (ML)."""
        frame = reference("pastes")
        fit = fit_mixed(problem, reml=False)
        v = fit.variances[-1] * np.eye(60)
        for k, name in enumerate(("lot", "cask")):
            same = frame[name].to_numpy()[:, None] == frame[name].to_numpy()
            v = v + fit.variances[k] * same
        value = stats.multivariate_normal(problem.x @ fit.beta, v).logpdf(problem.y)
        assert fit.criterion == pytest.approx(-2 * value, abs=1e-7)

    def test_order_of_the_groupings_does_not_matter(self, reference):
        frame = reference("penicillin")
        groups = [codes(frame["plate"]), codes(frame["sample"])]
        one, other = (
            fit_mixed(MixedProblem(frame["diameter"], np.ones((144, 1)), g))
            for g in (groups, groups[::-1])
        )
        assert one.variances[[0, 1]] == pytest.approx(other.variances[[1, 0]], rel=1e-5)

    def test_a_grouping_without_effect_is_exactly_zero(self):
        rng = np.random.default_rng(8)
        y = np.tile(rng.standard_normal(10), 6)  # every group holds the same ten values
        fit = fit_mixed(MixedProblem(y, np.ones((60, 1)), [np.repeat(np.arange(6), 10)]))
        assert fit.variances[0] == 0.0
        assert fit.variances[1] == pytest.approx(y.var(ddof=1), rel=1e-10)

    def test_more_effects_than_scores(self):
        with pytest.raises(FitError) as error:
            MixedProblem([1.0, 2.0], np.eye(2), [])
        assert str(error.value) == ("2 scores cannot settle 2 fixed effects; score more pieces")

    def test_effects_that_cannot_be_told_apart(self):
        with pytest.raises(FitError) as error:
            MixedProblem(np.arange(4.0), np.ones((4, 2)), [])
        assert str(error.value) == (
            "the loads and blends scored cannot tell the fixed effects apart; every blend needs "
            "scores at two loads at least"
        )

    def test_an_exact_fit_has_no_error(self):
        x = np.column_stack([np.ones(5), np.arange(5.0)])
        with pytest.raises(FitError) as error:
            fit_mixed(MixedProblem(2 + 3 * np.arange(5.0), x, [np.array([0, 0, 1, 1, 2])]))
        assert str(error.value) == (
            "the scores fit the loads exactly: there is no error to measure"
        )


def test_the_search_does_not_stay_at_no_variance():
    """A first step onto 0, where the slope vanishes, must not end the search.

    Two groups of two pots with eight observations each.
    """
    rng = np.random.default_rng(5)
    x, pot = np.tile(np.arange(5.0, 16.0, 1.4), 4), np.repeat(range(4), 8)
    both = np.eye(2)[pot // 2]
    y = np.where(pot < 2, 3.0, 2.0) + 6.0 * np.maximum(0.0, x - np.where(pot < 2, 9.0, 12.0))
    y = y + 0.8 * rng.normal(size=4)[pot] + 1.2 * rng.normal(size=32)
    beyond = np.maximum(0.0, x - np.where(pot < 2, 9.13208946, 12.37879225))
    problem = MixedProblem(y, np.column_stack([both, both * beyond[:, None]]), [pot])
    fit = fit_mixed(problem, reml=False)
    on_a_grid = [problem.criterion([t], reml=False) for t in np.linspace(0.0, 2.0, 2001)]
    assert fit.criterion <= min(on_a_grid) + 1e-9
    best = np.linspace(0.0, 2.0, 2001)[np.argmin(on_a_grid)]
    assert fit.theta[0] == pytest.approx(best, abs=2e-3)


@pytest.mark.parametrize("reml", [True, False])
def test_the_search_against_a_bounded_search_of_scipy(reml):
    """Forty invented problems, some variances 0, some large: never above scipy's L-BFGS-B."""
    rng = np.random.default_rng(4)
    for _ in range(40):
        n, count = int(rng.integers(20, 90)), int(rng.integers(1, 4))
        groups = [codes(pd.Series(rng.integers(0, rng.integers(2, 9), n))) for _ in range(count)]
        y = rng.standard_normal(n)
        for group in groups:
            sd = np.exp(rng.normal(0.0, 1.5)) * (rng.random() < 0.7)
            y = y + sd * rng.standard_normal(group.max() + 1)[group]
        x = np.column_stack([np.ones(n), rng.standard_normal(n)])
        problem = MixedProblem(y, x, groups)
        lowest = min(
            optimize.minimize(
                lambda t, p=problem: p.criterion(t, reml), np.full(count, start),
                method="L-BFGS-B", bounds=[(0.0, None)] * count,
            ).fun
            for start in (0.1, 1.0, 4.0)
        )
        assert fit_mixed(problem, reml).criterion <= lowest + 1e-6


class TestAgreement:
    """Shrout & Fleiss 1979, table 2: pieces and assessors crossed, one score each."""

    def test_variances_and_agreement(self, reference):
        """Published, from memory: BMS 11.24, JMS 32.49, EMS 1.02; ICC(2,1) .29, ICC(3,1) .71. The
        digits are from R psych and psy and from pingouin, which agree."""
        frame = reference("agreement")
        groups = [pd.factorize(frame[c])[0] for c in ("piece", "assessor")]
        fit = fit_mixed(MixedProblem(frame["score"], np.ones((len(frame), 1)), groups))
        piece, assessor, error = fit.variances
        assert [piece, assessor, error] == pytest.approx(
            [2.5555556, 5.2444444, 1.0194444], rel=1e-4
        )
        assert piece / (piece + assessor + error) == pytest.approx(0.289763780, rel=1e-4)
        assert piece / (piece + error) == pytest.approx(0.714840715, rel=1e-4)

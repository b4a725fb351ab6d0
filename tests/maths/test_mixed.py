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
from scipy import stats

from scentlab.maths.mixed import MixedProblem, fit_mixed
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

    def fit(self, bars, groups):
        x, _ = dummies(bars["temperature"], bars["coating"])
        return fit_mixed(MixedProblem(bars["y"], x, groups))

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
        theta = np.array([0.7, 1.3])
        _, slope = problem.criterion_and_slope(theta, reml)
        moves = 1e-6 * np.eye(2)
        expected = [
            (problem.criterion(theta + m, reml) - problem.criterion(theta - m, reml)) / 2e-6
            for m in moves
        ]
        assert slope == pytest.approx(expected, rel=1e-5)

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

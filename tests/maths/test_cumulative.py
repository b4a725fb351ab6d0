"""Cumulative-link fits against published ones.

Wine without and with assessors: Christensen, *Cumulative Link Models for Ordinal Regression with
the R Package ordinal* (clm_article) and *A Tutorial on fitting Cumulative Link Mixed Models with
clmm2*, both read. Cheese: McCullagh & Nelder 1989 p. 175 and the SAS/STAT example of it, read.
Housing: Venables & Ripley 2002 sec. 7.3, from memory. More digits: computed in R ordinal
2022.11-16 and MASS 7.3-58.2, which agree with what is printed.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, special, stats

from scentlab.maths.cumulative import fit_cumulative
from scentlab.maths.ordinal import (
    count_looks,
    grade_probabilities,
    log_likelihood,
    marginal_risk,
)
from scentlab.results import FitError


@pytest.fixture(scope="module")
def wine(reference):
    frame = reference("wine")
    design = np.column_stack([frame["temp"] == "warm", frame["contact"] == "yes"]).astype(float)
    return count_looks(frame["rating"] - 1, design, frame["assessor"], 5)


class TestWineFixedEffects:
    def test_printed_estimates_and_standard_errors(self, wine):
        fit = fit_cumulative(wine)
        assert fit.beta == pytest.approx([2.5031, 1.5278], abs=5e-5)
        assert fit.thresholds == pytest.approx([-1.3444, 1.2508, 3.4669, 5.0064], abs=5e-5)
        errors = [0.5171, 0.4379, 0.5978, 0.7309, 0.5287, 0.4766]
        assert fit.standard_errors == pytest.approx(errors, abs=5e-5)
        assert fit.log_likelihood == pytest.approx(-86.49, abs=5e-3)
        assert fit.sigma is None and fit.modes is None

    def test_more_digits(self, wine):
        fit = fit_cumulative(wine)
        assert fit.beta == pytest.approx([2.5031020, 1.5277977], rel=1e-6)
        assert fit.thresholds == pytest.approx([-1.3443834, 1.2508088, 3.4668869, 5.0064042], 1e-6)
        assert fit.log_likelihood == pytest.approx(-86.491923, abs=5e-7)
        assert fit.standard_errors[-2:] == pytest.approx([0.5286801, 0.4766226], rel=1e-5)

    def test_predicted_probabilities(self, wine):
        fit = fit_cumulative(wine)
        got = grade_probabilities(fit.thresholds, [0.0, fit.beta.sum()])
        cold = [0.2067901, 0.5706497, 0.1922909, 0.0236188, 0.0066504]
        warm = [0.0046083, 0.0538013, 0.3042099, 0.3635958, 0.2737847]
        assert got == pytest.approx(np.array([cold, warm]), abs=1e-6)

    def test_likelihood_ratio_of_contact(self, wine):
        without = count_looks(
            np.repeat(np.tile(np.arange(5), len(wine.counts)), wine.counts.astype(int).ravel()),
            np.repeat(wine.design[:, :1], wine.counts.sum(axis=1).astype(int), axis=0),
            np.zeros(int(wine.counts.sum())),
            5,
        )
        fall = fit_cumulative(wine).log_likelihood - fit_cumulative(without).log_likelihood
        assert 2 * fall == pytest.approx(11.043, abs=5e-4)

    @pytest.mark.parametrize(
        "link, beta, value",
        [
            ("probit", [1.4993746, 0.8677435], -85.761148),
            ("cloglog", [1.6057601, 0.8597137], -86.634079),
        ],
    )
    def test_other_links(self, wine, link, beta, value):
        fit = fit_cumulative(wine, link=link)
        assert fit.beta == pytest.approx(beta, rel=1e-6)
        assert fit.log_likelihood == pytest.approx(value, abs=5e-7)

    def test_standard_errors_of_the_probit_fit(self, wine):
        fit = fit_cumulative(wine, link="probit")
        assert fit.standard_errors[-2:] == pytest.approx([0.2917904, 0.2669070], rel=1e-5)


class TestWineWithAssessors:
    def test_laplace(self, wine):
        fit = fit_cumulative(wine, mixed=True, nodes=1)
        assert fit.sigma == pytest.approx(1.13113, rel=1e-4)
        assert fit.log_likelihood == pytest.approx(-81.565409, abs=1e-5)
        assert fit.beta == pytest.approx([3.0629966, 1.8348849], rel=1e-4)
        assert fit.standard_errors[4:6] == pytest.approx([0.5953762, 0.5125293], rel=1e-3)
        modes = [1.69618, -0.56578, 0.96881, -0.05955, 0.23051, 0.47704, -1.91097, -0.27294]
        assert fit.modes == pytest.approx([*modes, -0.55468], abs=1e-4)

    def test_ten_point_quadrature(self, wine):
        fit = fit_cumulative(wine, mixed=True, nodes=10)
        assert fit.beta == pytest.approx([3.0619, 1.8334], abs=5e-5)
        assert fit.standard_errors[4:6] == pytest.approx([0.5951, 0.5122], abs=5e-5)
        assert fit.sigma == pytest.approx(1.134787, rel=1e-5)
        assert fit.sigma**2 == pytest.approx(1.287741, rel=1e-5)
        thresholds = [-1.6234875, 1.5127960, 4.2270535, 6.0861523]
        assert fit.thresholds == pytest.approx(thresholds, rel=1e-5)
        assert fit.log_likelihood == pytest.approx(-81.53246071, abs=1e-8)

    def test_quadrature_has_converged_and_laplace_is_not_quadrature(self, wine):
        ten, thirty = (fit_cumulative(wine, mixed=True, nodes=n) for n in (10, 30))
        assert ten.log_likelihood == pytest.approx(thirty.log_likelihood, abs=1e-8)
        one = fit_cumulative(wine, mixed=True, nodes=1)
        assert ten.log_likelihood - one.log_likelihood == pytest.approx(0.033, abs=5e-4)

    def test_likelihood_ratio_of_the_assessors(self, wine):
        laplace = fit_cumulative(wine, mixed=True, nodes=1).log_likelihood
        plain = fit_cumulative(wine).log_likelihood
        assert 2 * (laplace - plain) == pytest.approx(9.853, abs=5e-4)

    def test_probabilities_of_a_new_assessor_are_not_those_of_the_typical_one(self, wine):
        """Both computed in R by integrate(), at the ten-point estimates."""
        fit = fit_cumulative(wine, mixed=True, nodes=10)
        conditional = grade_probabilities(fit.thresholds, [0.0, fit.beta.sum()])
        cold = [0.164724, 0.654751, 0.166139, 0.012116, 0.002269]
        warm = [0.001473, 0.031373, 0.306038, 0.428005, 0.233111]
        assert conditional == pytest.approx(np.array([cold, warm]), abs=1e-5)
        locations = np.array([[0.0], [fit.beta.sum()]]) - fit.thresholds
        above = marginal_risk(locations, fit.sigma)
        got = -np.diff(np.column_stack([np.ones(2), above, np.zeros(2)]), axis=1)
        cold = [0.212591, 0.559038, 0.202798, 0.021308, 0.004265]
        warm = [0.002781, 0.051945, 0.315430, 0.351605, 0.278239]
        assert got == pytest.approx(np.array([cold, warm]), abs=1e-5)


def test_cheese(reference):
    frame = reference("cheese")
    design = np.column_stack([frame["additive"] == a for a in "ABC"]).astype(float)
    data = count_looks(frame["grade"] - 1, design, np.zeros(len(frame)), 9, frame["freq"])
    fit = fit_cumulative(data)
    # The printed signs are those of the chance of a LOWER grade.
    assert -fit.beta == pytest.approx([1.6128, 4.9645, 3.3227], abs=2e-4)
    assert fit.thresholds[[0, -1]] == pytest.approx([-7.0801, 1.4930], abs=1e-4)
    assert -2 * fit.log_likelihood == pytest.approx(711.348, abs=5e-4)
    assert fit.beta == pytest.approx([-1.6127909, -4.9646400, -3.3226828], rel=1e-6)
    assert fit.standard_errors[-3:] == pytest.approx([0.3805437, 0.4767205, 0.4218302], rel=1e-5)


def test_housing_with_weights(reference):
    frame = reference("housing")
    grade = frame["satisfaction"].map({"Low": 0, "Medium": 1, "High": 2}).to_numpy()
    pairs = [("influence", "Medium"), ("influence", "High"), ("type", "Apartment")]
    pairs += [("type", "Atrium"), ("type", "Terrace"), ("contact", "High")]
    design = np.column_stack([frame[c] == v for c, v in pairs]).astype(float)
    fit = fit_cumulative(count_looks(grade, design, np.zeros(len(frame)), 3, frame["freq"]))
    assert fit.beta == pytest.approx([0.566, 1.289, -0.572, -0.366, -1.091, 0.360], abs=5e-4)
    assert fit.thresholds == pytest.approx([-0.496, 0.691], abs=5e-4)
    assert -2 * fit.log_likelihood == pytest.approx(3479.149299, abs=1e-5)
    beta = [0.5663937, 1.2888191, -0.5723500, -0.3661864, -1.0910147, 0.3602840]
    assert fit.beta == pytest.approx(beta, rel=2e-5)
    assert fit.standard_errors[2:4] == pytest.approx([0.1046528, 0.1271561], rel=1e-4)


def test_two_grades_are_logistic_regression(reference):
    """Budworm, Venables & Ripley 2002 p. 190: from memory; glm() in R gives the digits."""
    frame = reference("budworm")
    design = np.column_stack([frame["sex"] == "F", frame["x"]]).astype(float)
    both = pd.concat([frame.assign(grade=0, w=frame.n - frame.y), frame.assign(grade=1, w=frame.y)])
    data = count_looks(both["grade"], np.vstack([design, design]), np.zeros(24), 2, both["w"])
    fit = fit_cumulative(data)
    intercept, slope = -fit.thresholds[0], fit.beta[1]
    assert [intercept, slope] == pytest.approx([-2.3724119, 1.0642140], rel=1e-6)
    assert intercept + fit.beta[0] == pytest.approx(-3.4731553, rel=1e-6)
    assert fit.standard_errors[-1] == pytest.approx(0.1310775, rel=1e-6)


class TestIdentities:
    def test_turning_the_grades_round_turns_the_signs(self, wine):
        for link in ("logit", "probit"):
            turned = type(wine)(wine.counts[:, ::-1], wine.design, wine.starts, wine.groups)
            fit = fit_cumulative(wine, link=link, mixed=True, nodes=10)
            back = fit_cumulative(turned, link=link, mixed=True, nodes=10)
            assert back.beta == pytest.approx(-fit.beta, abs=1e-5)
            assert back.thresholds == pytest.approx(-fit.thresholds[::-1], abs=1e-5)
            assert back.sigma == pytest.approx(fit.sigma, abs=1e-5)
            assert back.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-8)

    def test_units_of_a_covariate(self, wine):
        fit = fit_cumulative(wine)
        scaled = type(wine)(wine.counts, 10 * wine.design, wine.starts, wine.groups)
        assert 10 * fit_cumulative(scaled).beta == pytest.approx(fit.beta, rel=1e-5)


class TestNodes:
    """Groups of two looks that differ by far more than the looks of one."""

    @staticmethod
    def looks(sd, seed, each=2):
        rng = np.random.default_rng(seed)
        group = np.repeat(np.arange(60), each)
        x = rng.normal(size=len(group))
        latent = x + sd * rng.normal(size=60)[group] + rng.logistic(size=len(group))
        return np.searchsorted([-1.0, 1.0], latent), x, group

    @pytest.mark.parametrize("sd, seed", [(2.0, 1), (4.0, 1), (6.0, 0), (6.0, 1)])
    def test_log_likelihood_against_adaptive_quadrature(self, sd, seed):
        """SciPy's integrate.quad, group by group, at the fitted values; 1e-4 in all as stated."""
        grade, x, group = self.looks(sd, seed)
        fit = fit_cumulative(count_looks(grade, x[:, None], group, 3), mixed=True)
        cuts = np.concatenate([[-np.inf], fit.thresholds, [np.inf]])

        def likelihood(u, own):
            away = fit.beta[0] * x[own] + fit.sigma * u
            upper = special.expit(cuts[grade[own] + 1] - away)
            chance = upper - special.expit(cuts[grade[own]] - away)
            return np.prod(chance) * stats.norm.pdf(u)

        total = 0.0
        for g in range(60):
            own = group == g
            found = integrate.quad(likelihood, -9, 9, args=(own,), limit=500, epsabs=1e-13)[0]
            total += np.log(found)
        assert fit.log_likelihood == pytest.approx(total, abs=1e-4)

    def test_fifteen_nodes_are_too_few(self):
        grade, x, group = self.looks(6.0, 0)
        data = count_looks(grade, x[:, None], group, 3)
        fit = fit_cumulative(data, mixed=True)
        eta = data.design @ fit.beta
        few = log_likelihood(data, fit.thresholds, eta, fit.sigma, nodes=15).value
        assert abs(few - fit.log_likelihood) > 0.01

    def test_published_fit_needs_no_more(self, wine):
        ten, settled = (fit_cumulative(wine, mixed=True, nodes=n) for n in (10, None))
        assert settled.log_likelihood == pytest.approx(ten.log_likelihood, abs=1e-8)


class TestNoAnswer:
    def test_a_grade_never_seen(self):
        data = count_looks([0, 0, 2, 2], [[0.0], [1.0], [0.0], [1.0]], np.zeros(4), 3)
        with pytest.raises(FitError) as error:
            fit_cumulative(data)
        assert str(error.value) == (
            "grade 1 was never seen, so its threshold has no finite estimate; join it with its "
            "neighbour or fit with a prior"
        )

    def test_perfect_separation(self):
        grades, x = [0, 0, 0, 1, 1, 1], [[1.0], [2.0], [3.0], [4.0], [5.0], [6.0]]
        with pytest.raises(FitError) as error:
            fit_cumulative(count_looks(grades, x, np.zeros(6), 2))
        assert str(error.value) == (
            "the likelihood has no finite maximum; look for grades that are separated perfectly "
            "by a covariate, or fit with a prior"
        )

"""Published cumulative-link fits, by climbing the kit's own likelihood of counts.

Wine without and with assessors: Christensen, *Cumulative Link Models for Ordinal Regression with
the R Package ordinal* (clm_article) and *A Tutorial on fitting Cumulative Link Mixed Models with
clmm2*, both read. Cheese: McCullagh & Nelder 1989 p. 175 and the SAS/STAT example of it, read.
Housing: Venables & Ripley 2002 sec. 7.3, from memory. More digits: computed in R ordinal
2022.11-16 and MASS 7.3-58.2, which agree with what is printed.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from scentlab.maths.optimum import climb
from scentlab.maths.ordinal import (
    count_looks,
    grade_probabilities,
    log_likelihood,
    marginal_risk,
)


def climbed(data, link="logit", mixed=False):
    """The maximum over thresholds, beta and, if mixed, log sigma, and its standard errors."""
    k = data.counts.shape[1] - 1
    share = np.cumsum(data.counts.sum(axis=0))[:-1] / data.counts.sum()
    start = np.concatenate([np.log(share / (1 - share)), np.zeros(data.design.shape[1])])
    start = np.append(start, -0.5) if mixed else start

    def function(free):
        if np.any(np.diff(free[:k]) <= 0):
            return -np.inf, 0.0 * free
        eta = data.design @ free[k : k + data.design.shape[1]]
        sigma = np.exp(free[-1]) if mixed else 0.0
        found = log_likelihood(data, free[:k], eta, sigma, link=link, exact=True)
        slope = [found.d_theta, found.d_eta @ data.design]
        return float(found.value), np.concatenate(
            [*slope, [found.d_log_sigma.sum()]] if mixed else slope
        )

    peak = climb(function, start)
    assert peak.converged
    rest = peak.point[k:-1] if mixed else peak.point[k:]
    return SimpleNamespace(
        thresholds=peak.point[:k], beta=rest, log_likelihood=peak.value,
        sigma=float(np.exp(peak.point[-1])) if mixed else None,
        errors=np.sqrt(np.diag(peak.covariance)),
    )


@pytest.fixture(scope="module")
def wine(reference):
    frame = reference("wine")
    design = np.column_stack([frame["temp"] == "warm", frame["contact"] == "yes"]).astype(float)
    return count_looks(frame["rating"] - 1, design, frame["assessor"], 5)


class TestWine:
    def test_fixed_effects(self, wine):
        fit = climbed(wine)
        assert fit.beta == pytest.approx([2.5031020, 1.5277977], rel=1e-5)
        thresholds = [-1.3443834, 1.2508088, 3.4668869, 5.0064042]
        assert fit.thresholds == pytest.approx(thresholds, rel=1e-5)
        assert fit.log_likelihood == pytest.approx(-86.491923, abs=5e-7)
        errors = [0.5171, 0.4379, 0.5978, 0.7309, 0.5287, 0.4766]
        assert fit.errors == pytest.approx(errors, abs=5e-5)
        got = grade_probabilities(fit.thresholds, [0.0, fit.beta.sum()])
        cold = [0.2067901, 0.5706497, 0.1922909, 0.0236188, 0.0066504]
        warm = [0.0046083, 0.0538013, 0.3042099, 0.3635958, 0.2737847]
        assert got == pytest.approx(np.array([cold, warm]), abs=1e-5)

    @pytest.mark.parametrize(
        "link, beta, value",
        [
            ("probit", [1.4993746, 0.8677435], -85.761148),
            ("cloglog", [1.6057601, 0.8597137], -86.634079),
        ],
    )
    def test_other_links(self, wine, link, beta, value):
        fit = climbed(wine, link)
        assert fit.beta == pytest.approx(beta, rel=1e-5)
        assert fit.log_likelihood == pytest.approx(value, abs=5e-7)

    def test_assessors_by_quadrature(self, wine):
        fit = climbed(wine, mixed=True)
        assert fit.beta == pytest.approx([3.0619, 1.8334], abs=5e-5)
        assert fit.errors[4:6] == pytest.approx([0.5951, 0.5122], abs=5e-5)
        assert fit.sigma == pytest.approx(1.134787, rel=1e-5)
        thresholds = [-1.6234875, 1.5127960, 4.2270535, 6.0861523]
        assert fit.thresholds == pytest.approx(thresholds, rel=1e-5)
        assert fit.log_likelihood == pytest.approx(-81.53246071, abs=1e-8)

    def test_probabilities_of_a_new_assessor_are_not_those_of_the_typical_one(self, wine):
        """Both computed in R by integrate(), at the ten-point estimates."""
        fit = climbed(wine, mixed=True)
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
    frame = frame.loc[frame.index.repeat(frame["freq"])]
    design = np.column_stack([frame["additive"] == a for a in "ABC"]).astype(float)
    fit = climbed(count_looks(frame["grade"] - 1, design, np.zeros(len(frame)), 9))
    # The printed signs are those of the chance of a LOWER grade.
    assert -fit.beta == pytest.approx([1.6128, 4.9645, 3.3227], abs=2e-4)
    assert fit.thresholds[[0, -1]] == pytest.approx([-7.0801, 1.4930], abs=1e-4)
    assert -2 * fit.log_likelihood == pytest.approx(711.348, abs=5e-4)
    assert fit.errors[-3:] == pytest.approx([0.3805437, 0.4767205, 0.4218302], rel=1e-4)


def test_housing(reference):
    frame = reference("housing")
    frame = frame.loc[frame.index.repeat(frame["freq"])]
    grade = frame["satisfaction"].map({"Low": 0, "Medium": 1, "High": 2}).to_numpy()
    pairs = [("influence", "Medium"), ("influence", "High"), ("type", "Apartment")]
    pairs += [("type", "Atrium"), ("type", "Terrace"), ("contact", "High")]
    design = np.column_stack([frame[c] == v for c, v in pairs]).astype(float)
    fit = climbed(count_looks(grade, design, np.zeros(len(frame)), 3))
    assert fit.beta == pytest.approx([0.566, 1.289, -0.572, -0.366, -1.091, 0.360], abs=5e-4)
    assert fit.thresholds == pytest.approx([-0.496, 0.691], abs=5e-4)
    assert -2 * fit.log_likelihood == pytest.approx(3479.149299, abs=1e-5)
    assert fit.errors[2:4] == pytest.approx([0.1046528, 0.1271561], rel=1e-3)

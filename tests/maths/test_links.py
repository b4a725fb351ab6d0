"""Links against scipy's distributions, which are another implementation."""

import numpy as np
import pytest
from scipy import stats

from scentlab.maths.links import LINKS, find_link, grade_terms

OUTSIDE = {
    "logit": stats.logistic(),
    "probit": stats.norm(),
    "cloglog": stats.gumbel_l(),
    # Median 0 and the variance of the logistic, pi^2 / 3.
    "skewed": stats.gumbel_r(np.sqrt(2.0) * np.log(np.log(2.0)), np.sqrt(2.0)),
}
MIDDLE = np.linspace(-6.0, 3.0, 37)


def test_every_link_has_a_witness():
    assert set(LINKS) <= set(OUTSIDE)
    assert OUTSIDE["skewed"].var() == pytest.approx(stats.logistic.var())
    assert OUTSIDE["skewed"].median() == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("name", sorted(LINKS))
class TestAgainstScipy:
    def test_distribution(self, name):
        link, outside = find_link(name), OUTSIDE[name]
        assert link.sf(MIDDLE) == pytest.approx(outside.sf(MIDDLE), rel=1e-9)
        if link.short is None:
            assert link.log_cdf(MIDDLE) == pytest.approx(outside.logcdf(MIDDLE), rel=1e-9)
            assert link.log_sf(MIDDLE) == pytest.approx(outside.logsf(MIDDLE), rel=1e-9)
        assert link.log_pdf(MIDDLE) == pytest.approx(outside.logpdf(MIDDLE), rel=1e-12)

    def test_quantile_undoes_the_distribution(self, name):
        chance = np.array([1e-8, 0.001, 0.05, 0.5, 0.95, 0.999])
        z = find_link(name).quantile(chance)
        assert z == pytest.approx(OUTSIDE[name].ppf(chance), rel=1e-9)

    def test_grades_are_differences_of_the_distribution(self, name):
        theta, eta = np.array([-1.0, 0.5, 2.0]), np.array([-1.5, 0.0, 1.7])
        p, density = grade_terms(find_link(name), theta[:, None], eta)
        z = theta - eta[:, None]
        below = np.column_stack([np.zeros(3), OUTSIDE[name].cdf(z), np.ones(3)])
        assert p.T == pytest.approx(np.diff(below, axis=1), rel=1e-9)
        assert p.sum(axis=0) == pytest.approx(np.ones(3), abs=1e-12)
        assert density.T == pytest.approx(OUTSIDE[name].pdf(z), rel=1e-9)

    def test_middle_grades_keep_their_digits_in_both_tails(self, name):
        """Density times a small gap, where a plain difference would give 0."""
        link, gap = find_link(name), 1e-6
        for eta in (-25.0, 25.0) if name in ("logit", "probit") else (-3.0, 3.0):
            p, _ = grade_terms(link, np.array([[0.0], [gap]]), np.array([eta]))
            middle = OUTSIDE[name].logpdf(0.5 * gap - eta) + np.log(gap)
            assert np.log(p[1, 0]) == pytest.approx(middle, abs=1e-4)


def test_far_out_nothing_overflows():
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        for link in LINKS.values():
            p, density = grade_terms(link, np.array([[0.0], [2.0]]), np.array([-500.0, 500.0]))
            assert np.isfinite(np.log(p)).all() and np.isfinite(density).all()


def test_an_unknown_link():
    with pytest.raises(ValueError) as error:
        find_link("cauchit")
    names = ", ".join(LINKS)
    assert str(error.value) == f"no link is called 'cauchit'; there are {names}"

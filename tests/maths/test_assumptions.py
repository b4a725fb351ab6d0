"""Nominal and scale tests against published ones, and against data that break each assumption.

The wine of Randall 1989 (data/published/wine.csv). Two of the four statistics stand in
Christensen, *Cumulative Link Models for Ordinal Regression with the R Package ordinal*
(vignette of the package), sec. 4; the other two were computed in R 4.2.2, ordinal 2022.11-16, by
``nominal_test`` and ``scale_test`` of ``clm(rating ~ temp + contact)``.
"""

import numpy as np
import pytest
from scipy import special, stats

from scentlab.maths.assumptions import nominal_test, scale_test
from scentlab.maths.ordinal import count_looks
from scentlab.results import FitError

TEMP, CONTACT = 0, 1


def count(grade, *columns, n_grades=None):
    """Counts of grades from 0 under a design, all in one group."""
    grade = np.asarray(grade, dtype=int)
    design = np.column_stack([np.asarray(c, dtype=float) for c in columns])
    return count_looks(grade, design, np.zeros(len(grade)), n_grades or grade.max() + 1)


@pytest.fixture(scope="module")
def wine(reference):
    table = reference("wine")
    return count(table["rating"] - 1, table["temp"] == "warm", table["contact"] == "yes")


class TestWine:
    def test_nominal_test_of_temperature_as_published(self, wine):
        """Christensen sec. 4: LR 3.1750 on 3 df, p 0.3654."""
        found = nominal_test(wine, TEMP)
        assert found.statistic == pytest.approx(3.1750, abs=5e-5)
        assert (found.df, found.p_value) == (3, pytest.approx(0.3654, abs=5e-5))

    def test_scale_test_of_contact_as_published(self, wine):
        """Christensen sec. 4: LR 0.27330 on 1 df, p 0.6011."""
        found = scale_test(wine, CONTACT)
        assert found.statistic == pytest.approx(0.27330, abs=5e-6)
        assert (found.df, found.p_value) == (1, pytest.approx(0.6011, abs=5e-5))

    def test_nominal_test_of_contact_as_in_clm(self, wine):
        """Computed in R: 0.56674."""
        assert nominal_test(wine, CONTACT).statistic == pytest.approx(0.56674, abs=5e-6)

    def test_scale_test_of_temperature_as_in_clm(self, wine):
        """Computed in R: 0.104921."""
        assert scale_test(wine, TEMP).statistic == pytest.approx(0.104921, abs=5e-7)

    def test_order_of_the_columns_is_of_no_account(self, wine, reference):
        table = reference("wine")
        turned = count(table["rating"] - 1, table["contact"] == "yes", table["temp"] == "warm")
        assert nominal_test(turned, 1).statistic == pytest.approx(
            nominal_test(wine, TEMP).statistic, abs=1e-5
        )


def drawn(rng, n, cut, stretch):
    """Grades of two groups, whose thresholds are ``cut`` (2, K - 1) over ``stretch`` (2,)."""
    group = np.arange(n) % 2
    above = special.expit(-np.asarray(cut)[group] / np.asarray(stretch)[group][:, None])
    return group, (rng.random(n)[:, None] < above).sum(axis=1)


class TestPower:
    """Each test speaks up against the data that break its own assumption, and rarely else."""

    EVEN = ((-1.0, 0.5, 2.0), (-2.0, -0.5, 1.0))

    def test_thresholds_of_their_own_are_found(self):
        rng = np.random.default_rng(1)
        group, grade = drawn(rng, 1500, ((-1.0, 0.5, 2.0), (-1.0, -0.6, 0.0)), (1, 1))
        assert nominal_test(count(grade, group), 0).p_value < 1e-6

    def test_a_wider_scale_is_found(self):
        rng = np.random.default_rng(2)
        group, grade = drawn(rng, 1500, self.EVEN, (1.0, 2.5))
        assert scale_test(count(grade, group), 0).p_value < 1e-6

    @pytest.mark.parametrize("test", [nominal_test, scale_test])
    def test_five_in_a_hundred_by_chance(self, test):
        """Under the model the p-values are uniform; 60 of them, rejected at one in a thousand."""
        rng = np.random.default_rng(3)
        found = [test(count(*reversed(drawn(rng, 300, self.EVEN, (1, 1)))), 0) for _ in range(60)]
        assert stats.kstest([f.p_value for f in found], "uniform").pvalue > 1e-3
        assert {f.df for f in found} == {2 if test is nominal_test else 1}


@pytest.mark.parametrize("test", [nominal_test, scale_test])
def test_separated_grades_are_refused(test):
    data = count([0] * 10 + [2] * 10 + [1] * 5, [0] * 10 + [1] * 10 + [0] * 5)
    with pytest.raises(FitError) as error:
        test(data, 0)
    assert str(error.value) == (
        "the grades are separated by a covariate; this assumption cannot be tested"
    )

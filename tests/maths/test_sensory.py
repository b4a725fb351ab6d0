"""Discrimination tests against printed tables and independent computation.

Triangle counts: FAO 1992, Sensory evaluation manual, appendix A. Duo-trio counts: ISO 10399
table A.1. Power and psychometric functions: computed with R's exact binomial and ``integrate``;
d' of the triangle also in Ennis 1993 to two decimals (1.47, 1.98, 3.13; from memory).
"""

import numpy as np
import pytest

from scentlab.maths.sensory import (
    assessors_needed,
    critical_count,
    d_prime,
    discrimination_power,
    share_right,
)

TRIANGLE_FAO = {  # n: at 10, 5, 1 and 0.1 %
    12: (7, 8, 9, 10), 24: (12, 13, 15, 16), 30: (14, 15, 17, 19), 36: (17, 18, 20, 22),
    60: (26, 27, 30, 33),
}
DUO_TRIO_ISO = {30: (18, 20, 20, 22, 24), 60: (34, 36, 37, 40, 43)}  # at 20, 10, 5, 1, 0.1 %
PAIRED_TWO_SIDED = {20: (15, 17, 18), 30: (21, 23, 25), 60: (39, 41, 44)}  # at 5, 1, 0.1 %


@pytest.mark.parametrize("n", TRIANGLE_FAO)
def test_triangle_counts_are_those_of_the_table(n):
    got = tuple(critical_count(n, 1 / 3, a) for a in (0.10, 0.05, 0.01, 0.001))
    assert got == TRIANGLE_FAO[n]


@pytest.mark.parametrize("n", DUO_TRIO_ISO)
def test_duo_trio_counts_are_those_of_the_table(n):
    got = tuple(critical_count(n, 1 / 2, a) for a in (0.20, 0.10, 0.05, 0.01, 0.001))
    assert got == DUO_TRIO_ISO[n]


@pytest.mark.parametrize("name, chance", [("triangle", 1 / 3), ("duotrio", 1 / 2)])
def test_every_row_of_the_tables(reference, name, chance):
    """Computed in R, equal in every readable row to FAO 1992 app. A and to ISO 10399 table A.1."""
    table = reference(name)
    for row in table.to_dict("records"):
        for alpha in ("0.2", "0.1", "0.05", "0.01", "0.001"):
            printed = None if np.isnan(row[alpha]) else int(row[alpha])
            assert critical_count(int(row["n"]), chance, float(alpha)) == printed, (row, alpha)


@pytest.mark.parametrize("n", PAIRED_TWO_SIDED)
def test_two_sided_counts_of_a_paired_preference(n):
    got = tuple(critical_count(n, 1 / 2, a, two_sided=True) for a in (0.05, 0.01, 0.001))
    assert got == PAIRED_TWO_SIDED[n]


def test_too_few_assessors_have_no_critical_count():
    # the table prints a dash for n = 5 at 0.1 %
    assert critical_count(5, 1 / 3, 0.001) is None
    assert discrimination_power(5, 1 / 3, 0.9, 0.001) == 0.0


@pytest.mark.parametrize(
    "n, pd, power",
    [(30, 0.3, 0.709083), (30, 0.4, 0.902943), (30, 0.5, 0.981205), (36, 0.3, 0.715508),
     (36, 0.4, 0.917356), (30, 0.0, 0.0434823), (36, 0.0, 0.0283492)],
)
def test_triangle_power(n, pd, power):
    # pd = 0 gives the true size of the test
    assert discrimination_power(n, 1 / 3, pd, 0.05) == pytest.approx(power, abs=1e-6)


def test_assessors_needed_says_which_n_is_meant():
    assert assessors_needed(1 / 3, 0.3, 0.05, 0.80) == (40, 42)
    assert assessors_needed(1 / 3, 0.4, 0.05, 0.80)[0] == 23
    assert assessors_needed(1 / 3, 0.5, 0.05, 0.80)[0] == 16
    assert assessors_needed(1 / 3, 0.01, 0.05, 0.80, most=300) == (None, None)


@pytest.mark.parametrize(
    "method, at_1, at_2",
    [("triangle", 0.418046675, 0.604806933), ("duo-trio", 0.582475444, 0.746820246),
     ("paired", 0.760249939, 0.921350396)],
)
def test_psychometric_functions(method, at_1, at_2):
    assert share_right([1.0, 2.0], method) == pytest.approx([at_1, at_2], abs=1e-7)
    chance = 1 / 3 if method == "triangle" else 1 / 2
    assert share_right(0.0, method) == pytest.approx(chance, abs=1e-12)
    for d in (0.3, 1.0, 4.0):
        assert d_prime(float(share_right(d, method)), method) == pytest.approx(d, abs=1e-7)


def test_d_prime_of_a_triangle():
    got = [d_prime(p, "triangle") for p in (0.5, 0.6, 0.8)]
    assert got == pytest.approx([1.46626278, 1.97558515, 3.12858498], abs=1e-7)


def test_d_prime_is_missing_where_no_d_prime_gives_the_share():
    assert np.isnan(d_prime(0.2, "triangle")) and np.isnan(d_prime(1.0, "paired"))
    assert d_prime(0.5, "paired") == 0.0


def test_refusals():
    with pytest.raises(ValueError) as caught:
        critical_count(0, 1 / 3, 0.05)
    assert str(caught.value) == "a test with 0 answers says nothing; give 1 or more"
    with pytest.raises(ValueError) as caught:
        share_right(1.0, "tetrad")
    assert str(caught.value) == "the method is 'tetrad'; give one of triangle, duo-trio, paired"

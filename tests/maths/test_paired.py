"""Two pieces side by side: counts against published tables, power and likelihood by other ways."""

from fractions import Fraction
from math import comb

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, optimize, stats

from scentlab.maths import paired


def exact(k, n):
    """P(k or more of n) at 1/2, in whole numbers."""
    return Fraction(sum(comb(n, i) for i in range(k, n + 1)), 2**n)


@pytest.mark.parametrize("column", ["p005", "p01", "p025", "p05"])
def test_the_least_number_is_that_of_a_published_sign_test_table(reference, column):
    """Critical values of the sign test, n to 25, a textbook's table A-7 (Pearson, Elementary
    Statistics, p. 741, read): the less frequent sign must not pass them."""
    table, level = reference("sign_test"), float(f"0.{column[1:]}")
    for n, most in zip(table["n"], table[column], strict=True):
        least = paired.least_agreeing(int(n), level)
        assert least == (n + 1 if pd.isna(most) else n - most), n


# GOST ISO 10399-2015, table A.1 (read): duo-trio, the same counts as a one-sided paired test.
@pytest.mark.parametrize(("n", "counts"), [(30, (18, 20, 20, 22, 24)), (60, (34, 36, 37, 40, 43))])
def test_the_least_number_is_that_of_iso_10399(n, counts):
    levels = (0.2, 0.1, 0.05, 0.01, 0.001)
    assert tuple(paired.least_agreeing(n, level) for level in levels) == counts


def test_the_examples_of_iso_5495():
    """ISO 5495:2005/Amd 1:2016, B.5.2 (read): 21 of 30 differ one-sided, 32 of 44 two-sided, both
    at 5 %; the lower limits of the share of distinguishers, 0.125 and 0.19, do not hold 0."""
    assert paired.least_agreeing(30) <= 21 and paired.agreeing_chance(21, 30) < 0.05
    assert paired.least_agreeing(44, sides=2) <= 32 and paired.agreeing_chance(32, 44, 2) < 0.05
    assert paired.agreeing_chance(19, 30) > 0.05  # a share whose limit would hold 0


# Computed beside the tables (exact binomial, R 4.2.2).
@pytest.mark.parametrize(("n", "counts"), [(20, (15, 17, 18)), (30, (21, 23, 25)),
                                           (60, (39, 41, 44))])
def test_two_sided_counts(n, counts):
    found = tuple(paired.least_agreeing(n, level, 2) for level in (0.05, 0.01, 0.001))
    assert found == counts


def test_the_chance_is_exact():
    for n in (7, 24, 80):
        for k in range(n + 1):
            assert paired.agreeing_chance(k, n) == pytest.approx(float(exact(k, n)), rel=1e-12)
    assert paired.agreeing_chance(12, 24, 2) == 1.0


@pytest.mark.parametrize("chance", [0.64, 0.762, 0.9])
def test_the_power_stays_from_the_number_on(chance):
    """By the definition, term by term."""
    def power(n):
        least = next(k for k in range(n + 2) if exact(k, n) <= Fraction(1, 20))
        return sum(comb(n, i) * chance**i * (1 - chance) ** (n - i) for i in range(least, n + 1))

    n = paired.pairs_for(chance)
    assert power(n - 1) < 0.8 and all(power(m) >= 0.8 for m in range(n, n + 40))
    assert paired.pair_power(n, chance) == pytest.approx(power(n), rel=1e-9)


def test_a_difference_that_no_number_finds():
    with pytest.raises(ValueError, match="4000 pairs are not enough for a chance of 0.501"):
        paired.pairs_for(0.501)


def test_the_psychometric_function_of_a_forced_choice_of_two():
    """Phi(d' / sqrt 2): 0.760249939 at 1, 0.921350396 at 2 (R integrate; Ennis 1993)."""
    found = paired.named_chance(np.array([1.0, 2.0]), np.sqrt(2.0))
    assert found == pytest.approx([0.760249939, 0.921350396], rel=1e-8)


def test_the_likelihood_is_that_of_brute_force():
    """Testers' slopes integrated by adaptive quadrature, draw by draw. A draw that is e^10 times
    less likely than the best is never kept, so that its digits do not count."""
    rng = np.random.default_rng(4)
    rise, shares = rng.normal(0.8, 0.7, 16), np.array([1.0, -1.0, 0.4])
    differences = rise[:, None] * shares + rng.normal(0, 0.2, (16, 3))
    named = np.array([[[19, 5], [0, 0], [9, 7]], [[4, 2], [1, 3], [0, 2]]])
    scale, noise = rng.uniform(0.1, 1.0, 16), rng.uniform(0.7, 3.0, 16)
    found = paired.log_likelihoods(differences, scale[:, None] * shares, named, noise)
    expected = np.zeros(16)
    for d in range(16):
        for own in named:
            def inner(u, own=own, d=d):
                p = stats.norm.cdf((differences[d] + scale[d] * u * shares) / noise[d])
                each = p ** own[:, 0] * (1 - p) ** own[:, 1]
                return each.prod() * stats.norm.pdf(u)

            expected[d] += np.log(integrate.quad(inner, -9, 9, epsabs=0, epsrel=1e-10,
                                                 points=np.linspace(-6, 6, 25), limit=200)[0])
    likely = expected > expected.max() - 10.0
    assert likely.sum() >= 8
    assert found[likely] == pytest.approx(expected[likely], abs=1e-4)


def test_the_most_likely_difference_is_that_of_the_share():
    """One pair of loads, testers alike: Phi(difference / noise) is the share named."""
    def minus(x):
        return -paired.log_likelihoods(
            np.array([[x]]), np.array([[1e-9]]), np.array([[[18, 6]]]), np.array([1.4]))[0]

    found = optimize.minimize_scalar(minus, bounds=(-4, 4), method="bounded")
    assert found.x == pytest.approx(1.4 * stats.norm.ppf(0.75), abs=1e-4)

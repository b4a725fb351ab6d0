"""The likelihood of counts: against direct integration, numerical gradients and identities.

The witness is scipy.integrate.quad over each group's effect with scipy's own distributions: no
code is shared with the trapezoid rule.
"""

import numpy as np
import pytest
from scipy import integrate, optimize, special, stats

from scentlab.maths.links import LINKS
from scentlab.maths.ordinal import (
    Counts,
    count_looks,
    log_likelihood,
    marginal_location,
    marginal_risk,
    misread_flow,
)

OUTSIDE = {
    "logit": stats.logistic(),
    "probit": stats.norm(),
    "cloglog": stats.gumbel_l(),
    "skewed": stats.gumbel_r(np.sqrt(2.0) * np.log(np.log(2.0)), np.sqrt(2.0)),
}
THETA, SIGMA = np.array([-0.4, 0.9, 2.1]), 0.8
SWEAT = np.array([0.0, 1.5, 3.0, 4.5])



def some_counts(seed=3, pots=4, cells=3, pieces=6, grades=4):
    rng = np.random.default_rng(seed)
    counts = rng.multinomial(pieces, np.full(grades, 1.0 / grades), size=pots * cells)
    design = np.tile(np.linspace(-1.0, 1.5, cells), pots)[:, None]
    return Counts(counts.astype(float), design, cells * np.arange(pots), np.arange(pots))


def some_series(link, sigma, seed=1, pots=4, pieces=4):
    """Grades 0 to 4 of pots that differ by sigma, at six loads."""
    rng = np.random.default_rng(seed)
    eta = np.tile(np.linspace(-5.0, 7.5, 6), pots)
    pot = sigma * np.repeat(rng.standard_normal(pots), 6)
    noise = OUTSIDE[link].rvs((len(eta), pieces), random_state=rng)
    grades = ((eta + pot)[:, None] + noise)[:, :, None] > SWEAT
    counts = np.array([np.bincount(g, minlength=5) for g in grades.sum(axis=2)], dtype=float)
    return Counts(counts, eta[:, None], 6 * np.arange(pots), np.arange(pots))


def recorded(p, misread):
    """One grade off with equal chance, up or down; nothing beyond the ends. Written by hand."""
    out = p * (1.0 - misread)
    for g in range(len(p)):
        for there in (g - 1, g + 1):
            if 0 <= there < len(p):
                out[there] += 0.5 * misread * p[g]
            else:
                out[g] += 0.5 * misread * p[g]
    return out


def chances(z, link):
    """Differences of scipy's distribution (N, K + 1) at thresholds (N, K), from whichever tail
    keeps the digits."""
    none = np.zeros((len(z), 1))
    below = np.diff(np.hstack([none, OUTSIDE[link].cdf(z), none + 1.0]))
    above = -np.diff(np.hstack([none + 1.0, OUTSIDE[link].sf(z), none]))
    return np.maximum(np.where(np.hstack([z, none + np.inf]) > 0, above, below), 1e-290)


def by_integration(data, theta, eta, sigma, link, misread=0.0):
    ends = np.append(data.starts[1:], len(data.counts))
    total = 0.0
    for first, last in zip(data.starts, ends, strict=True):

        def log_term(z, cells=slice(first, last)):
            value = -0.5 * z**2 - 0.5 * np.log(2 * np.pi)
            each = chances(theta - eta[cells, None] - sigma * z, link)
            for n, p in zip(data.counts[cells], each, strict=True):
                value += n @ np.log(recorded(p, misread))
            return value

        best = optimize.minimize_scalar(lambda z: -log_term(z), bounds=(-6, 6), method="bounded")
        found = integrate.quad(
            lambda z, top=best.fun: np.exp(log_term(z) + top),
            best.x - 7,
            best.x + 7,
            epsabs=1e-12,
            limit=200,
        )
        total += np.log(found[0]) - best.fun
    return total


class TestLikelihood:
    def test_without_pots_it_is_the_multinomial(self):
        data = some_counts()
        eta = data.design[:, 0]
        below = OUTSIDE["logit"].cdf(THETA - eta[:, None])
        p = np.diff(np.column_stack([np.zeros(len(eta)), below, np.ones(len(eta))]), axis=1)
        assert log_likelihood(data, THETA, eta).value == pytest.approx(
            np.sum(data.counts * np.log(p)), rel=1e-12
        )

    @pytest.mark.parametrize("link", sorted(LINKS))
    @pytest.mark.parametrize("misread", [None, 0.06])
    @pytest.mark.parametrize("sigma", [0.3, 2.0])
    def test_with_pots_against_integration(self, link, misread, sigma):
        data = some_counts(pots=2)
        eta = data.design[:, 0]
        got = log_likelihood(data, THETA, eta, sigma, link=link, misread=misread, exact=True)
        exact = by_integration(data, THETA, eta, sigma, link, misread or 0.0)
        assert got.value == pytest.approx(exact, abs=2e-6)

    @pytest.mark.parametrize("link", sorted(LINKS))
    @pytest.mark.parametrize("misread", [None, 0.06])
    @pytest.mark.parametrize("sigma", [1.0, 3.0, 8.0])
    def test_trapezoid_rule_against_integration(self, link, misread, sigma, fine):
        """Also where misread grades leave a pot several peaks and pots differ hugely."""
        data = some_counts(pots=1)
        eta = data.design[:, 0]
        got = log_likelihood(data, THETA, eta, sigma, link=link, misread=misread)
        exact = by_integration(data, THETA, eta, sigma, link, misread or 0.0)
        # A ten-thousandth of a logarithm: a draw weighs 0.01 % more or less.
        assert got.value == pytest.approx(exact, abs=1e-4)

    @pytest.mark.parametrize("link", sorted(LINKS))
    @pytest.mark.parametrize("sigma", [0.3, 1.0, 3.0, 8.0])
    def test_nodes_are_fine_enough_for_a_series(self, link, sigma):
        """Pots of six loads and four pieces, each load 2.5 latent units above the last: the error
        of a log-likelihood that a draw weighs by, of which one is much less than is told apart."""
        data = some_series(link, sigma)
        got = [
            log_likelihood(data, SWEAT, data.design[:, 0], sigma, link=link, derivatives=d).value
            for d in (True, False)
        ]
        exact = log_likelihood(data, SWEAT, data.design[:, 0], sigma, link=link, exact=True).value
        assert got[0] == pytest.approx(float(exact), abs=0.05)
        assert got[1] == pytest.approx(float(exact), abs=0.4)

    def test_far_from_the_data_value_and_slope_are_those_of_one_curve(self):
        """Ten pieces of the top grade at a chance of exp(-exp(5)) each, by the link's definition:
        far below the smallest number of single precision."""
        data = count_looks(np.full(10, 2), np.zeros(10), np.zeros(10), 3)
        found = log_likelihood(data, np.array([0.0, 1.0]), np.array([-4.0]), link="cloglog")
        assert found.value == pytest.approx(-10 * np.exp(5.0), rel=1e-9)
        assert found.d_eta == pytest.approx([10 * np.exp(5.0)], rel=1e-6)

    @pytest.mark.parametrize("misread", [None, 0.02])
    def test_single_precision(self, misread, fine):
        """What values lose without derivatives, over parameters as far apart as draws are."""
        rng = np.random.default_rng(2)
        data = some_counts(pots=6, cells=6, pieces=4, grades=5)
        theta = np.cumsum(rng.uniform(0.2, 2.5, (60, 4)), axis=1) - 2.0
        eta = rng.normal(0.0, 3.0, (60, 1)) * data.design[:, 0]
        sigma = rng.lognormal(0.0, 1.0, (60, 1))
        double, single = (
            log_likelihood(data, theta, eta, sigma, misread=misread, derivatives=d).value
            for d in (True, False)
        )
        # Single precision holds 7 digits of a value of some thousands.
        assert single == pytest.approx(double, abs=1e-3, rel=2e-6)

    def test_each_pot_has_its_own_sigma(self):
        """A problem of two pots is the sum of the two problems of one, with their own sigma."""
        data = some_counts(pots=2)
        eta = data.design[:, 0]
        both = log_likelihood(data, THETA, eta, np.array([0.4, 2.5]), misread=0.03, exact=True)
        each = [
            log_likelihood(
                Counts(data.counts[c], data.design[c], np.zeros(1, int), np.zeros(1)),
                THETA, eta[c], s, misread=0.03, exact=True,
            )
            for c, s in ((slice(0, 3), 0.4), (slice(3, 6), 2.5))
        ]
        assert both.value == pytest.approx(sum(float(e.value) for e in each), abs=1e-9)
        assert both.d_log_sigma == pytest.approx([float(e.d_log_sigma[0]) for e in each], abs=1e-8)

    def test_many_pieces_where_fixed_nodes_miss(self):
        """200 pieces a pour: the integrand is a spike, found only by nodes that are fine enough."""
        data = some_counts(pieces=200)
        eta = data.design[:, 0]
        exact = by_integration(data, THETA, eta, 1.5, "logit")
        assert log_likelihood(data, THETA, eta, 1.5, exact=True).value == pytest.approx(
            exact, abs=1e-6)

    def test_batches_are_the_single_calls(self, fine):
        data = some_counts()
        theta = np.stack([THETA, THETA + 0.3])
        eta = np.stack([data.design[:, 0], 2 * data.design[:, 0]])
        sigma, misread = np.array([0.5, 1.4]), np.array([0.01, 0.1])
        both = log_likelihood(data, theta, eta, sigma[:, None], misread=misread)
        for i in range(2):
            one = log_likelihood(data, theta[i], eta[i], sigma[i], misread=misread[i])
            assert both.value[i] == pytest.approx(float(one.value), abs=1e-8)
            assert both.d_eta[i] == pytest.approx(one.d_eta, abs=1e-6)


@pytest.mark.parametrize("link", sorted(LINKS))
@pytest.mark.parametrize("misread", [None, 0.05])
@pytest.mark.parametrize("sigma", [0.0, (0.7,), (2.5,), (0.3, 0.8, 1.5, 3.0)])
@pytest.mark.parametrize("exact", [False, True])
def test_gradients_against_numerical_ones(link, misread, sigma, exact):
    """One sigma for all pots, or one for each, whose derivatives are told apart."""
    data = some_counts()
    eta = data.design[:, 0].copy()
    parts = [THETA, eta, [] if not sigma else np.log(sigma), [misread] if misread else []]
    ends = np.cumsum([len(p) for p in parts])

    def unfold(point):
        theta, location, log_sigma, read = np.split(point, ends[:-1])
        return (
            theta,
            location,
            np.exp(log_sigma) if len(log_sigma) else 0.0,
            read[0] if len(read) else None,
        )

    def value(point):
        theta, location, s, read = unfold(point)
        return float(
            log_likelihood(data, theta, location, s, link=link, misread=read, exact=exact).value
        )

    point = np.concatenate(parts)
    found = log_likelihood(data, THETA, eta, sigma, link=link, misread=misread, exact=exact)
    pieces = [found.d_theta, found.d_eta]
    if sigma:
        pieces += [found.d_log_sigma if len(sigma) > 1 else [found.d_log_sigma.sum()]]
    pieces += [[found.d_misread]] if misread else []
    numerical = [
        (value(point + 1e-5 * e) - value(point - 1e-5 * e)) / 2e-5 for e in np.eye(len(point))
    ]
    assert np.concatenate(pieces) == pytest.approx(numerical, rel=2e-5, abs=2e-5)


LOOKED = np.array([  # piece, pot, eta, grade
    ("a", 0, -1.0, 0), ("a", 0, 0.5, 2), ("b", 0, -1.0, 1), ("b", 0, 0.0, 1), ("b", 0, 1.4, 3),
    ("c", 0, 0.0, 2), ("d", 1, -0.5, 0), ("d", 1, 0.5, 0), ("e", 1, 0.0, 3), ("e", 1, 0.7, 3),
    ("f", 1, 1.0, 1), ("g", 1, -0.5, 0), ("g", 1, 0.5, 0),
], dtype=object)


def looked_counts(rows=LOOKED):
    piece, pot, eta, grade = rows.T
    return count_looks(
        grade.astype(int), eta.astype(float), pot.astype(int), 4, piece=piece.astype(str)
    )


def by_pieces(rows, theta, sigma, link, misread, eta=lambda x: x):
    """Product over pieces of F(upper) - F(lower) with scipy's distributions and quadrature."""
    edges = np.concatenate([[-np.inf], theta, [np.inf]])

    def chance(own, shift):
        at = np.array([eta(float(x)) for x in own[:, 2]]) + shift
        grade = own[:, 3].astype(int)
        lower, upper = np.max(edges[grade] - at), np.min(edges[grade + 1] - at)
        p = OUTSIDE[link].cdf(upper) - OUTSIDE[link].cdf(lower)
        if len(own) == 1:
            all_grades = np.diff(OUTSIDE[link].cdf(edges - at[0]))
            return recorded(all_grades, misread)[grade[0]]
        patterns = special.binom(len(theta) + len(own), len(own))
        return (1.0 - misread) * max(p, 0.0) + misread / patterns

    total = 0.0
    for pot in set(rows[:, 1]):
        of_pot = rows[rows[:, 1] == pot]
        pieces = [of_pot[of_pot[:, 0] == name] for name in dict.fromkeys(of_pot[:, 0])]
        total += np.log(integrate.quad(
            lambda z, pieces=pieces: stats.norm.pdf(z)
            * np.prod([chance(own, sigma * z) for own in pieces]),
            -8, 8, limit=300, epsabs=0, epsrel=1e-8,
        )[0])
    return total


class TestLookedAtMoreThanOnce:
    @pytest.mark.parametrize("link", sorted(LINKS))
    @pytest.mark.parametrize("misread", [None, 0.05])
    @pytest.mark.parametrize("sigma", [0.4, 1.5])
    def test_against_brute_force(self, link, misread, sigma, fine):
        data = looked_counts()
        found = log_likelihood(
            data, THETA, data.design[:, 0], sigma, link=link, misread=misread
        )
        exact = by_pieces(LOOKED, THETA, sigma, link, misread or 0.0)
        assert found.value == pytest.approx(exact, abs=1e-5)
        quick = log_likelihood(
            data, THETA, data.design[:, 0], sigma, link=link, misread=misread, derivatives=False
        )
        assert quick.value == pytest.approx(exact, abs=1e-4)

    @pytest.mark.parametrize("misread", [None, 0.05])
    @pytest.mark.parametrize("link", sorted(LINKS))
    def test_gradients_against_numerical_ones(self, link, misread):
        data = looked_counts()
        eta, cells = data.design[:, 0], len(data.design)
        sigma = np.log([0.6, 1.3])
        point = np.concatenate([THETA, eta, sigma, [misread] if misread else []])

        def evaluate(point):
            theta, location, log_sigma, read = np.split(point, [3, 3 + cells, 5 + cells])
            return log_likelihood(
                data, theta, location, np.exp(log_sigma), link=link,
                misread=read[0] if len(read) else None,
            )

        found = evaluate(point)
        slopes = [found.d_theta, found.d_eta, found.d_log_sigma]
        slopes += [[found.d_misread]] if misread else []
        numerical = [
            float(evaluate(point + e).value - evaluate(point - e).value) / 2e-6
            for e in 1e-6 * np.eye(len(point))
        ]
        assert np.concatenate(slopes) == pytest.approx(numerical, rel=1e-4, abs=1e-4)

    def test_looks_that_no_piece_can_show_were_misread(self):
        """Grade 1 far below and again far above: only the misreading is left, without a slope."""
        rows = np.array([("a", 0, -1.0, 1), ("a", 0, 1.0, 1)], dtype=object)
        data = looked_counts(rows)
        found = log_likelihood(data, THETA, data.design[:, 0], 0.7, misread=0.05)
        assert found.value == pytest.approx(np.log(0.05 / 10), abs=1e-9)  # of 10 rising patterns
        assert np.all(found.d_eta == 0) and np.all(found.d_theta == 0)
        assert found.d_misread == pytest.approx(1 / 0.05)

    def test_a_piece_looked_at_once_is_a_plain_count(self):
        rng = np.random.default_rng(1)
        grades, x, pot = rng.integers(0, 4, 30), rng.choice([-1.0, 0.0, 1.0], 30), np.arange(30) % 4
        plain, named = (count_looks(grades, x, pot, 4, piece=p) for p in (None, np.arange(30)))
        assert named.histories is None and np.array_equal(plain.counts, named.counts)

    def test_pieces_with_the_same_looks_are_counted_together(self):
        data = looked_counts()
        assert data.counts.sum() == 2  # pieces c and f, looked at once
        assert data.histories.times.sum() == 5 and sorted(data.histories.times) == [1, 1, 1, 2]
        twice = LOOKED[np.argsort([name in "ag" for name in LOOKED[:, 0]], kind="stable")]
        value = [
            log_likelihood(looked_counts(rows), THETA, looked_counts(rows).design[:, 0], 1.0).value
            for rows in (LOOKED, twice)
        ]
        assert value[0] == pytest.approx(float(value[1]), abs=1e-9)

    @pytest.mark.parametrize("misread", [None, 0.1])
    @pytest.mark.parametrize("sigma", [0.0, 0.9])
    def test_all_that_two_looks_may_show_adds_up_to_one(self, misread, sigma, fine):
        """The location of the second look is no lower, so that no grade falls."""
        total = 0.0
        for first in range(4):
            for second in range(first, 4):
                rows = np.array(
                    [("a", 0, -0.3, first), ("a", 0, 0.4, second)], dtype=object
                )
                data = looked_counts(rows)
                total += np.exp(float(log_likelihood(
                    data, THETA, data.design[:, 0], sigma, misread=misread
                ).value))
        assert total == pytest.approx(1.0, abs=1e-9 if not sigma else 1e-6)

    def test_two_looks_are_not_two_pieces(self):
        piece, pot, eta, grade = LOOKED.T
        apart = count_looks(grade.astype(int), eta.astype(float), pot.astype(int), 4)
        one, other = (
            log_likelihood(d, THETA, d.design[:, 0], 0.8).value for d in (looked_counts(), apart)
        )
        assert abs(one - other) > 0.5


class TestIdentities:
    def test_rows_and_counts_are_one(self):
        grades, x = np.array([0, 1, 1, 3, 2, 1]), np.array([0.0, 1.0, 1.0, 1.0, 0.0, 0.0])
        pot = np.array(["b", "a", "a", "b", "b", "b"])
        rows = count_looks(grades, x, pot, 4)
        assert rows.counts.tolist() == [[0, 2, 0, 0], [1, 1, 1, 0], [0, 0, 0, 1]]
        assert rows.groups.tolist() == ["a", "b"] and rows.starts.tolist() == [0, 1]
        assert rows.cell_group.tolist() == [0, 1, 1]

    def test_order_and_names_of_the_pots_do_not_matter(self):
        rng = np.random.default_rng(5)
        grades, x = rng.integers(0, 4, 40), rng.choice([-1.0, 0.0, 1.0], 40)
        pot = rng.integers(0, 5, 40)
        names = np.array(["q", "c", "z", "a", "m"])[pot]
        shuffle = rng.permutation(40)
        values = []
        for g, d, k in ((grades, x, pot), (grades[shuffle], x[shuffle], names[shuffle])):
            data = count_looks(g, d, k, 4)
            values.append(float(log_likelihood(data, THETA, data.design[:, 0], SIGMA).value))
        assert values[0] == pytest.approx(values[1], abs=1e-9)

    def test_an_empty_pot_changes_nothing(self):
        data = some_counts()
        more = Counts(
            np.vstack([data.counts, np.zeros((1, 4))]),
            np.vstack([data.design, [[0.4]]]),
            np.append(data.starts, len(data.counts)),
            np.append(data.groups, 99),
        )
        for misread in (None, 0.05):
            one, two = (
                log_likelihood(d, THETA, d.design[:, 0], SIGMA, misread=misread)
                for d in (data, more)
            )
            assert two.value == pytest.approx(float(one.value), abs=1e-10)
            assert two.d_log_sigma[:-1] == pytest.approx(one.d_log_sigma, abs=1e-8)
            assert two.modes[-1] == pytest.approx(0.0, abs=1e-12)

    def test_pieces_of_one_pot_are_not_independent(self):
        """Splitting each pot into pots of one piece gives another likelihood."""
        pots, x = np.repeat(np.arange(4), 6), np.zeros(24)
        grades = np.where(pots % 2, 3, 0)
        together, apart = (count_looks(grades, x, g, 4) for g in (pots, np.arange(24)))
        one, other = (
            log_likelihood(d, THETA, d.design[:, 0], 1.5).value for d in (together, apart)
        )
        assert one - other > 5.0


class TestMisreading:
    def test_by_hand(self):
        p = np.array([0.5, 0.3, 0.2])
        assert p + 0.1 * misread_flow(p) == pytest.approx([0.490, 0.305, 0.205], abs=1e-15)
        assert p + 0.1 * misread_flow(p) == pytest.approx(recorded(p, 0.1), abs=1e-15)

    def test_nothing_is_lost(self):
        p = np.random.default_rng(1).dirichlet(np.ones(5), size=7)
        assert misread_flow(p).sum(axis=1) == pytest.approx(np.zeros(7), abs=1e-15)


class TestNewPot:
    @pytest.mark.parametrize("sigma", [0.0, 0.5, 1.7, 4.0])
    def test_probit_has_a_closed_form(self, sigma):
        at = np.linspace(-6.0, 4.0, 21)
        expected = stats.norm.sf(-at / np.sqrt(1 + sigma**2))
        assert marginal_risk(at, sigma, "probit") == pytest.approx(expected, rel=2e-3, abs=1e-6)

    @pytest.mark.parametrize("link", sorted(LINKS))
    @pytest.mark.parametrize("sigma", [0.3, 1.0, 2.0])
    def test_against_integration(self, link, sigma):
        for at in (-6.0, -3.0, 0.0, 1.5):
            exact, _ = integrate.quad(
                lambda u, m=at: stats.norm.pdf(u) * OUTSIDE[link].sf(-(m + sigma * u)),
                -10,
                10,
                epsabs=1e-12,
                limit=200,
            )
            assert marginal_risk(at, sigma, link) == pytest.approx(exact, rel=5e-4)

    @pytest.mark.parametrize("link", sorted(LINKS))
    def test_location_undoes_risk(self, link):
        sigma = np.array([0.0, 0.2, 1.0, 3.0])
        for risk in (0.001, 0.05, 0.5, 0.9):
            back = marginal_risk(marginal_location(risk, sigma, link), sigma, link)
            assert back == pytest.approx(np.full(4, risk), rel=1e-3)

    def test_many_at_once_are_the_single_ones(self):
        sigma = np.random.default_rng(4).lognormal(-0.5, 1.0, 2000)
        many = marginal_location(0.05, sigma)
        few = marginal_location(0.05, sigma[:50])
        assert many[:50] == pytest.approx(few, abs=1e-5)

    def test_without_pots_it_is_the_quantile(self):
        assert marginal_location(0.05, 0.0) == pytest.approx(np.log(0.05 / 0.95), rel=1e-10)

    def test_the_typical_pot_is_not_a_new_pot(self):
        """At a small risk the load for a new pot lies below that for the typical pot."""
        assert marginal_location(0.05, 1.5) < marginal_location(0.05, 0.0) - 0.8

"""Importance draws against densities whose quantiles are known, and the Pareto tail fit.

The generalised Pareto distribution is scipy's. The shape estimate is drawn towards 0.5 with the
weight of ten observations (Vehtari et al.), which is undone here before it is compared.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy import stats

from scentlab.maths.sampling import (
    K_HAT_LIMIT,
    Proposal,
    draw_from,
    draw_until_trusted,
    ensemble_draws,
    fit_pareto,
    importance_draws,
    learn_proposal,
    pareto_quantile,
    smooth_weights,
    weighted_quantile,
)


@dataclass(frozen=True)
class At:
    """A stand-in for a peak."""

    point: np.ndarray
    covariance: np.ndarray


class TestPareto:
    @pytest.mark.parametrize("k", [-0.3, 0.0, 0.3, 0.7, 1.2])
    def test_quantile_is_scipys(self, k):
        chance = np.array([0.01, 0.3, 0.9, 0.999])
        expected = stats.genpareto(k, scale=2.5).ppf(chance)
        assert pareto_quantile(chance, k, 2.5) == pytest.approx(expected, rel=1e-10)

    @pytest.mark.parametrize("k", [0.1, 0.5, 0.9, 1.5])
    def test_shape_and_scale_of_exact_quantiles(self, k):
        """2000 values at the distribution's own quantiles: no chance in it."""
        n = 2000
        excess = stats.genpareto(k, scale=3.0).ppf((np.arange(n) + 0.5) / n)
        shape, scale = fit_pareto(excess)
        free = (shape * (n + 10) - 5) / n
        assert free == pytest.approx(k, abs=0.02)
        assert scale == pytest.approx(3.0, rel=0.02)

    def test_recovery_within_its_sampling_error(self):
        """sd of the maximum-likelihood shape is (1 + k) / sqrt(n)."""
        n, k = 500, 0.6
        shapes = []
        for seed in range(40):
            draws = np.sort(stats.genpareto(k).rvs(n, random_state=seed))
            shapes.append((fit_pareto(draws)[0] * (n + 10) - 5) / n)
        error = (1 + k) / np.sqrt(n)
        assert np.mean(shapes) == pytest.approx(k, abs=4 * error / np.sqrt(40))
        assert 0.6 * error < np.std(shapes) < 1.5 * error

    def test_few_values_are_drawn_towards_a_half(self):
        excess = stats.genpareto(0.0).ppf((np.arange(10) + 0.5) / 10)
        assert 0.15 < fit_pareto(excess)[0] < 0.5


class TestWeights:
    def test_equal_ratios_give_equal_weights(self):
        weights, k_hat = smooth_weights(np.full(400, 7.0))
        assert np.exp(weights) == pytest.approx(np.full(400, 1 / 400))
        assert k_hat == -np.inf

    def test_sum_is_one_and_a_constant_does_not_matter(self):
        ratio = np.random.default_rng(1).standard_normal(1000)
        weights, k_hat = smooth_weights(ratio)
        other, other_k = smooth_weights(ratio + 800.0)
        assert np.exp(weights).sum() == pytest.approx(1.0)
        assert weights == pytest.approx(other, abs=1e-8) and k_hat == pytest.approx(other_k)

    def test_order_is_kept(self):
        ratio = 2.0 * np.random.default_rng(2).standard_normal(1000)
        weights, _ = smooth_weights(ratio)
        assert np.all(np.diff(weights[np.argsort(ratio)]) >= -1e-12)

    def test_an_impossible_point_has_no_weight(self):
        ratio = np.zeros(100)
        ratio[3] = -np.inf
        assert np.exp(smooth_weights(ratio)[0][3]) == 0.0

    def test_shape_of_heavy_ratios(self):
        """Ratios that are Pareto with shape k have k-hat about k: 0.4 passes, 1.2 does not."""
        for k, most in ((0.4, K_HAT_LIMIT), (1.2, np.inf)):
            chance = (np.arange(4000) + 0.5) / 4000
            _, k_hat = smooth_weights(np.log(stats.genpareto(k).ppf(chance) + 1.0))
            assert k_hat == pytest.approx(k, abs=0.15)
            assert (k_hat <= K_HAT_LIMIT) == (most == K_HAT_LIMIT)

    def test_a_cauchy_target_under_a_normal_proposal_is_flagged(self):
        points = stats.norm.ppf((np.arange(2000) + 0.5) / 2000)
        ratio = stats.cauchy.logpdf(points, scale=3.0) - stats.norm.logpdf(points)
        assert smooth_weights(ratio)[1] > K_HAT_LIMIT
        easy = stats.norm.logpdf(points) - stats.t(6).logpdf(points)
        assert smooth_weights(easy)[1] < K_HAT_LIMIT

    def test_ties_at_the_cut_off_do_not_hide_a_heavy_tail(self):
        chance = (np.arange(1000) + 0.5) / 1000
        ratio = np.repeat(np.log(stats.genpareto(1.2).ppf(chance) + 1.0), 2)
        assert smooth_weights(ratio)[1] > K_HAT_LIMIT


class TestDraws:
    def test_a_skewed_density_has_its_quantiles(self):
        """Log-gamma with shape 2 beside a normal that depends on it."""

        def log_density(points):
            skew = 2.0 * points[:, 0] - np.exp(points[:, 0])
            return skew + stats.norm.logpdf(points[:, 1], 0.5 * points[:, 0], 0.3)

        peak = At(np.array([np.log(2), 0.5 * np.log(2)]), np.array([[0.5, 0.25], [0.25, 0.215]]))
        chance = np.array([0.05, 0.5, 0.95])
        expected = np.log(stats.gamma(2.0).ppf(chance))
        got = []
        for seed in range(10):
            draws = importance_draws(log_density, peak, size=2000, seed=seed)
            assert draws.weights.sum() == pytest.approx(1.0) and draws.k_hat < K_HAT_LIMIT
            assert 800 < draws.effective_size <= 2000
            got.append(weighted_quantile(draws.points[:, 0], draws.weights, chance))
        assert np.mean(got, axis=0) == pytest.approx(expected, abs=0.03)
        assert np.std(got, axis=0).max() < 0.08

    def test_the_curvature_alone_would_miss_the_skewness(self):
        """A normal at the peak of log-gamma(2) puts the lower 5 % point 0.5 too high."""
        normal = np.log(2) - 1.645 * np.sqrt(0.5)
        assert normal - np.log(stats.gamma(2.0).ppf(0.05)) > 0.5

    def test_a_cauchy_density_is_right_where_it_counts_or_flagged(self):
        """Upper quartile of a Cauchy density is its scale; its moments do not exist."""
        peak = At(np.zeros(1), 0.05 * np.eye(1))
        for seed in range(6):
            draws = importance_draws(
                lambda p: stats.cauchy.logpdf(p[:, 0], loc=0.05), peak, size=2000, seed=seed
            )
            upper = weighted_quantile(draws.points[:, 0], draws.weights, 0.75)
            assert draws.k_hat > K_HAT_LIMIT or upper == pytest.approx(1.05, abs=0.2)

    def test_same_seed_same_draws(self):
        peak = At(np.zeros(2), np.eye(2))

        def log_density(points):
            return -0.5 * (points**2).sum(axis=1)

        one, two, other = (
            importance_draws(log_density, peak, size=400, seed=s).points for s in (1, 1, 2)
        )
        assert np.array_equal(one, two) and not np.array_equal(one, other)

    def test_not_a_peak(self):
        with pytest.raises(np.linalg.LinAlgError):
            importance_draws(
                lambda p: np.zeros(len(p)), At(np.zeros(2), -np.eye(2)), size=400, seed=1
            )


def log_gammas(points):
    """Two independent logs of gamma(2) variables: skewed to the left, quantiles known."""
    return (2.0 * points - np.exp(points)).sum(axis=1)


CHANCES = (0.05, 0.25, 0.5, 0.75, 0.95)
QUANTILES = np.log(stats.gamma(2.0).ppf(CHANCES))


def quantiles(draws):
    return np.array([weighted_quantile(x, draws.weights, CHANCES) for x in draws.points.T])


class TestDrawUntilTrusted:
    """Proposals too narrow and out of place, so that the first lot cannot be trusted."""

    POOR = Proposal(np.array([1.7, -1.0]), 0.1 * np.eye(2), 5.0, np.nan)

    @pytest.mark.parametrize("seed", range(4))
    def test_a_poor_proposal_learns_until_the_quantiles_are_right(self, seed):
        first = draw_from(log_gammas, self.POOR, size=4000, seed=seed)
        found = draw_until_trusted(log_gammas, self.POOR, size=4000, seed=seed)
        assert first.k_hat > K_HAT_LIMIT >= found.k_hat
        assert quantiles(found) == pytest.approx(np.array([QUANTILES] * 2), abs=0.2)
        assert np.abs(quantiles(first) - QUANTILES).max() > 0.5

    def test_its_evidence_is_the_integral(self):
        """Gamma(2) integrates to 1, so that the log is 0."""
        for seed in range(6):
            found = draw_until_trusted(log_gammas, self.POOR, size=4000, seed=seed)
            assert found.log_evidence == pytest.approx(0.0, abs=0.1)

    def test_what_is_in_hand_counts(self):
        """Rounds of learning that can be trusted are kept; only what they lack is drawn."""
        calls = []

        def counted(points):
            calls.append(len(points))
            return log_gammas(points)

        peak = At(np.full(2, np.log(2)), 0.5 * np.eye(2))
        proposal = learn_proposal(counted, peak, seed=1, size=400)
        held = len(proposal.in_hand.weights)
        assert held == sum(calls) == 400
        found = draw_until_trusted(counted, proposal, size=1000, seed=2)
        assert calls[1:] == [600] and len(found.weights) == 1000
        assert found.weights.sum() == pytest.approx(1.0)
        assert draw_until_trusted(counted, proposal, size=300, seed=2) is proposal.in_hand

    def test_lots_in_hand_do_not_move_the_quantiles_or_the_evidence(self):
        peak = At(np.full(2, np.log(2)), 0.5 * np.eye(2))
        lots = [importance_draws(log_gammas, peak, size=1000, seed=s) for s in range(20)]
        mean = np.mean([quantiles(d) for d in lots], axis=0)
        assert mean == pytest.approx(np.array([QUANTILES] * 2), abs=0.05)
        assert np.mean([d.log_evidence for d in lots]) == pytest.approx(0.0, abs=0.02)

    def test_a_good_proposal_is_drawn_from_once(self):
        good = Proposal(np.full(2, np.log(2)), 0.8 * np.eye(2), 5.0, np.nan)
        once = draw_from(log_gammas, good, size=1000, seed=3)
        found = draw_until_trusted(log_gammas, good, size=1000, seed=3)
        assert np.array_equal(found.points, once.points)

    def test_it_gives_up_after_its_tries_and_says_so(self):
        found = draw_until_trusted(log_gammas, self.POOR, size=4000, seed=1, tries=1)
        assert found.k_hat > K_HAT_LIMIT


class TestEnsembleDraws:
    @pytest.fixture
    def start(self):
        wide = Proposal(np.zeros(2), 2.0 * np.eye(2), 5.0, np.nan)
        return draw_from(log_gammas, wide, size=400, seed=1)

    def test_quantiles_of_a_skewed_density(self, start):
        found = ensemble_draws(log_gammas, start, size=3000, seed=4)
        assert found.points.shape == (3000, 2)
        assert found.weights == pytest.approx(np.full(3000, 1 / 3000))
        assert quantiles(found) == pytest.approx(np.array([QUANTILES] * 2), abs=0.2)
        assert found.log_evidence == start.log_evidence

    def test_walkers_that_set_out_beside_the_density_find_it(self, start):
        beside = type(start)(
            start.points + 6.0, start.weights, np.nan, start.effective_size, start.log_evidence
        )
        found = ensemble_draws(log_gammas, beside, size=2000, seed=5)
        assert quantiles(found)[:, 1:4] == pytest.approx(
            np.array([QUANTILES[1:4]] * 2), abs=0.25
        )

    def test_points_without_density_are_never_kept(self, start):
        def cut(points):
            return np.where(points[:, 0] > 0.0, log_gammas(points), -np.inf)

        kept = start.points[:, 0] > 0.0
        inside = type(start)(
            start.points[kept], start.weights[kept], np.nan, 1.0, start.log_evidence
        )
        assert ensemble_draws(cut, inside, size=500, seed=6).points[:, 0].min() > 0.0

    def test_same_seed_same_draws(self, start):
        one, two, other = (
            ensemble_draws(log_gammas, start, size=200, seed=s).points for s in (1, 1, 2)
        )
        assert np.array_equal(one, two) and not np.array_equal(one, other)


class TestWeightedQuantile:
    def test_by_hand(self):
        values, weights = np.array([3.0, 1.0, 2.0]), np.array([0.2, 0.5, 0.3])
        assert weighted_quantile(values, weights, (0.0, 0.5, 0.51, 0.8, 0.81, 1.0)).tolist() == [
            1.0,
            1.0,
            2.0,
            2.0,
            3.0,
            3.0,
        ]

    def test_equal_weights_are_the_plain_quantile(self):
        values = np.random.default_rng(5).standard_normal(501)
        got = weighted_quantile(values, np.full(501, 1 / 501), 0.3)
        assert got == np.quantile(values, 0.3, method="inverted_cdf")

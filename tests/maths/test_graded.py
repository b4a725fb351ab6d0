"""The sweat and frost models on arrays: priors against scipy.stats, gradients, identities."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import special, stats

from scentlab.maths.graded import (
    CapacityModel,
    CapacityPrior,
    LinearModel,
    LinearPrior,
    half_student_of_score,
    normal_density,
    pooled_density,
    student_density,
)
from scentlab.maths.links import LINKS
from scentlab.maths.optimum import climb
from scentlab.maths.ordinal import count_looks

PRIOR = CapacityPrior(capacity_centre=(9.0, 11.0))
LOADS = np.array([6.0, 8.0, 10.0, 12.0, 14.0])


def sweat_counts(seed=1, pieces=4, heat=True, pot_sd=0.5):
    """Two blends, two pots each, five loads, at rest and in heat."""
    rng = np.random.default_rng(seed)
    rows = []
    for blend, capacity in enumerate((9.0, 11.0)):
        for pot in range(2):
            shift = pot_sd * rng.standard_normal()
            for load in LOADS:
                for stress in (0.0, 1.0)[: 1 + heat]:
                    for _ in range(pieces):
                        latent = (load - capacity) / 0.8 + stress + shift + rng.logistic()
                        grade = int((latent > np.array([0.0, 1.5, 3.0, 4.5])).sum())
                        row = (grade, 2 * blend + pot, load, 1.0 - blend, float(blend), stress)
                        rows.append(row)
    rows = np.array(rows)
    design = rows[:, 2:] if heat else rows[:, 2:5]
    return count_looks(rows[:, 0].astype(int), design, rows[:, 1], 5)


DATA = sweat_counts()


def some_point(model, seed=2):
    """A point that is no peak, so that no slope is zero by itself."""
    rng = np.random.default_rng(seed)
    return model.start() + 0.3 * rng.standard_normal(model.size)


def numerical(model, point, step=1e-5):
    moves = step * np.eye(model.size)
    return [
        (model.value_and_gradient(point + m)[0] - model.value_and_gradient(point - m)[0]) / 2 / step
        for m in moves
    ]


class TestGradient:
    @pytest.mark.parametrize("link", sorted(LINKS))
    @pytest.mark.parametrize("misread", [None, 0.02])
    def test_of_the_sweat_model(self, link, misread):
        prior = replace(PRIOR, misread_median=misread)
        model = CapacityModel(DATA, 2, prior, link=link)
        point = some_point(model)
        _, slope = model.value_and_gradient(point)
        assert slope == pytest.approx(numerical(model, point), rel=1e-4, abs=1e-4)

    def test_with_capacities_that_share(self):
        prior = replace(PRIOR, shift_scale=4.0)
        model = CapacityModel(DATA, 2, prior)
        point = some_point(model)
        slope = model.value_and_gradient(point)[1]
        assert slope == pytest.approx(numerical(model, point), rel=1e-4, abs=1e-4)

    def test_of_the_frost_model(self):
        prior = LinearPrior(coefficient_scales=(0.5, 3.0, 3.0, 1.0))
        model = LinearModel(DATA, prior)
        point = some_point(model)
        slope = model.value_and_gradient(point)[1]
        assert slope == pytest.approx(numerical(model, point), rel=1e-4, abs=1e-4)


def aged_counts(seed=3):
    """Two blends, two pots each, pieces looked at after 1, 4 and 16 days; some of them once."""
    rng = np.random.default_rng(seed)
    rows = []
    for blend, capacity in enumerate((9.0, 11.0)):
        for pot in range(2):
            for load in LOADS:
                for piece in range(3):
                    latent, worst = rng.logistic(), 0
                    for days in (1, 4, 16)[: 1 if piece == 0 else 3]:
                        doublings = np.log2(days / 16)
                        reach = (load - capacity + 0.4 * doublings) / 0.8 + latent
                        worst = max(worst, int((reach > np.array([0.0, 1.5, 3.0, 4.5])).sum()))
                        rows.append((worst, 2 * blend + pot, f"{blend}{pot}{load}{piece}",
                                     load, 1 - blend, blend, doublings))
    grades, pots, pieces = (np.array(column) for column in list(zip(*rows, strict=True))[:3])
    design = np.array([row[3:] for row in rows], dtype=float)
    return count_looks(grades, design, pots, 5, piece=pieces)


class TestAges:
    @pytest.mark.parametrize("prior", [PRIOR, replace(PRIOR, misread_median=None)])
    @pytest.mark.parametrize("link", ["logit", "skewed"])
    def test_gradient(self, prior, link):
        model = CapacityModel(aged_counts(), 2, prior, link=link, aged=True)
        point = some_point(model)
        assert model.data.histories is not None and model.take(point, "ageing").size == 1
        slope = model.value_and_gradient(point)[1]
        assert slope == pytest.approx(numerical(model, point), rel=1e-4, abs=1e-4)

    def test_capacity_falls_by_the_ageing_with_each_doubling(self):
        model = CapacityModel(aged_counts(), 2, PRIOR, aged=True)
        free = model.start()
        free[model.places["ageing"]] = 0.8
        lost = PRIOR.ageing_scale * stats.t(PRIOR.ageing_df).isf(0.5 * stats.norm.sf(0.8))
        reach = model.reach(free)
        load, doublings = model.load, model.age[:, 0]
        own = model.blends @ model.take(free, "capacity")
        assert set(doublings) == {-4.0, -2.0, 0.0}
        assert reach == pytest.approx(load - own + lost * doublings)


def test_pots_differ_in_points_of_load():
    """A spread twice as wide halves the latent sd of its blend's pots; sigma is as it was."""
    model = CapacityModel(DATA, 2, PRIOR)
    free = model.start()
    free[model.places["log_spread"]] = np.log(0.5)
    free[model.places["log_spread_shift"]] = 0.0, np.log(2.0)
    sigma = model.shared(free)["sigma"]
    assert model.group_sd(free, sigma) == pytest.approx(sigma / [0.5, 0.5, 1.0, 1.0])


class TestManyPoints:
    @pytest.mark.parametrize("model", [
        CapacityModel(DATA, 2, replace(PRIOR, shift_scale=4.0)),
        LinearModel(DATA, LinearPrior(coefficient_scales=(1.0,) * 4)),
    ])
    def test_gradients_are_those_of_each(self, model, fine):
        point = model.start()
        points = point + 0.05 * np.random.default_rng(3).standard_normal((7, model.size))
        model.value_and_gradient(point)
        each = [model.value_and_gradient(p)[1] for p in points]
        found = model.values_and_gradients(points)[1]
        assert found == pytest.approx(np.array(each), rel=1e-4, abs=1e-4)

    def test_a_point_does_not_depend_on_the_others_of_its_batch(self, fine):
        """However few nodes serve the near ones: the far one gets its own."""
        model = CapacityModel(DATA, 2, PRIOR)
        near = model.start()
        far = near.copy()
        far[model.places["sigma"]] = 2.5
        far[model.places["capacity"]] += 3.0
        batch = np.array([near] * 5 + [far])
        for found in (model.log_posterior, lambda p: model.values_and_gradients(p)[0]):
            assert found(batch)[0] == pytest.approx(found(near[None])[0], abs=1e-4)
            assert found(batch)[-1] == pytest.approx(found(far[None])[0], abs=1e-4)

    def test_a_point_out_of_reach_has_no_density_and_spoils_no_other(self):
        model = CapacityModel(DATA, 2, PRIOR)
        near = model.start()
        far = near.copy()
        far[model.places["log_spread"]] = 40.0
        value, slope = model.values_and_gradients(np.array([near, far]))
        assert value[1] == -np.inf and np.all(slope[1] == 0)
        assert value[0] == pytest.approx(model.value_and_gradient(near)[0], abs=1e-9)
        assert model.log_posterior(np.array([near, far]))[1] == -np.inf


class TestPriors:
    """Densities up to a constant: differences between two points against scipy.stats."""

    def test_normal(self):
        got = normal_density(np.array([0.3, -2.0]), 0.5, 0.7)[0]
        expected = stats.norm(0.5, 0.7).logpdf([0.3, -2.0])
        assert np.diff(got) == pytest.approx(np.diff(expected))

    def test_student(self):
        got = student_density(np.array([3.0, 14.0]), 9.0, 4.0, 3.0)[0]
        expected = stats.t(3.0, 9.0, 4.0).logpdf([3.0, 14.0])
        assert np.diff(got) == pytest.approx(np.diff(expected))

    @pytest.mark.parametrize("scale, df", [(0.6, 3.0), (0.7, 2.0), (1.0, 30.0)])
    def test_half_student_of_a_normal_score(self, scale, df):
        """Equal chances: P(value above) is P(score above), half of it in the t's upper tail."""
        score = np.array([-6.0, -3.0, -0.5, 0.0, 1.0, 3.0, 6.0])
        value, slope = half_student_of_score(score, scale, df)
        expected = scale * stats.t(df).isf(0.5 * stats.norm.sf(score))
        assert value == pytest.approx(expected, rel=1e-6)
        ahead, behind = (half_student_of_score(score + e, scale, df)[0] for e in (1e-5, -1e-5))
        assert slope == pytest.approx(np.log(ahead / behind) / 2e-5, rel=2e-3)

    def test_half_student_is_finite_far_out(self):
        value, slope = half_student_of_score(np.array([-20.0, 20.0]), 0.6, 3.0)
        assert np.all(np.isfinite(value)) and np.all(np.isfinite(slope)) and np.all(value > 0)

    def test_shared_capacities_are_multivariate_normal(self):
        """Covariance pool^2 I + A S^2 A' with A the wax fractions of three blends."""
        fractions, scale = np.array([[1.0, 0.0], [0.5, 0.5], [0.0, 1.0]]), np.array([4.0, 2.0])
        shared = fractions * scale
        variance, axes = np.linalg.eigh(shared @ shared.T)
        away = np.array([[0.5, -1.0, 2.0], [3.0, 0.1, 0.0]])
        got, expected = [], []
        for row, pool in zip(away, (0.4, 1.7), strict=True):
            log_pool = np.array([np.log(pool)])
            got.append(np.sum(pooled_density(row, log_pool, variance, axes)[0][0]))
            covariance = pool**2 * np.eye(3) + shared @ shared.T
            expected.append(stats.multivariate_normal(np.zeros(3), covariance).logpdf(row))
        assert np.diff(got) == pytest.approx(np.diff(expected))

    def test_all_together(self):
        model = CapacityModel(DATA, 2, PRIOR)
        points = np.stack([some_point(model, 2), some_point(model, 3)])
        expected = np.zeros(2)
        capacity, log_spread, stress, gaps = (
            model.take(points, key) for key in ("capacity", "log_spread", "stress", "log_gaps")
        )
        expected += stats.t(3.0, [9.0, 11.0], 4.0).logpdf(capacity).sum(axis=1)
        expected += stats.norm(np.log(0.8), 0.8).logpdf(log_spread).sum(axis=1)
        shift = model.take(points, "log_spread_shift")
        expected += stats.norm(0.0, 0.6).logpdf(shift).sum(axis=1)
        expected += stats.norm(0.0, 2.0).logpdf(stress).sum(axis=1)
        expected += stats.norm(np.log(1.5), 0.7).logpdf(gaps).sum(axis=1)
        expected += stats.norm.logpdf(model.take(points, "sigma")[:, 0])
        misread = model.take(points, "logit_misread")[:, 0]
        expected += stats.norm(special.logit(0.02), 1.0).logpdf(misread)
        assert np.diff(model.log_prior(points)[0]) == pytest.approx(np.diff(expected))

    def test_posterior_is_likelihood_plus_prior(self, fine):
        model = CapacityModel(DATA, 2, PRIOR)
        points = np.stack([some_point(model, seed) for seed in range(5)])
        total = model.log_parts(points)[:, :-1].sum(axis=1) + model.log_prior(points)[0]
        assert model.log_posterior(points) == pytest.approx(total, abs=1e-9)
        exact = [model.value_and_gradient(point)[0] for point in points]
        assert exact == pytest.approx(list(total), abs=2e-4)  # double against single precision


class TestMeaning:
    def test_location_by_hand(self):
        model = CapacityModel(DATA, 2, PRIOR)
        free = model.start()
        free[model.places["capacity"]] = 9.0, 12.0
        free[model.places["log_spread"]] = np.log(2.0)
        free[model.places["stress"]] = 0.7
        design = DATA.design
        own = np.where(design[:, 1] == 1.0, 9.0, 12.0)
        assert model.location(free) == pytest.approx((design[:, 0] - own) / 2 + 0.7 * design[:, 3])

    def test_thresholds_rise_from_zero(self):
        model = CapacityModel(DATA, 2, PRIOR)
        tau = model.shared(some_point(model))["tau"]
        assert tau[0] == 0.0 and np.all(np.diff(tau) > 0)

    def test_units_of_the_load(self):
        """Loads and the prior's lengths divided by ten: all lengths follow, the rest stays."""
        model = CapacityModel(DATA, 2, PRIOR)
        peak = climb(model.value_and_gradient, model.start())
        design = DATA.design.copy()
        design[:, 0] /= 10.0
        prior = replace(
            PRIOR, capacity_centre=(0.9, 1.1), capacity_scale=0.4, spread_median=0.08,
            sigma_scale=0.06,
        )
        small = CapacityModel(replace(DATA, design=design), 2, prior)
        other = climb(small.value_and_gradient, small.start())
        expected = peak.point.copy()
        expected[:2] /= 10.0
        expected[2] -= np.log(10.0)
        assert other.converged and peak.converged
        assert other.point == pytest.approx(expected, abs=2e-4)

    def test_units_of_the_load_the_other_way(self):
        design = DATA.design.copy()
        design[:, 0] *= 10.0
        prior = replace(
            PRIOR, capacity_centre=(90.0, 110.0), capacity_scale=40.0, spread_median=8.0,
            sigma_scale=6.0,
        )
        large = CapacityModel(replace(DATA, design=design), 2, prior)
        peak = climb(large.value_and_gradient, large.start())
        assert np.isfinite(peak.value)

    def test_exchanging_the_blends_exchanges_the_capacities(self):
        model = CapacityModel(DATA, 2, PRIOR)
        peak = climb(model.value_and_gradient, model.start())
        turned = replace(DATA, design=DATA.design[:, [0, 2, 1, 3]])
        other = CapacityModel(turned, 2, replace(PRIOR, capacity_centre=(11.0, 9.0)))
        back = climb(other.value_and_gradient, other.start())
        expected = peak.point.copy()
        for key in ("capacity", "log_spread_shift"):
            place = model.places[key]
            expected[place] = expected[place][::-1]
        assert back.point == pytest.approx(expected, abs=2e-4)


class TestFunnel:
    def test_jacobian_against_differences(self):
        model = CapacityModel(DATA, 2, PRIOR)
        anchor, points = some_point(model, 3), np.array([some_point(model, s) for s in range(4, 8)])
        _, log_jacobian = model.unfunnelled(points, anchor)
        for point, told in zip(points, log_jacobian, strict=True):
            steps = 1e-5 * np.eye(model.size)
            ahead, _ = model.unfunnelled(point + steps, anchor)
            behind, _ = model.unfunnelled(point - steps, anchor)
            slope = (ahead - behind) / 2e-5
            assert told == pytest.approx(np.linalg.slogdet(slope)[1], abs=1e-7)

    def test_nothing_moves_at_the_anchor_or_with_its_sigma(self):
        model = CapacityModel(DATA, 2, PRIOR)
        anchor = some_point(model)
        point = some_point(model, 9)
        point[model.places["sigma"]] = anchor[model.places["sigma"]]
        for p in (anchor, point):
            moved, log_jacobian = model.unfunnelled(p[None], anchor)
            assert moved[0] == pytest.approx(p, abs=1e-12) and log_jacobian == pytest.approx(0.0)

    def test_the_more_pots_differ_the_further_capacities_lie(self):
        model = CapacityModel(DATA, 2, PRIOR)
        anchor = model.start()
        points = np.array([anchor, anchor])
        points[:, model.places["capacity"]] += 1.0
        points[:, model.places["sigma"]] += np.array([[-1.0], [1.0]])
        near, far = model.unfunnelled(points, anchor)[0][:, model.places["capacity"]]
        assert np.all(near < points[0, model.places["capacity"]])
        assert np.all(far > points[1, model.places["capacity"]])

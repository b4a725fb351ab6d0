"""A fit under other weights: each pot's likelihood by brute force, conjugate answers, errors."""

import numpy as np
import pytest
from hostile import Hostile
from scipy import integrate, special, stats

from scentlab.fitting.looks import settle_looks
from scentlab.fitting.reweighting import (
    draw_error,
    leave_out_draws,
    moved_without,
    pot_log_likelihood,
    reweighted,
    without_pot,
)
from scentlab.fitting.sweat import fit_sweat
from scentlab.maths.sampling import weighted_quantile
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth({"soft": BlendTruth(10.0), "hard": BlendTruth(13.0)}, spread=0.6, pot_sd=0.5)


@pytest.fixture(scope="module")
def looks():
    layout = even_layout(list(TRUTH.blends), [5, 7, 9, 11, 13], pots=3, sweat=5)
    return simulate_series(layout, TRUTH, 4).sweat()


@pytest.fixture(scope="module")
def fit(looks):
    return fit_sweat(looks, {"soft": 12.0, "hard": 12.0}, draws=6000)


def chance_of_grades(fit, named, counts, u):
    """Probability of a pot's grades with its effect at u sd, written out for the logit link."""
    place = fit.blends.index(counts["blend"].iloc[0])
    total = 0.0
    for row in counts.itertuples():
        eta = (row.load_pct - named["capacity"][place]) / named["spread"][place]
        if row.stress != fit.stresses[0]:
            eta += named["stress"][fit.stresses.index(row.stress) - 1]
        below = special.expit(named["tau"] - eta - u * named["sigma"] / named["spread"][place])
        p = np.diff(np.concatenate([[0.0], below, [1.0]]))
        pulled = np.concatenate([[p[1]], p[:-2] + p[2:], [p[-2]]]) / 2.0
        out = np.array([0.5, 1.0, 1.0, 1.0, 0.5]) * p
        read = p + named["misread"] * (pulled - out)
        seen = np.array([getattr(row, f"g{g}") for g in range(5)])
        total += seen @ np.log(np.maximum(read, 1e-300))
    return np.exp(total)


class TestPots:
    def test_against_quadrature_by_brute_force(self, fit):
        found = pot_log_likelihood(fit)
        pots = list(dict.fromkeys(fit.counts["pot"]))
        assert found.shape == (len(fit.weights), len(pots))
        logit = list(fit.links["link"]).index("logit")
        for draw in np.flatnonzero(fit.draw_link == logit)[[0, 17, 300]]:
            named = {k: v[draw] for k, v in fit.named.items()}
            for p, pot in enumerate(pots):
                own = fit.counts[fit.counts["pot"] == pot]
                exact = integrate.quad(
                    lambda u, d=named, o=own: chance_of_grades(fit, d, o, u) * stats.norm.pdf(u),
                    -7, 7, limit=300, points=[-2, 0, 2], epsabs=0, epsrel=1e-7,
                )[0]
                assert found[draw, p] == pytest.approx(np.log(exact), abs=2e-3)

    def test_without_a_pot_is_the_fit_of_the_others(self, looks, fit):
        """5 % and 50 % points of the capacities, within four joint errors of the draws (and 0.03
        points, as ten groups know their errors badly), where the weights have a finite variance
        (k-hat up to 0.5), so that there is such an error."""
        without = {pot: without_pot(fit, pot) for pot in looks["pot"].unique()}
        finite = [pot for pot, found in without.items() if found.k_hat <= 0.5]
        assert finite
        for pot in finite[:2]:
            rest = looks[looks["pot"] != pot]
            other = fit_sweat(rest, {"soft": 12.0, "hard": 12.0}, draws=6000, seed=8)
            found = without[pot]
            assert sorted(found.counts["pot"].unique()) == sorted(other.counts["pot"].unique())

            def points(fit):
                values = fit.named["capacity"]
                return np.concatenate(
                    [weighted_quantile(values[:, b], fit.weights, [0.05, 0.5]) for b in (0, 1)])

            errors = [draw_error(leave_out_draws(f, points)) for f in (found, other)]
            room = 4.0 * np.hypot(*errors) + 0.03
            assert np.all(np.abs(points(found) - points(other)) < room), pot
            assert np.abs(points(found) - points(fit)).max() > 0


    def test_what_the_fit_keeps_is_the_likelihood_of_each_pot(self, fit):
        """Within the error of rough nodes (:func:`log_likelihood`), where the weight is."""
        found, own = pot_log_likelihood(fit), fit.weights > 1e-6
        for p, pot in enumerate(dict.fromkeys(fit.counts["pot"])):
            assert np.abs(fit.told[pot] - found[:, p])[own].max() < 0.05


@pytest.mark.parametrize("blends", [2, 6])
def test_moved_draws_are_the_fit_of_the_other_pots(blends):
    """5 % and 50 % points of the capacity of a blend whose pot is unlike its others, against a fit
    of the rest, within four joint errors of the draws (and 0.03 points); of the first of four
    series that needs the draws moved, and where they get there."""
    truth = Hostile({f"b{i}": BlendTruth(9.0 + i / 2) for i in range(blends)}, spoiled_pots=1)
    layout = even_layout(list(truth.blends), [5, 7, 9, 11, 13], pots=3)
    limits = dict.fromkeys(truth.blends, 12.0)
    for seed in range(5, 9):
        looks, _ = settle_looks(simulate_series(layout, truth, seed).sweat(), "sweat", ages=True)
        fit = fit_sweat(looks, limits, precise=None)
        without = {pot: without_pot(fit, pot).k_hat for pot in fit.told}
        pot = max(without, key=without.get)
        found = moved_without(fit, looks, pot, 6000, 0.5)
        if found.k_hat <= 0.5 < without[pot]:
            break
    else:
        pytest.fail("the draws got there in none of four series")
    blend = looks.loc[looks["pot"] == pot, "blend"].iloc[0]
    other = fit_sweat(looks[looks["pot"] != pot], limits, draws=6000, seed=8)

    def points(fit):
        capacity = fit.named["capacity"][:, fit.blends.index(blend)]
        return weighted_quantile(capacity, fit.weights, [0.05, 0.5])

    errors = [draw_error(leave_out_draws(f, points)) for f in (found, other)]
    assert np.all(np.abs(points(found) - points(other)) < 4.0 * np.hypot(*errors) + 0.03)
    assert pot not in set(found.counts["pot"]) and len(found.draws) == 6000


class TestWeights:
    def test_a_normal_belief_moves_as_bayes_says(self, fit):
        """Flat factor: nothing moves. Normal factor on one value: mean by its own formula."""
        same = reweighted(fit, np.full(len(fit.weights), -3.0))
        assert np.abs(same.weights - fit.weights).max() < 0.02
        value = fit.draws[:, 0]
        mean = fit.weights @ value
        sd = np.sqrt(fit.weights @ (value - mean) ** 2)
        moved = reweighted(fit, -0.5 * ((value - mean - sd) / sd) ** 2)
        # Equal precisions: half way, if the posterior were normal.
        assert moved.k_hat < 0.7
        assert moved.weights @ value == pytest.approx(mean + 0.5 * sd, abs=0.2 * sd)
        assert moved.weights.sum() == pytest.approx(1.0)
        assert moved.links["weight"].sum() == pytest.approx(1.0)

    def test_a_factor_out_of_reach_is_said(self, fit):
        value = fit.draws[:, 0]
        assert reweighted(fit, 60.0 * (value - value.mean()) / value.std()).k_hat > 0.7


def test_error_of_a_mean_is_that_of_a_mean(fit):
    """Of a weighted mean, by the sum of squares of its own terms (Owen 2013, eq. 9.9)."""
    value = fit.named["capacity"][:, 0]
    found = draw_error(leave_out_draws(fit, lambda f: f.weights @ value))
    mean = fit.weights @ value
    exact = np.sqrt(np.sum(fit.weights**2 * (value - mean) ** 2))
    assert found == pytest.approx(exact, rel=0.6)


def test_counts_of_a_single_pot_give_its_own_column(fit):
    pots = list(dict.fromkeys(fit.counts["pot"]))
    own = fit.counts[fit.counts["pot"] == pots[2]]
    assert pot_log_likelihood(fit, own)[:, 0] == pytest.approx(pot_log_likelihood(fit)[:, 2])

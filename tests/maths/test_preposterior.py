"""Reweighting of draws by looks not yet made: against a closed form and against brute force."""

import numpy as np
import pytest
from scipy import stats

from scentlab.maths.preposterior import PotBank, moments_after, recorded_chances


def expected_sd(log_likelihood, weights, values):
    return moments_after(log_likelihood, weights, values)[1].mean(axis=0)


def draws(n, rng, sigma=0.7, misread=0.02, centre=(9.0, 11.0), sd=1.5):
    return dict(
        capacity=np.array(centre) + sd * rng.standard_normal((n, 2)),
        spread=np.full((n, 2), 0.8), shift=np.zeros(n),
        tau=np.tile([0.0, 1.5, 3.0, 4.5], (n, 1)), sigma=np.full(n, sigma),
        misread=np.full(n, misread), link=np.full(n, "logit"),
    )


def test_expected_sd_of_a_normal_mean_is_the_conjugate_one():
    # prior N(0, 2^2), one look with sd 1: posterior sd sqrt(1 / (1/4 + 1)) whatever is seen
    rng = np.random.default_rng(1)
    believed, true = 2.0 * rng.standard_normal(20_000), 2.0 * rng.standard_normal(200)
    seen = true + rng.standard_normal(200)
    log_likelihood = stats.norm.logpdf(seen[:, None], believed)
    weights = np.full(20_000, 1 / 20_000)
    found = expected_sd(log_likelihood, weights, believed[:, None])
    assert found[0] == pytest.approx(np.sqrt(1 / 1.25), rel=0.02)


def test_weights_count_like_repeated_draws():
    rng = np.random.default_rng(2)
    values, log_likelihood = rng.standard_normal((5, 2)), rng.standard_normal((3, 5))
    index = np.array([0, 0, 0, 1, 2, 2, 3, 4])
    weighted = expected_sd(log_likelihood, np.bincount(index) / 8, values)
    repeated = expected_sd(log_likelihood[:, index], np.full(8, 1 / 8), values[index])
    assert weighted == pytest.approx(repeated)


def test_the_chances_of_the_grades_add_up_to_one_misread_or_not():
    found = recorded_chances(draws(4, np.random.default_rng(3)), 0, 9.5, np.zeros((4, 3)))
    assert found.shape == (4, 3, 5)
    assert found.sum(axis=-1) == pytest.approx(np.ones((4, 3)))


def test_the_likelihood_of_a_pot_is_averaged_over_its_effect():
    # brute force: a fine even grid of effects instead of nine nodes
    rng = np.random.default_rng(4)
    believed, true = draws(3, rng), draws(2, rng)
    bank = PotBank(true, believed, seed=5)
    found = bank.pot(0, (8.5, 10.0), 0, 4)
    luck = np.random.default_rng([5, 0])
    effect = luck.standard_normal((2, 1))
    z = np.linspace(-8.0, 8.0, 2001)
    density = stats.norm.pdf(z) / stats.norm.pdf(z).sum()
    chance = np.ones((2, 3, len(z)))
    for load in (8.5, 10.0):
        cumulative = np.cumsum(recorded_chances(true, 0, load, effect)[:, 0], axis=1)
        for j, numbers in enumerate(luck.random((2, 4, 1))):
            grades = (numbers > cumulative[j, :-1]).sum(axis=1)
            for i in range(3):
                at = recorded_chances(
                    {name: own[[i]] for name, own in believed.items()}, 0, load, z[None])[0]
                chance[j, i] *= np.prod(at[:, grades], axis=1)
    # Nine nodes are the poorer the less a pot's looks agree: their error grows with the height.
    assert found == pytest.approx(np.log(chance @ density), abs=0.02, rel=0.005)


def test_pieces_of_one_pot_are_not_counted_as_pieces_of_many():
    # The tempting mistake: pours of one pot as if each had a pot of its own.
    rng = np.random.default_rng(6)
    believed, true = draws(3000, rng, sigma=3.0), draws(400, rng, sigma=3.0)
    bank, weights = PotBank(true, believed, seed=7), np.full(3000, 1 / 3000)
    one = expected_sd(bank.pot(0, (8.0, 9.0, 10.0), 0, 4), weights, believed["capacity"])
    three = [(0, (x,)) for x in (8.0, 9.0, 10.0)]
    apart = expected_sd(bank.total(three, 4), weights, believed["capacity"])
    assert apart[0] < 0.95 * one[0]
    assert apart[1] == pytest.approx(one[1], rel=0.1)

"""How many pieces sold would sweat, and what a load costs."""

from dataclasses import replace

import numpy as np
import pytest
from earlier_series import poured
from scipy import stats

from scentlab.choosing.analysis import analyse
from scentlab.memory.deciding import Costs, chance_of_sweats, weigh_loads
from scentlab.results import FitError


@pytest.mark.parametrize(("most", "a", "b"), [(0, 1.0, 9.0), (2, 0.5, 12.0), (7, 2.0, 5.0)])
def test_one_pot_of_a_beta_risk_is_the_beta_binomial_of_scipy(most, a, b):
    draws = stats.beta(a, b).ppf((np.arange(20_000) + 0.5) / 20_000)[:, None]
    found = chance_of_sweats(draws, np.full(len(draws), 1.0 / len(draws)), 40, most)
    assert found == pytest.approx(stats.betabinom(40, a, b).sf(most), abs=1e-4)


def test_pots_of_one_known_risk_are_one_binomial():
    found = chance_of_sweats(np.full((3, 5), 0.07), np.array([0.2, 0.3, 0.5]), 20, 4)
    assert found == pytest.approx(stats.binom(100, 0.07).sf(4), abs=1e-12)


def test_unlike_pots_are_the_sum_of_binomials():
    found = chance_of_sweats(np.array([[0.02, 0.4]]), np.ones(1), 10, 3)
    both = np.convolve(stats.binom(10, 0.02).pmf(range(11)), stats.binom(10, 0.4).pmf(range(11)))
    assert found == pytest.approx(both[4:].sum(), abs=1e-12)
    assert chance_of_sweats(np.array([[0.9, 0.9]]), np.ones(1), 10, 20) == 0.0


@pytest.fixture(scope="module")
def analysis():
    return analyse(poured("soft", "fennel", 9.3, 4), draws=1000, precise=None)


def test_pots_together_make_many_sweats_likelier_than_pieces_apart(analysis):
    one = weigh_loads(analysis, "soft", Costs(25.0), pieces=60, pots=1, most=6)
    many = weigh_loads(analysis, "soft", Costs(25.0), pieces=60, pots=60, most=6)
    assert one["expected_sweating"].to_numpy() == pytest.approx(
        many["expected_sweating"].to_numpy(), abs=0.6)
    assert np.all(np.diff(one["chance_over"]) >= 0)
    assert one["chance_over"].iloc[0] > 0.0
    assert one["cost"].isna().all()  # nobody gave a number


def test_cost_is_fragrance_and_complaints_of_the_maker(analysis):
    costs = Costs(25.0, fragrance_per_kg=60.0, complaint=4.0)
    table = weigh_loads(analysis, "soft", costs, pieces=100, pots=4)
    by_hand = table["load_pct"] / 100 * 0.025 * 60.0 + 4.0 * table["expected_sweating"] / 100
    assert table["cost"].to_numpy() == pytest.approx(by_hand.to_numpy())


def test_pieces_must_spread_evenly_and_a_weak_scent_needs_scores(analysis):
    with pytest.raises(FitError, match="10 pieces do not spread evenly over 3 pots"):
        weigh_loads(analysis, "soft", Costs(25.0), pieces=10, pots=3)
    with pytest.raises(FitError, match="need scores of throw, and there are none"):
        weigh_loads(replace(analysis, throw=None), "soft", Costs(25.0, weak=0.1), pieces=8)

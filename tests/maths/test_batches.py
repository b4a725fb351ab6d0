"""How many pieces of a batch sweat, against scipy's beta-binomial, its quadrature, and by hand."""

import numpy as np
import pytest
from scipy import integrate, special, stats

from scentlab.maths.batches import POT_NODES, POT_WEIGHTS, chance_of_many

ONE = np.ones(1)


def middles(a, b, number=20_000):
    """Risks of a beta law at as many nodes of equal weight."""
    risks = stats.beta(a, b).ppf((np.arange(number) + 0.5) / number)
    return risks[None, :], np.full(number, 1.0 / number)


@pytest.mark.parametrize(("many", "a", "b"), [(1, 1.0, 9.0), (3, 0.5, 12.0), (8, 2.0, 5.0)])
def test_one_pot_of_a_beta_risk_is_the_beta_binomial_of_scipy(many, a, b):
    found = chance_of_many(*middles(a, b), ONE, 40, 1, many)
    assert found == pytest.approx(stats.betabinom(40, a, b).sf(many - 1), abs=1e-4)


@pytest.mark.parametrize(("pieces", "pots"), [(40, 4), (41, 4), (43, 4), (3, 5)])
def test_pots_add_up_however_the_pieces_spread(pieces, pots):
    sizes = [len(part) for part in np.array_split(np.arange(pieces), pots)]
    law = np.ones(1)
    for size in sizes:
        law = np.convolve(law, stats.betabinom(size, 0.7, 6.0).pmf(range(size + 1)))
    found = chance_of_many(*middles(0.7, 6.0), ONE, pieces, pots, 3)
    assert found == pytest.approx(law[3:].sum(), abs=1e-4)


def test_known_risks_are_binomials_mixed_by_the_draws():
    risks, weights = np.array([[0.02], [0.3]]), np.array([0.8, 0.2])
    found = chance_of_many(risks, ONE, weights, 100, 7, 5)
    by_hand = weights @ [stats.binom(100, p).sf(4) for p in (0.02, 0.3)]
    assert found == pytest.approx(by_hand, abs=1e-12)
    assert chance_of_many(risks, ONE, weights, 3, 1, 4) == 0.0
    assert chance_of_many(np.ones((2, 1)), ONE, weights, 100, 7, 100) > 1 - 1e-12


@pytest.mark.parametrize(("away", "sd", "pieces"), [(-3.0, 0.7, 25), (-4.0, 2.0, 100),
                                                    (-2.0, 1.5, 100), (-6.0, 3.0, 40)])
def test_the_nodes_of_a_pot_are_those_of_an_adaptive_rule(away, sd, pieces):
    def fewer(z):
        return stats.norm.pdf(z) * stats.binom.cdf(2, pieces, special.expit(away + sd * z))

    exact = 1.0 - integrate.quad(fewer, -8, 8, epsabs=1e-9, limit=200)[0]
    risks = special.expit(away + sd * POT_NODES)[None, :]
    found = chance_of_many(risks, POT_WEIGHTS, ONE, pieces, 1, 3)
    assert found == pytest.approx(exact, abs=2e-3)

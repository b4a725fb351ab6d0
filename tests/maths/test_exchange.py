"""Exchange against known exact and continuous D-optimal designs.

Exact designs for the full quadratic on the 3 x 3 grid: D-efficiencies .8849, .9454, .9572 and
.9740 for n = 6 to 9 (Atkinson & Donev, from memory), determinants computed by full enumeration.
Two-parameter logistic: both points at eta = 1.5434046 from the middle, the root of
eta tanh(eta / 2) = 1. The {3, 2} simplex lattice is D-optimal for Scheffe's quadratic (Kiefer
1961).
"""

import numpy as np
import pytest

from scentlab.maths.exchange import by_exchange, d_optimal

GRID = np.array([(x, y) for x in (-1, 0, 1) for y in (-1, 0, 1)], dtype=float)
QUADRATIC = np.column_stack([np.ones(9), GRID, GRID**2, GRID[:, 0] * GRID[:, 1]])


@pytest.mark.parametrize("n, det", [(6, 256), (7, 960), (8, 2304), (9, 5184), (10, 9360)])
def test_exchange_reaches_the_exact_designs_of_the_square(n, det):
    chosen = QUADRATIC[d_optimal(QUADRATIC, n, np.random.default_rng(0))]
    assert np.linalg.det(chosen.T @ chosen) == pytest.approx(det, rel=1e-9)


def test_efficiencies_as_printed():
    best = 0.4745938  # det^(1/6) of the continuous optimum
    for n, printed in zip((6, 7, 8, 9), (0.8849, 0.9454, 0.9572, 0.9740), strict=True):
        chosen = QUADRATIC[d_optimal(QUADRATIC, n, np.random.default_rng(0))]
        found = np.linalg.det(chosen.T @ chosen / n) ** (1 / 6) / best
        assert found == pytest.approx(printed, abs=5e-5)


def test_logistic_curve_is_best_seen_at_its_shoulders():
    eta = np.linspace(-4, 4, 8001)
    weight = np.sqrt(np.exp(eta)) / (1 + np.exp(eta))
    rows = np.column_stack([weight, weight * eta])
    chosen = d_optimal(rows, 2, np.random.default_rng(0))
    assert eta[chosen] == pytest.approx([-1.5434, 1.5434], abs=0.0015)


def test_the_simplex_lattice_is_best_for_the_quadratic_blending_function():
    steps = range(11)
    points = np.array([(a, b, 10 - a - b) for a in steps for b in steps if a + b <= 10]) / 10
    x, y, z = points.T
    rows = np.column_stack([points, x * y, x * z, y * z])
    chosen = points[d_optimal(rows, 6, np.random.default_rng(0))]
    lattice = {(1, 0, 0), (0, 1, 0), (0, 0, 1), (0.5, 0.5, 0), (0.5, 0, 0.5), (0, 0.5, 0.5)}
    assert {tuple(p) for p in chosen} == lattice
    picked = rows[d_optimal(rows, 6, np.random.default_rng(0))]
    assert np.linalg.det(picked.T @ picked / 6) == pytest.approx(5.2327809e-9, rel=1e-7)


def test_known_information_moves_the_choice_to_where_it_is_missing():
    rows = np.column_stack([np.ones(3), [-1.0, 0.0, 1.0]])
    known = 50 * np.outer(rows[0], rows[0])
    assert d_optimal(rows, 1, np.random.default_rng(0), known=known).tolist() == [2]


def test_plain_exchange_finds_the_cheapest_choice():
    worth = np.array([5.0, 1.0, 3.0, 2.0])
    chosen = by_exchange(lambda i: worth[i].sum() + 10 * (len(set(i)) < len(i)), 4, 2,
                         np.random.default_rng(0))
    assert chosen.tolist() == [1, 3]


def test_refusals():
    with pytest.raises(ValueError) as caught:
        d_optimal(QUADRATIC, 5, np.random.default_rng(0))
    assert str(caught.value) == "5 runs cannot settle 6 unknowns; give at least 6"
    with pytest.raises(ValueError) as caught:
        d_optimal(np.ones((4, 2)), 3, np.random.default_rng(0))
    assert str(caught.value) == (
        "no choice of these candidates settles all unknowns; widen the candidates"
    )

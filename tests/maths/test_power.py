"""Power of a split plot: by hand and by simulation.

Noncentral F by hand (16 x 2 / (4 + 1) = 6.4 and 5.4), and a simulation of 4,000 series in R
(.46625 and .40650).
"""

import numpy as np
import pytest

from scentlab.maths import power

LOADS = 0.6 * np.array([-0.75, -0.25, 0.25, 0.75])


def test_split_plot():
    got = power.split_plot([-1, 0, 1], LOADS, 4, 1.0, 1.0)
    assert got == pytest.approx((0.46609576, 0.414727445), abs=1e-6)


def test_split_plot_power_is_what_a_simulation_finds():
    rng = np.random.default_rng(11)
    hits = np.array([_one_series(rng) for _ in range(2000)]).mean(axis=0)
    wanted = np.array(power.split_plot([-1, 0, 1], LOADS, 4, 1.0, 1.0))
    assert np.all(np.abs(hits - wanted) < 4 * np.sqrt(wanted * (1 - wanted) / 2000))


def _one_series(rng):
    """Does the analysis of variance of one simulated series find the blends and the loads?"""
    y = np.array([-1.0, 0.0, 1.0])[:, None, None] + LOADS
    y = y + rng.normal(size=(3, 4, 1)) + rng.normal(size=(3, 4, 4))
    pots, blends, loads = y.mean(axis=2), y.mean(axis=(1, 2)), y.mean(axis=(0, 1))
    cells = y.mean(axis=1)
    blend = 16 * np.sum((blends - y.mean()) ** 2) / 2
    pot = 4 * np.sum((pots - blends[:, None]) ** 2) / 9
    load = 12 * np.sum((loads - y.mean()) ** 2) / 3
    rest = y - pots[:, :, None] - cells[:, None, :] + blends[:, None, None]
    # 5 % points of F(2, 9) and F(3, 27), from printed tables: 4.26 and 2.96
    return blend / pot > 4.2565, load / (np.sum(rest**2) / 27) > 2.9604


def test_treating_pieces_of_a_pot_as_independent_would_promise_too_much():
    # four loads of four pots as 16 independent looks: the tempting mistake
    wrong = power.f_power(16 * 2 / (1 + 1), 2, 45)
    assert wrong > 0.9 > 2 * power.split_plot([-1, 0, 1], LOADS, 4, 1.0, 1.0)[0] - 0.1


def test_one_pot_compares_nothing():
    with pytest.raises(ValueError) as caught:
        power.split_plot([-1, 1], LOADS, 1, 1.0, 1.0)
    assert str(caught.value) == (
        "one pot of each blend leaves nothing to compare blends with; pour two"
    )
    assert np.isnan(power.split_plot([0.0], LOADS, 2, 1.0, 1.0)[0])

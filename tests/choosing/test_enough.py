"""The lowest load that will do, from draws made by hand, and what is said of it.

Every expected chance is counted by hand from ten or twenty draws.
"""

import numpy as np
import pytest

from scentlab.choosing.enough import enough_throw, enough_words, say_points

LOADS = np.array([6.0, 8.0, 10.0])


def draws_of(*groups):
    """Draws from pairs of number and curve."""
    return np.vstack([np.tile(curve, (number, 1)) for number, curve in groups]).astype(float)


RISING = draws_of((10, [4.0, 5.0, 6.0]))
LEVELLED = draws_of((9, [3.0, 5.0, 5.4]), (1, [3.0, 5.0, 6.0]))
FLAT = draws_of((9, [5.0, 5.1, 4.9]), (1, [4.0, 5.0, 5.0]))
PEAKED = draws_of((9, [3.0, 6.0, 4.0]), (1, [5.0, 5.0, 5.0]))
FALLING = draws_of((10, [6.0, 5.0, 4.0]))
# Half of the draws rise by 4, half fall by 4: nobody knows.
EITHER = draws_of((10, [3.0, 5.0, 7.0]), (10, [7.0, 5.0, 3.0]))
# 60 % rise, 40 % level: nobody knows whether the lowest will do, and the highest surely does.
UNSURE = draws_of((12, [4.0, 4.5, 6.0]), (8, [5.0, 5.0, 5.0]))


@pytest.mark.parametrize(("draws", "place", "chance", "behind"), [
    (RISING, 2, 1.0, 0.0),
    (LEVELLED, 1, 0.9, (9 * 0.4 + 1.0) / 10),
    (FLAT, 0, 0.9, (9 * 0.1 + 1.0) / 10),
    (PEAKED, 1, 1.0, 0.0),
    (FALLING, 0, 1.0, 0.0),
    (EITHER, 2, 0.5, 2.0),
    (UNSURE, 2, 1.0, 0.0),
])
def test_the_lowest_load_of_hand_made_draws(draws, place, chance, behind):
    found = enough_throw(draws, 0.5)
    assert found.place == place
    assert found.chance == pytest.approx(chance) and found.behind == pytest.approx(behind)


def test_the_best_is_that_of_each_draw_not_of_the_mean():
    """Means are level at 5, yet in each draw one end is 2 points better than the other."""
    found = enough_throw(draws_of((5, [4.0, 5.0, 6.0]), (5, [6.0, 5.0, 4.0])), 0.5)
    assert found.chance == pytest.approx(0.5) and found.behind == pytest.approx(1.0)


def test_eighty_per_cent_is_enough_and_less_is_not():
    just = draws_of((8, [5.0, 5.0]), (2, [4.0, 5.0]))
    under = draws_of((79, [5.0, 5.0]), (21, [4.0, 5.0]))
    assert enough_throw(just, 0.5).place == 0
    assert enough_throw(under, 0.5).place == 1


def test_the_loss_itself_may_be_given_up():
    """0.3 is no sum of halves, so 5.0 - 4.7 is a hair more than 0.3."""
    assert enough_throw(draws_of((5, [4.7, 5.0])), 0.3).place == 0


def test_what_cannot_be_told_goes_up_and_a_likely_fall_does_not():
    """0.75 of the draws fall by 2: not sure enough, yet 0.25 of a rise is no reason to go up."""
    likely = draws_of((15, [6.0, 4.0]), (5, [4.0, 6.0]))
    assert enough_throw(likely, 0.5).place == 0
    even = draws_of((21, [6.0, 4.0]), (19, [4.0, 6.0]))
    assert enough_throw(even, 0.5).place == 1


@pytest.mark.parametrize(("draws", "words"), [
    (RISING, "More fragrance, up to 10.0 % (1.6 oz/lb), may add more than half a point of hot "
             "throw. 6.0 % smells 2.0 points weaker than the best"),
    (LEVELLED, "Going on to 10.0 % (1.6 oz/lb) adds less than half a point of hot throw (chance "
               "90 %). 6.0 % smells 2.5 points weaker than the best"),
    (FLAT, "To your testers it smells the same as any load up to 10.0 % (1.6 oz/lb) (chance of a "
           "difference under half a point: 90 %). Nothing lower was tested; a lower test batch "
           "would show whether less will do"),
    (PEAKED, "Above it hot throw falls: 10.0 % (1.6 oz/lb) smells 1.8 points weaker than the best "
             "(chance of more than half a point: 90 %). 6.0 % smells 2.7 points weaker than the "
             "best"),
    (FALLING, "Above it hot throw falls: 10.0 % (1.6 oz/lb) smells 2.0 points weaker than the "
              "best (chance of more than half a point: over 99 %). Nothing lower was tested; a "
              "lower test batch would show whether less will do"),
    (EITHER, "The scores cannot settle which load from 6.0 % (0.96 oz/lb) to 10.0 % (1.6 oz/lb) "
             "smells strongest; the chance that this one is within half a point of the best is "
             "50 %. More testers or another session would help"),
    (UNSURE, "More fragrance, up to 10.0 % (1.6 oz/lb), may add more than half a point of hot "
             "throw. The scores cannot settle whether 6.0 % smells more than half a point weaker "
             "(chance 60 %); more testers or another session would help"),
])
def test_the_words(draws, words):
    many = np.repeat(draws, 30, axis=0)
    assert enough_words(enough_throw(many, 0.5), LOADS, "warm", 0.5) == words


def test_no_word_of_a_failed_test():
    for draws in (RISING, LEVELLED, FLAT, PEAKED, FALLING, EITHER, UNSURE):
        said = enough_words(enough_throw(draws, 0.5), LOADS, "cold", 0.5)
        assert "not show" not in said and "significant" not in said and "hardly" not in said


@pytest.mark.parametrize("lowest", [2.0, 4.0, 7.0])
def test_the_load_does_not_hang_on_the_lowest_load_tested(lowest):
    """One curve, 8 (1 - exp(-load / 3)), with a level of its own in each draw, up to 10 %.

    By hand: 8 (exp(-x / 3) - exp(-10 / 3)) = 0.5 at x = 3 ln(1 / (1 / 16 + exp(-10 / 3))) = 6.95,
    so 7.0 is the first load in steps of 0.1 that will do.
    """
    loads = np.round(np.arange(lowest, 10.05, 0.1), 1)
    level = np.random.default_rng(1).normal(0.0, 1.0, (50, 1))
    draws = level + 8.0 * (1.0 - np.exp(-loads / 3.0))
    assert loads[enough_throw(draws, 0.5).place] == 7.0


def test_a_chance_is_no_finer_than_the_draws():
    """Ten draws tell nothing under three of them, 30 %."""
    said = enough_words(enough_throw(LEVELLED, 0.5), LOADS, "warm", 0.5)
    assert "(chance over 70 %)" in said


def test_points_in_words():
    assert [say_points(x) for x in (0.5, 1.0, 2.0)] == ["half a point", "1 point", "2 points"]

"""Where to pour: even loads, loads placed by a guess, the next pours by exchange."""

import json

import numpy as np
import pytest
from scipy import special

from scentlab.planning.loads import (
    Guess,
    NextPours,
    even_loads,
    next_pours,
    placed_loads,
)
from scentlab.planning.refusal import PlanError

GUESS = Guess({"soft": 10.0, "hard": 6.0})


def test_even_loads():
    assert even_loads(4, 14, 6) == (4, 6, 8, 10, 12, 14)
    assert even_loads(5, 6, 4, step=0.25) == (5.0, 5.25, 5.75, 6.0)


def test_placed_loads_lie_about_the_guessed_capacity_and_spread_with_the_doubt():
    sure = placed_loads(Guess({"soft": 10.0}, spread_pct=0.5, capacity_sd_pct=0.5), 5, step=0.1)
    unsure = placed_loads(Guess({"soft": 10.0}, spread_pct=0.5, capacity_sd_pct=3), 5, step=0.1)
    assert sure[2] == unsure[2] == 10.0
    # 5 and 95 % of a normal with sd hypot(0.5, 0.5 pi / sqrt(3)) = 1.036: 10 -+ 1.704
    assert (sure[0], sure[-1]) == (8.3, 11.7)
    assert unsure[0] < sure[0] and unsure[-1] > sure[-1]


def test_placed_loads_stay_within_what_can_be_poured():
    loads = placed_loads(GUESS, 6, lowest=4, highest=12)
    assert loads[0] == 4 and loads[-1] == 12


def test_best_pours_of_one_blend_stand_at_the_shoulders_of_the_logistic_curve():
    # locally D-optimal for a two-parameter logistic: eta = -+1.5434 (root of eta tanh(eta/2) = 1)
    guess = Guess({"soft": 10.0}, spread_pct=1.0, pot_sd=0.0, capacity_sd_pct=30, log_spread_sd=5)
    loads = np.round(np.arange(6, 14.001, 0.05), 2)
    best = next_pours(guess, loads, 20, criterion="determinant", seed=1)
    assert best.table["load_pct"].tolist() == pytest.approx([10 - 1.5434, 10 + 1.5434], abs=0.051)
    assert best.table["pours"].tolist() == [10, 10]


def test_the_ceiling_wants_pours_below_the_capacity():
    best = next_pours(GUESS, even_loads(2, 16, 15, 1), 8, seed=1)
    for blend, capacity in GUESS.capacity_pct.items():
        loads = [load for name, load in best.pairs if name == blend]
        assert np.mean(loads) < capacity - 0.5
    assert (best.gain["width_with_pct"] < best.gain["width_before_pct"]).all()
    determinant = next_pours(GUESS, even_loads(2, 16, 15, 1), 8, seed=1, criterion="determinant")
    assert best.gain["width_with_pct"].max() < determinant.gain["width_with_pct"].max()


def test_new_pours_go_to_the_blend_that_has_fewest():
    poured = [("soft", x) for x in (7, 8, 9, 10, 11)] * 4
    best = next_pours(GUESS, even_loads(2, 16, 15, 1), 4, poured=poured, seed=1)
    assert set(best.table["blend"]) == {"hard"} and len(best.pairs) == 4


def test_width_without_data_is_the_doubt_of_the_guess_by_hand():
    guess = Guess({"soft": 10.0}, spread_pct=1.0, pot_sd=0.0, capacity_sd_pct=3.0,
                  log_spread_sd=0.7)
    best = next_pours(guess, (8, 10), 2, seed=1)
    by_hand = 1.6448536 * np.hypot(3.0, 0.7 * special.logit(0.05))
    assert best.gain["width_before_pct"][0] == pytest.approx(by_hand, rel=1e-6)


def test_next_pours_are_a_result_that_goes_through_json():
    best = next_pours(GUESS, (4, 6, 8, 10), 3, seed=2)
    back = NextPours.from_dict(json.loads(json.dumps(best.to_dict())))
    assert back.pairs == best.pairs and back.sentence == best.sentence
    assert best.sentence.startswith("3 more pours would bring the widest ceiling (blend ")
    assert best.sentence.endswith("points of load, % of wax, if the guess is right.")


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda: even_loads(8, 8, 3),
         "the loads run from 8 to 8 % of wax; give a higher second one"),
        (lambda: even_loads(4, 4.2, 3, step=1),
         "rounded to 1 points only 1 load is left; give a smaller step"),
        (lambda: even_loads(4, 8, 1),
         "number of loads is 1; give a whole number from 2 to 40 loads"),
        (lambda: Guess({}), "the guess names no blend; give a capacity for each blend"),
        (lambda: Guess({"soft": -1}),
         "the guessed capacity of soft is -1; give a number above 0 and up to 60 % of wax"),
        (lambda: next_pours(GUESS, (4, 8), 2, criterion="A", seed=1),
         "the criterion is 'A'; give one of determinant, ceiling"),
        (lambda: next_pours(GUESS, (4, 8), 2, poured=[("firm", 4)], seed=1),
         "the guess knows no blend 'firm'; it has soft, hard"),
    ],
)
def test_refusals(call, words):
    with pytest.raises(PlanError) as caught:
        call()
    assert str(caught.value) == words

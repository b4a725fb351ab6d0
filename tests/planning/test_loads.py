"""Where to pour: even loads, loads placed by a guess, the next pours by exchange."""

import json
from itertools import combinations_with_replacement

import numpy as np
import pandas as pd
import pytest
from scipy import special

from scentlab.planning.loads import (
    Guess,
    NextPots,
    NextPours,
    _pot_information,
    _widths,
    even_loads,
    next_pots,
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


class TestNextPots:
    LOADS = (6.0, 8.0, 10.0, 12.0, 14.0)
    THREE = Guess({"soft": 9.0, "firm": 10.0, "hard": 12.0})

    def test_information_of_a_pot_is_that_of_generalised_least_squares(self):
        """Straight from the covariance of the pours' logits, nothing simplified."""
        guess = Guess({"soft": 9.0, "hard": 12.0}, spread_pct=1.3, pot_sd=0.9)
        eta = (np.array(self.LOADS) - 12.0) / 1.3
        chance = 1 / (1 + np.exp(-eta))
        covariance = np.diag(1 / (5 * chance * (1 - chance))) + 0.81
        x = np.column_stack([np.zeros(5), np.full(5, -1 / 1.3), -eta])
        expected = x.T @ np.linalg.inv(covariance) @ x
        found = _pot_information(guess, ["soft", "hard"], "hard", self.LOADS, 5)
        assert found == pytest.approx(expected, rel=1e-10)

    @pytest.mark.parametrize("criterion", ["determinant", "ceiling"])
    def test_no_other_choice_of_pots_is_better(self, criterion):
        pots, options = {"soft": 2, "firm": 1, "hard": 2}, {"criterion": criterion, "seed": 1}
        best = next_pots(self.THREE, self.LOADS, 3, pots_per_blend=pots, **options)
        assert best.table["pots_more"].sum() == 3 and len(best.names) == 3

        def worth(more):
            counts = {b: pots[b] + more.count(b) for b in pots}
            each = {b: _pot_information(self.THREE, list(pots), b, self.LOADS, 4) for b in pots}
            total = np.diag([1 / 9] * 3 + [0.7**-2]) + sum(counts[b] * each[b] for b in pots)
            if criterion == "determinant":
                return -np.linalg.slogdet(total)[1]
            return _widths(self.THREE, total, 0.05, 0.95).max()

        every = [list(c) for c in combinations_with_replacement(pots, 3)]
        assert worth(list(best.names)) == pytest.approx(min(map(worth, every)), rel=1e-9)
        if criterion == "ceiling":
            assert best.gain["width_with_pct"].max() == pytest.approx(worth(list(best.names)))

    def test_the_blend_without_a_pot_gets_one_first(self):
        best = next_pots(self.THREE, self.LOADS, 1, pots_per_blend={"soft": 2, "hard": 2}, seed=1)
        assert best.names == ("firm",)
        row = best.gain.set_index("blend").loc["firm"]
        assert row["width_before_pct"] == best.gain["width_before_pct"].max()
        last = best.gain.loc[best.gain["width_with_pct"].idxmax()]
        other = "" if last["blend"] == "firm" else (
            f"; the widest is then that of {last['blend']}, {last['width_with_pct']:.2f}")
        assert best.sentence == (
            "Pots to add: 1 of firm. They would bring the widest ceiling (blend firm) from "
            f"{row['width_before_pct']:.2f} to {row['width_with_pct']:.2f} points of load, % of "
            f"wax, if the guess is right{other}."
        )

    def test_another_blend_that_is_the_widest_then_is_named(self):
        gain = pd.DataFrame({"blend": ["a", "b"], "width_before_pct": [3.0, 2.0],
                             "width_with_pct": [1.2, 1.9]})
        pots = pd.DataFrame({"blend": ["a"], "pots_planned": [1], "pots_more": [1]})
        said = NextPots(pots, gain, (6.0,), "ceiling", 0.05, 0.95, 1).sentence
        assert said == (
            "Pots to add: 1 of a. They would bring the widest ceiling (blend a) from 3.00 to 1.20 "
            "points of load, % of wax, if the guess is right; the widest is then that of b, 1.90."
        )

    def test_they_go_into_a_plan(self):
        best = next_pots(Guess({"soft": 9.0, "hard": 12.0}), (6.0, 9.0), 2, seed=1)
        assert set(best.names) <= {"soft", "hard"}
        assert best.gain["width_with_pct"].max() < best.gain["width_before_pct"].max()


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

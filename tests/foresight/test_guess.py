"""A guess made of few answers."""

import re

import pytest

from scentlab.foresight.guess import guess_truth, need_guess
from scentlab.planning.refusal import PlanError


def test_the_throw_curve_goes_through_its_two_points():
    truth = guess_truth({"soft": 9.0})
    assert [truth.throw("soft", x) for x in (6.0, 12.0)] == pytest.approx([4.3, 6.0])
    # by hand: shares 6/14 and 12/20, rise = 1.7 / (12/20 - 6/14)
    assert truth.blends["soft"].throw_rise == pytest.approx(1.7 / (12 / 20 - 6 / 14))
    assert (truth.blends["soft"].capacity, truth.spread, truth.pot_sd) == (9.0, 1.0, 0.7)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({}, "the guess names no blend; give a load for each blend"),
        ({"soft": 0}, "the guess for soft is 0; give a number above 0 and up to 60 % of wax"),
    ],
)
def test_refusals_of_a_guess(given, words):
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        guess_truth(given)


def test_a_guess_must_know_the_blends_of_the_plan(plan):
    with pytest.raises(PlanError, match="^the guess knows no blend firm; it has soft$"):
        need_guess(plan, guess_truth({"soft": 9.0}))
    words = "the guess is a dict; give a Truth, such as guess_truth() makes"
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        need_guess(plan, {"soft": 9.0})

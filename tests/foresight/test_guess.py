"""A guess made of few answers."""

import re

import pytest

from scentlab.foresight.guess import guess_truth, need_guess
from scentlab.planning.loads import Guess
from scentlab.planning.refusal import PlanError


def test_the_throw_curve_goes_through_the_two_answers():
    truth = guess_truth({"soft": 9.0}, throw_at={5.0: 3.0, 15.0: 6.0}, throw_half_pct=6.0)
    assert truth.throw("soft", 5.0) == pytest.approx(3.0)
    assert truth.throw("soft", 15.0) == pytest.approx(6.0)
    # by hand: shares 5/11 and 15/21, rise = 3 / (15/21 - 5/11)
    assert truth.blends["soft"].throw_rise == pytest.approx(3.0 / (15 / 21 - 5 / 11))


def test_each_blend_may_have_a_throw_of_its_own():
    throws = {"a": {6: 2.0, 12: 3.0}, "b": {6: 4.0, 12: 7.0}}
    truth = guess_truth({"a": 9.0, "b": 10.0}, throw_at=throws)
    assert [truth.throw(b, 12) for b in "ab"] == pytest.approx([3.0, 7.0])


def test_a_guess_of_the_planning_stage_is_carried_over():
    truth = guess_truth(Guess({"soft": 9.0}, spread_pct=0.4, pot_sd=1.1), assessor_sd=2.0)
    assert (truth.blends["soft"].capacity, truth.spread, truth.pot_sd) == (9.0, 0.4, 1.1)
    assert truth.assessor_sd == 2.0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"throw_at": {6: 4.0}}, "throw_at has 1 loads; give the throw at two loads"),
        ({"throw_at": {6: 4.0, 12: 11.0}},
         "the throw at 12 % of wax is 11.0; give a number from 0 to 10"),
        ({"throw_at": {0: 4.0, 12: 5.0}},
         "a load of throw_at is 0; give a number above 0 and up to 60 % of wax"),
        ({"throw_at": {"hard": {6: 4.0, 12: 5.0}}}, "throw_at names no throw of soft; it has hard"),
        ({"heat": 20.0}, "heat is 20.0; give a number from -5 to 10 latent units"),
    ],
)
def test_refusals_of_a_guess(options, words):
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        guess_truth({"soft": 9.0}, **options)


def test_a_guess_must_know_the_blends_of_the_plan(plan):
    with pytest.raises(PlanError, match="^the guess knows no blend firm; it has soft$"):
        need_guess(plan, guess_truth({"soft": 9.0}))
    words = "the guess is a dict; give a Truth, such as guess_truth() makes"
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        need_guess(plan, {"soft": 9.0})

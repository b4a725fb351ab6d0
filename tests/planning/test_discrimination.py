"""Triangle and paired tests beforehand.

Numbers: FAO 1992 appendix A (20 of 42 at 5 %: the row n = 42) and R's exact binomial (needed
answers 40 and 42 for pd .3, alpha .05, power .80).
"""

import json

import pytest

from scentlab.planning.discrimination import (
    DiscriminationPlan,
    plan_discrimination,
    serving_orders,
)
from scentlab.planning.refusal import PlanError


def test_a_triangle_test_in_words():
    one = plan_discrimination("triangle", share_telling=0.3, assessors=4)
    assert (one.first, one.needed) == (40, 42)
    assert one.sentence == (
        "A triangle test needs 42 answers to find, with a power of 80 %, that 30 % of the "
        "assessors really tell: 20 or more right of 42 (chance of that by guessing 3.8 %, at most "
        "5 %)."
    )
    assert one.notes == (
        "With 4 answers at hand, 4 must be right; the power is 8 %.",
        "30 % who tell give 53 % right answers, a d' of 1.64.",
        "40 answers reach the power, some larger numbers miss it again; from 42 on it is always "
        "reached.",
    )
    assert one.table["assessors"].tolist() == [4, 40, 42]


def test_too_few_answers_are_said_to_find_nothing():
    one = plan_discrimination("triangle", alpha=0.001, assessors=5)
    assert one.notes[0] == (
        "With 5 answers no count is critical at under 1 %: such a test can find nothing.")


def test_a_result_that_goes_through_json():
    one = plan_discrimination("paired", assessors=3)
    back = DiscriminationPlan.from_dict(json.loads(json.dumps(one.to_dict())))
    assert back.sentence == one.sentence and back.notes == one.notes


@pytest.mark.parametrize("method, orders, served", [("triangle", 6, 3), ("duo-trio", 4, 3),
                                                    ("paired", 2, 2)])
def test_every_order_is_served_equally_often_under_new_codes(method, orders, served):
    rows = serving_orders(method, [f"A{i}" for i in range(1, 13)], seed=4)
    found = rows.groupby("assessor")["sample"].agg("".join).value_counts()
    assert found.tolist() == [12 // orders] * orders
    assert rows["code"].is_unique and len(rows) == 12 * served
    assert rows.equals(serving_orders(method, [f"A{i}" for i in range(1, 13)], seed=4))
    if method == "triangle":
        assert all(set(order) == {"A", "B"} for order in found.index)


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda: plan_discrimination("tetrad"),
         "the method is 'tetrad'; give one of triangle, duo-trio, paired"),
        (lambda: plan_discrimination(share_telling=0),
         "share_telling is 0; give a number from 0.05 to 1"),
        (lambda: plan_discrimination(share_telling=0.05, alpha=0.0001, power=0.999),
         "more than 2000 answers would be needed to find a share of 0.05 that tells; ask for a "
         "larger share or a lower power"),
        (lambda: serving_orders("triangle", [f"A{i}" for i in range(301)], 1),
         "301 assessors with 3 samples each need 903 codes and there are 900; hold two tests"),
    ],
)
def test_refusals(call, words):
    with pytest.raises(PlanError) as caught:
        call()
    assert str(caught.value) == words

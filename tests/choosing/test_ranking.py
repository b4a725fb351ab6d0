"""The order of the blends: chances counted by hand from joint draws, ties by frost, then cost."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.pick import choose_load
from scentlab.choosing.ranking import order_chances, order_words, rank

BLENDS = ("a", "b", "c")


def table(throw, frost=(np.nan,) * 3, cost=(np.nan,) * 3, load=(8.0,) * 3):
    return pd.DataFrame({
        "blend": BLENDS, "load_pct": load, "throw": throw, "frost_risk": frost,
        "cost_per_piece": cost,
    })


# Three of ten draws a > b > c, three b > a > c, four c > a > b: c is most often the strongest,
# though against each other one alone a beats b in 7 and c in 6.
JOINT = np.array([[3.0, 2.0, 1.0]] * 3 + [[2.0, 3.0, 1.0]] * 3 + [[2.0, 1.0, 3.0]] * 4)


def test_each_order_over_all_blends_at_once():
    found = order_chances(JOINT, BLENDS)
    assert list(found["order"]) == ["c > a > b", "a > b > c", "b > a > c"]
    assert found["chance"].to_numpy() == pytest.approx([0.4, 0.3, 0.3])
    ranked = rank(table(JOINT.mean(axis=0)), JOINT, BLENDS, 0.5).set_index("blend")
    assert ranked["p_strongest"].to_dict() == pytest.approx({"a": 0.3, "b": 0.3, "c": 0.4})


def test_what_blends_share_does_not_blur_their_order():
    """Each throw strays by 5 points from draw to draw, their difference not at all."""
    shared = np.random.default_rng(2).normal(0.0, 5.0, (200, 1))
    draws = shared + np.array([6.0, 5.0])
    assert order_chances(draws, ("a", "b"))["chance"].iloc[0] == 1.0
    two = table([6.0, 5.0, 0.0], cost=(2.0, 1.0, 1.0)).iloc[:2]  # a tie would go to b
    assert list(rank(two, draws, ("a", "b"), 0.5)["blend"]) == ["a", "b"]
    assert list(rank(two.iloc[::-1], draws, ("a", "b"), 0.5)["blend"]) == ["a", "b"]


def test_ties_go_to_less_frost_then_lower_cost():
    means = JOINT.mean(axis=0)
    less_frost = rank(table(means, frost=(0.5, 0.1, 0.3)), JOINT, BLENDS, 0.5)
    assert list(less_frost["blend"]) == ["b", "c", "a"]
    cheaper = rank(table(means, frost=(0.11, 0.10, 0.12), cost=(3.0, 2.0, 1.0)), JOINT, BLENDS, 0.5)
    assert list(cheaper["blend"]) == ["c", "b", "a"]


def test_a_difference_that_nobody_minds_is_a_tie():
    """a is 0.3 points ahead of b in every draw: surely, and by less than half a point."""
    draws = np.tile([5.3, 5.0, 2.0], (20, 1))
    own = table([5.3, 5.0, 2.0], cost=(2.0, 1.0, 0.5))
    assert list(rank(own, draws, BLENDS, 0.5)["blend"]) == ["b", "a", "c"]
    assert list(rank(own, draws, BLENDS, 0.2)["blend"]) == ["a", "b", "c"]


def test_a_blend_without_a_load_comes_last_and_has_no_chance():
    own = table([6.0, 5.0, np.nan], load=(8.0, 8.0, np.nan))
    ranked = rank(own, JOINT[:, :2], ("a", "b"), 0.5)
    assert list(ranked["blend"])[-1] == "c" and np.isnan(ranked["p_strongest"].iloc[-1])
    assert list(ranked["rank"]) == [1, 2, 3]


def said(analysis, table, draws, blends):
    ranked = rank(table, draws, blends, 0.5)
    pick = replace(analysis.pick, table=ranked, orders=order_chances(draws, blends))
    return order_words(pick)


def test_too_close_to_call_is_said_with_the_chance_of_the_first(analysis):
    draws = np.vstack([np.tile([6.0, 5.0, 1.0], (65, 1)), np.tile([4.0, 5.0, 1.0], (35, 1))])
    words = said(analysis, table(draws.mean(axis=0)), draws, BLENDS)
    assert words == (
        "Chance of having the strongest hot throw: a 65 %, b 35 %, c under 1 %.",
        "First and second are too close to call.",
        "Most likely order by hot throw: a > b > c (chance 65 %).",
    )


def test_an_order_that_is_less_likely_than_not_is_not_said(analysis):
    draws = np.vstack([np.tile([6.0, 5.0, 1.0], (40, 1)), np.tile([6.0, 1.0, 5.0], (30, 1)),
                       np.tile([4.0, 5.0, 1.0], (30, 1))])
    words = said(analysis, table(draws.mean(axis=0)), draws, BLENDS)
    assert not any("order" in one for one in words)


def test_one_that_is_ahead_needs_no_more_than_its_chance(analysis):
    draws = np.vstack([np.tile([6.0, 5.0, 1.0], (90, 1)), np.tile([4.0, 5.0, 1.0], (10, 1))])
    words = said(analysis, table(draws.mean(axis=0)), draws, BLENDS)
    assert words[0] == "Chance of having the strongest hot throw: a 90 %, b 10 %, c under 1 %."
    two = table(draws.mean(axis=0)).iloc[:2]
    words = said(analysis, two, draws[:, :2], BLENDS[:2])
    assert words == ("Chance of having the strongest hot throw: a 90 %, b 10 %.",)


def test_blends_without_scores_are_named(analysis):
    draws = np.tile([6.0, 5.0], (100, 1))
    words = said(analysis, table([6.0, 5.0, np.nan]), draws, ("a", "b"))
    assert words[1] == "Place open, because its hot throw was not scored at its load: c."
    bare = said(analysis, table([np.nan] * 3), np.empty((0, 0)), ())
    assert bare == ("The order by hot throw is not known: fewer than two blends have scores at "
                    "their loads.",)


class TestOfAPick:
    def test_throw_decides_when_the_draws_can_tell(self, analysis):
        throw = analysis.throw
        for best in (0, 1):
            moved = throw.level + 5.0 * np.eye(2)[best]
            pick = choose_load(replace(analysis, throw=replace(throw, level=moved)))
            assert pick.table["blend"].iloc[0] == throw.blends[best]
            assert pick.table["p_strongest"].iloc[0] == 1.0
            assert pick.orders["chance"].sum() == pytest.approx(1.0)

    def test_cost_decides_when_nothing_else_does(self, with_blends):
        for prices, first in (([8.0, 80.0], "soft"), ([80.0, 8.0], "hard")):
            evidence = replace(with_blends(wax_price_per_kg=prices), throw=None, frost=None)
            assert choose_load(evidence).table["blend"].iloc[0] == first

    def test_prices_that_are_not_known_are_no_cost(self, with_blends):
        pick = choose_load(with_blends(wax_price_per_kg=np.nan))
        assert pick.table["cost_per_piece"].isna().all()
        assert "nan" not in pick.sentence

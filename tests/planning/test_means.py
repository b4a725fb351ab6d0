"""What is at hand: the limit that binds is named, and doing what is advised makes the plan fit."""

import math

import pytest

from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.means import Means, check_means, need_means
from scentlab.planning.panel import Sittings
from scentlab.planning.plan import PlanError, Pouring, make_plan
from scentlab.planning.shopping import busiest_day, shopping_list

SOFT, HARD = Wax("soft wax", "S-1", price_per_kg=6), Wax("hard wax", price_per_kg=5)


def plan(**changes):
    given = dict(
        title="series", fragrance=Fragrance("cedar", "F-9", price_per_kg=60),
        blends=[Blend("soft", {SOFT: 1}), Blend("70/30", {SOFT: 0.7, HARD: 0.3})],
        loads_pct=(4, 6, 8, 10), piece_g=25, assessors=3, start="2026-12-01", seed=5,
        currency="EUR",
    )
    given.update(changes)
    return make_plan(**given)


def test_shopping_adds_up_to_the_plan_with_the_spare():
    one = plan()
    rows = shopping_list(one).set_index("item")
    assert rows["kind"].tolist() == ["wax", "wax", "fragrance"]
    assert rows["lot"].tolist() == ["S-1", "", "F-9"]
    wax = rows[rows["kind"] == "wax"]
    assert wax["needed_g"].sum() == pytest.approx(one.pours["wax_g"].sum())
    assert wax["buy_g"].sum() == one.pots["melt_g"].sum()
    fragrance = rows.loc["cedar"]
    assert fragrance["needed_g"] == pytest.approx(one.pours["fragrance_g"].sum())
    assert fragrance["buy_g"] == math.ceil(one.pours["fragrance_g"].sum() * 1.05)
    assert rows.loc["hard wax", "cost"] == rows.loc["hard wax", "buy_g"] * 5 / 1000


def test_a_missing_price_stays_missing():
    rows = shopping_list(plan(fragrance=Fragrance("plain"))).set_index("item")
    assert math.isnan(rows.loc["plain", "cost"]) and not math.isnan(rows.loc["soft wax", "cost"])


def test_a_plan_within_its_means_fits():
    check = check_means(plan(), Means(wax_g={"soft wax": 9000, "hard wax": 3000},
                                      fragrance_g=900, pot_g=2000, moulds=100, pours_a_day=8,
                                      smells_a_day=6, budget=200))
    assert check.fits
    assert check.sentence == (
        "The plan fits all of: soft wax, hard wax, cedar, pot size, moulds, pour slots, "
        "an assessor's nose, budget."
    )
    assert need_means(plan(), Means(moulds=100)) == plan()
    assert check_means(plan(), Means()).sentence == (
        "No limit was given to check the plan against.")


def test_every_limit_that_binds_is_named_with_what_frees_it():
    check = check_means(plan(), Means(moulds=50, pours_a_day=5))
    assert not check.fits
    assert check.sentence == (
        "The plan cannot be carried out. moulds binds (88 pieces on a day needed, 50 at hand): "
        "pour at most 1 pot a day (pots_per_day=1); pour slots binds (8 pours on a day needed, 5 "
        "at hand): pour at most 1 pot a day (pots_per_day=1)."
    )
    freed = plan(pouring=Pouring(pots_per_day=1))
    assert check_means(freed, Means(moulds=50, pours_a_day=5)).fits
    assert busiest_day(freed) == (44, 4)


def test_too_small_a_pot_tells_lighter_pieces_and_fewer_pours_and_both_help():
    # by hand: 278 + 273 + 268 + 263 g of wax and 5 % are 1136.1, in whole grams 1137
    means = Means(pot_g=800)
    row = check_means(plan(), means).table.iloc[0]
    assert row["binds"] and row["remedy"] == (
        "take a pot of 1137 g, or cast pieces of at most 17 g, or draw at most 2 pours from a pot")
    assert check_means(plan(piece_g=17), means).fits
    assert check_means(plan(loads_pct=(4, 6)), means).fits


def test_too_little_wax_and_money():
    means = Means(wax_g={"soft wax": 2000}, budget=20)
    check = check_means(plan(), means)
    assert check.table["limit"].tolist() == ["soft wax", "budget"]
    needed = shopping_list(plan()).set_index("item").loc["soft wax", "buy_g"]
    assert check.table["remedy"][0].startswith(f"get {needed - 2000} g more, or cast pieces of at")
    piece = float(check.table["remedy"][0].split("at most ")[1].split(" g")[0])
    assert check_means(plan(piece_g=piece), Means(wax_g={"soft wax": 2000})).fits
    with pytest.raises(PlanError) as caught:
        plan(means=Means(budget=20))
    assert str(caught.value) == check_means(plan(), Means(budget=20)).sentence
    # by hand: 3866 g at 6, 682 g at 5 and 316 g of fragrance at 60 EUR per kg
    assert "budget binds (45.57 EUR needed, 20 at hand): allow 25.57 more" in str(caught.value)


def test_an_assessors_nose():
    one = plan(sittings=Sittings(pieces_per_sitting=6, per_day=3))
    row = check_means(one, Means(smells_a_day=8)).table.iloc[0]
    # 16 pieces of a pour day make sets of 5, 5 and 6; three sets of 5 meet on the second day
    assert row["needed"] == 15 and row["binds"]
    assert check_means(plan(sittings=Sittings(pieces_per_sitting=4, per_day=2)),
                       Means(smells_a_day=8)).fits


def test_a_price_that_is_missing_is_said():
    check = check_means(plan(fragrance=Fragrance("plain")), Means(budget=100))
    assert check.notes == ("The budget counts only what has a price; none is known of plain.",)


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda: Means(moulds=-1), "moulds at hand is -1; give a number from 0 to 1e+09"),
        (lambda: Means(wax_g={"soft wax": "much"}),
         "wax soft wax at hand is 'much'; give a number from 0 to 1e+09"),
        (lambda: check_means(plan(), Means(wax_g={"other": 5})),
         "wax other is at hand but in no blend; the plan uses soft wax, hard wax"),
    ],
)
def test_refusals(call, words):
    with pytest.raises(PlanError) as caught:
        call()
    assert str(caught.value) == words

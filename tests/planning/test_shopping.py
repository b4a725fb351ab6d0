"""What a plan takes: wax and fragrance with the spare, days, money and hours."""

import math

import pytest

from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.costs import plan_costs
from scentlab.planning.plan import PieceNumbers, Pouring, Sittings, make_plan
from scentlab.planning.shopping import most_cast, shopping_list

SOFT, HARD = Wax("soft wax", "S-1", price_per_kg=6), Wax("hard wax", price_per_kg=5)


def plan(**changes):
    given = dict(
        title="series", fragrance=Fragrance("cedar", "F-9", price_per_kg=60),
        blends=[Blend("soft", {SOFT: 1}), Blend("70/30", {SOFT: 0.7, HARD: 0.3})],
        loads_pct=(4, 6, 8, 10), piece_g=25, assessors=3, start="2026-12-01", seed=5,
        currency="EUR", pieces=PieceNumbers(4, 2, 2, 2, 1),
        sittings=Sittings(pieces_per_sitting=6, together=False, anchor=False, rooms=6),
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


def test_the_busiest_day_is_that_of_its_pots():
    assert most_cast(plan()) == 88
    assert most_cast(plan(pouring=Pouring(pots_per_day=1))) == 44


def test_what_a_plan_takes_by_hand():
    one = plan()
    costs = plan_costs(one)
    # 2 blends x 2 pots x 4 loads, 11 pieces a pour; 32 throw pieces, 16 of each pour
    # day, in 3 sessions of 5 or 6 a day: 30 min on the warmer and 5 min a piece, 3 testers
    assert (costs["pours"], costs["pots"], costs["pieces"]) == (16, 4, 176)
    assert costs["panel_hours"] == pytest.approx(3 * (6 * 30 + 32 * 5) / 60)
    last = max(one.smellings["sitting_on"].max(),
               one.pieces.loc[one.pieces["test"] != "reserve", "due_on"].max())
    assert costs["days"] == (last - one.start).days + 1
    # 3866 g at 6, 682 g at 5 and 316 g of fragrance at 60 EUR per kg
    assert costs["money"] == pytest.approx(45.57, abs=0.005)

"""What a plan takes: wax and fragrance with the spare, days, money and hours."""

import math
import re

import pytest

from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.costs import plan_costs
from scentlab.planning.diary import diary
from scentlab.planning.plan import PieceNumbers, Pouring, Sittings, make_plan
from scentlab.planning.quick import quick_costs, quick_plan
from scentlab.planning.sheets import pour_sheets_html, quick_sheet_html, shopping_list_html
from scentlab.planning.shopping import most_cast, shopping_list
from scentlab.units import Shown, say_ounces, showing

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


def test_one_pour_sheet_is_one():
    one = plan(blends=[Blend("soft", {SOFT: 1})], pots_per_blend=1)
    page = shopping_list_html(one)
    assert "<li>44 labels and 1 pour sheet</li>" in page and "moulds for 44 pieces of" in page


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


def test_a_cost_without_a_currency_is_in_yours():
    buy = plain(shopping_list_html(plan(currency="")))
    assert "45.57 in your currency ." in buy and "Cost, your currency" in buy
    assert "money" not in buy


def plain(html):
    return " ".join(re.sub("<[^>]*>", " ", html.replace("&nbsp;", " ")).split())


def test_one_pots_wax_is_said_with_what_it_is():
    """By hand: the pours take 3.2, 2.9 and 2.8 oz, and 5 % more of 8.9 oz, rounded up, is 9.4."""
    with showing(Shown("oz", "F")):
        one = quick_plan(Wax("soft wax"), Fragrance("fig"), [6.25, 9.375, 12.5],
                         start="2026-12-01", seed=1)
        assert [round(p.wax_g / 28.349523125, 2) for p in one.pour_rows] == [3.2, 2.9, 2.8]
        assert ", 8.9 oz of wax and 0.82 oz of fragrance to weigh" in diary(one)["detail"][0]
        bought = "9.4 oz (266 g) of wax and 0.9 oz (26 g) of fragrance, with spare"
        assert f": {bought}." in quick_costs(one)[0] and f"; {bought}; " in one.sentence
        buy, quick, pours = (plain(sheet(one)) for sheet in (
            shopping_list_html, quick_sheet_html, pour_sheets_html))
    assert "To weigh To buy, with spare" in buy and "8.9 oz 252.3 g 9.4 oz 266.5 g" in buy
    assert "Melt 9.4 oz (266 g) of soft wax, with spare." in quick and "Wax to weigh" in quick
    assert "Melt soft wax: 9.4 oz (266.5 g), with 5 % to allow for what sticks." in pours
    assert "All pours of this pot, to weigh 8.9 oz" in pours


def test_a_total_of_a_pound_and_more_is_said_in_pounds():
    """16 oz to the pound (NIST SP 811, appendix B); what is put on a scale stays in oz."""
    with showing(Shown("oz", "F")):
        one = plan(pouring=Pouring(scale="oz"))
        day = one.pours[one.pours["pour_day"] == 1]
        ounces, wax = one.pots["melt_g"].sum() / 28.349523125, one.pots["melt_g"].iloc[0]
        pounds, rest = re.search(r"(\d+) lb ([\d.]+) oz \(\d+ g\) of wax", one.sentence).groups()
        assert 16 * int(pounds) + float(rest) == pytest.approx(ounces, abs=0.05)
        assert f" {say_ounces(day['wax_g'].sum())} of wax and " in diary(one)["detail"][0]
        buy, pours = plain(shopping_list_html(one)), plain(pour_sheets_html(one))
    large = [float(x) for x in re.findall(r"([\d.]+) oz\b(?! and)", buy)]
    assert " lb" in buy and max(large) < 16
    assert wax > 453.6 and f": {wax / 28.349523125:.1f} oz (" in pours

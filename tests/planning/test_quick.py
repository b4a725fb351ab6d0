"""The quick check: one pot, up to four loads, two pieces of each to heat and one to leave.

A pound of wax holds it: 12 pieces of an ounce at 1 to 3 oz to the pound take 11.3 oz of wax by
hand (3 oz of each load less the oil in it, and 5 % to spare).
"""

import re
from dataclasses import replace

import pytest

from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.costs import plan_costs
from scentlab.planning.kitchen import propose_plans
from scentlab.planning.plan import Plan
from scentlab.planning.quick import quick_costs, quick_plan
from scentlab.planning.refusal import PlanError
from scentlab.planning.sheets import quick_sheet_html
from scentlab.schema import SWEAT_GRADES
from scentlab.workshop import demo_plan

WAX = Wax("soft wax", limit_load_pct=6.25, price_per_kg=8.0)
FRAGRANCE = Fragrance("fig", price_per_kg=60.0)
OUNCES = (6.25, 9.375, 12.5, 18.75)  # 1, 1.5, 2 and 3 oz to the pound


def plan(loads=OUNCES, **more):
    return quick_plan(WAX, FRAGRANCE, loads, start="2026-12-01", seed=1, currency="EUR", **more)


def test_one_pot_and_three_pieces_a_load():
    pours, pieces = plan().pours, plan().pieces
    assert pours["pot"].nunique() == 1 and list(pours["load_pct"]) == list(OUNCES)
    assert pieces.groupby(["pour", "stress"]).size().unstack().to_numpy().tolist() == [[2, 1]] * 4


def test_a_pound_of_wax_holds_it():
    costs = plan_costs(plan())
    by_hand = sum(3 * 28.349523 / (1 + x / 100) for x in OUNCES) * 1.05
    # What sticks to the jug comes on top.
    assert by_hand < costs["wax_g"] < 1.08 * by_hand and costs["wax_g"] < 453.6
    assert costs["panel_hours"] == 0


def test_costs_in_words():
    first, second, third = quick_costs(plan())
    assert first.startswith("12 pieces of 28 g (1 oz) from one pot: 340 g (12 oz) of wax and ")
    assert first.endswith("with spare, about 5.06 EUR.")
    assert quick_costs(replace(plan(), currency=""))[0].endswith("about 5.06 in your currency.")
    assert second == (
        "About 72 minutes of one evening. The answer comes after 7 days: two pieces of each load "
        "go through the heat cycle, 3 x 12 h at 38 °C (100 °F), from day 4. One pot gives a load "
        "in about six of ten checks; otherwise it shows which pot to pour next.")
    assert third == ("Loads: 6.25 % (1 oz/lb), 9.4 % (1.5 oz/lb), 12.5 % (2 oz/lb), "
                     "18.75 % (3 oz/lb).")
    cheap = quick_plan(Wax("wax"), Fragrance("fig"), [6, 8], start="2026-12-01", seed=1)
    assert "about" not in quick_costs(cheap)[0]


def test_the_longest_names_that_a_wax_and_a_fragrance_may_have_make_a_title():
    wax, oil = "w" * 80, "o" * 80
    assert quick_plan(Wax(wax), Fragrance(oil), [6, 8], start="2026-12-01", seed=1).title == (
        f"Quick check of {oil} in {wax}")
    proposed = propose_plans("wax 4 lb, evenings 9", Blend("b" * 80, {Wax(wax): 1.0}),
                             Fragrance(oil), start="2026-12-01", seed=1)
    assert proposed[0].plan.title == f"{oil} in {'b' * 80}, small"


@pytest.mark.parametrize(("loads", "words"), [
    ([6, 7, 8, 9, 10], "5 loads given; give two to 4, the most for one pot"),
    ([6.25], "1 load given; give two to 4"),
])
def test_what_is_refused(loads, words):
    with pytest.raises(PlanError, match=words):
        plan(loads)


def test_the_sheet_tells_no_load_where_pieces_are_graded():
    page = quick_sheet_html(plan(), "letter")
    pouring, labels, grades = page.split("<section")[1:]
    assert "Melt <b>340 g (12 oz)</b>" in pouring and "9.4 % (1.5 oz/lb)" in pouring
    assert pouring.count("test only: over limit") == 3  # the wax maker's limit is 1 oz/lb
    codes = [p.code for p in plan().piece_rows]
    assert all(f"<b>{c}</b>" in labels and f"<b>{c}</b>" in grades for c in codes)
    assert "oz/lb" not in grades and "%" not in grades.split("</colgroup>")[1]
    assert all(f"<b>{g}</b> {words}" in grades for g, words in enumerate(SWEAT_GRADES))


def test_the_sheet_names_test_batches_as_phone_and_terminal_do_and_has_room_for_what_is_unknown():
    pouring, labels, _ = quick_sheet_html(plan()).split("<section")[1:]
    for p in plan().pour_rows:
        assert f"<td>{p.pour}<br><b>" in pouring and f"<h2>{p.pour}: " in labels
    blank, text = '<span class="line"></span>', re.sub(r"\s+", " ", pouring)
    assert (f"From the makers' sheets: add fragrance at {blank}, closed-cup flash point of the "
            f"fragrance {blank}, pour at {blank}, wax maker&#39;s maximum {blank}.") in text


def test_large_type_on_every_page():
    page = quick_sheet_html(plan())
    assert ".quick { font-size: 14pt; }" in page and page.count('class="quick"') == 3


def test_a_pot_of_two_waxes_says_how_much_of_each():
    """Pot P01 of the demo by hand: 1594 g in the pours and 5 %, 1674 g, of them 70 % soft wax."""
    demo = Plan.from_dict(demo_plan())

    def melt(**pouring):
        one = replace(demo, pouring=replace(demo.pouring, **pouring),
                      piece_rows=tuple(p for p in demo.piece_rows if p.stress))
        page = re.sub(r"<[^>]*>", "", quick_sheet_html(one, pots=["P01"]))
        return re.search(r"Melt .*?Fragrance", re.sub(r"\s+", " ", page))[0]

    assert melt() == (
        "Melt 1172 g (41.3 oz) of soft wax, invented lot S-12 and 502 g (17.7 oz) of firm wax, "
        "invented lot F-03, with spare. Fragrance")
    assert "with spare. Then dye: 1.7 g (0.06 oz). " in melt(dye_pct=0.1)

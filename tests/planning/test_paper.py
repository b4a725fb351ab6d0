"""Shopping list, throw slips, grade sheets and the diary."""

import re

import pytest

from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.diary import diary
from scentlab.planning.plan import HeatCycle, PieceNumbers, PlanError, make_plan
from scentlab.planning.sheets import grade_sheets_html, shopping_list_html, throw_slips_html
from scentlab.schema import FROST_GRADES, SWEAT_GRADES

SOFT = Wax("soft <wax>", "S-1", price_per_kg=6)


def plan(**changes):
    given = dict(
        title="Zeder, Feige; <i>ü</i> " + "lang " * 12, fragrance=Fragrance("cedar"),
        blends=[Blend("firmest", {SOFT: 1})], loads_pct=(5, 7.5, 11), piece_g=25, assessors=3,
        start="2026-12-30", seed=5, currency="EUR",
    )
    given.update(changes)
    return make_plan(**given)


ALL = [shopping_list_html, throw_slips_html, grade_sheets_html]


@pytest.mark.parametrize("sheet", ALL)
def test_sheets_escape_text_and_need_no_network(sheet):
    html = sheet(plan(invented=True))
    assert "<i>" not in html and "<wax>" not in html and "&lt;i&gt;" in html
    assert not re.search(r"https?:|src=|@import|url\(|<link|<script", html)
    assert "Invented demonstration, no evidence." in html


@pytest.mark.parametrize("sheet", [throw_slips_html, grade_sheets_html])
def test_score_sheets_unseal_nothing(sheet):
    text = re.sub(r"<style>.*?</style>|<[^>]+>", " ", sheet(plan()), flags=re.S)
    assert "firmest" not in text and not re.search(r"P0\d", text)
    assert "7.5" not in text and "% of wax" not in text and "% of total" not in text
    assert "test only" not in text


def test_throw_slips_hold_each_assessors_codes_in_order():
    one = plan()
    slips = re.findall(r'<div class="slip">(.*?)</div>', throw_slips_html(one), re.S)
    rows = one.smellings.groupby(["sitting", "assessor"], sort=False)
    assert len(slips) == len(rows)
    for slip, ((sitting, assessor), expected) in zip(slips, rows, strict=True):
        assert f"session {sitting}, " in slip and f"tester {assessor}<" in slip
        assert re.findall(r"<b>(\d{3})</b>", slip) == expected["code"].tolist()
        assert "<th>Score<br>0 to 10</th>" in slip
        assert "a whole number: 0 nothing, 5 clear, 10 overpowering." in slip


def test_grade_sheets_hold_every_code_to_grade_once_with_the_words_of_the_grades():
    one = plan()
    html = grade_sheets_html(one)
    graded = one.pieces[one.pieces["test"].isin(["sweat", "frost"])]["code"]
    assert sorted(re.findall(r"<b>(\d{3})</b>", html)) == sorted(graded)
    for words in (*SWEAT_GRADES, *FROST_GRADES):
        assert words in html
    assert html.count("Heat cycle before the inspection: 3 x 12 h at 38 °C (100 °F).") == 2
    for sheet in html.split("<section>")[1:-1]:  # the last says how to hold the heat
        assert ("Condensed water is not" in sheet) != ("<h1>Frost: " in sheet)


def test_shopping_list_names_what_to_buy_and_what_has_no_price():
    html = shopping_list_html(plan())
    assert "soft &lt;wax&gt;" in html and "S-1" in html and "EUR per kg" in html
    assert "not known: a price is missing" in html
    priced = shopping_list_html(plan(fragrance=Fragrance("cedar", price_per_kg=60)))
    assert re.search(r"Cost of wax and fragrance: <b>\d+\.\d\d EUR</b>", priced)


def test_diary_by_hand():
    rows = diary(plan())
    got = list(zip(rows["day"].astype(str), rows["task"], strict=True))
    assert got == [
        ("2026-12-30", "Pour"), ("2026-12-31", "Pour"),
        ("2027-01-03", "Start the heat cycle"), ("2027-01-04", "Start the heat cycle"),
        ("2027-01-06", "Inspect sweat, room temperature"),
        ("2027-01-06", "Inspect sweat, heat-cycled"),
        ("2027-01-07", "Inspect sweat, room temperature"),
        ("2027-01-07", "Inspect sweat, heat-cycled"),
        ("2027-01-13", "Inspect frost"), ("2027-01-13", "Session S01, hot throw"),
        ("2027-01-14", "Inspect frost"), ("2027-01-14", "Session S02, hot throw"),
        ("2027-01-15", "Session S03, hot throw"),
    ]
    assert rows["detail"][0].startswith("1 pot, 3 test batches, 18 pieces, ")


def test_sheets_without_anything_on_them_are_refused():
    bare = plan(pieces=PieceNumbers(0, 0, 0, 0, 2), assessors=())
    with pytest.raises(PlanError) as caught:
        throw_slips_html(bare)
    assert str(caught.value) == (
        "the plan has no session; plan throw pieces and testers first")
    with pytest.raises(PlanError) as caught:
        grade_sheets_html(bare)
    assert str(caught.value) == (
        "the plan has no piece to grade; plan sweat or frost pieces first")


def test_heat_cycles_that_do_not_fit_before_the_look_are_refused():
    with pytest.raises(PlanError) as caught:
        plan(heat_cycle=HeatCycle(cycles=8))
    assert str(caught.value) == (
        "8 heat cycles, one a day, do not fit before an inspection 7 days after pouring; use fewer "
        "cycles, or cure longer before inspecting the heat-cycled pieces"
    )

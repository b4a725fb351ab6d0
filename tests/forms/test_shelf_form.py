"""What is on the shelf is typed once: by hand, and taken into the forms of a plan."""

import datetime as dt

import pytest

from scentlab.forms.materials import MaterialsForm
from scentlab.forms.quick import QuickPlanForm
from scentlab.forms.shelf import ShelfForm
from scentlab.materials import Fragrance, Wax
from scentlab.recording.shelf import SHELF_NAME, plan_rows, put_on_shelf, read_shelf
from scentlab.workshop import demo_plan

DAY = dt.date(2026, 3, 1)


@pytest.fixture
def folder(tmp_path):
    """A workshop with a wax, a fragrance and what the demo plan has."""
    put_on_shelf(tmp_path, plan_rows({**demo_plan(), "invented": False}), DAY)
    put_on_shelf(tmp_path, [
        {"kind": "wax", "name": "palm wax", "limit_load_pct": 9, "recommended_load_pct": 6.25,
         "add_temp_c": 85, "price_per_kg": 8, "currency": "EUR", "lot": "P-1"},
        {"kind": "fragrance", "name": "fig", "flash_point_c": 93, "price_per_kg": 40}], DAY)
    return tmp_path


def offer(form, kind):
    return next(c for c in _all(form) if f"scent-field-shelf-{kind}" in c._dom_classes)


def _all(widget):
    yield widget
    for child in getattr(widget, "children", ()):
        yield from _all(child)


def test_a_wax_of_the_shelf_fills_its_fields_and_a_second_one_a_card_of_its_own(folder):
    shelf = read_shelf(folder)
    form = MaterialsForm(shelf=shelf)
    for name in ("palm wax", "soft wax", "palm wax"):
        offer(form, "wax").value = name
    offer(form, "fragrance").value = "fig"
    assert form.waxes == (shelf.wax("palm wax"), shelf.wax("soft wax"))
    assert form.waxes[0].lot == "P-1"
    assert form.fragrance == Fragrance("fig", flash_point_c=93, price_per_kg=40)
    assert offer(form, "wax").value == ""


def test_a_blend_of_the_shelf_brings_its_waxes_and_parts(folder):
    shelf = read_shelf(folder)
    form = MaterialsForm(shelf=shelf)
    offer(form, "wax").value = "palm wax"
    for name in ("soft-firm 70/30", "creamy-firm 60/40"):
        offer(form, "blend").value = name
    offer(form, "fragrance").value = "fig"
    assert [wax.name for wax in form.waxes] == ["palm wax", "soft wax", "firm wax", "creamy wax"]
    assert form.blends == (shelf.blend("soft-firm 70/30"), shelf.blend("creamy-firm 60/40"))
    assert "From the shelf: fig." in form.message.value
    form.back.click()
    assert form.scent_card.fields["name"].value == "" and len(form.wax_cards) == 4


def test_without_a_shelf_nothing_is_offered():
    assert not [c for c in _all(MaterialsForm()) if any("shelf" in x for x in c._dom_classes)]


def test_the_quick_check_is_filled_and_what_is_left_out_comes_from_the_shelf(folder):
    made = []
    form = QuickPlanForm(folder / "fig", DAY, made.append)
    offer(form, "wax").value, offer(form, "fragrance").value = "palm wax", "fig"
    texts = {name: field.text for name, field in form.fields.items() if field.text}
    assert texts == {"wax": "palm wax", "oil": "fig", "sheet": "6.25 %", "limit": "9 %",
                     "add": "85 C", "flash": "93 C", "wax_price": "8 / kg", "oil_price": "40 / kg"}
    form.fields["loads"].value = "1, 2 oz/lb"
    form.fields["add"].value = ""
    wax = form.plan.blends[0].parts[0][0]
    assert wax == read_shelf(folder).wax("palm wax")
    assert form.plan.currency == "EUR"
    assert "From the shelf, unless you type otherwise: palm wax and fig." in form.takes.value
    form.fields["limit"].value = "10 %"
    assert form.plan.blends[0].limit_load_pct == 10


def test_a_shelf_that_cannot_be_read_offers_nothing_and_the_plan_says_why(tmp_path):
    (tmp_path / SHELF_NAME).write_text("kind,name\njar,x\n")
    form = QuickPlanForm(tmp_path / "fig", DAY, None)
    for name, text in (("wax", "soft"), ("oil", "fig"), ("loads", "6, 9 %")):
        form.fields[name].value = text
    assert form.plan is None and "row 2, column kind" in form.takes.value


def test_by_hand_a_wax_goes_there_and_a_change_is_a_version(folder):
    told = []
    form = ShelfForm(folder, lambda: told.append(1))
    form.fields["name"].box.value = "rice wax"
    form.fields["limit_load_pct"].box.value = "1.5 oz/lb"
    form.fields["limit_on"].box.value = "05.01.2026"
    form.fields["limit_source"].box.value = "sheet 4"
    form.put.click()
    assert read_shelf(folder).wax("rice wax") == Wax("rice wax", limit_load_pct=9.375)
    offer(form, "wax").value = "rice wax"
    assert form.fields["limit_source"].text == "sheet 4"
    assert form.fields["limit_on"].text == "2026-01-05"
    form.put.click()
    assert "already on the shelf like that" in form.message.value and len(told) == 1
    form.fields["limit_load_pct"].box.value = ""
    form.fields["lot"].box.value = "R-1"
    form.put.click()
    assert read_shelf(folder).wax("rice wax") == Wax("rice wax", "R-1")
    rows = read_shelf(folder).rows
    assert list(rows[rows["name"] == "rice wax"]["limit_load_pct"].notna()) == [True, False]


def test_by_hand_what_cannot_be_is_said_below_its_field(folder):
    form = ShelfForm(folder)
    form.put.click()
    assert "still to be filled in" in form.message.value
    form.fields["name"].box.value = "rice wax"
    form.fields["limit_load_pct"].box.value = "90"
    form.put.click()
    assert "expected a number from 0.1 to 40" in form.fields["limit_load_pct"].said.value
    form.kind.choose("tester")
    form.fields["name"].box.value = "Anna"
    form.put.click()
    assert "a tester" in form.message.value and "never a name" in form.message.value
    form.fields["name"].box.value = "B7"
    form.put.click()
    assert "B7" in read_shelf(folder).names("tester")

"""The form for what the thermometer showed, on the quick page and on the page of scores."""

import datetime as dt

import pytest

from scentlab.forms.heat import HeatForm
from scentlab.forms.quick import quick_page
from scentlab.recording.reading import read_series
from scentlab.screens.score import heat_form
from scentlab.units import Shown, showing
from scentlab.workshop import series_here

DAY, LATER = dt.date(2026, 11, 1), dt.date(2026, 11, 12)
PLANNED = {"temp_c": 38.0, "hours": 12.0, "cycles": 3}


@pytest.fixture
def kept():
    rows = []
    return HeatForm(PLANNED, lambda row: rows.append(row) or len(rows), rows.pop, DAY), rows


def typed(form, **texts):
    for name, text in texts.items():
        form.fields[name].value = text
    form.save.click()


def test_empty_is_as_planned_and_fahrenheit_is_understood(kept):
    form, rows = kept
    typed(form, low_c="99 F", high_c="40")
    row = rows[0]
    assert {k: row[k] for k in row if k != "key"} == {
        "low_c": pytest.approx(37.22, abs=0.01), "high_c": 40.0, "hours": 12.0, "cycles": 3,
        "started_on": DAY, "pack": None}
    assert "3 x 12 h at 37.2" in form.message.value and "to 40 °C" in form.message.value


@pytest.mark.parametrize(("low", "high", "words"), [
    ("", "40", "nothing is filled in"), ("40", "37", "is above the hottest, 37 °C"),
    ("40", "104", "expected a number with a decimal point from -10 to 80"),
])
def test_what_cannot_be_is_not_saved(kept, low, high, words):
    form, rows = kept
    typed(form, low_c=low, high_c=high)
    assert words in form.message.value and "NOT SAVED" in form.message.value and not rows


def test_degrees_of_the_other_unit_are_asked_about(kept):
    form, rows = kept
    with showing(Shown("oz", "F")):
        form = HeatForm(PLANNED, lambda row: rows.append(row) or len(rows), rows.pop, DAY)
        typed(form, low_c="37,5", high_c="104 F")
        assert ("NOT SAVED YET. Coldest the thermometer showed while warm: 37.5 °F is "
                "63 °F below the planned 100.4 °F. Is 37.5 °F right?") in form.message.value
        assert not rows
        form.save.click()
    assert rows[0]["low_c"] == pytest.approx(3.06, abs=0.01)


def test_a_second_tap_stores_nothing_and_undo_brings_back_what_was_typed(kept):
    form, rows = kept
    form._on_undo = lambda receipt: rows.clear()
    typed(form, low_c="99 F", high_c="40", pack="shut")
    form.save.click()
    assert len(rows) == 1 and "nothing is filled in" in form.message.value
    form.undo.click()
    assert (form.fields["low_c"].value, form.fields["pack"].value) == ("99 F", "shut")
    form.save.click()
    assert len(rows) == 1


def test_an_empty_day_is_the_day_of_the_tap():
    rows = []
    form = HeatForm(PLANNED, lambda row: rows.append(row) or len(rows), None)
    typed(form, low_c="37", high_c="40")
    assert rows[0]["started_on"] == dt.date.today()


def test_on_the_quick_page_until_it_is_known(tmp_path):
    page = quick_page(tmp_path / "fig", DAY)
    for name, text in {"wax": "soft", "oil": "fig", "loads": "1, 2 oz/lb"}.items():
        page.plan.fields[name].value = text
    page.plan.make.click()
    assert page.heat is None  # nothing is poured
    page.weights.save.click()
    page = quick_page(tmp_path / "fig", LATER)
    typed(page.heat, low_c="37", high_c="39")
    heats = page.check.store.rows("heats")
    assert str(heats["started_on"].iloc[0])[:10] == "2026-11-05"
    assert quick_page(tmp_path / "fig", LATER).heat is None
    page.heat.undo.click()
    assert page.check.store.rows("heats").empty
    assert quick_page(tmp_path / "fig", LATER).heat is not None


def test_what_cannot_be_is_told_in_the_scale_of_the_maker(kept):
    with showing(Shown("oz", "F")):
        form, rows = kept
        typed(form, low_c="104 F", high_c="98.6 F")
        assert ("the coldest, 104 °F, is above the hottest, 98.6 °F; check both"
                in form.message.value) and not rows


def test_on_the_page_of_scores_it_reaches_what_an_answer_rests_on():
    bench = series_here("plan", "pours")
    before = len(read_series(bench.store).heats)
    form = heat_form(bench)[1]
    typed(form, low_c="36", high_c="41", pack="shut")
    heats = read_series(bench.store).heats
    assert len(heats) == before + 1 and "shut" in set(heats["pack"])

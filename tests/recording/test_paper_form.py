"""Scores from paper in a grid: by blind code, all or none."""

import datetime as dt
import html
import re

import pandas as pd
import pytest

from scentlab.recording import paper_form
from scentlab.recording.paper_form import PaperForm
from scentlab.recording.store import Store

PIECES = pd.DataFrame(
    [
        ("417", "sweat", "rest", None, None, None, 14.0),
        ("211", "sweat", "rest", None, None, None, 14.0),
        ("305", "sweat", "heat", None, None, None, 2.0),
        ("620", "frost", "rest", None, None, None, 14.0),
        ("500", "throw", None, "S1", "warm", 1, 14.0),
        ("501", "throw", None, "S1", "warm", 2, 14.0),
        ("510", "throw", None, "S2", "cold", 1, 14.0),
    ],
    columns=["code", "test", "stress", "sitting", "kind", "position", "age_days"],
)


@pytest.fixture
def store(tmp_path):
    store = Store.create(tmp_path / "s")
    store.add_many("pieces", [{"code": c, "pour": "P01"} for c in PIECES["code"]])
    return store


@pytest.fixture
def form(store):
    return PaperForm(PIECES, "A2", store.add_all, works_with_fragrance="no")


def said(form):
    return html.unescape(re.sub("<[^>]+>", "\n", form.message.value.replace("<br>", "\n"))).strip()


def fill(form, **cells):
    for name, value in cells.items():
        _, code, column = name.split("_")
        form.cell(code, column).value = value


def test_it_begins_closed_and_empty_with_a_row_for_each_code(form):
    assert not form.is_open and form.grid.values == {}
    assert form.fold.description == "▸ Scores of A2 from paper (7 to come)"
    form.fold.click()
    assert form.is_open
    shown = [(s["title"], s["heads"], [r["code"] for r in s["rows"]]) for s in form.grid.sections]
    assert shown == [
        ("Sweat", ["Code", "Grade 0 to 4"], ["417", "211"]),
        ("Sweat, after the heat cycle", ["Code", "Grade 0 to 4"], ["305"]),
        ("Frost", ["Code", "Grade 0 to 4"], ["620"]),
        ("Warm throw, sitting S1", ["Code", "Throw 0 to 10", "Minutes on the warmer"],
         ["500", "501"]),
        ("Cold throw, sitting S2", ["Code", "Throw 0 to 10"], ["510"]),
    ]
    cells = [c for s in form.grid.sections for r in s["rows"] for c in r["cells"]]
    assert [c["name"] for c in cells] == list(form.cells)
    assert len({c["label"] for c in cells}) == 9, "each cell has a name of its own"


def test_all_that_is_filled_in_is_saved_at_once(form, store):
    fill(form, g_417_grade="2", g_620_grade="0", t_500_throw="6,5", t_500_minutes="30",
         t_510_throw="0")
    form.save.click()
    assert re.fullmatch(r"Saved at \d\d:\d\d:\d\d: 2 grades and 2 throw scores of A2.", said(form))
    names = ["code", "test", "stress", "age_days", "assessor", "grade"]
    assert store.rows("grades")[names].to_numpy().tolist() == [
        ["417", "sweat", "rest", 14.0, "A2", 2], ["620", "frost", "rest", 14.0, "A2", 0]
    ]
    throws = store.rows("throws")
    assert throws[["code", "sitting", "kind", "throw", "position"]].to_numpy().tolist() == [
        ["500", "S1", "warm", 6.5, 1], ["510", "S2", "cold", 0.0, 1]
    ]
    assert throws["minutes"].tolist()[0] == 30.0 and pd.isna(throws["minutes"][1])
    assert set(throws["works_with_fragrance"]) == {"no"}
    form.save.click()
    assert said(form) == (
        "NOT SAVED. Nothing is filled in: type what stands on the paper, then save."
    ), "what was saved is closed"
    fill(form, g_417_grade="4")
    form.save.click()
    assert len(store.rows("grades")) == 2
    fill(form, g_211_grade="1")
    form.save.click()
    assert list(store.rows("grades")["code"]) == ["417", "620", "211"]


def test_wrong_cells_are_all_told_marked_and_nothing_is_saved(form, store):
    fill(form, g_417_grade="2", g_211_grade="5", g_305_grade="1.5", t_500_throw="11",
         t_501_minutes="30")
    form.save.click()
    assert said(form).splitlines() == [
        "NOT SAVED. Nothing was saved, for these cells are wrong:",
        "Piece 211: grade: found '5', expected a whole number from 0 to 4 "
        "(grade).",
        "Piece 305: grade: found '1.5', expected a whole number from 0 to 4 "
        "(grade).",
        "Piece 500: throw: found '11', expected a number with a decimal "
        "point from 0 to 10 (throw, 0 to 10).",
        "Piece 500: time on the warmer before the score: nothing is filled in, expected a number "
        "with a decimal point from 0 to 1440 (min).",
        "Piece 501: throw: nothing is filled in, expected a number with a "
        "decimal point from 0 to 10 (throw, 0 to 10).",
    ]
    assert len(form.grid.wrong) == 5 and store.rows("grades").empty
    assert form.cell("417", "grade").value == "2", "what was typed stays"


def test_one_refused_row_keeps_all_out(form, store):
    store.add("grades", {"code": "211", "test": "sweat", "stress": "rest", "age_days": 14.0,
                         "assessor": "A2", "grade": 0})
    fill(form, g_417_grade="2", g_211_grade="3")
    form.save.click()
    assert "code 211" in said(form) and "is stored already (entry 1)" in said(form)
    assert len(store.rows("grades")) == 1
    assert form.grid.saved == []


def test_the_day_on_the_sheet_counts_for_the_age(form, store):
    today = dt.date.today()
    form.day.value = str(today - dt.timedelta(days=4))
    fill(form, g_417_grade="2")
    form.save.click()
    assert store.rows("grades")["age_days"].tolist() == [10.0]
    fill(form, g_305_grade="1")
    form.save.click()
    assert said(form).splitlines()[1] == (
        f"Piece 305: the day on the sheet, {form.day.value}, lies before the day it was poured. "
        "Correct the day."
    )
    form.day.value = str(today + dt.timedelta(days=2))
    form.save.click()
    assert said(form).startswith(f"NOT SAVED. Day on the sheet: found '{form.day.value}', which is")


def test_many_wrong_cells_are_not_all_told(store, monkeypatch):
    monkeypatch.setattr(paper_form, "_MOST_TOLD", 1)
    form = PaperForm(PIECES, "A2", store.add_all)
    fill(form, g_417_grade="x", g_211_grade="y", g_620_grade="z")
    form.save.click()
    assert said(form).splitlines()[2:] == ["... and 2 more, marked in the grid."]


def test_a_tap_brings_what_was_typed(form, store):
    name = next(n for n in form.cells if "417" in n)
    form._heard({"press": "save", "key": "k" * 32, "fields": {name: "3"}})
    form._heard({"press": "save", "key": "k" * 32, "fields": {name: "3"}})
    assert store.rows("grades")["grade"].tolist() == [3]

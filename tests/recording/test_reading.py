"""From the store to a series: joins, limits from plan or pours, and what cannot be read."""

import datetime as dt

import pandas as pd
import pytest

from scentlab.materials import Blend, Wax
from scentlab.planning.plan import Plan
from scentlab.recording.correcting import mend
from scentlab.recording.reading import plan_now, read_series
from scentlab.recording.store import Store, StoreError
from scentlab.recording.unpoured import leave_out
from scentlab.series import (
    BLEND_COLUMNS,
    GRADE_COLUMNS,
    POUR_COLUMNS,
    THROW_COLUMNS,
)
from scentlab.workshop import make_demo_series

SOFT, HARD = Wax("soft", limit_load_pct=10, price_per_kg=4), Wax("hard", limit_load_pct=6,
                                                                 price_per_kg=8)
PLAN = {
    "title": "Cedar loads",
    "fragrance": {"name": "cedar", "limit_content_pct": 9.5, "price_per_kg": 40.0},
    "blends": [Blend("mix", ((SOFT, 0.75), (HARD, 0.25))).to_dict(),
               Blend("pure", ((SOFT, 1.0),)).to_dict()],
    "pours": [{"pour": "P01", "load_pct": 9.0}, {"pour": "P02", "load_pct": 12.0}],
    "pieces": [
        {"code": "417", "pour": "P01", "test": "sweat", "stress": "heat"},
        {"code": "211", "pour": "P02", "test": "throw", "stress": None},
    ],
    "piece_g": 20.0, "currency": "EUR", "invented": True,
}


def pour(name="P01", fragrance_g=18.0, blend="mix", **more):
    return {"pour": name, "pot": "A", "blend": blend, "poured_on": "2026-03-01", "wax_g": 200.0,
            "fragrance_g": fragrance_g, **more}


@pytest.fixture
def planned(folder):
    store = Store.create(folder)
    store.save_plan(PLAN)
    store.add_all({"pours": [pour(), pour("P02", 25.0)]})
    return store


def test_plan_and_records_are_joined(planned):
    planned.add("grades", {"code": "417", "test": "sweat", "assessor": "A1", "grade": 2})
    planned.add("throws", {"code": "211", "assessor": "A2", "sitting": "S1", "kind": "warm",
                           "throw": 6.5, "minutes": 30})
    series = read_series(planned)
    assert (series.title, series.fragrance, series.currency) == ("Cedar loads", "cedar", "EUR")
    assert (series.piece_g, series.invented, series.plan) == (20.0, True, PLAN)
    assert tuple(series.pours.columns) == POUR_COLUMNS
    assert list(series.pours["load_pct"]) == [9.0, 12.5]
    assert list(series.pours["planned_load_pct"]) == [9.0, 12.0]
    # By hand: 100 * 18 / 218.
    assert series.pours["content_pct"][0] == pytest.approx(8.2569, abs=5e-5)
    assert series.pours["poured_on"][0] == dt.date(2026, 3, 1)
    assert tuple(series.grades.columns) == GRADE_COLUMNS
    look = series.grades.iloc[0]
    assert (look["pour"], look["load_pct"], look["stress"]) == ("P01", 9.0, "heat")
    assert pd.isna(look["age_days"])
    assert tuple(series.throws.columns) == THROW_COLUMNS
    smelt = series.throws.iloc[0]
    assert (smelt["pour"], smelt["load_pct"], smelt["throw"]) == ("P02", 12.5, 6.5)


def test_blends_of_the_plan(planned):
    series = read_series(planned)
    assert tuple(series.blends.columns) == BLEND_COLUMNS
    mix = series.blends.set_index("blend").loc["mix"]
    assert mix["composition"] == "75 % soft, 25 % hard"
    # The lowest limit of the waxes; 0.75 * 4 + 0.25 * 8 a kilogram.
    assert (mix["limit_load_pct"], mix["limit_content_pct"]) == (6.0, 9.5)
    assert (mix["wax_price_per_kg"], mix["fragrance_price_per_kg"]) == (5.0, 40.0)
    assert series.fractions.loc["mix"].to_dict() == {"soft": 0.75, "hard": 0.25}
    assert series.fractions.loc["pure"].to_dict() == {"soft": 1.0, "hard": 0.0}


def test_without_a_plan_the_pours_tell_the_limits(folder):
    store = Store.create(folder, title="Cedar", fragrance="cedar")
    store.add_all({"pours": [
        pour(limit_load_pct=8, limit_content_pct=9.5), pour("P02", 25.0, limit_load_pct=8),
        pour("P03", 12.0, blend="other"),
    ]})
    series = read_series(store)
    blends = series.blends.set_index("blend")
    assert blends.loc["mix", ["limit_load_pct", "limit_content_pct"]].tolist() == [8.0, 9.5]
    assert blends.loc["other"].isna().all()
    assert (series.title, series.fragrance, series.plan) == ("Cedar", "cedar", None)
    assert series.pours["planned_load_pct"].isna().all()
    assert series.fractions.empty
    assert series.grades.empty and series.throws.empty


def test_a_series_without_any_title_has_the_name_of_its_folder(folder):
    store = Store.create(folder)
    store.add("pours", pour())
    assert read_series(store).title == "series"


def test_corrections_count_and_voids_do_not(planned):
    first = planned.add("grades", {"code": "417", "test": "sweat", "assessor": "A1", "grade": 2})
    other = planned.add("grades", {"code": "417", "test": "sweat", "assessor": "A2", "grade": 4})
    planned.correct("grades", first.entry_id, {"grade": 3})
    planned.void("grades", other.entry_id, "wrong piece")
    assert list(read_series(planned).grades["grade"]) == [3]


def test_a_piece_belongs_to_the_corrected_pour(planned):
    planned.add("grades", {"code": "417", "test": "sweat", "assessor": "A1", "grade": 2})
    entry = planned.rows("pieces").set_index("code").loc["417", "entry_id"]
    planned.correct("pieces", entry, {"pour": "P02"})
    assert list(read_series(planned).grades["load_pct"]) == [12.5]


def test_no_pours_yet(folder):
    store = Store.create(folder)
    with pytest.raises(StoreError) as error:
        read_series(store)
    assert str(error.value) == (
        "no test batch is logged yet; log some on page Pour or import a file"
    )


def test_a_limit_told_twice_differently(folder):
    store = Store.create(folder)
    store.add_all({"pours": [pour(limit_load_pct=8), pour("P02", limit_load_pct=10)]})
    with pytest.raises(StoreError) as error:
        read_series(store)
    assert str(error.value) == (
        "blend mix: limit_load_pct (g per 100 g of wax) is 8 in test batch P01 but 10 in "
        "test batch P02; correct the test batches so that each blend has one limit"
    )


def test_a_limit_of_the_fragrance_in_pours_of_an_earlier_quick_check_is_not_the_waxs(planned):
    limit = 100 * 9.5 / 90.5  # of 9.5 g in 100 g of product
    planned.add("pours", pour("P03", blend="pure", limit_load_pct=limit))
    blends = read_series(planned).blends.set_index("blend")
    assert blends.loc["pure", ["limit_load_pct", "limit_content_pct"]].tolist() == [10.0, 9.5]


def test_a_limit_of_the_pours_against_the_plan(planned):
    planned.add("pours", pour("P03", limit_content_pct=12))
    with pytest.raises(StoreError) as error:
        read_series(planned)
    assert str(error.value) == (
        "blend mix: limit_content_pct (g in 100 g of finished product) is 12 in test batch P03 "
        "but 9.5 in the plan; correct the test batches so that each blend has one limit"
    )


def test_scores_of_a_pour_that_is_not_logged(folder):
    store = Store.create(folder)
    store.save_plan(PLAN)
    store.add("pours", pour())
    store.add("throws", {"code": "211", "assessor": "A2", "sitting": "S1", "kind": "cold",
                         "throw": 1})
    with pytest.raises(StoreError) as error:
        read_series(store)
    assert str(error.value) == (
        "throw scores belong to test batches that are not logged: P02; log what was weighed for "
        "them"
    )


def test_scores_of_a_void_piece(planned):
    planned.add("grades", {"code": "417", "test": "sweat", "grade": 2})
    entry = planned.rows("pieces").set_index("code").loc["417", "entry_id"]
    planned.void("pieces", entry, "broken")
    with pytest.raises(StoreError) as error:
        read_series(planned)
    assert str(error.value) == (
        "grades of pieces that are void: 417; void these scores or add the pieces again"
    )


def test_a_piece_that_is_void_is_planned_no_more(planned):
    entry = planned.rows("pieces").set_index("code").loc["417", "entry_id"]
    planned.void("pieces", entry, "broken")
    assert read_series(planned).plan["pieces"] == [p for p in PLAN["pieces"] if p["code"] != "417"]


def test_a_piece_that_is_lost_is_planned_no_more_unless_it_was_graded(planned):
    leave_out(planned, "417", "behind the stove")
    plan = read_series(planned).plan
    assert plan["pieces"] + plan["lost"] == sorted(PLAN["pieces"], key=lambda p: p["code"] == "417")
    assert [p["code"] for p in plan["lost"]] == ["417"]
    planned.add("grades", {"code": "417", "test": "sweat", "assessor": "A1", "grade": 2})
    assert read_series(planned).plan == PLAN


@pytest.mark.parametrize("column", ["limit_load_pct", "limit_content_pct"])
def test_a_corrected_limit_counts_for_the_whole_blend(planned, column):
    """The last correction holds, whatever plan and pours said before, and is in the plan too."""
    def limit():
        series = read_series(planned)
        told = {"limit_load_pct": Blend.from_dict(series.plan["blends"][0]).limit_load_pct,
                "limit_content_pct": series.plan["fragrance"]["limit_content_pct"]}
        known = series.blends.set_index("blend")
        assert told[column] == known.loc["mix", column]
        pure = {"limit_load_pct": 10.0, "limit_content_pct": told["limit_content_pct"]}
        assert known.loc["pure", column] == pure[column]  # a plan has one fragrance
        return told[column]

    usual = limit()
    other = planned.add("pours", pour("P03", **{column: usual}))
    entry = planned.rows("pours")["entry_id"].iloc[0]
    first = planned.correct("pours", entry, {column: 7.0}, reason="the maker's letter")
    assert limit() == 7.0
    # What else is corrected, void, or told again as it was before is no other limit.
    planned.correct("pours", other.entry_id, {"wax_g": 201.0})
    planned.void("pours", planned.rows("pours")["entry_id"].iloc[0], "spilt")
    planned.add("pours", pour("P04", **{column: usual}))
    assert limit() == 7.0
    planned.correct("pours", first.entry_id, {column: usual})
    assert limit() == usual


@pytest.mark.parametrize("column", ["limit_load_pct", "limit_content_pct"])
def test_a_corrected_limit_that_is_emptied_holds_no_more(planned, column):
    def correct(pour, value):
        entry, = planned.records("pours", ("pour",), pour)
        mend(planned, "pours", entry["entry_id"], {column: value}, "a new sheet")
        return read_series(planned).blends.set_index("blend").loc["mix", column]

    usual = read_series(planned).blends.set_index("blend").loc["mix", column]
    assert [correct("P01", "5"), correct("P01", "4"), correct("P01", "")] == [5.0, 4.0, usual]
    assert correct("P02", "3") == 3.0
    assert [correct("P01", "4"), correct("P01", "")] == [4.0, 3.0], "that of the other pour stands"
    assert correct("P02", "") == usual
    assert correct("P01", "4") == 4.0


def test_another_limit_told_after_a_correction_is_shown(planned):
    entry = planned.rows("pours")["entry_id"].iloc[0]
    planned.correct("pours", entry, {"limit_load_pct": 7.0})
    planned.add("pours", pour("P03", limit_load_pct=5.0))
    with pytest.raises(StoreError, match="is 7 in the correction of test batch P01 but 5 in test "
                                         "batch P03"):
        read_series(planned)


def test_what_is_planned_next_knows_a_corrected_limit(tmp_path):
    store = make_demo_series(tmp_path)
    before = {b.name: b.limit_load_pct for b in Plan.from_dict(plan_now(store)).blends}
    pour = store.rows("pours").iloc[0]
    store.correct("pours", int(pour["entry_id"]), {"limit_load_pct": 7.0}, reason="a new sheet")
    after = {b.name: b.limit_load_pct for b in Plan.from_dict(plan_now(store)).blends}
    assert before.pop(pour["blend"]) == 10.0 and after.pop(pour["blend"]) == 7.0
    assert after == before

"""The shelf of a workshop: one file that a person can open, and that forgets nothing."""

import contextlib
import csv
import datetime as dt
import os
import sqlite3
import threading
import time

import pytest

from scentlab.materials import Blend, Fragrance, MaterialError, Wax
from scentlab.recording import shelf as shelf_module
from scentlab.recording.shelf import (
    SHELF_NAME,
    gather,
    import_shelf,
    plan_rows,
    put_on_shelf,
    read_shelf,
    shelve,
)
from scentlab.schema import DataError
from scentlab.workshop import demo_plan, make_demo_series, make_series

DAY = dt.date(2026, 3, 1)


def own_plan(**more):
    return {**demo_plan(), "title": "Own", "invented": False, **more}


def later(days):
    return DAY + dt.timedelta(days=days)


def test_what_a_plan_knows_comes_back_as_it_was(tmp_path):
    plan = own_plan()
    put_on_shelf(tmp_path, plan_rows(plan), DAY)
    shelf = read_shelf(tmp_path)
    for blend in map(Blend.from_dict, plan["blends"]):
        assert shelf.blend(blend.name) == blend
    fragrance = Fragrance(**plan["fragrance"])
    assert shelf.fragrance(fragrance.name) == fragrance
    assert shelf.names("tester") == plan["assessors"]
    assert shelf.find("wax", "soft wax")["currency"] == plan["currency"]


def test_an_invented_plan_stays_off_the_shelf(tmp_path):
    assert plan_rows(demo_plan()) == []
    make_demo_series(tmp_path / "demo")
    assert gather(tmp_path).now == [] and not (tmp_path / SHELF_NAME).exists()


def test_a_change_adds_a_row_and_the_old_one_stays(tmp_path):
    def put(day, **more):
        return put_on_shelf(tmp_path, [{"kind": "wax", "name": "soft wax", **more}], later(day))

    put(0, limit_load_pct=10, limit_on="2025-01-05", limit_source="sheet 4", lot="A",
        max_temp_c=93)
    assert put(1, limit_load_pct=10, limit_source="plan: fig") == []  # nothing new of the limit
    assert len(put(2, lot="B")) == 1
    assert len(put(3, limit_load_pct=12)) == 1
    rows = list(csv.DictReader((tmp_path / SHELF_NAME).open(encoding="utf-8")))
    assert [(r["lot"], r["limit_load_pct"], r["limit_on"], r["since"]) for r in rows] == [
        ("A", "10.0", "2025-01-05", "2026-03-01"), ("B", "10.0", "2025-01-05", "2026-03-03"),
        ("B", "12.0", "", "2026-03-04")]
    shelf = read_shelf(tmp_path)
    assert shelf.wax("soft wax") == Wax("soft wax", "B", limit_load_pct=12, max_temp_c=93)
    assert shelf.lots("wax", "soft wax") == ["A", "B"]


def test_one_comparison_of_names_holds_and_the_first_spelling_stays(tmp_path):
    put_on_shelf(tmp_path, [{"kind": "wax", "name": "Soft  wax", "lot": "A"}], DAY)
    added = put_on_shelf(tmp_path, [{"kind": "wax", "name": "s\u043eft WAX", "lot": "B"}], DAY)
    assert added[0]["name"] == "Soft  wax"
    assert read_shelf(tmp_path).wax("soft wax").lot == "B"
    assert read_shelf(tmp_path).wax("firm wax") == Wax("firm wax")


def test_a_name_that_reads_as_several_waxes_is_one_where_the_shelf_has_it(tmp_path):
    with pytest.raises(MaterialError, match="^'soy; palm' reads as several waxes; name one"):
        read_shelf(tmp_path).one_wax("soy; palm")
    put_on_shelf(tmp_path, [{"kind": "wax", "name": "soy; palm"}])
    assert read_shelf(tmp_path).one_wax("Soy; palm") == "Soy; palm"


def test_what_a_form_leaves_out_is_not_known_any_more_and_what_a_plan_does_is(tmp_path):
    known = {"kind": "fragrance", "name": "fig", "flash_point_c": 90, "limit_content_pct": 12}
    put_on_shelf(tmp_path, [known], DAY)
    put_on_shelf(tmp_path, [{"kind": "fragrance", "name": "fig", "lot": "7"}], DAY)
    assert read_shelf(tmp_path).fragrance("fig").flash_point_c == 90
    put_on_shelf(tmp_path, [{"kind": "fragrance", "name": "fig", "lot": "7"}], DAY, over=True)
    assert read_shelf(tmp_path).fragrance("fig") == Fragrance("fig", "7")


def test_the_shelf_of_another_workshop_comes_in_with_every_version_once(tmp_path):
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
    put_on_shelf(here, plan_rows(own_plan()), DAY)
    put_on_shelf(here, [{"kind": "wax", "name": "soft wax", "lot": "new"},
                        {"kind": "recipe", "name": "clam", "recipe": "piece_g 20; pieces 6"}],
                 later(4))
    out = here / SHELF_NAME
    assert len(import_shelf(there, out)) == len(read_shelf(here).rows)
    assert import_shelf(there, out) == []
    assert (there / SHELF_NAME).read_bytes() == (here / SHELF_NAME).read_bytes()
    assert read_shelf(there).recipe("Clam") == {"piece_g": "20", "pieces": "6"}


def test_a_list_typed_in_a_spreadsheet_comes_in_and_older_versions_do_not_hold(tmp_path):
    put_on_shelf(tmp_path, [{"kind": "wax", "name": "soft wax", "lot": "B"}], DAY)
    typed = tmp_path / "list.csv"
    typed.write_text("name;kind;lot;since;recommended_load_pct\n"
                     "soft wax;wax;A;2025-01-01;6\nfirm wax;wax;;;6.25\n", encoding="utf-8")
    assert len(import_shelf(tmp_path, typed, later(9))) == 2
    shelf = read_shelf(tmp_path)
    assert shelf.wax("soft wax").lot == "B"
    assert shelf.find("wax", "firm wax")["since"] == later(9)
    assert shelf.wax("firm wax").recommended_load_pct == 6.25
    assert import_shelf(tmp_path, typed, later(20)) == []


def test_no_cell_is_run_as_a_formula_and_each_comes_back(tmp_path):
    row = {"kind": "wax", "name": "=1+1", "note": "-cmd", "limit_source": "@x",
           "limit_load_pct": 8}
    put_on_shelf(tmp_path, [row], DAY)
    text = (tmp_path / SHELF_NAME).read_text(encoding="utf-8")
    assert "'=1+1" in text and "'-cmd" in text and "'@x" in text
    found = read_shelf(tmp_path).find("wax", "=1+1")
    assert (found["note"], found["limit_source"]) == ("-cmd", "@x")


PROBLEMS = {
    "wax,a,90,,,,,": (
        "limit_load_pct: found '90', expected a number with a decimal point from 0.1 to 40 (% of "
        "wax). Correct the value or leave it empty."),
    "wax,b,,90,80,,,": (
        "add_temp_c: found '90.0', expected a possible wax: wax b: adding fragrance at 90 °C is "
        "above the wax maker's maximum of 80 °C. Lower it or correct the maximum."),
    "wax,c,,,,90,,": (
        "flash_point_c: found '90.0', expected nothing, as a wax has no such thing. Empty the "
        "cell."),
    "blend,d,,,,,60 % a; 30 % b,": (
        "parts: found '60 % a; 30 % b', expected a possible blend: blend d: the fractions are "
        "0.6, 0.3. Give fractions by weight that add up to 1, such as 0.7 and 0.3."),
    "blend,e,,,,,half and half,": (
        "parts: found 'half and half', expected a possible blend: its parts are not "
        "understood. Write them as 70 % soft wax; 30 % hard wax."),
    "tester,Anna,,,,,,": (
        "name: found 'Anna', expected a tester's code, never a name, such as A1. Correct the "
        "text."),
    "recipe,f,,,,,,six": (
        "recipe: found 'six', expected a recipe as piece_g 20; pieces 6. Correct it."),
    "jar,g,,,,,,": (
        "kind: found 'jar', expected one of wax, fragrance, blend, tester, recipe. Use one of "
        "these words."),
}


@pytest.mark.parametrize("line", PROBLEMS)
def test_what_cannot_be_is_named_with_its_place_and_remedy(tmp_path, line):
    head = "kind,name,limit_load_pct,add_temp_c,max_temp_c,flash_point_c,parts,recipe\n"
    (tmp_path / SHELF_NAME).write_text(head + line + "\n", encoding="utf-8")
    before = (tmp_path / SHELF_NAME).read_bytes()
    with pytest.raises(DataError) as wrong:
        put_on_shelf(tmp_path, [{"kind": "wax", "name": "new"}], DAY)
    assert str(wrong.value) == f"shelf.csv, row 2, column {PROBLEMS[line]}"
    assert (tmp_path / SHELF_NAME).read_bytes() == before


def test_series_of_a_workshop_are_gathered_and_a_later_plan_goes_there_by_itself(tmp_path):
    store = make_series(tmp_path / "one")
    store.save_plan(own_plan())
    (tmp_path / "broken").mkdir()
    (tmp_path / "broken" / "series.sqlite").write_text("no database")
    shelf = gather(tmp_path)
    assert shelf.names("wax") == ["creamy wax", "firm wax", "soft wax"]
    plan = own_plan()
    plan["fragrance"] = {**plan["fragrance"], "name": "rose"}
    shelve(tmp_path / "two", plan)
    assert read_shelf(tmp_path).names("fragrance") == ["cedar and fig (invented)", "rose"]
    assert len(read_shelf(tmp_path).rows) == len(shelf.rows) + 1


@pytest.mark.parametrize(("row", "words"), [
    ({"kind": "wax"}, "name: found an empty cell"),
    ({"name": "soft wax"}, "kind: found an empty cell"),
])
def test_a_row_without_its_name_or_kind_is_refused_in_words(tmp_path, row, words):
    with pytest.raises(DataError, match=words):
        put_on_shelf(tmp_path, [row], DAY)


def test_above_a_series_that_lies_alone_nothing_is_written(tmp_path):
    make_series(tmp_path / "one")
    assert shelve(tmp_path / "one", own_plan()) == []
    assert [place.name for place in tmp_path.iterdir()] == ["one"]
    make_series(tmp_path / "two")
    shelve(tmp_path / "two", own_plan())
    assert read_shelf(tmp_path).names("wax") == ["creamy wax", "firm wax", "soft wax"]


def test_a_plan_that_is_not_of_the_kit_is_passed_over(tmp_path):
    make_series(tmp_path / "foreign").save_plan({"title": "of another program"})
    assert gather(tmp_path).now == []


def test_gathering_leaves_a_series_of_an_older_kit_as_it_is(tmp_path):
    path = tmp_path / "old" / "series.sqlite"
    make_series(path.parent).save_plan(own_plan())
    with contextlib.closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE about SET value = '5' WHERE name = 'version'")
        raw.commit()
    assert "soft wax" in gather(tmp_path).names("wax")
    with contextlib.closing(sqlite3.connect(path)) as raw:
        assert raw.execute("SELECT value FROM about WHERE name = 'version'").fetchone() == ("5",)
    assert [p.name for p in path.parent.glob("*.sqlite")] == [path.name]  # no copy from before


def test_what_two_programs_put_on_it_at_once_is_all_there(tmp_path, monkeypatch):
    read = read_shelf

    def slowly(folder):
        found = read(folder)
        time.sleep(0.05)
        return found

    def put(name):
        put_on_shelf(tmp_path, [{"kind": "wax", "name": name}], DAY)

    monkeypatch.setattr(shelf_module, "read_shelf", slowly)
    names = ["hard wax", "other wax", "soft wax"]
    writers = [threading.Thread(target=put, args=(name,)) for name in names]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert read(tmp_path).names("wax") == names
    assert [p.name for p in tmp_path.iterdir()] == [SHELF_NAME]


def test_a_program_that_was_stopped_holds_the_shelf_for_seconds(tmp_path, monkeypatch):
    monkeypatch.setattr(shelf_module, "WAIT_S", 0.05)
    (tmp_path / f".{SHELF_NAME}.lock").touch()
    put_on_shelf(tmp_path, [{"kind": "wax", "name": "soft wax"}], DAY)
    assert [p.name for p in tmp_path.iterdir()] == [SHELF_NAME]


def test_a_lock_that_was_left_long_ago_holds_nobody_and_that_of_another_does(tmp_path):
    """Of two who wait for a lock that was left the second waits for the first."""
    lock = tmp_path / f".{SHELF_NAME}.lock"
    lock.touch()
    os.utime(lock, (0, 0))
    first = shelf_module._alone(tmp_path)
    began = time.monotonic()
    with first:
        assert time.monotonic() - began < shelf_module.WAIT_S / 2 and lock.exists()
        second = threading.Thread(
            target=put_on_shelf, args=(tmp_path, [{"kind": "wax", "name": "soft wax"}], DAY))
        second.start()
        second.join(0.3)
        assert second.is_alive() and not (tmp_path / SHELF_NAME).exists()
    second.join(30)
    assert read_shelf(tmp_path).names("wax") == ["soft wax"] and not lock.exists()


def test_a_shelf_that_is_a_link_stays_one(tmp_path):
    (tmp_path / "synced").mkdir()
    (tmp_path / SHELF_NAME).symlink_to(tmp_path / "synced" / SHELF_NAME)
    put_on_shelf(tmp_path, [{"kind": "wax", "name": "soft wax"}], DAY)
    assert (tmp_path / SHELF_NAME).is_symlink()
    assert read_shelf(tmp_path / "synced").names("wax") == ["soft wax"]

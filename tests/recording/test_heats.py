"""Heat cycles as they were reached: brought in, written again, mended, and in what leaves."""

import datetime as dt

import pytest

from scentlab.cli import main
from scentlab.recording.correcting import mend, stored_about
from scentlab.recording.importing import dry_run, export_csvs, import_csvs
from scentlab.recording.reading import read_series
from scentlab.recording.store import RefusedError, Store, whole_rows
from scentlab.schema import DataError

HEAD = "started_on,low_c,high_c,hours,cycles,pack,note\n"
REACHED = {"started_on": "2026-03-01", "low_c": 37.0, "high_c": 39.5, "hours": 12, "cycles": 3,
           "pack": "shut", "note": "lid on"}


@pytest.fixture
def store(tmp_path):
    store = Store.create(tmp_path / "series")
    store.add("pours", {"pour": "P01", "pot": "A", "blend": "soft", "poured_on": "2026-03-01",
                        "wax_g": 200, "fragrance_g": 12})
    return store


def file(tmp_path, text, head=HEAD):
    path = tmp_path / "heats.csv"
    path.write_text(head + text)
    return path


def test_a_file_comes_in_and_is_written_again(store, tmp_path):
    path = file(tmp_path, "2026-03-01,37,39.5,12,3,shut,lid on\n2026-03-09,36,38,10,2,,\n")
    assert import_csvs(store, heats=path) == {"heats": 2}
    heats = read_series(store).heats
    assert heats["high_c"].tolist() == [39.5, 38.0] and heats["cycles"].tolist() == [3, 2]
    written = {p.stem: p for p in export_csvs(store, tmp_path / "out")}
    other = Store.create(tmp_path / "other")
    import_csvs(other, written["pours"], heats=written["heats"])
    assert read_series(other).heats.equals(heats)
    assert other.rows("heats")["note"].tolist() == ["lid on", None]
    assert import_csvs(store, heats=written["heats"]) == {"heats": 0}


@pytest.mark.parametrize(("text", "said"), [
    ("2026-03-01,39,37,12,3,,\n", "column low_c: found '39', expected at most high_c, which is 37. "
     "Check both: they may be swapped."),
    ("2126-03-01,37,39,12,3,,\n", "column started_on: found '2126-03-01', expected a day from "
     "2000-01-01 to 2099-12-31"),
    ("2026-03-01,99,101,12,3,,\n", "column low_c: found '99', expected a number"),
    ("2026-03-01,37,39,12,0,,\n", "column cycles: found '0', expected a whole number from 1"),
    ("2026-03-01,37,39,12,3,warm,\n", "column pack: found 'warm', expected one of open, shut"),
    ("2026-03-01,37,39,12,3,,\n2026-03-01,37,39,12,3,,\n", "column started_on: found"),
])
def test_what_cannot_be_is_refused_with_its_place(store, tmp_path, text, said):
    with pytest.raises(DataError) as wrong:
        import_csvs(store, heats=file(tmp_path, text))
    assert said in str(wrong.value) and "heats.csv, row " in str(wrong.value)
    assert store.rows("heats").empty


def test_a_day_to_come_is_asked_about(store, tmp_path):
    tried = dry_run(store, heats=file(tmp_path, "2026-04-01,37,39,12,3,,\n"),
                    today=dt.date(2026, 3, 5))
    assert [p.expected for p in tried.problems] == ["a day up to today"]


def test_headings_of_the_trade_are_matched(store, tmp_path):
    path = file(tmp_path, "2026-03-01,99,103,12,3\n", "Date,Coldest (F),Hottest (F),hours,times\n")
    words = [w for m in ("Date=started_on:year-month-day", "Coldest (F)=low_c:°F",
                         "Hottest (F)=high_c:°F", "times=cycles") for w in ("--match", m)]
    assert main(["import", str(store.folder), "--heats", str(path), *words]) == 0
    # 99 °F is (99 - 32) / 1.8 = 37.2 °C
    assert store.rows("heats").loc[0, "low_c"] == pytest.approx(37.222, abs=1e-3)


def test_an_entry_is_shown_mended_and_made_void(store):
    with pytest.raises(RefusedError, match="nothing that counts is stored for a heat cycle; "):
        stored_about(store, "heat")
    store.add("heats", REACHED)
    (entry,) = stored_about(store, "Heat")
    assert (entry.table, entry.words) == (
        "heats", "heat cycle begun on 2026-03-01: 3 x 12 h at 37 to 39.5 °C in the shut pack")
    with pytest.raises(DataError, match="expected at most high_c, which is 39.5"):
        mend(store, "heats", entry.entry_id, {"low_c": 40}, "read again")
    mend(store, "heats", entry.entry_id, {"low_c": 36}, "read again")
    (entry,) = stored_about(store, "heat")
    assert entry.values["low_c"] == 36
    store.void("heats", entry.entry_id, "another oven")
    assert store.rows("heats").empty


def test_a_pour_named_heat_is_still_found(store):
    store.add("pours", {"pour": "heat", "pot": "A", "blend": "soft", "poured_on": "2026-03-01",
                        "wax_g": 200, "fragrance_g": 12})
    assert [e.table for e in stored_about(store, "heat")] == ["pours"]


def test_what_is_whole_of_a_damaged_record_holds_them(store):
    store.add("heats", REACHED)
    frames, lost = whole_rows(store.folder)
    assert (lost, frames["heats"]["high_c"].tolist()) == ((), [39.5])


def test_bleeds_that_were_recorded_leave_too(store, tmp_path):
    store.add("pieces", {"code": "417", "pour": "P01"})
    store.add("bleeds", {"code": "417", "bleed_mg": 12.5, "hours": 24, "temp_c": 40})
    written = {p.stem: p for p in export_csvs(store, tmp_path / "out")}
    assert written["bleeds"].read_text().splitlines() == [
        "code,bleed_mg,hours,temp_c", "417,12.5,24.0,40.0"]

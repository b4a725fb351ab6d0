"""The store: it appends only, tells its errors in full, and loses nothing that it acknowledged."""

import datetime as dt
import sqlite3
import subprocess
import sys

import pytest

from scentlab.recording import store as store_module
from scentlab.recording.progress import waiting
from scentlab.recording.records import RECORDS
from scentlab.recording.store import FILE_NAME, Receipt, RefusedError, Store, StoreError
from scentlab.schema import DataError

POUR = {"pour": "P01", "pot": "A", "blend": "soft mix", "poured_on": "2026-03-01",
        "wax_g": 200.0, "fragrance_g": 18.0}


def piece(code, pour="P01"):
    return {"code": code, "pour": pour, "test": "sweat", "stress": "rest"}


def sweat(code, grade, assessor="A1", **more):
    return {"code": code, "test": "sweat", "stress": "rest", "assessor": assessor, "grade": grade,
            **more}


def test_a_row_comes_back_with_its_receipt(store):
    receipt = store.add("grades", sweat("417", 2, age_days=14))
    row = store.rows("grades").iloc[0]
    assert isinstance(receipt, Receipt)
    assert (row["entry_id"], row["key"], row["saved_at"]) == (
        receipt.entry_id, receipt.key, receipt.saved_at
    )
    assert receipt.saved_at.utcoffset() == dt.timedelta(0)
    assert (row["code"], row["grade"], row["age_days"]) == ("417", 2, 14.0)


def test_a_store_stays_where_it_was_when_the_working_directory_changes(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    mine = Store.create("spring", title="mine")
    (tmp_path / "beside").mkdir()
    monkeypatch.chdir(tmp_path / "beside")
    assert mine.about()["title"] == "mine"
    Store.create("spring", title="another")
    assert mine.about()["title"] == "mine"


def test_the_same_key_is_stored_once(store):
    first = store.add("grades", sweat("417", 2), key="tap-1")
    again = store.add("grades", {**sweat("417", 2), "key": "tap-1"})
    assert again == first
    assert len(store.rows("grades", history=True)) == 1


def test_a_key_for_another_row_is_refused(store):
    store.add("grades", sweat("417", 2), key="tap-1")
    with pytest.raises(StoreError) as error:
        store.add("grades", sweat("417", 3), key="tap-1")
    assert str(error.value) == (
        "the key tap-1 was already used for another row of grades (entry 1); give each row its own "
        "key"
    )


def test_a_correction_cannot_become_a_twin(store):
    store.add("grades", sweat("417", 2))
    second = store.add("grades", sweat("417", 2, "A2"))
    with pytest.raises(StoreError, match=r"^grades: code 417, .* is stored already \(entry 1\)"):
        store.correct("grades", second.entry_id, {"assessor": "A1"})


def test_the_same_score_under_another_key_is_refused(store):
    store.add("grades", sweat("417", 2))
    with pytest.raises(StoreError) as error:
        store.add("grades", sweat("417", 2))
    assert str(error.value) == (
        "grades: code 417, test sweat, stress rest, assessor A1 is stored already (entry 1); "
        "correct or void that entry first"
    )


def test_a_correction_is_a_new_row(store):
    first = store.add("grades", sweat("417", 2))
    second = store.correct("grades", first.entry_id, {"grade": 3})
    assert list(store.rows("grades")["grade"]) == [3]
    history = store.rows("grades", history=True)
    assert list(history["grade"]) == [2, 3]
    assert history["replaces"].tolist()[1] == first.entry_id
    assert second.entry_id > first.entry_id


def test_a_void_is_a_new_row_with_a_reason(store):
    first = store.add("grades", sweat("417", 2))
    store.void("grades", first.entry_id, "wrong piece")
    assert store.rows("grades").empty
    assert list(store.rows("grades", history=True)["void_reason"]) == [None, "wrong piece"]
    store.add("grades", sweat("417", 1))
    assert list(store.rows("grades")["grade"]) == [1]


def test_a_void_needs_a_reason(store):
    first = store.add("grades", sweat("417", 2))
    with pytest.raises(StoreError) as error:
        store.void("grades", first.entry_id, "  ")
    assert str(error.value) == "say why: every change keeps its reason"


def test_history_is_a_line(store):
    first = store.add("grades", sweat("417", 2))
    second = store.correct("grades", first.entry_id, {"grade": 3})
    with pytest.raises(StoreError) as error:
        store.correct("grades", first.entry_id, {"grade": 4})
    assert str(error.value) == "entry 1 of grades was replaced by entry 2; change that one"
    third = store.void("grades", second.entry_id, "misread")
    with pytest.raises(StoreError) as error:
        store.void("grades", third.entry_id, "again")
    assert str(error.value) == "entry 3 of grades is a void; add a new row instead"
    with pytest.raises(StoreError) as error:
        store.void("grades", 99, "no such row")
    assert str(error.value) == "the table grades has no entry 99"


@pytest.mark.parametrize("table", [*RECORDS, "plan"])
@pytest.mark.parametrize("verb", ["UPDATE {} SET key = 'x'", "DELETE FROM {}"])
def test_nothing_is_updated_or_deleted(store, folder, table, verb):
    store.save_plan({"pieces": []})
    store.add("grades", sweat("417", 2))
    store.add("throws", {"code": "211", "assessor": "A1", "sitting": "S1", "kind": "cold",
                         "throw": 4})
    store.add("bleeds", {"code": "417", "bleed_mg": 12.5, "hours": 24, "temp_c": 40})
    store.add("warmings", {"code": "417", "hours": 2, "weight_g": 24.6})
    store.add("heats", {"started_on": "2026-03-01", "low_c": 37, "high_c": 39, "hours": 12,
                        "cycles": 3})
    store.add("pairs", {"first": "417", "second": "211", "assessor": "A1", "sitting": "Q1",
                        "kind": "cold", "stronger": "first"})
    store.add("photos", {"code": "417", "sha256": "0" * 64, "test": "sweat"})
    store.add("unpoured", {"pour": "P01-2"})
    with sqlite3.connect(folder / FILE_NAME) as raw:
        with pytest.raises(sqlite3.IntegrityError, match=f"^the table {table} only appends$"):
            raw.execute(verb.format(table))


def test_the_database_itself_knows_the_ranges(store):
    row = {**sweat("417", 7), "key": "k", "saved_at": "2026-03-01"}
    with sqlite3.connect(store.folder / FILE_NAME) as raw:
        with pytest.raises(sqlite3.IntegrityError, match="grades_grade_in_range"):
            raw.execute(f"INSERT INTO grades ({', '.join(row)}) VALUES (?, ?, ?, ?, ?, ?, ?)",
                        list(row.values()))


def test_every_wrong_value_of_a_row_is_told(store):
    with pytest.raises(DataError) as error:
        store.add("pours", {**POUR, "pour": "", "wax_g": "200 g", "poured_on": "1.3.2026",
                            "stir_min": 999, "colour": "red", "add_temp_c": float("inf")})
    assert str(error.value).splitlines() == [
        "pours, column colour: found 'colour', expected one of the columns pour, pot, blend, "
        "poured_on, wax_g, fragrance_g, add_temp_c, pour_temp_c, stir_min, room_temp_c, "
        "scale_check_g, limit_load_pct, limit_content_pct, lot, finish, note. "
            "Rename or delete the column.",
        "pours, column pour: found an empty cell, expected a short name of letters, digits, dot, "
        "dash or underscore, such as P01-3. Fill it in.",
        "pours, column poured_on: found '1.3.2026', expected a date as year-month-day, such as "
        "2026-03-14. Write the year first, then month and day, with dashes.",
        "pours, column wax_g: found '200 g', expected a number with a decimal point from 1 to "
        "100000 (g). Give only the number, in g, without the unit.",
        "pours, column add_temp_c: found 'inf', expected a number with a decimal point from 20 to "
        "150 (°C). Correct the value or leave it empty.",
        "pours, column stir_min: found '999', expected a number with a decimal point from 0 to "
        "120 (min). Correct the value or leave it empty.",
    ]


def test_a_score_needs_a_known_piece(store):
    with pytest.raises(StoreError) as error:
        store.add("grades", sweat("999", 1))
    assert str(error.value) == (
        "grades: there is no piece 999; check the code, or save the plan or the piece first"
    )


def test_several_tables_are_stored_all_or_none(store):
    with pytest.raises(StoreError):
        store.add_all({"pieces": [piece("500")], "grades": [sweat("500", 1), sweat("999", 1)]})
    assert "500" not in set(store.rows("pieces")["code"])
    store.add_all({"grades": [sweat("500", 1)], "pieces": [piece("500")]})
    assert list(store.rows("grades")["code"]) == ["500"]


def test_a_plan_brings_its_pieces(folder):
    store = Store.create(folder)
    assert store.plan() is None
    plan = {"title": "first", "pieces": [piece("100"), piece("101")]}
    first = store.save_plan(plan, key="p1")
    assert store.save_plan(plan, key="p1") == first
    assert store.plan() == plan
    moved = {"title": "second", "pieces": [piece("100"), piece("101", pour="P02")]}
    store.save_plan(moved)
    assert store.plan()["title"] == "second"
    assert dict(zip(store.rows("pieces")["code"], store.rows("pieces")["pour"], strict=True)) == {
        "100": "P01", "101": "P02"
    }
    assert len(store.rows("pieces", history=True)) == 3


def test_an_equal_plan_is_not_kept_twice(folder):
    store = Store.create(folder)
    plan = {"title": "first", "pieces": [piece("100"), piece("101")]}
    first = store.save_plan(plan)
    assert store.save_plan(dict(reversed(plan.items()))) == first
    store.void("pieces", store.rows("pieces")["entry_id"][0], "broken")
    assert store.save_plan(plan) == first
    assert sorted(store.rows("pieces")["code"]) == ["100", "101"], "the plan has it again"
    second = store.save_plan({**plan, "title": "second"})
    assert second.entry_id == first.entry_id + 1
    assert store.save_plan(plan).entry_id == second.entry_id + 1, "back to the first plan is new"
    assert store.plan() == plan


def test_pieces_that_a_later_plan_lacks_wait_for_nobody(folder):
    store = Store.create(folder)
    store.add("pieces", {"code": "900", "pour": "P09"})  # of no plan: it stays
    store.save_plan({"title": "first", "pieces": [piece("100"), piece("101")]})
    store.save_plan({"title": "second", "pieces": [piece("101"), piece("102")]})
    assert sorted(store.rows("pieces")["code"]) == ["101", "102", "900"]
    history = store.rows("pieces", history=True)
    assert history["void_reason"].tolist()[3] == "not in the plan kept later"
    assert history["replaces"].tolist()[3] == 2
    store.save_plan({"title": "third", "pieces": [piece("100")]})  # a code may come back
    assert sorted(store.rows("pieces")["code"]) == ["100", "900"]
    assert store.check() == ()


def test_a_plan_cannot_leave_out_a_scored_piece(folder):
    store = Store.create(folder)
    first = {"title": "first", "pieces": [piece("100"), piece("101")]}
    store.save_plan(first)
    store.add("grades", sweat("100", 2))
    with pytest.raises(StoreError) as error:
        store.save_plan({"title": "new", "pieces": [piece("101"), piece("102")]})
    assert str(error.value) == (
        "piece 100 has scores as a piece of test batch P01 for sweat, but the new plan has it "
        "differently or not at all; give the plan new codes, or void its scores first"
    )
    assert store.plan() == first and sorted(store.rows("pieces")["code"]) == ["100", "101"]


def test_a_plan_cannot_move_a_scored_piece(store):
    store.add("grades", sweat("417", 2))
    with pytest.raises(StoreError) as error:
        store.save_plan({"title": "new", "pieces": [piece("417", pour="P02")]})
    assert str(error.value) == (
        "piece 417 has scores as a piece of test batch P01 for sweat, but the new plan has it "
        "differently or not at all; give the plan new codes, or void its scores first"
    )
    assert store.plan() is None


def test_what_a_series_without_a_plan_is_about(folder):
    Store.create(folder, title="Cedar", fragrance="cedar", invented=True)
    assert Store.open(folder).about() == {
        "title": "Cedar", "fragrance": "cedar", "invented": True,
        "version": store_module.VERSION,
    }


def test_places_that_hold_no_series(tmp_path, folder, store):
    missing, empty, plain = tmp_path / "none", tmp_path / "empty", tmp_path / "a.txt"
    empty.mkdir()
    plain.write_text("x")
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / FILE_NAME).write_text("this is no database, whatever its name may say")
    other = tmp_path / "other"
    other.mkdir()
    sqlite3.connect(other / FILE_NAME).execute("CREATE TABLE t (a)").connection.close()
    expected = {
        **{place: f"{place} is not a series folder: it has no series.sqlite; check the name or "
           "start a new series there" for place in (missing, empty, plain)},
        broken: f"{broken}: series.sqlite is not a database; restore it from a copy",
        other: f"{other} holds no series: its series.sqlite belongs to another program; check the "
               "folder's name, or start a series in another folder",
    }
    for place, words in expected.items():
        with pytest.raises(StoreError) as error:
            Store.open(place)
        assert str(error.value) == words


def test_create_refuses_a_series_and_an_impossible_folder(tmp_path, folder, store):
    with pytest.raises(StoreError) as error:
        Store.create(folder)
    assert str(error.value) == (
        f"{folder} already holds a series; open it with Store.open or choose another folder"
    )
    plain = tmp_path / "a.txt"
    plain.write_text("x")
    with pytest.raises(StoreError) as error:
        Store.create(plain)
    assert str(error.value) == (
        f"the folder {plain} cannot be made (File exists); choose another place"
    )


def test_a_newer_store_is_left_alone(folder, store):
    with sqlite3.connect(folder / FILE_NAME) as raw:
        raw.execute("UPDATE about SET value = '999' WHERE name = 'version'")
    with pytest.raises(StoreError) as error:
        Store.open(folder)
    assert str(error.value) == (
        f"{folder} was written by a newer scentlab (store version 999, this one knows up to "
        f"{store_module.VERSION}); update scentlab, or export its files where it was written, "
        "with: scentlab export FOLDER --out OTHER-FOLDER"
    )


def test_a_locked_store_says_so(folder, store, monkeypatch):
    monkeypatch.setattr(store_module, "BUSY_S", 0.2)
    blocked = Store.open(folder)
    raw = sqlite3.connect(folder / FILE_NAME, isolation_level=None)
    raw.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError) as error:
        blocked.add("grades", sweat("417", 1))
    assert str(error.value) == (
        f"{folder} is locked by another program; nothing was saved. Close whatever has it open (a "
        "backup, a sync program, a database viewer) and save again"
    )
    assert blocked.rows("grades").empty
    raw.execute("ROLLBACK")
    blocked.add("grades", sweat("417", 1))


def test_a_full_disk_says_so(folder, store, monkeypatch):
    connect = store._connect

    def no_room():
        raw = connect()
        pages = raw.execute("PRAGMA page_count").fetchone()[0]
        raw.execute(f"PRAGMA max_page_count={pages}")
        return raw

    monkeypatch.setattr(store, "_connect", no_room)
    with pytest.raises(StoreError) as error:
        for n in range(1000):
            store.add("pours", {**POUR, "pour": f"Q{n}", "note": "x" * 200})
    assert str(error.value) == (
        f"the disk of {folder} is full; nothing was saved. Make room and save again"
    )
    monkeypatch.undo()
    reopened = Store.open(folder)
    assert set(reopened.rows("pours")["pour"]) == {"P01", *(f"Q{i}" for i in range(n))}


def test_a_clock_set_back_does_not_turn_history_round(store, monkeypatch):
    first = store.add("grades", sweat("417", 2))
    monkeypatch.setattr(store_module, "_now", lambda: "2001-01-01T00:00:00.000000+00:00")
    store.correct("grades", first.entry_id, {"grade": 4})
    assert list(store.rows("grades", history=True)["grade"]) == [2, 4]
    assert list(store.rows("grades")["grade"]) == [4]


WRITER = """
import sys
from scentlab.recording.store import Store
folder, writer, rows = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
store = Store.open(folder)
for age in range(rows):
    receipt = store.add("grades", dict(code="417", test="sweat", stress="rest",
                                       age_days=age, assessor=f"A{writer}", grade=age % 5))
    print(receipt.key, flush=True)
"""


def start_writer(folder, number, rows):
    command = [sys.executable, "-c", WRITER, str(folder), str(number), str(rows)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def test_eight_writers_lose_nothing(folder, store):
    writers = [start_writer(folder, n, 50) for n in range(1, 9)]
    printed = [w.communicate(timeout=120)[0].split() for w in writers]
    assert [w.returncode for w in writers] == [0] * 8
    stored = store.rows("grades")
    assert len(stored) == 400
    assert set(stored["key"]) == {key for keys in printed for key in keys}
    assert (stored.groupby("assessor").size() == 50).all()


def test_a_killed_writer_loses_no_acknowledged_score(folder, store):
    victim = start_writer(folder, 1, 3600)
    others = [start_writer(folder, n, 25) for n in (2, 3)]
    victim.stdout.readline()
    lines = [w.communicate(timeout=120)[0].split() for w in others]
    victim.kill()
    # A line cut by the kill is no acknowledgement.
    told = victim.communicate(timeout=60)[0]
    lines.append(told[: told.rfind("\n") + 1].split())
    stored = Store.open(folder).rows("grades")
    assert {key for keys in lines for key in keys} <= set(stored["key"])
    assert (stored["assessor"] == "A1").sum() < 3600
    assert (stored.groupby("assessor").size()[["A2", "A3"]] == 25).all()
    assert store.check() == ()


def test_a_name_that_differs_only_in_look_is_the_one_that_is_known(store):
    store.add("grades", {"code": "417", "test": "sweat", "grade": 1, "assessor": "A1"})
    store.add("grades", {"code": "417", "test": "frost", "grade": 1, "assessor": "a1"})
    assert list(store.rows("grades")["assessor"]) == ["A1", "A1"]
    assert list(waiting(store, "a1", "sweat")["code"]) == []
    with pytest.raises(RefusedError) as error:
        store.add("pours", {"pour": "p01", "pot": "A", "blend": "Soft mix",
                            "poured_on": "2026-03-01", "wax_g": 200, "fragrance_g": 18})
    assert str(error.value) == (
        "pours: pour P01 is stored already (entry 1); correct or void that entry first"
    )
    receipt = store.add("grades", {"code": "417", "test": "sweat", "grade": 1, "assessor": "B1"})
    with pytest.raises(RefusedError, match="assessor A1 is stored already"):
        store.correct("grades", receipt.entry_id, {"assessor": "a1"})


def test_a_row_twice_in_one_batch_is_refused_and_nothing_is_stored(store):
    row = {"code": "417", "test": "sweat", "grade": 1, "assessor": "A1"}
    with pytest.raises(RefusedError, match="grades: code 417, test sweat, assessor A1 is given"):
        store.add_all({"grades": [row, row]})
    assert store.rows("grades").empty
    one = {**row, "key": "one"}
    first, second = store.add_all({"grades": [one, one]})["grades"]
    assert first == second and len(store.rows("grades")) == 1
    with pytest.raises(RefusedError, match="the key two was already used for another row"):
        store.add_all({"grades": [{**row, "assessor": a, "key": "two"} for a in ("A2", "A3")]})


def test_a_sign_that_cannot_be_seen_is_refused(store):
    with pytest.raises(DataError) as error:
        store.add("pours", {"pour": "P02", "pot": "B", "blend": "so\u200bft", "wax_g": 200,
                            "poured_on": "1926-03-01", "fragrance_g": 18})
    assert str(error.value) == (
        "pours, column blend: found 'so\\u200bft', expected a text of visible characters. "
        "Type it again: it contains U+200B.\npours, column poured_on: found '1926-03-01', expected "
        "a day from 2000-01-01 to 2099-12-31. Check the year."
    )


def test_what_is_asked_again_is_what_stands_now(store, folder):
    def grades():
        return store.distinct("grades", ("code", "grade"))

    receipt = store.add("grades", sweat("417", 2))
    assert grades() == grades() == {("417", 2)}
    corrected = store.correct("grades", receipt.entry_id, {"grade": 3})
    assert grades() == {("417", 3)}
    Store.open(folder).add("grades", sweat("211", 1))  # another program's
    assert grades() == {("417", 3), ("211", 1)}
    store.void("grades", corrected.entry_id, "a slip")
    assert grades() == {("211", 1)}
    with pytest.raises(RuntimeError), store.together():
        store.add("grades", sweat("417", 4))
        assert grades() == {("211", 1), ("417", 4)}
        raise RuntimeError("all of it is taken back")
    assert grades() == {("211", 1)}
    store.add("grades", sweat("417", 0))  # has the number of the one that was taken back
    assert grades() == {("211", 1), ("417", 0)}

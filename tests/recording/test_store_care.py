"""Looking after a store: migrations, damage, rights, a full disk."""

import os
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from scentlab.recording import damage, tables
from scentlab.recording import store as store_module
from scentlab.recording.records import RECORDS
from scentlab.recording.store import FILE_NAME, DamagedError, Store, StoreError, whole_rows
from scentlab.schema import POURS, Column, Table


def sweat(code, grade, assessor="A1", **more):
    return {"code": code, "test": "sweat", "stress": "rest", "assessor": assessor, "grade": grade,
            **more}


@pytest.fixture
def kit(monkeypatch):
    """Another scentlab, in which a table has other columns, or none."""
    def change(name, **columns):
        table = RECORDS[name]
        kept = [columns.pop(c.name, c) for c in table.columns]
        other = replace(table, columns=(*filter(None, kept), *columns.values()))
        monkeypatch.setitem(RECORDS, name, other)
        monkeypatch.setitem(tables.TABLES, name, tables.table_sql(other))
        return tables.TABLES

    change.back = monkeypatch.undo
    return change


@pytest.fixture
def scored(store):
    """Two pieces with a score, one of which was corrected."""
    first = store.add("grades", sweat("417", 2, age_days=7))
    store.add("grades", sweat("211", 1))
    store.correct("grades", first.entry_id, {"grade": 3}, reason="looked again")
    return store


HUMID = Column("humidity_pct", "number", "of the room", "%", 0, 100, required=False)
EVERY = ("pours", "pieces", "grades")


def all_of(store):
    return {name: store.rows(name, history=True) for name in EVERY}


def copies(folder):
    return list(folder.glob("before-version-*.sqlite"))


def test_a_column_more_comes_into_a_series_that_is_there(scored, folder, kit):
    before = all_of(scored)
    kit("pours", humidity_pct=HUMID)
    opened = Store.open(folder)
    opened.correct("pours", 1, {"humidity_pct": 55})
    for name, rows in all_of(opened).items():
        pd.testing.assert_frame_equal(rows[before[name].columns].head(len(before[name])),
                                      before[name])
    assert opened.rows("pours")["humidity_pct"].tolist() == [55.0]
    assert Store.open(folder).check() == ()
    (copy,) = copies(folder)
    with sqlite3.connect(copy) as raw:
        assert raw.execute("SELECT count(*) FROM grades").fetchone() == (3,)
        assert "humidity_pct" not in str(raw.execute("PRAGMA table_info(pours)").fetchall())


def test_a_table_more_comes_into_a_series_that_is_there(scored, folder, kit, monkeypatch):
    before = all_of(scored)
    rooms = Table("rooms", "rooms", (HUMID,), key=("humidity_pct",))
    monkeypatch.setitem(RECORDS, "rooms", rooms)
    kit("rooms")
    opened = Store.open(folder)
    opened.add("rooms", {"humidity_pct": 40})
    assert len(opened.rows("rooms")) == 1 and opened.check() == ()
    for name, rows in all_of(opened).items():
        pd.testing.assert_frame_equal(rows, before[name])


def test_a_bound_that_was_widened_holds_for_a_correction_too(scored, folder, kit):
    kit("pours", wax_g=replace(POURS["wax_g"], upper=150000.0))
    opened = Store.open(folder)
    opened.correct("pours", 1, {"wax_g": 120000})
    assert opened.rows("pours")["wax_g"].tolist() == [120000.0]
    assert Store.open(folder).check() == () and len(copies(folder)) == 1


def test_a_bound_that_a_row_does_not_keep_changes_nothing(scored, folder, kit):
    before = all_of(scored)
    kit("pours", wax_g=replace(POURS["wax_g"], upper=150.0))
    with pytest.raises(StoreError) as error:
        Store.open(folder)
    (copy,) = copies(folder)
    assert str(error.value) == (
        f"{folder} could not be updated to store version {store_module.VERSION} (the store "
        f"{folder} answers: CHECK constraint failed: pours_wax_g_in_range); it is unchanged; a "
        f"copy from before is {copy}"
    )
    kit.back()
    for name, rows in all_of(Store.open(folder)).items():
        pd.testing.assert_frame_equal(rows, before[name])


def test_a_column_of_a_newer_scentlab_is_not_lost(scored, folder, kit):
    kit("pours", humidity_pct=HUMID)
    Store.open(folder)
    kit.back()
    with pytest.raises(StoreError) as error:
        Store.open(folder)
    assert str(error.value) == (
        f"{folder} was written by a newer scentlab (the column humidity_pct of pours is not known "
        "here); update scentlab, or export its files where it was written, with: scentlab export "
        "FOLDER --out OTHER-FOLDER"
    )
    assert len(copies(folder)) == 1


@pytest.mark.parametrize("statement", [
    "DROP TABLE bleeds", "CREATE TABLE rooms (name TEXT)", "ALTER TABLE bleeds RENAME TO bled",
    "ALTER TABLE pours RENAME COLUMN note TO noted", "ALTER TABLE grades ADD COLUMN more TEXT",
])
@pytest.mark.parametrize("seconds", [0.5, -1.0])
def test_tables_that_no_scentlab_made_are_damage(scored, folder, statement, seconds, monkeypatch):
    monkeypatch.setattr(damage, "OPENING_S", seconds)
    from_outside(folder, statement)
    with pytest.raises(DamagedError) as error:
        Store.open(folder)
    assert f"{folder} is damaged (what its tables may hold {NOT_FIT}): " in str(error.value)
    assert not copies(folder)


def test_a_renamed_column_of_a_store_from_before_is_not_lost(scored, folder):
    from_outside(folder, "DELETE FROM about WHERE name IN ('digest', 'tables')",
                 "UPDATE about SET value = '4' WHERE name = 'version'",
                 "ALTER TABLE pours RENAME COLUMN note TO noted")
    with pytest.raises(DamagedError, match="the column noted of pours is not known here"):
        Store.open(folder)
    assert not copies(folder)


def test_an_older_store_is_brought_up_once_with_a_backup_first(scored, folder, monkeypatch):
    monkeypatch.setattr(store_module, "VERSION", store_module.VERSION + 1)
    assert Store.open(folder).about()["version"] == store_module.VERSION
    (backup,) = copies(folder)
    with sqlite3.connect(backup) as raw:
        assert raw.execute("SELECT value FROM about WHERE name = 'version'").fetchone() == (
            str(store_module.VERSION - 1),
        )
    Store.open(folder)
    assert len(copies(folder)) == 1


def test_damage_is_found(store, folder):
    receipt = store.add("grades", sweat("417", 2))
    assert store.check() == ()
    with sqlite3.connect(folder / FILE_NAME) as raw:
        raw.execute("DROP TRIGGER grades_no_update")
        raw.execute("UPDATE grades SET code = '41x'")
        raw.execute("PRAGMA ignore_check_constraints = ON")
        raw.execute("DROP TRIGGER pours_no_update")
        raw.execute("UPDATE pours SET wax_g = -5")
    assert store.check() == (
        "series.sqlite is damaged: CHECK constraint failed in pours",
        f"entry 1 of pours {NOT_FIT}", f"entry {receipt.entry_id} of grades {NOT_FIT}",
        f"entry {receipt.entry_id} of grades is a score of piece 41x, which is void",
    )


def test_distinct_values_of_what_stands(store):
    first = store.add("grades", sweat("417", 2))
    store.add("grades", sweat("211", 2, "A2"))
    assert store.distinct("grades", ("code", "assessor")) == {("417", "A1"), ("211", "A2")}
    assert store.distinct("grades", ("code",), assessor="A2") == {("211",)}
    store.void("grades", first.entry_id, "wrong")
    assert store.distinct("grades", ("code",)) == {("211",)}


@pytest.mark.parametrize("table, columns, where", [
    ("grades", ("code", "assessor"), {"test": "sweat"}),
    ("grades", ("code", "test", "assessor"), {}),
    ("throws", ("sitting", "kind", "code"), {"assessor": "A1"}),
    ("throws", ("sitting", "assessor", "code", "kind"), {}),
])
def test_an_index_answers_what_has_been_scored(store, table, columns, where, monkeypatch):
    asked, connect = [], store._connect

    def listening():
        raw = connect()
        raw.set_trace_callback(asked.append)
        return raw

    monkeypatch.setattr(store, "_connect", listening)
    store.distinct(table, columns, **where)
    statement = next(words for words in asked if "SELECT DISTINCT" in words)
    with sqlite3.connect(store.folder / FILE_NAME) as raw:
        plan = raw.execute(f"EXPLAIN QUERY PLAN {statement}").fetchall()
    assert f"USING COVERING INDEX {table}_scored" in plan[0][3]


def as_nobody(action):
    """What ``action()`` returns (text) in a child process without any rights of root."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            os.setgroups([])
            os.setgid(65534)
            os.setuid(65534)
            os.write(write, action().encode())
        finally:
            os._exit(0)
    os.close(write)
    os.waitpid(child, 0)
    with os.fdopen(read) as answer:
        return answer.read()


def read_then_write(folder):
    told = []
    try:
        store = Store.open(folder)
        told.append(str(len(store.rows("pieces"))))
        store.add("grades", sweat("417", 1))
    except StoreError as error:
        told.append(str(error))
    return "\n".join(told)


@pytest.mark.skipif(os.name == "nt" or os.geteuid() != 0, reason="only root can become another")
@pytest.mark.parametrize("mode, expected", [
    (0o555, ["2", "{} is read-only; nothing was saved. Give yourself permission to write to the "
                  "folder and its files, or copy the series to your own folder"]),
    (0o000, ["{} cannot be opened: its series.sqlite was moved away, or there is no "
             "permission to read or write the folder or its files; nothing was saved. Bring "
             "series.sqlite back, give yourself permission to write to the folder, or copy the "
             "series to your own"]),
])
def test_a_folder_without_the_right_to_write(tmp_path_factory, store, folder, mode, expected):
    place = tmp_path_factory.mktemp("shared")
    for parent in (place, *place.parents):
        if parent.stat().st_mode & 0o005 != 0o005:
            parent.chmod(parent.stat().st_mode | 0o005)
    shutil.copytree(folder, place / "s")
    (place / "s" / FILE_NAME).chmod(mode & 0o444)
    (place / "s").chmod(mode)
    told = as_nobody(lambda: read_then_write(place / "s"))
    assert told.splitlines() == [e.format(place / "s") for e in expected]


@pytest.mark.skipif(sys.platform != "linux" or os.geteuid() != 0, reason="needs a small disk")
def test_a_disk_that_is_really_full(tmp_path):
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=600k", "tmpfs", str(place)],
                          capture_output=True, check=False)
    if made.returncode:
        pytest.skip("no right to mount a small disk")
    try:
        store = Store.create(place / "s")
        store.add("pieces", {"code": "417", "pour": "P01"})
        disk = os.statvfs(place)  # all but the last pages are somebody else's
        (place / "others").write_bytes(bytes(max(disk.f_bavail * disk.f_frsize - 60_000, 0)))
        acknowledged = []
        with pytest.raises(StoreError) as error:
            for age in range(5000):
                acknowledged.append(store.add("grades", sweat("417", 1, age_days=age % 3651)).key)
        assert str(error.value).startswith(f"the disk of {place / 's'} is full; nothing was saved")
        assert list(Store.open(place / "s").rows("grades")["key"]) == acknowledged
    finally:
        subprocess.run(["umount", str(place)], check=False)


def test_a_table_of_an_older_layout_is_built_again_with_its_rows(store, folder):
    first = store.add("grades", sweat("417", 2))
    store.correct("grades", first.entry_id, {"grade": 3}, reason="looked again")
    before = store.rows("grades", history=True)
    with sqlite3.connect(folder / FILE_NAME) as raw:
        raw.execute("PRAGMA writable_schema = ON")  # as before a grade could be 4
        raw.execute("UPDATE sqlite_master SET sql = replace(sql, 'grade BETWEEN 0 AND 4', "
                    "'grade BETWEEN 0 AND 3') WHERE name = 'grades'")
        raw.execute("UPDATE about SET value = '4' WHERE name = 'version'")
        raw.execute("DELETE FROM about WHERE name IN ('digest', 'tables')")
    opened = Store.open(folder)
    assert opened.check() == ()
    pd.testing.assert_frame_equal(opened.rows("grades", history=True), before)
    opened.add("grades", sweat("211", 4))
    with sqlite3.connect(folder / FILE_NAME) as raw, pytest.raises(sqlite3.IntegrityError):
        raw.execute("DELETE FROM grades")


def from_outside(folder, *statements):
    """Change a store as no trigger lets anybody do it."""
    with sqlite3.connect(folder / FILE_NAME) as raw:
        for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'"):
            raw.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            raw.execute(statement)


NOT_FIT = "was changed from outside: its checksum does not match"


@pytest.mark.parametrize("statement, words", [
    ("UPDATE grades SET grade = 3", f"entry 1 of grades {NOT_FIT}"),
    ("UPDATE grades SET age_days = 7.000000000000001", f"entry 1 of grades {NOT_FIT}"),
    ("UPDATE grades SET assessor = 'A2'", f"entry 1 of grades {NOT_FIT}"),
    ("UPDATE grades SET digest = digest + 1", f"entry 1 of grades {NOT_FIT}"),
    ("UPDATE pours SET saved_at = '2025' || substr(saved_at, 5)", f"entry 1 of pours {NOT_FIT}"),
    ("UPDATE plan SET document = replace(document, 'spring', 'sprung')",
     f"entry 1 of plan {NOT_FIT}"),
    ("UPDATE about SET value = 'yes' WHERE name = 'invented'",
     f"its title or another word about it {NOT_FIT}"),
])
def test_one_allowed_value_in_the_place_of_another_is_found(store, folder, statement, words):
    store.save_plan({"title": "spring"})
    store.add("grades", sweat("417", 2, age_days=7))
    from_outside(folder, "PRAGMA ignore_check_constraints = ON", statement)
    with pytest.raises(DamagedError) as error:
        Store.open(folder)
    assert f"{folder} is damaged ({words}): leave the file alone" in str(error.value)
    assert store.check() == (words,)


def test_whole_rows_leave_out_what_was_changed(store, folder):
    for code in ("417", "211"):
        store.add("grades", sweat(code, 2))
    from_outside(folder, "UPDATE grades SET grade = 3 WHERE code = '417'")
    frames, lost = whole_rows(folder)
    assert list(frames["grades"]["code"]) == ["211"]
    assert lost == (f"grades, entry 1: it {NOT_FIT}",)


def test_what_is_stored_in_another_form_than_it_came_has_the_sum_of_the_stored(store, folder):
    """A whole number in a column of numbers, and minus zero, which SQLite stores as zero."""
    store.add("grades", sweat("417", 2, age_days=-0.0))
    store.add("grades", sweat("211", 2, age_days=3))
    assert Store.open(folder).check() == ()


def test_rows_from_before_get_their_sums(store, folder):
    store.save_plan({"title": "spring"})
    first = store.add("grades", sweat("417", 2, age_days=7))
    store.void("grades", first.entry_id, "wrong piece")
    before = store.rows("grades", history=True)
    from_outside(folder, "ALTER TABLE grades DROP COLUMN digest", "ALTER TABLE plan DROP COLUMN "
                 "digest", "DELETE FROM about WHERE name IN ('digest', 'tables')",
                 "UPDATE about SET value = '4' WHERE name = 'version'")
    opened = Store.open(folder)
    assert opened.check() == () and opened.plan() == {"title": "spring"}
    pd.testing.assert_frame_equal(opened.rows("grades", history=True), before)
    from_outside(folder, "UPDATE grades SET grade = 3 WHERE void_reason IS NULL")
    with pytest.raises(DamagedError, match="entry 1 of grades was changed"):
        Store.open(folder)


def test_an_older_store_that_is_damaged_is_not_built_again(store, folder):
    store.add("grades", sweat("417", 2))
    from_outside(folder, "UPDATE grades SET grade = 3",
                 "UPDATE about SET value = '4' WHERE name = 'version'")
    with pytest.raises(DamagedError):
        Store.open(folder)
    assert not list(folder.glob("before-version-*"))


def test_no_row_that_was_changed_gets_a_new_sum(scored, folder, kit, monkeypatch):
    from_outside(folder, "UPDATE grades SET grade = 0 WHERE entry_id = 3")
    kit("pours", humidity_pct=HUMID)
    monkeypatch.setattr(damage, "OPENING_S", -1.0)
    with pytest.raises(DamagedError, match=f"entry 3 of grades {NOT_FIT}"):
        Store.open(folder)
    assert not copies(folder)


def test_a_look_on_opening_ends_in_time(store, folder, monkeypatch):
    store.add_all({"grades": [sweat("417", 2, age_days=n) for n in range(3000)]})
    from_outside(folder, "UPDATE grades SET grade = 3 WHERE entry_id = 2999")
    monkeypatch.setattr(damage, "OPENING_S", -1.0)
    assert Store.open(folder).check() == (f"entry 2999 of grades {NOT_FIT}",)


def test_a_file_that_is_moved_meanwhile_is_not_begun_anew(store, folder):
    """An empty file in its place would be what a sync program keeps."""
    aside = (folder / FILE_NAME).rename(folder / "series (1).sqlite")
    with pytest.raises(StoreError, match=r"its series\.sqlite was moved away, or"):
        store.add("pieces", {"code": "418", "pour": "P01"})
    assert not (folder / FILE_NAME).exists()
    aside.rename(folder / FILE_NAME)
    store.add("pieces", {"code": "418", "pour": "P01"})


def left_journal(folder, table, row):
    """Leave the journal of a program that is killed once it has stored a row."""
    subprocess.run([sys.executable, "-c",
                    "import os, sys; from scentlab.recording.store import Store\n"
                    "store = Store.open(sys.argv[1]); store.hold()\n"
                    f"store.add({table!r}, {row!r}); os._exit(9)", str(folder)], check=False)


def test_a_copy_put_back_beside_the_journal_of_a_killed_program_is_not_spoilt(scored, folder):
    copy = (folder / FILE_NAME).read_bytes()
    scored.add("unpoured", {"pour": "P99-1"})
    left_journal(folder, "heats", {"started_on": "2026-03-14", "high_c": 38.0, "low_c": 20.0,
                                   "hours": 12.0, "cycles": 3})
    (folder / FILE_NAME).write_bytes(copy)
    with pytest.raises(DamagedError) as error:
        Store.open(folder)
    assert str(error.value).endswith(
        f"--out OTHER-FOLDER. If you have put a copy back: the {FILE_NAME}-wal beside it is of the "
        f"file before. Move {FILE_NAME}-wal and {FILE_NAME}-shm to another folder and try again")
    assert (folder / FILE_NAME).read_bytes() == copy
    for end in ("-wal", "-shm"):
        (folder / f"{FILE_NAME}{end}").unlink()
    assert Store.open(folder).check() == () and Store.open(folder).rows("unpoured").empty


def test_the_journal_of_a_killed_program_is_taken_up(scored, folder):
    left_journal(folder, "unpoured", {"pour": "P99-2"})
    assert len(Store.open(folder).rows("unpoured")) == 1


def test_a_journal_that_another_program_takes_away_meanwhile_holds_nobody_up(
    scored, folder, monkeypatch,
):
    there = Path.exists  # as it was found, a moment before it goes
    monkeypatch.setattr(Path, "exists", lambda path: path.name.endswith("-wal") or there(path))
    assert not Store.open(folder).rows("grades").empty


def test_an_entry_that_is_gone_is_damage(scored, folder):
    with sqlite3.connect(folder / FILE_NAME) as raw:
        raw.execute("UPDATE sqlite_sequence SET seq = seq + 1 WHERE name = 'grades'")
    with pytest.raises(DamagedError, match="grades lacks 1 of its entries"):
        Store.open(folder)


def test_an_empty_file_is_no_other_program(folder):
    folder.mkdir(exist_ok=True)
    (folder / FILE_NAME).write_bytes(b"")
    with pytest.raises(StoreError) as error:
        Store.open(folder)
    assert str(error.value) == (
        f"{folder}: {FILE_NAME} is empty, as a full disk or a copy that was stopped leaves it; put "
        "a copy of it back, or begin anew in another folder")

"""Looking after a store: migrations, backups, damage, history, another database."""

import os
import shutil
import sqlite3
import subprocess
import sys
import textwrap
import uuid

import pytest
import sqlalchemy as sa

from scentlab.recording import store as store_module
from scentlab.recording.reading import read_series
from scentlab.recording.store import FILE_NAME, Store, StoreError

POSTGRES = os.environ.get("SCENTLAB_TEST_POSTGRES")


def sweat(code, grade, assessor="A1", **more):
    return {"code": code, "test": "sweat", "stress": "rest", "assessor": assessor, "grade": grade,
            **more}


@pytest.fixture
def next_version(monkeypatch):
    """A newer scentlab, whose stores have a table more."""
    def step(connection):
        connection.exec_driver_sql("CREATE TABLE rooms (name TEXT)")

    monkeypatch.setattr(store_module, "VERSION", store_module.VERSION + 1)
    monkeypatch.setitem(store_module.MIGRATIONS, store_module.VERSION - 1, step)
    return store_module.VERSION


def test_an_older_store_is_brought_up_with_a_backup_first(store, folder, next_version):
    store.add("grades", sweat("417", 2))
    opened = Store.open(folder)
    assert opened.about()["version"] == next_version
    assert list(opened.rows("grades")["grade"]) == [2]
    with sqlite3.connect(folder / FILE_NAME) as raw:
        assert raw.execute("SELECT count(*) FROM rooms").fetchone() == (0,)
    (backup,) = folder.glob("before-version-*.sqlite")
    with sqlite3.connect(backup) as raw:
        assert raw.execute("SELECT count(*) FROM grades").fetchone() == (1,)
        assert raw.execute("SELECT value FROM about WHERE name = 'version'").fetchone() == (
            str(next_version - 1),
        )
    Store.open(folder)
    assert len(list(folder.glob("before-version-*.sqlite"))) == 1


def test_a_migration_that_fails_changes_nothing(store, folder, next_version, monkeypatch):
    def step(connection):
        connection.exec_driver_sql("CREATE TABLE rooms (name TEXT)")
        raise ValueError("no room")

    monkeypatch.setitem(store_module.MIGRATIONS, next_version - 1, step)
    with pytest.raises(StoreError) as error:
        Store.open(folder)
    (backup,) = folder.glob("before-version-*.sqlite")
    assert str(error.value) == (
        f"{folder} could not be brought to store version {next_version} (no room); it is as it "
        f"was; a copy from before is {backup}"
    )
    with sqlite3.connect(folder / FILE_NAME) as raw:
        names = {n for (n,) in raw.execute("SELECT name FROM sqlite_master")}
        version = raw.execute("SELECT value FROM about WHERE name = 'version'").fetchone()
    assert "rooms" not in names and version == (str(next_version - 1),)


def test_a_backup_is_a_series_of_its_own(store, tmp_path):
    store.add("grades", sweat("417", 2))
    other = tmp_path / "other"
    other.mkdir()
    store.backup(other / FILE_NAME)
    store.add("grades", sweat("417", 3, "A2"))
    assert list(Store.open(other).rows("grades")["grade"]) == [2]
    with pytest.raises(StoreError) as error:
        store.backup(other / FILE_NAME)
    assert str(error.value) == (
        f"{other / FILE_NAME} exists already; give the name of a new file"
    )
    with pytest.raises(StoreError) as error:
        store.backup(tmp_path / "none" / "copy.sqlite")
    assert str(error.value) == (
        f"the backup {tmp_path / 'none' / 'copy.sqlite'} could not be written (unable to open "
        "database file); choose another place"
    )


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
        "entry 1 of pours: pours, column wax_g: found '-5.0', expected a number with a decimal "
        "point from 1 to 100000 (g). Correct the value.",
        f"entry {receipt.entry_id} of grades: grades, column code: found '41x', expected a blind "
        "code of three digits, such as 417. Correct the value.",
        f"entry {receipt.entry_id} of grades is a score of piece 41x, which is void",
    )


def test_the_history_of_a_piece(store):
    first = store.add("grades", sweat("417", 2))
    second = store.correct("grades", first.entry_id, {"grade": 3})
    store.void("grades", second.entry_id, "wrong piece")
    store.add("throws", {"code": "417", "assessor": "A2", "sitting": "S1", "kind": "cold",
                         "throw": 2.5})
    store.add("bleeds", {"code": "417", "bleed_mg": 12.5, "hours": 24, "temp_c": 40})
    told = store.history("417")
    assert told[["table", "assessor", "value", "state"]].to_numpy().tolist() == [
        ["pieces", None, "a piece of pour P01 for sweat", "stands"],
        ["grades", "A1", "sweat grade 2", "corrected by entry 2"],
        ["grades", "A1", "sweat grade 3", "void by entry 3"],
        ["grades", "A1", "sweat grade 3", "makes entry 2 void: wrong piece"],
        ["throws", "A2", "cold throw 2.5 of 10 in sitting S1", "stands"],
        ["bleeds", None, "bleed 12.5 mg in 24 h at 40 °C", "stands"],
    ]
    assert store.history("999").empty


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
def test_an_index_answers_what_has_been_scored(store, table, columns, where):
    asked = []

    @sa.event.listens_for(store._engine, "before_cursor_execute")
    def listen(connection, cursor, statement, parameters, *_):
        if "SELECT DISTINCT" in statement:
            asked.append((statement, parameters))

    store.distinct(table, columns, **where)
    with sqlite3.connect(store.folder / FILE_NAME) as raw:
        plan = raw.execute("EXPLAIN QUERY PLAN " + asked[0][0], asked[0][1]).fetchall()
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
    (0o555, ["2", "{} is read-only; nothing was saved. Give yourself the right to write to the "
             "folder and its files, or copy the series to a folder of your own"]),
    (0o000, ["{} cannot be opened: the folder or its files refuse reading or writing. Give "
             "yourself the right to write to the folder, or copy the series to your own"]),
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
        acknowledged = []
        with pytest.raises(StoreError) as error:
            for age in range(5000):
                acknowledged.append(store.add("grades", sweat("417", 1, age_days=age % 3651)).key)
        assert str(error.value).startswith(f"the disk of {place / 's'} is full; nothing was saved")
        assert list(Store.open(place / "s").rows("grades")["key"]) == acknowledged
    finally:
        subprocess.run(["umount", str(place)], check=False)


@pytest.fixture
def postgres():
    """A new schema of its own on a real server, dropped at the end."""
    if not POSTGRES:
        pytest.skip("no server URL in SCENTLAB_TEST_POSTGRES")
    name = f"scentlab_{uuid.uuid4().hex[:12]}"
    engine = sa.create_engine(POSTGRES, poolclass=sa.NullPool)
    with engine.begin() as connection:
        connection.exec_driver_sql(f"CREATE SCHEMA {name}")
    url = sa.make_url(POSTGRES).update_query_dict({"options": f"-csearch_path={name}"})
    yield url.render_as_string(hide_password=False)
    with engine.begin() as connection:
        connection.exec_driver_sql(f"DROP SCHEMA {name} CASCADE")


def test_postgresql_keeps_a_series(postgres):
    store = Store.create(postgres, title="on a server")
    store.save_plan({"title": "plan", "pieces": [{"code": "417", "pour": "P01", "test": "sweat"}]})
    store.add("pours", {"pour": "P01", "pot": "A", "blend": "mix", "poured_on": "2026-03-01",
                        "wax_g": 200, "fragrance_g": 18})
    first = store.add("grades", sweat("417", 2), key="k")
    assert store.add("grades", sweat("417", 2), key="k") == first
    with pytest.raises(StoreError, match="is stored already"):
        store.add("grades", sweat("417", 2))
    store.correct("grades", first.entry_id, {"grade": 3})
    series = read_series(Store.open(postgres))
    assert list(series.grades["grade"]) == [3]
    assert str(series.pours["poured_on"][0]) == "2026-03-01"
    assert store.check() == ()
    with pytest.raises(StoreError, match="holds a series already"):
        Store.create(postgres)


@pytest.mark.parametrize("verb", ["UPDATE {} SET key = 'x'", "DELETE FROM {}", "TRUNCATE {}"])
def test_postgresql_only_appends(postgres, verb):
    store = Store.create(postgres)
    store.add("pieces", {"code": "417", "pour": "P01"})
    with pytest.raises(sa.exc.DBAPIError, match="the table pieces only appends"):
        with store._engine.begin() as connection:
            connection.exec_driver_sql(verb.format("pieces"))


def test_postgresql_with_eight_writers(postgres):
    store = Store.create(postgres)
    store.add("pieces", {"code": "417", "pour": "P01"})
    script = """
        import sys
        from scentlab.recording.store import Store, StoreError
        store, mine = Store.open(sys.argv[1]), 0
        for age in range(50):
            try:
                # All writers race for the same 50 looks: each must be stored once.
                store.add("grades", dict(code="417", test="sweat", age_days=age, grade=1))
                mine += 1
            except StoreError as error:
                assert "is stored already" in str(error), error
        print(mine)
    """
    writers = [subprocess.Popen([sys.executable, "-c", textwrap.dedent(script), postgres],
                                stdout=subprocess.PIPE, text=True) for _ in range(8)]
    stored = [int(w.communicate(timeout=120)[0]) for w in writers]
    assert sum(stored) == len(store.rows("grades")) == 50

"""A folder of 0.1.0 goes on: ``series-0.1.0.sqlite.gz`` is the record of the invented demo, written
by ``scentlab demo`` of release 0.1.0."""

import gzip
import sqlite3
from contextlib import closing
from pathlib import Path

import pandas as pd
import pytest

from scentlab.recording.store import Store

KEPT = Path(__file__).parent / "series-0.1.0.sqlite.gz"
TABLES = ("pours", "grades", "throws", "warmings")


@pytest.fixture(scope="module")
def old(tmp_path_factory):
    folder = tmp_path_factory.mktemp("old") / "series"
    folder.mkdir()
    (folder / "series.sqlite").write_bytes(gzip.decompress(KEPT.read_bytes()))
    return folder


def test_every_entry_of_it_is_there_and_a_copy_from_before_is_kept(old):
    before = {}
    with closing(sqlite3.connect(old / "series.sqlite")) as raw:
        for table in TABLES:
            before[table] = pd.read_sql(f"SELECT * FROM {table} ORDER BY entry_id", raw)
    store = Store.open(old)
    for table in TABLES:
        after = store.rows(table).sort_values("entry_id")
        assert len(after) == len(before[table]) > 0
        for column in set(after.columns) & set(before[table].columns) - {"poured_on"}:
            assert list(after[column].astype(str)) == list(
                before[table][column].astype(after[column].dtype).astype(str)), (table, column)
    assert len(list(old.glob("before-version-*.sqlite"))) == 1


def test_it_is_fitted_reported_and_said_what_it_lacks(old, run):
    code, out, err = run("report", old)
    assert (code, err) == (0, "") and out.count("* ") == 3
    assert "scale check" in (old / "exports" / "report.html").read_text(encoding="utf-8")
    assert run("dossier", old, "--blend", "soft")[0] == 0
    assert run("progress", old)[1].count(": none") >= 3

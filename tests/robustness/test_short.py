"""A few of each kind of hard trial; run.py beside this makes the whole table."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import files  # noqa: E402
import phones  # noqa: E402
import records  # noqa: E402


def all_handled(words):
    tried, handled, _, _ = records.plain(words)
    assert handled == tried > 0, records.said(words) if isinstance(words, dict) else words


def test_kill_9_loses_no_acknowledged_score(tmp_path):
    words, told = records.kills(tmp_path, 4, 60)
    all_handled(words)
    assert told >= 4


def test_kill_9_of_the_panel_loses_no_score_of_twelve_phones(tmp_path):
    words, told = phones.panel_kills(tmp_path, 2, 60)
    all_handled(words)
    assert told >= 12


def test_a_full_disk_is_told_and_loses_nothing(tmp_path):
    all_handled(records.disks_full(tmp_path, 2))


DAMAGES = (
    'plan {"pours": 3}', "version x", "UPDATE pours SET blend = x'00ff'", "a bit in byte 3",
    "UPDATE grades SET assessor = CAST(x'41ff' AS TEXT) WHERE entry_id = 7", "cut at 0.5",
    "DROP TABLE grades", "UPDATE grades SET saved_at = 'then' WHERE entry_id = 7",
    "another program's", "page 3 of 255", "a bit in byte 38", "layout, a column's name",
    "layout, no text",
)


def test_damaged_files_are_told_with_the_way_out(tmp_path, monkeypatch):
    every = records.damages()
    monkeypatch.setattr(records, "damages", lambda: {name: every[name] for name in DAMAGES})
    words = records.damaged(tmp_path)
    assert set(words) == set(DAMAGES)
    all_handled(words)


def test_bad_imports_are_told_and_store_nothing(tmp_path):
    assert len(files.imports()) >= 150
    all_handled(files.bad_imports(tmp_path, 15))

"""Pairs in the record: stored, refused, brought in from a file and written again."""

import pytest

from scentlab.recording import progress
from scentlab.recording.correcting import mend, stored_about
from scentlab.recording.importing import export_csvs, import_csvs
from scentlab.recording.progress import pairs_waiting, score_words, see_progress
from scentlab.recording.reading import read_series
from scentlab.recording.store import Store, StoreError, whole_rows
from scentlab.schema import DataError
from scentlab.series import PAIR_COLUMNS

HEAD = "first,second,assessor,sitting,kind,stronger,position\n"


@pytest.fixture
def store(tmp_path):
    """Two pours of one pot with a piece each."""
    store = Store.create(tmp_path / "series")
    for pour, grams in (("P01-1", 12.0), ("P01-2", 18.0)):
        store.add("pours", {"pour": pour, "pot": "P01", "blend": "soft", "wax_g": 200,
                            "fragrance_g": grams, "poured_on": "2026-03-01"})
    for code, pour in (("417", "P01-1"), ("205", "P01-2")):
        store.add("pieces", {"code": code, "pour": pour, "test": "throw"})
    return store


def file(tmp_path, text):
    path = tmp_path / "pairs.csv"
    path.write_text(HEAD + text)
    return path


def test_a_file_comes_in_and_is_written_again(store, tmp_path):
    text = "417,205,A1,Q1,hot,second,1\n205,417,A1,Q1,warm,first,2\n"
    assert import_csvs(store, pairs=file(tmp_path, text)) == {"pairs": 2}
    pairs = read_series(store).pairs
    assert tuple(pairs.columns) == PAIR_COLUMNS
    assert pairs.loc[0, ["code", "load_pct", "second_load_pct", "second_blend"]].tolist() == [
        "417", 6.0, 9.0, "soft"]
    export_csvs(store, tmp_path / "out")
    other = Store.create(tmp_path / "other")
    given = {n: tmp_path / "out" / f"{n}.csv" for n in ("pours", "pieces", "pairs")}
    import_csvs(other, **given)
    assert read_series(other).pairs.equals(pairs)
    assert import_csvs(store, pairs=tmp_path / "out" / "pairs.csv") == {"pairs": 0}


@pytest.mark.parametrize(("text", "said"), [
    ("417,999,A1,Q1,warm,first,1\n", "column second: found '999', expected a code in"),
    ("417,205,A1,Q1,warm,,1\n", "column stronger: found an empty cell, expected one of first, "
     "second"),
    ("417,205,A1,Q1,warm,no difference,1\n", "column stronger: found 'no difference'"),
])
def test_what_cannot_be_is_refused_with_its_place(store, tmp_path, text, said):
    with pytest.raises(DataError) as wrong:
        import_csvs(store, pairs=file(tmp_path, text))
    assert f"pairs.csv, row 2, {said}" in str(wrong.value)
    assert store.rows("pairs").empty


def test_the_store_knows_both_pieces(store):
    row = {"first": "417", "second": "205", "assessor": "A1", "sitting": "Q1", "kind": "cold",
           "stronger": "first", "position": 1}
    with pytest.raises(StoreError, match="there is no piece 999"):
        store.add("pairs", {**row, "second": "999"})
    entry = store.add("pairs", row)
    with pytest.raises(StoreError, match="stored already"):
        store.add("pairs", row)
    for code in ("417", "205"):
        assert stored_about(store, code)[0].words == (
            "pieces 417 and 205, stronger cold throw: 417 by A1, session Q1")
    mend(store, "pairs", entry.entry_id, {"stronger": "second"}, "key slipped")
    assert store.rows("pairs")["stronger"].tolist() == ["second"]
    assert len(store.rows("pairs", history=True)) == 2
    plan = {"pieces": [{"code": "205", "pour": "P01-1", "test": "throw"}]}
    with pytest.raises(StoreError, match="piece 205 has scores"):
        store.save_plan(plan)


def test_what_waits_for_many_testers_is_found_in_one_look(store, monkeypatch):
    pairs = [{"sitting": "Q1", "kind": "cold", "assessor": f"A{n}", "position": 1, "first": "417",
              "second": "205"} for n in range(1, 7)]
    store.save_plan({"assessors": [p["assessor"] for p in pairs], "pairs": pairs})
    days = []

    class Day(progress._Day):
        def __init__(self, *arguments):
            days.append(arguments)
            super().__init__(*arguments)

    monkeypatch.setattr(progress, "_Day", Day)
    assert score_words(store) == ("6 pairs to compare", "") and len(days) == 2


def test_what_waits(store):
    two = [("417", "205"), ("205", "417")]
    pairs = [{"sitting": "Q1", "kind": "cold", "assessor": "A1", "position": n, "first": a,
              "second": b} for n, (a, b) in enumerate(two, 1)]
    store.save_plan({"assessors": ["A1"], "pairs": pairs})
    assert pairs_waiting(store, "A1") == pairs and pairs_waiting(store, "A2") == []
    store.add("pairs", {**pairs[0], "stronger": "first"})
    assert pairs_waiting(store, "A1") == pairs[1:]
    scores = see_progress(store).scores
    assert scores.iloc[0].tolist() == ["cold pairs", "Q1", "A1", 2, 1, 1]
    assert score_words(store) == ("1 pair to compare", "")
    store.add("pairs", {**pairs[1], "stronger": "first"})
    assert score_words(store) == ("", "")


def test_a_look_for_damage_knows_both_pieces(store):
    row = {"first": "417", "second": "205", "assessor": "A1", "sitting": "Q1", "kind": "cold",
           "stronger": "first", "position": 1}
    store.add("pairs", row)
    assert store.check() == ()
    piece = store.rows("pieces").set_index("code").at["205", "entry_id"]
    store.void("pieces", int(piece), "dropped")
    assert store.check() == ("entry 1 of pairs is a score of piece 205, which is void",)
    with pytest.raises(StoreError, match="pairs of pieces that are void: 205"):
        read_series(store)
    assert any("pairs, entry 1: its piece 205" in words for words in whole_rows(store.folder)[1])

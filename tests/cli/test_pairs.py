"""The pair test from the terminal: planned, answered by keys, said."""

import shutil

import pytest

from scentlab.cli import main
from scentlab.recording.store import Store
from scentlab.recording.unpoured import leave_out
from scentlab.workshop import demo_plan

ASKED = ["--wax", "soft wax", "--oil", "fig", "--loads", "1, 1.5, 3 oz/lb", "--seed", "1"]


@pytest.fixture
def answers(monkeypatch):
    """What is typed, question after question; nothing when there is no more."""
    typed = []

    def answer(words=""):
        if not typed:
            raise EOFError
        return typed.pop(0)

    monkeypatch.setattr("builtins.input", answer)
    return typed


@pytest.fixture
def folder(tmp_path, capsys):
    """A quick check that was poured; the highest load sweated."""
    folder = tmp_path / "fig"
    assert main(["quick", str(folder), *ASKED, "--today", "2026-11-01"]) == 0
    store = Store.open(folder)
    plan = store.plan()
    for p in plan["pours"]:
        store.add("pours", {n: p[n] for n in ("pour", "pot", "blend", "poured_on", "wax_g",
                                              "fragrance_g")})
    wet = {p["pour"] for p in plan["pours"] if p["load_pct"] > 15}
    for piece in plan["pieces"]:
        store.add("grades", {"code": piece["code"], "test": "sweat", "stress": piece["stress"],
                             "age_days": 10, "assessor": "A1",
                             "grade": 3 if piece["pour"] in wet else 0})
    capsys.readouterr()
    return folder


def pairs(folder, *more):
    return main(["pairs", str(folder), *more])


def test_from_the_question_to_the_words(folder, capsys, answers):
    shutil.rmtree(folder / "exports")  # as in a folder that was copied without its pages
    assert pairs(folder, "--kind", "cold", "--testers", "A1,A2", "--number", "20") == 0
    said = capsys.readouterr().out
    assert "20 pairs find a difference of 1 point of throw with a chance of" in said
    assert "20 pairs by 2 testers in 1 session each" in said
    # Of each load two heat-cycled pieces and one kept at room temperature.
    assert "* Time: 10 pairs of one tester in a session take 40 min." in said
    assert "Which smells stronger?" in (folder / "exports" / "pair-sheet-Q1.html").read_text()
    plan = Store.open(folder).plan()
    loads = {p["pour"]: p["load_pct"] for p in plan["pours"]}
    load_of = {p["code"]: loads[p["pour"]] for p in plan["pieces"]}
    assert {load_of[p["first"]] for p in plan["pairs"]} == {6.25, 9.375}  # the dry ones

    assert pairs(folder) == 0
    assert "No pair is stored yet. Waiting: A1 10, A2 10." in capsys.readouterr().out

    answers += ["3", "1", "", *["2"] * 3]  # no such key; one left for later; then gone
    assert pairs(folder, "--tester", "A1") == 0
    said = capsys.readouterr().out
    assert "10 pairs waiting for A1." in said and "Still to compare: A1 6, A2 10." in said
    stored = Store.open(folder).rows("pairs")
    assert stored["stronger"].tolist() == ["first", "second", "second", "second"]

    for tester in ("A1", "A2"):
        named = [p for p in plan["pairs"] if p["assessor"] == tester]
        done = {(p["first"], p["second"]) for p in stored.to_dict("records")} if (
            tester == "A1") else set()
        answers += ["1" if load_of[p["first"]] > 9 else "2" for p in named
                    if (p["first"], p["second"]) not in done]
        assert pairs(folder, "--tester", tester) == 0
    said = capsys.readouterr().out
    assert "Of 20 pairs of 1 oz/lb and 1.49 oz/lb the higher load was named stronger" in said
    assert "points more cold throw" in said and "All pairs are in." in said


def test_a_piece_that_was_left_on_a_warmer_is_smelt_no_more(folder, capsys):
    store = Store.open(folder)
    code = next(p["code"] for p in store.plan()["pieces"] if p["pour"] == next(
        p["pour"] for p in store.plan()["pours"] if p["load_pct"] == 6.25))
    store.add("warmings", {"code": code, "hours": 12.0, "weight_g": 25.0})
    assert pairs(folder, "--kind", "cold", "--testers", "A1,A2", "--number", "20") == 0
    assert "* Time: " in capsys.readouterr().out
    planned = Store.open(folder).plan()["pairs"]
    assert code not in {p[place] for p in planned for place in ("first", "second")}


@pytest.mark.parametrize(("more", "said"), [
    (["--loads", "1, 3 oz/lb", "--kind", "cold"], "a piece sweated (P01-"),
    (["--testers", "anna"], "--testers 'anna' is not a tester's code"),
    (["--kind", "hot"], "no pieces of both loads are free for hot throw"),
    (["--loads", "1 oz/lb and more"], "--loads "),
    (["--points", "0.1"], "points is 0.1; give a number from 0.3 to 10 points of throw"),
])
def test_what_cannot_be_is_refused(folder, capsys, more, said):
    assert pairs(folder, *more) == 2
    assert said in capsys.readouterr().err
    assert "pairs" not in Store.open(folder).plan()


def test_no_piece_of_a_batch_that_will_not_be_poured_is_compared(tmp_path, capsys):
    store = Store.create(tmp_path / "series")
    store.save_plan(demo_plan())
    plan = store.plan()
    gone = next(p for p in plan["pours"] if p["load_pct"] == 6)
    leave_out(store, gone["pour"], "dropped")
    lost = next(p["code"] for p in plan["pieces"] if p["pour"] != gone["pour"]
                and p["test"] == "reserve" and p["pour"] in {
                    q["pour"] for q in plan["pours"] if q["load_pct"] in (6, 8)
                    and q["blend"] == gone["blend"]})
    for name in (lost, plan["assessors"][0]):
        leave_out(store, name, "lost")
    assert pairs(store.folder, "--loads", "6, 8 %", "--blend", gone["blend"]) == 0
    there = {p["code"] for p in plan["pieces"]} - {
        p["code"] for p in plan["pieces"] if p["pour"] == gone["pour"]} - {lost}
    planned = store.plan()["pairs"]
    assert len(planned) >= 26 and all({p["first"], p["second"]} <= there for p in planned)
    assert {p["assessor"] for p in planned} == set(plan["assessors"][1:])


def test_somebody_else_and_a_folder_without_a_plan(folder, capsys, tmp_path):
    pairs(folder, "--kind", "cold")
    assert pairs(folder, "--tester", "B1") == 2
    assert "this series has no tester B1; it has A1" in capsys.readouterr().err
    Store.create(tmp_path / "bare")
    assert pairs(tmp_path / "bare") == 2
    assert "import --pairs FILE" in capsys.readouterr().err

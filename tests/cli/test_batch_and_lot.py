"""The batch sheet and the check of a new lot from the terminal."""

import json
import re
from types import SimpleNamespace

import pytest

from scentlab.cli import main
from scentlab.recording.importing import import_csvs
from scentlab.recording.reading import read_series
from scentlab.recording.store import Store
from scentlab.workshop import demo_folder, make_demo_series, make_series


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("sold") / "demo"
    make_demo_series(place)
    return place


def said(capsys, *arguments):
    code = main([str(a) for a in arguments])
    out = capsys.readouterr()
    return code, out.out + out.err


def test_a_batch_keeps_its_recipe_and_writes_its_sheet(folder, capsys):
    code, words = said(capsys, "batch", folder, "--packs", 40, "--pieces", 6, "--piece", "15 g",
                       "--topping", "3 g", "--decoration", "0.4 g", "--decoration-name", "mica")
    assert code == 0 and "40 packs of 6 pieces of 15.0 g" in words
    assert json.loads((folder / "recipe.json").read_text())["pieces"] == 6
    sheet, = (folder / "exports").glob("batch-*.html")
    page = sheet.read_text()
    assert "mica" in page and "Invented demonstration" in page
    assert re.search(r"<h1>[^<]+ %[^<]*\sof the wax</h1>", page)
    code, words = said(capsys, "batch", folder, "--wax", "1 lb", "--load", "3 oz/lb")
    assert code == 0 and "You typed this load; it is not the recommended one." in words
    assert "85.1 g (3.00 oz) of fragrance" in words
    assert "at 18.75 % (3 oz/lb)" in words
    words = said(capsys, "batch", folder, "--wax", "1 lb", "--load", "2.3 oz/lb")[1]
    assert words.count("(2.3 oz/lb)") == 2 and "2.28" not in words and "1.30 oz" not in words
    assert sheet.read_text() == page
    assert {p.name for p in sheet.parent.glob("batch-*.html")} == {
        sheet.name, f"{sheet.stem}-18.75-percent.html", f"{sheet.stem}-14.4-percent.html"}
    code, words = said(capsys, "dossier", folder, "--load", "2.3 oz/lb")
    dossier = (folder / "exports" / "dossier.html").read_text()
    assert code == 0 and "(2.3 oz/lb)" in dossier
    assert "typed this load; it is not the recommended one" in dossier
    assert words.startswith("Dossier (hides nothing), ")
    assert said(capsys, "batch", folder)[0] == 2
    assert "--piece" in said(capsys, "batch", folder, "--packs", 1, "--piece", "15 ml")[1]


def test_a_number_that_is_none_is_told_how_to_write_it(folder, capsys):
    for words, remedy in (
        (("batch", folder, "--packs", "forty"), "'forty' is not a number; write it as 40"),
        (("report", folder, "--seed", "-1"), "'-1' is not a number; write it as 1, without a sign"),
        (("batch", folder, "--packs=--"), "--packs has no value"),
        (("costs", folder, "--complaint", "8,50"), "'8,50' is not a number; write it as 8.5, with "
                                                   "a "),
    ):
        with pytest.raises(SystemExit):
            main([str(word) for word in words])
        assert remedy in capsys.readouterr().err


def test_a_lot_without_a_plan_is_never_sent_to_plan_more(tmp_path, capsys, monkeypatch):
    store = make_series(tmp_path / "own", title="brought in")
    import_csvs(store, *(demo_folder() / f"{n}.csv" for n in ("pours", "pieces", "throws")))
    row = {"pour": "L1", "pot": "L1", "poured_on": "2026-11-01", "wax_g": 200,
           "fragrance_g": 16, "lot": "B-7", "blend": store.rows("pours")["blend"].iloc[0]}
    store.add("pours", row)
    more = SimpleNamespace(lines=(), notes=(), verdict="test more", again=False)
    monkeypatch.setattr("scentlab.cli.batch.check_lot", lambda *_, **__: more)
    code, words = said(capsys, "lot", tmp_path / "own", "--lot", "B-7")
    assert code == 0 and "--more" not in words
    assert ("Next: pour three more pots of it, and import them with its name in the column lot."
            ) in words


def test_a_lot_is_planned_graded_and_answered_without_touching_the_series(folder, capsys):
    before = read_series(Store.open(folder))
    code, words = said(capsys, "lot", folder, "--lot", "B-7", "--today", "2026-11-29")
    assert code == 0 and "three test batches, each in its own pot" in words
    sheet = (folder / "exports" / "lot-sheet-P07.html").read_text()
    assert "New lot B-7" in sheet and all(p in sheet for p in ("P07", "P08", "P09"))
    assert "18 pieces of lot B-7" in said(capsys, "lot", folder, "--lot", "B-7")[1]
    store = Store.open(folder)
    plan = store.plan()
    pours = [p for p in plan["pours"] if p["lot"] == "B-7"]
    assert len(pours) == len({p["pot"] for p in pours}) == 3
    for p in pours:
        store.add("pours", {n: p[n] for n in ("pour", "pot", "blend", "poured_on", "wax_g",
                                              "fragrance_g", "limit_load_pct")})
    grade = {p["pour"]: g for p, g in zip(sorted(pours, key=lambda p: p["load_pct"]), (0, 0, 2),
                                          strict=True)}
    for piece in (p for p in plan["pieces"] if p["pour"] in grade):
        store.add("grades", {"code": piece["code"], "test": "sweat", "stress": piece["stress"],
                             "age_days": 7, "assessor": "A1", "grade": grade[piece["pour"]]})
    code, words = said(capsys, "lot", folder, "--lot", "B-7")
    assert code == 0 and "Lot B-7: " in words and "6 of 6" in words
    after = read_series(store)
    assert len(after.pours) == len(before.pours) and len(after.grades) == len(before.grades)
    assert set(after.apart.pours["lot"]) == {"B-7"} and len(after.apart.sweat()) == 18
    # Too many sweat later at the load in use, by their count: said once, not by line and note.
    lowest, middle, _ = sorted(pours, key=lambda p: p["load_pct"])
    of = {p["pour"]: [c for c in plan["pieces"] if c["pour"] == p["pour"]] for p in pours}
    for piece in of[lowest["pour"]][:3] + of[middle["pour"]]:
        store.add("grades", {"code": piece["code"], "test": "sweat", "stress": piece["stress"],
                             "age_days": 8, "assessor": "A1", "grade": 2})
    code, words = said(capsys, "lot", folder, "--lot", "B-7")
    assert "Lot B-7: reject" in words and words.count("whatever the model") == 1

"""What travels with the package, and which series a notebook works on."""

import json

import pandas as pd
import pytest

from scentlab import files, workshop
from scentlab.planning.plan import Plan
from scentlab.recording.store import FILE_NAME, Store
from scentlab.schema import IMPORT_TABLES

NOTEBOOKS = sorted([*files.PAGE_NAMES, "published.ipynb"])


def test_the_notebooks_and_the_demo_files_are_there():
    assert sorted(p.name for p in files.shipped("notebooks").glob("*.ipynb")) == NOTEBOOKS
    # nobody compared any, and all were poured
    for table in (t for t in IMPORT_TABLES if t.name not in ("pairs", "unpoured")):
        assert (workshop.demo_folder() / f"{table.name}.csv").is_file()


def test_the_demo_plan_says_that_it_is_invented():
    assert workshop.demo_plan()["invented"] is True


def test_the_demo_plan_is_one_that_the_kit_makes_today():
    plan = Plan.from_dict(workshop.demo_plan())
    assert json.loads(json.dumps(plan.to_dict())) == workshop.demo_plan()


def test_the_demo_files_hold_the_pours_and_pieces_of_the_plan():
    plan, folder = Plan.from_dict(workshop.demo_plan()), workshop.demo_folder()
    pours = pd.read_csv(folder / "pours.csv")
    assert sorted(pours["pour"]) == sorted(plan.pours["pour"])
    pieces = pd.read_csv(folder / "pieces.csv", dtype={"code": str})
    told = dict(zip(pieces["code"], pieces["pour"], strict=True))
    assert told == dict(zip(plan.pieces["code"], plan.pieces["pour"], strict=True))


def test_a_demo_series_has_everything(tmp_path):
    store = workshop.make_demo_series(tmp_path / "demo")
    assert store.about()["invented"] is True
    assert store.plan()["title"] == workshop.demo_plan()["title"]
    for table in ("pours", "pieces", "grades", "throws"):
        assert len(store.rows(table)) > 0, table
    assert (tmp_path / "demo" / "exports").is_dir()


def test_a_series_folder_with_something_in_it_is_refused(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(
        FileExistsError, match=f"^the folder {tmp_path} is not empty; give a new or empty folder$"
    ):
        workshop.make_series(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_a_missing_folder_of_the_package_is_told(monkeypatch, tmp_path):
    monkeypatch.setattr(files, "_PACKAGE", tmp_path / "scentlab")
    with pytest.raises(
        FileNotFoundError,
        match="^scentlab's folder notebooks is missing; reinstall scentlab$",
    ):
        files.shipped("notebooks")


def test_a_notebook_without_a_series_gets_a_copy_of_the_demo(tmp_path):
    bench = workshop.series_here("plan", folder=tmp_path)
    assert bench.demo
    assert bench.sentence == (
        "DEMO: this folder holds no series, so this uses a copy of the demo series in "
        f"{bench.folder}. Its data are invented, and nothing you save there is kept."
    )
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("need", ["plan", "pours", "grades", "throws"])
def test_a_series_that_lacks_what_is_needed_is_left_alone(tmp_path, need):
    workshop.make_series(tmp_path / "mine")
    bench = workshop.series_here(need, folder=tmp_path / "mine")
    assert bench.demo
    assert bench.sentence.startswith(f"DEMO: your series has no {need} yet, so ")
    assert bench.folder != (tmp_path / "mine").resolve()


def test_a_series_that_has_what_is_needed_is_used(tmp_path):
    workshop.make_series(tmp_path / "mine", title="Mine")
    bench = workshop.series_here(folder=tmp_path / "mine")
    assert not bench.demo
    assert bench.store.about()["title"] == "Mine"
    assert bench.sentence == f"This is your series in {tmp_path / 'mine'}."
    Store.open(tmp_path / "mine").save_plan({"title": "Mine", "pieces": []})
    assert not workshop.series_here("plan", folder=tmp_path / "mine").demo


def test_each_demo_copy_is_its_own(tmp_path):
    first = workshop.series_here(folder=tmp_path)
    second = workshop.series_here(folder=tmp_path)
    assert first.folder != second.folder
    assert (first.folder / FILE_NAME).is_file()


def test_the_notebooks_carry_no_outputs_and_no_long_cell():
    for path in files.shipped("notebooks").glob("*.ipynb"):
        notebook = json.loads(path.read_text())
        for cell in notebook["cells"]:
            if cell["cell_type"] == "code":
                assert cell["outputs"] == [] and cell["execution_count"] is None, path.name
                assert "".join(cell["source"]).count("\n") < 15, path.name


def test_series_beside_are_those_that_are_scored(tmp_path):
    scored = workshop.make_demo_series(tmp_path / "scored")
    Store.create(tmp_path / "empty", invented=True)
    Store.create(tmp_path / "mine", invented=True)
    (tmp_path / "no series").mkdir()
    workshop.make_demo_series(tmp_path / ".scentlab-x1")  # of a program that was stopped
    assert [f.name for f in workshop.series_in(tmp_path)] == ["empty", "mine", "scored"]
    found = workshop.series_beside(tmp_path / "mine")
    assert [s.about() for s in found] == [scored.about()]
    assert workshop.series_beside(tmp_path / "scored") == []
    Store.create(tmp_path / "real")
    assert workshop.series_beside(tmp_path / "real") == [], "invented data beside real ones"

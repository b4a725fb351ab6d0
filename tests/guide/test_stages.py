"""How far a series is, at every state in which its folder may be."""

import datetime as dt
import os

import pandas as pd
import pytest
from storing import keep_demo_plan, log

from scentlab import files, workshop
from scentlab.guide.stages import DONE, LATER, NOW, STAGES, see_stages
from scentlab.recording.importing import import_csvs


@pytest.fixture
def own(tmp_path):
    folder = tmp_path / "mine"
    return folder, workshop.make_series(folder, title="Mine & yours")


def states(found):
    return list(found.table["state"])


def test_a_new_folder_is_at_its_plan(own):
    folder, store = own
    found = see_stages(store, folder)
    assert states(found) == [NOW, LATER, LATER, LATER, LATER]
    assert found.title == "Mine & yours"
    assert found.told == "Now: plan; no plan is kept yet."


def test_a_series_without_a_title_is_called_as_its_folder(tmp_path):
    """As on its pages; a shelf of several was of one name, "This series"."""
    assert see_stages(workshop.make_series(tmp_path / "fig"), tmp_path / "fig").title == "fig"


def test_a_plan_and_a_few_pours(own):
    folder, store = own
    plan = keep_demo_plan(store)
    log(store, plan.pours.head(3))
    found = see_stages(store, folder)
    assert states(found) == [DONE, NOW, LATER, LATER, LATER]
    assert list(found.table["told"][:3]) == [
        "36 test batches planned", "3 of 36 planned test batches are logged",
        "0 of 720 planned scores are in",
    ]


def test_all_poured(own):
    folder, store = own
    log(store, keep_demo_plan(store).pours)
    assert states(see_stages(store, folder)) == [DONE, DONE, NOW, LATER, LATER]


def test_all_scored_until_report_and_package(tmp_path):
    folder = tmp_path / "demo"
    store = workshop.make_demo_series(folder)
    found = see_stages(store, folder)
    assert states(found) == [DONE, DONE, DONE, NOW, LATER]
    assert found.table["told"][3] == "all scores are in: you can open the sealed key"
    written(folder / "exports" / "report.html", dt.datetime(2126, 10, 5, 12))
    found = see_stages(store, folder)
    assert states(found) == [DONE, DONE, DONE, DONE, NOW]
    assert found.table["told"][3] == "a report was written on 2126-10-05"
    written(folder / "exports" / "for-the-supplier.zip", dt.datetime(2126, 10, 6, 12))
    found = see_stages(store, folder)
    assert states(found) == [DONE] * 5
    assert found.told == "Every stage is done."


def written(path, when):
    path.write_text("x")
    os.utime(path, (when.timestamp(),) * 2)


@pytest.fixture
def finished(tmp_path):
    """The demo series with a report and a package that are younger than its record."""
    folder = tmp_path / "demo"
    store = workshop.make_demo_series(folder)
    for name in ("report.html", "for-the-supplier.zip"):
        written(folder / "exports" / name, dt.datetime.now())
    return folder, store


def correct(store):
    entry = int(store.rows("grades")["entry_id"].iloc[0])
    store.correct("grades", entry, {"grade": 3}, reason="misread")


def pour_again(store):
    pour = store.rows("pours").iloc[0].to_dict()
    log(store, pd.DataFrame([{**pour, "pour": "P99"}]))


def void(store):
    store.void("throws", int(store.rows("throws")["entry_id"].iloc[-1]), "window was open")


@pytest.mark.parametrize("change", [correct, pour_again, void])
def test_a_record_that_changed_has_its_report_and_package_made_again(finished, change):
    folder, store = finished
    assert states(see_stages(store, folder)) == [DONE] * 5
    change(store)
    found = see_stages(store, folder)
    assert states(found)[3:] == ([LATER, LATER] if change is void else [NOW, LATER])
    entries = [store.rows(n, history=True)["saved_at"] for n in ("pours", "grades", "throws")]
    saved = pd.concat(entries).max()
    words = f"the record has changed since (at {saved.to_pydatetime().astimezone():%Y-%m-%d %H:%M})"
    assert list(found.table["told"][3:]) == [
        "keep the key sealed until every piece is scored" if change is void else
        f"{words}: write a report again", f"{words}: write a package again"]
    written(folder / "exports" / "report.html", dt.datetime.now())
    found = see_stages(store, folder)
    assert found.table["state"][3] == (LATER if change is void else DONE)
    assert found.table["told"][4] == f"{words}: write a package again"


def test_the_report_that_the_demo_command_writes_counts(tmp_path):
    store = workshop.make_demo_series(tmp_path / "demo")
    (tmp_path / "demo" / "report.html").write_text("x")
    assert states(see_stages(store, tmp_path / "demo"))[3] == DONE


def test_a_report_on_half_the_scores_does_not_make_the_scoring_done(own):
    folder, store = own
    log(store, keep_demo_plan(store).pours)
    # The clock of a file system ticks more coarsely than that of the record.
    written(folder / "exports" / "report.html", dt.datetime.now() + dt.timedelta(seconds=1))
    found = see_stages(store, folder)
    assert states(found) == [DONE, DONE, NOW, LATER, LATER]
    assert found.table["told"][3] == "keep the key sealed until every piece is scored"


def test_imported_data_have_no_plan(own):
    folder, store = own
    names = ("pours", "pieces", "throws")
    import_csvs(store, *(workshop.demo_folder() / f"{n}.csv" for n in names))
    found = see_stages(store, folder)
    assert states(found) == [DONE, DONE, DONE, NOW, LATER]
    graded = pd.read_csv(workshop.demo_folder() / "pieces.csv").dropna(
        subset=["sweat_grade", "frost_grade"], how="all")["code"].nunique()
    assert list(found.table["told"][:3]) == [
        "no plan; test batches were imported", "36 test batches logged",
        f"no plan; {graded} pieces graded"]


def test_every_stage_has_its_notebook():
    for stage in STAGES:
        assert (files.shipped("notebooks") / stage.notebook).is_file()

"""The notebooks in a maker's own series folder, at every state in which they may be opened.

`pytest --nbval-lax notebooks/` runs them on the demo; here they meet an empty record, a plan
without pours, a few pours without scores, and a full record.
"""

import re
from dataclasses import replace

import nbclient
import nbformat
import pytest
from storing import store_series

import scentlab
from scentlab import workshop
from scentlab.forms.materials import materials_draft
from scentlab.forms.planning import series_draft
from scentlab.planning.plan import Plan
from scentlab.recording.draft import DRAFT_NAME, keep_draft
from scentlab.recording.store import Store


def run(folder, name):
    """Run a notebook of a series folder from top to bottom; returns all text that it printed."""
    notebook = nbformat.read(folder / name, as_version=4)
    client = nbclient.NotebookClient(
        notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(folder)}}
    )
    client.execute()
    outputs = [o for cell in notebook.cells for o in cell.get("outputs", ())]
    return "\n".join(
        o.get("text", "") + o.get("data", {}).get("text/markdown", "")
        + o.get("data", {}).get("text/plain", "") for o in outputs
    )


@pytest.fixture
def own(tmp_path):
    """A new series folder and its store."""
    folder = tmp_path / "mine"
    return folder, workshop.make_series(folder, title="Mine")


def planned(store):
    store.save_plan({**workshop.demo_plan(), "title": "Mine", "invented": False})
    return Plan.from_dict(store.plan())


def test_planning_in_a_new_folder_starts_empty_and_keeps_nothing_unasked(own):
    folder, store = own
    said = run(folder, "1-plan.ipynb")
    assert "This notebook works on your series" in said
    assert (
        "When this cell ran: The plan is NOT kept yet: something is still to be filled in. Scroll "
        "up to the first form.\nWhen the plan is kept, run this cell again."
    ) in said
    assert "all checks passed" not in said and "Next" not in said
    assert store.plan() is None
    assert not list((folder / "exports").iterdir()) and not (folder / DRAFT_NAME).exists()


def test_planning_with_a_draft_brings_it_back_and_keeps_nothing_unasked(own):
    folder, store = own
    plan = Plan.from_dict(workshop.demo_plan())
    keep_draft(folder, {"materials": materials_draft(plan.fragrance, plan.blends),
                        "series": series_draft(plan)})
    said = run(folder, "1-plan.ipynb")
    assert "The plan is NOT kept yet.\nWhen the plan is kept, run this cell again." in said
    assert "all checks passed" not in said and "Next" not in said
    assert store.plan() is None and not list((folder / "exports").iterdir())


def test_pour_day_before_a_plan_shows_the_demo_and_says_so(own):
    folder, store = own
    said = run(folder, "2-pour-day.ipynb")
    assert "DEMO: your series has no plan yet" in said
    assert store.rows("pours", history=True).empty


def test_pour_day_with_a_plan_and_nothing_logged(own):
    folder, store = own
    plan = planned(store)
    said = run(folder, "2-pour-day.ipynb")
    count = len(plan.pours)
    assert f"all checks passed; when this cell ran, 0 of {count} pours were logged" in said
    assert store.rows("pours", history=True).empty


def test_pour_day_shows_every_pour_that_was_weighed(own):
    folder, store = own
    pours = planned(store).pours
    for pour in pours.to_dict("records"):
        store.add("pours", {name: pour[name] for name in (
            "pour", "pot", "blend", "poured_on", "wax_g", "fragrance_g")})
    shown = re.search("planned load, % of wax(.*)all checks passed",
                      run(folder, "2-pour-day.ipynb"), re.DOTALL)[1]
    assert len(pours) > 10 and [p for p in pours["pour"] if p not in shown] == []


def test_scoring_with_a_few_pours_and_no_score(own):
    folder, store = own
    for pour in planned(store).pours.head(3).to_dict("records"):
        names = ("pour", "pot", "blend", "poured_on", "wax_g", "fragrance_g")
        store.add("pours", {name: pour[name] for name in names})
    said = run(folder, "3-score.ipynb")
    assert "This notebook works on your series" in said
    assert "all checks passed" in said
    assert store.rows("grades", history=True).empty


@pytest.mark.parametrize("name", ["1-plan.ipynb", "2-pour-day.ipynb", "3-score.ipynb"])
def test_a_full_record_is_left_as_it_is(tmp_path, name):
    store = workshop.make_demo_series(tmp_path / "full")
    tables = ("pours", "pieces", "grades", "throws", "warmings")
    before = {t: len(store.rows(t, history=True)) for t in tables}
    said = run(tmp_path / "full", name)
    assert "This notebook works on your series" in said
    assert "all checks passed" in said
    assert "Next" in said or name != "1-plan.ipynb"
    assert "demo all was" not in said, "a remark on the demo in a maker's own series"
    assert {t: len(store.rows(t, history=True)) for t in before} == before


def test_sharing_shows_the_tables_alone_and_compares_with_nothing_of_another_sort(tmp_path):
    folder = tmp_path / "full"
    workshop.make_demo_series(folder)
    store_series(replace(scentlab.read_series(Store.open(folder)), invented=False),
                 tmp_path / "real")
    (folder / "exports" / "sealed-key.html").write_text("key")
    said = run(folder, "5-share.ipynb")
    assert "No scored series to set beside this one is in the folders next to it." in said
    assert "exports/pours.csv" in said and "exports/throws.csv" in said
    assert "sealed-key" not in said and "In the demo" not in said
    assert "''" not in said.splitlines() and "all checks passed" in said


def test_no_page_remarks_on_the_demo_in_a_series_of_ones_own():
    for name in ("1-plan", "2-pour-day", "3-score", "5-share"):
        notebook = nbformat.read(workshop.notebooks_folder() / f"{name}.ipynb", as_version=4)
        for cell in notebook.cells:
            assert cell.cell_type == "code" or "demo" not in cell.source.lower(), cell.source

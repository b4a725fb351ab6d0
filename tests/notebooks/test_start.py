"""The start page in a maker's own folder: it tells how far the series is, and writes nothing."""

import nbclient
import nbformat
import pytest

from scentlab import workshop


def run(folder):
    """All text that the start page shows when it is run in this folder."""
    notebook = nbformat.read(folder / "0-start.ipynb", as_version=4)
    nbclient.NotebookClient(
        notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(folder)}}
    ).execute()
    outputs = [o for cell in notebook.cells for o in cell.get("outputs", ())]
    return "\n".join(o.get("text", "") + o.get("data", {}).get("text/html", "") for o in outputs)


@pytest.mark.parametrize(
    ("planned", "words"),
    [
        (False, "Mine: now 1-plan.ipynb; no plan is kept yet."),
        (True, "Mine: now 2-pour-day.ipynb; 0 of 36 planned test batches are logged."),
    ],
)
def test_the_start_page_says_where_the_series_is(tmp_path, planned, words):
    folder = tmp_path / "mine"
    store = workshop.make_series(folder, title="Mine")
    if planned:
        store.save_plan({**workshop.demo_plan(), "title": "Mine", "invented": False})
    before = sorted(p.name for p in folder.rglob("*.*"))
    said = run(folder)
    assert words in said and "all checks passed" in said
    assert "This notebook works on your series" in said
    assert [n for n in sorted(p.name for p in folder.rglob("*.*")) if "sqlite-" not in n] == before

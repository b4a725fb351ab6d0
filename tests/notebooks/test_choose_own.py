"""The fourth notebook on series of a maker's own that lack something: plain words, no traceback."""

import shutil

import nbclient
import nbformat
import pytest
from storing import store_series

from scentlab import workshop
from scentlab.choosing.kept import keep_rules
from scentlab.choosing.rules import Rules
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

NAME = "4-fit-and-choose.ipynb"


def run(folder, name):
    """Run a notebook of a series folder from top to bottom; returns all that it showed as text."""
    notebook = nbformat.read(folder / name, as_version=4)
    nbclient.NotebookClient(
        notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(folder)}}
    ).execute()
    outputs = [o for cell in notebook.cells for o in cell.get("outputs", ())]
    kinds = ("text/plain", "text/html", "text/markdown")
    return "\n".join(
        [o.get("text", "") for o in outputs]
        + [o["data"].get(k, "") for o in outputs if "data" in o for k in kinds]
    )


def own(folder, capacities, **layout):
    """A series folder with a simulated record and the fourth notebook."""
    truth = Truth({b: BlendTruth(c) for b, c in capacities.items()})
    sizes = {"pots": 2, "sweat": 4, "limit_load_pct": 10.0} | layout
    layout = even_layout(list(capacities), [5, 8, 11, 14], **sizes)
    for frame in (layout.pieces, layout.smellings):  # blind codes have three digits
        frame["code"] = [f"{100 + int(code)}" for code in frame["code"]]
    store_series(simulate_series(layout, truth, 3), folder)
    shutil.copyfile(workshop.notebooks_folder() / NAME, folder / NAME)
    return folder


CASES = {
    "one blend, neither throw nor frost": (
        {"soft": 10.0}, {},
        ("No hot throw to fit", "No frost to fit", "No throw was scored over hours"),
    ),
    "all dry": (
        {"soft": 60.0, "firm": 60.0}, {"frost": 2, "throw": 1, "assessors": 4},
        ("stayed dry", "soft: use "),
    ),
    "all wet": (
        {"soft": -20.0, "firm": -20.0}, {"frost": 2},
        ("soft: no tested load qualifies", "Not known yet: it needs today's load"),
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_a_series_that_lacks_something_is_told_so(tmp_path, case):
    capacities, layout, words = CASES[case]
    said = run(own(tmp_path / "mine", capacities, **layout), NAME)
    assert "This notebook works on your series" in said and "all checks passed" in said
    for expected in words:
        assert expected in said
    assert not (tmp_path / "mine" / "rules.json").exists()


def test_kept_rules_hold(tmp_path):
    folder = own(tmp_path / "mine", {"soft": 10.0})
    keep_rules(Rules(risk=0.2, today_load_pct=12), folder)
    said = run(folder, NAME)
    assert "Rules kept in rules.json: at most 20 %" in said and "is over 20 %" in said


def test_without_sweat_grades_the_demo_is_shown(tmp_path):
    folder = own(tmp_path / "mine", {"soft": 10.0}, sweat=0, frost=2)
    said = run(folder, NAME)
    assert "DEMO: your series has no sweat grades yet" in said and "all checks passed" in said

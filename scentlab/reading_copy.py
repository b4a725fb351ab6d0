"""A copy to read of a series' notebooks: run anew on what is shared, as one page without code.

What is held back is taken out of the records before the notebooks see them: they run in a copy
of the series folder that is made for them and thrown away, so that nothing hidden can be in a
table or a picture, and nothing in the folder changes.
"""

import shutil
import tempfile
from pathlib import Path

import pandas as pd

from scentlab.choosing.kept import keep_rules, rules_here
from scentlab.recording.reading import read_series
from scentlab.recording.records import RECORDS, SCORES
from scentlab.recording.store import Store
from scentlab.sharing.notebook_page import run_notebooks
from scentlab.sharing.redaction import Choices, SharingError, redact, redacted_rules

NOTEBOOKS = ("4-fit-and-choose.ipynb", "5-share.ipynb")
EVERYTHING = Choices()


def prepare_reading_copy(store, choices=EVERYTHING, notebooks=NOTEBOOKS):
    """Run notebooks of a series folder on what is shared and make one page of them, in memory.

    Parameters
    ----------
    store : Store of a series folder, whose notebooks are read as they were last saved.
    choices : Choices, what to hold back. notebooks : file names, in the order to show.

    Returns
    -------
    NotebookPage; its ``table`` says what it holds, its ``write`` keeps it.

    Raises
    ------
    SharingError when a notebook is missing or fails, or when the page would tell what is held
    back or the pour of a piece that is still to be scored.
    """
    if store.folder is None:
        raise SharingError(
            "the notebooks lie in the series folder, and this store is on a server; open the "
            "store by its folder"
        )
    series, held = redact(read_series(store), choices)
    with tempfile.TemporaryDirectory(prefix="scentlab-reading-") as place:
        folder = Path(place) / "series"
        store_series(series, folder)
        own = rules_here(store.folder)
        if own.kept:
            keep_rules(redacted_rules(own.rules, choices), folder)
        for notebook in store.folder.glob("*.ipynb"):
            shutil.copyfile(notebook, folder / notebook.name)
        return run_notebooks(
            folder, notebooks, title=series.title, invented=series.invented, held=held,
            key=unscored(store),
        )


def unscored(store):
    """Pairs of blind code and pour of the pieces that are still to be scored."""
    scored = {code for name in SCORES for code in store.rows(name)["code"]}
    pieces = store.rows("pieces")
    waiting = pieces[~pieces["code"].isin(scored) & pieces["test"].notna()]
    return tuple(zip(waiting["code"], waiting["pour"], strict=True))


def store_series(series, folder):
    """Keep a series in a new folder as if it had been recorded there; returns its Store."""
    store = Store.create(
        folder, title=series.title, fragrance=series.fragrance, invented=series.invented
    )
    if series.plan:
        store.save_plan(series.plan)
    pours = series.pours
    if not series.plan:
        limits = series.blends.set_index("blend")[["limit_load_pct", "limit_content_pct"]]
        pours = pours.join(limits, on="blend")
    store.add_all({
        "pours": _rows(pours, "pours"),
        "pieces": _rows(_pieces(series, set(store.rows("pieces")["code"])), "pieces"),
        "grades": _rows(series.grades, "grades"),
        "throws": _rows(series.throws, "throws"),
        "bleeds": _rows(series.bleeds, "bleeds"),
        "warmings": _rows(series.warmings, "warmings"),
    })
    return store


def _pieces(series, planned):
    """The pieces that were scored and that no plan knows, once each."""
    scores = [
        series.grades[["code", "pour", "test", "stress"]],
        series.throws[["code", "pour"]].assign(test="throw", stress=None),
        series.bleeds[["code", "pour"]].assign(test="bleed", stress=None),
        series.warmings[["code", "pour"]].assign(test="reserve", stress=None),
    ]
    pieces = pd.concat([s for s in scores if len(s)] or scores[:1]).drop_duplicates("code")
    return pieces[~pieces["code"].isin(planned)]


def _rows(frame, table):
    frame = frame.reindex(columns=list(RECORDS[table].names)).astype(object)
    return frame.where(frame.notna(), None).to_dict("records")

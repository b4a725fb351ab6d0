"""The page of the pour day: the pots, what was weighed, what is to be corrected."""

from functools import partial
from pathlib import Path

from scentlab.forms.desk import RecordDesk
from scentlab.guide.showing import GUIDES
from scentlab.planning.plan import Plan
from scentlab.planning.shopping import pots_table
from scentlab.recording.reading import plan_now
from scentlab.screens.frame import Fold, Page, bench_of, cautions_fold, leave_to_do
from scentlab.workshop import series_here


def pour_page(folder: str | Path | None = None) -> Page:
    """The page on which it is logged what was weighed.

    Parameters
    ----------
    folder : of the series; None takes the folder of the notebook. A series without a plan is stood
        in for by a copy of the invented demo.

    Returns
    -------
    Page, a widget.

    >>> pour_page().bench.demo
    True
    """
    bench = bench_of(folder, "plan")
    if bench.demo:
        leave_to_do(bench.store, "pours", bench.store.rows("pours").tail(2))
    return Page("pour", partial(_build, own=folder), bench)


def _build(page, own):
    store, bench = page.bench.store, page.bench
    plan = Plan.from_dict(plan_now(store))
    files = series_here(folder=own or ".") if bench.demo else None
    desk = page.desk = RecordDesk(bench, files=files)
    return [
        desk.pours, GUIDES["pour"], cautions_fold(),
        Fold("The pots and their temperatures", lambda: pots_table(plan), "pots"),
        Fold("What was weighed so far", partial(_weighed, store), "weighed"),
        Fold("Something was logged wrong", lambda: desk.correct("pour"), "wrong"),
        Fold("Weights logged elsewhere: files", lambda: desk.files, "files"),
    ]


def _weighed(store):
    from scentlab.recording.reading import read_series
    from scentlab.words.tables import pour_table  # so much is imported when it is asked for

    return (pour_table(read_series(store).pours) if len(store.rows("pours")) else
            "No test batch is logged yet.")

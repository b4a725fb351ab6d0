"""The page of the plan: what goes into the pots, what is poured, the sheets to print."""

from pathlib import Path

from scentlab.forms.desk import PlanDesk
from scentlab.guide.showing import show_guide
from scentlab.screens.frame import Fold, Page, bench_of, heading
from scentlab.screens.start import units_fold


def plan_page(folder: str | Path | None = None) -> Page:
    """The page on which a series is planned.

    Parameters
    ----------
    folder : of the series; None takes the folder of the notebook. Without a series there, the page
        works on a copy of the invented demo.

    Returns
    -------
    Page, a widget.

    >>> plan_page().bench.demo
    True
    """
    return Page("plan", _build, bench_of(folder))


def _build(page):
    desk = page.desk = PlanDesk(page.bench)
    return [
        Fold("Begin from what there is: wax, moulds, warmers, testers, evenings",
             lambda: desk.have, "have"),
        heading("What goes into the pots"), desk.materials,
        heading("What is poured"), show_guide("pots"), desk.planning,
        Fold("What to buy, the pots, and what falls on which day", lambda: desk.asks, "asks"),
        heading("Sheets to print, and the plan to keep"), desk.keeping,
        units_fold(page.bench.folder, page),
    ]

"""The page of the plan: what goes into the pots, what is poured, the sheets to print."""

from pathlib import Path

from scentlab.forms.desk import PlanDesk
from scentlab.forms.frame import heading
from scentlab.guide.showing import GUIDES
from scentlab.screens.frame import Fold, Page, bench_of
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
    have = Fold("Start from what you have: wax, moulds, warmers, testers, evenings",
                lambda: desk.have, "have")
    whole = [
        Fold("What goes into the pots: waxes, fragrance, blends", lambda: desk.materials, "waxes"),
        Fold("What is poured: loads, pots, pieces, testers, days",
             lambda: [GUIDES["pots"], desk.planning], "poured"),
    ]
    have.turn(desk.fresh)
    for fold in whole:  # what is begun and not whole is in sight, with what it still needs
        fold.turn(desk.plan is None and not desk.fresh)
    return [
        have, heading("The plan, to check and change"), *whole,
        Fold("What to buy, the pots, and what happens when", lambda: desk.asks, "asks"),
        heading("Print the sheets and keep the plan"), desk.keeping,
        *([] if page.bench.demo else [units_fold(page.bench.folder, page)]),
    ]

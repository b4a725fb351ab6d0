"""The page for scores: who scores, then sweat, frost and throw by blind code. No load is shown."""

from functools import partial
from pathlib import Path

import ipywidgets as w

from scentlab.forms.desk import RecordDesk
from scentlab.forms.frame import listed
from scentlab.forms.heat import HeatForm
from scentlab.guide.showing import GUIDES
from scentlab.planning.rules import HEAT_HINTS
from scentlab.recording.progress import see_progress, turn_words
from scentlab.results import in_trade_words
from scentlab.screens.frame import LEFT, Fold, Page, bench_of, leave_to_do
from scentlab.series import rule_of
from scentlab.units import in_maker_units
from scentlab.workshop import series_here

TESTS = {"sweat": "Sweat", "frost": "Frost", "throw": "Throw, a session at a time"}


def score_page(folder: str | Path | None = None, looks_per_piece: int = 1) -> Page:
    """The page on which pieces are graded and smelt, by blind code.

    Parameters
    ----------
    folder : of the series; None takes the folder of the notebook. A series without poured test
        batches is stood in for by a copy of the invented demo.
    looks_per_piece : int, how many testers grade each sweat and frost piece.

    Returns
    -------
    Page, a widget.

    >>> score_page().bench.demo
    True
    """
    bench = bench_of(folder, "plan", "pours")
    if bench.demo:  # a session is left to be scored
        looks_per_piece = 2
        smelt = bench.store.rows("throws").query("assessor == 'A6'")
        leave_to_do(bench.store, "throws", smelt[smelt["sitting"] == smelt["sitting"].max()])
    return Page("score", partial(_build, own=folder, looks=looks_per_piece), bench)


def _build(page, own, looks):
    bench = page.bench
    desk = page.desk = RecordDesk(bench, looks,
                                  series_here(folder=own or ".") if bench.demo else None)
    tests = {
        topic: Fold(title, lambda t=topic: [GUIDES[t], getattr(desk, t)], topic)
        for topic, title in TESTS.items()}
    return [
        desk.who, desk.who.show(partial(_waits, desk, tests)), *tests.values(),
        Fold("Heat cycle: what the thermometer showed", lambda: heat_form(bench), "heat"),
        Fold("Hours on the warmer", lambda: desk.warmer, "warmer"),
        Fold("Scored on paper", lambda: desk.paper, "paper"),
        Fold("Something was scored wrong", desk.correct, "wrong"),
        Fold("Scores in files", lambda: desk.files, "files"),
        Fold(LEFT, lambda: [*left_to_score(bench.store, looks), desk.leave()], "left"),
    ]


def heat_form(bench):
    return [w.HTML("<p>How to hold the heat at home (common practice, no source):</p>"
                   f"{listed(map(in_maker_units, HEAT_HINTS))}"),
            HeatForm(rule_of(bench.store.plan(), "heat_cycle"), partial(bench.store.add, "heats"),
                     lambda receipt: bench.store.void("heats", receipt.entry_id, "undone"))]


def _waits(desk, folds, assessor):
    """How many pieces wait for a tester, in words; the first test of them is opened."""
    waits = desk.waiting(assessor).to_dict("records")
    folds[waits[0]["test"] if waits else "sweat"].turn(True)
    said = turn_words(waits)
    pairs, later = desk.pairs(assessor), desk.later(assessor)
    words = [f"{assessor} has pieces to score: {said}." if said else
             "" if pairs else f"Nothing for {assessor} today."]
    if pairs:
        words.append(f"{assessor} has {pairs}, on a phone (scentlab panel) or from paper (scentlab "
                     f"pairs FOLDER --tester {assessor}).")
    return " ".join(filter(None, [*words, later and f"Next: {later}."]))


def left_to_score(store, looks_per_piece):
    """What waits, without a load: a sentence and a table."""
    progress = see_progress(store, looks_per_piece=looks_per_piece)
    left = progress.scores[progress.scores["waiting"] > 0].fillna("").rename(
        columns=in_trade_words)
    return [progress.sentence, left.style.hide() if len(left) else "Nothing waits."]

"""The supplier summary: one page with four questions and their answers.

What was tested, how, what was seen, what is asked. It speaks of weights, temperatures and
counts rather than of opinions, so that a supplier can act on it.
"""

from pathlib import Path

from scentlab.sharing.guard import Guard, SharingError
from scentlab.sharing.pages import image, render, write_page
from scentlab.sharing.pictures.safe_loads import draw_ceiling
from scentlab.words import answers
from scentlab.words.tables import seen_table

MOST_QUESTIONS = 6
_OPEN = Guard()


def supplier_summary_html(analysis, ask):
    """The page as HTML text without any reference to the network.

    Parameters
    ----------
    analysis : Analysis; take that of a prepared package to leave out what is held back there.
    ask : sequence of 1 to 6 sentences, what the supplier is asked.

    Raises
    ------
    SharingError when nothing, or more than a page holds, is asked.
    """
    ask, series = check_questions(ask), analysis.series
    return render(
        "summary.html.j2",
        series=series,
        invented=series.invented,
        tested=list(answers.tested_facts(series)),
        how=list(answers.method_sentences(series)),
        seen=seen_table(analysis),
        stress=answers.storage_words(analysis),
        ceiling=analysis.ceiling.sentence,
        picture=image(draw_ceiling(analysis.ceiling)),
        ranked=answers.ranked_words(analysis),
        ranking=answers.ranking_sentences(analysis),
        ask=ask,
    )


def check_questions(ask):
    """The questions as a list, or SharingError when a page cannot carry them."""
    ask = [ask] if isinstance(ask, str) else [str(a) for a in ask]
    if not 1 <= len(ask) <= MOST_QUESTIONS or not all(a.strip() and len(a) <= 300 for a in ask):
        raise SharingError(
            f"ask 1 to {MOST_QUESTIONS} things of at most 300 characters each; a supplier who is "
            "asked nothing answers nothing"
        )
    return ask


def write_supplier_summary(analysis, path, ask, guard=_OPEN):
    """Write the page of :func:`supplier_summary_html` to ``path`` and return the path.

    ``guard`` is that of a prepared package: what it holds back is in no question and no name.
    """
    asked = [("what is asked", words) for words in check_questions(ask)]
    guard.refuse([*asked, ("the name of the page", Path(path).name)])
    return write_page(supplier_summary_html(analysis, ask), path, "the summary")

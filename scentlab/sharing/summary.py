"""The supplier summary: one page with four questions and their answers.

What was tested, how, what was seen, what is asked. It speaks of weights, temperatures and
counts rather than of opinions, so that a supplier can act on it.
"""

import datetime as dt
from pathlib import Path

from scentlab.choosing.ranking import order_words
from scentlab.choosing.rests import stress_words
from scentlab.materials import say_lot
from scentlab.sharing import plots, wording
from scentlab.sharing.explained import ranked_words, ranking_words
from scentlab.sharing.guard import Guard, SharingError, UndecidedError
from scentlab.sharing.pages import image, render, write_page
from scentlab.sharing.tables import difference_sentence, seen_table

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
    ask = check_questions(ask)
    series = analysis.series
    ceiling = analysis.ceiling
    return render(
        "summary.html.j2",
        series=series,
        invented=series.invented,
        made_on=dt.date.today().isoformat(),
        tested=_tested(series),
        how=_how(analysis),
        seen=seen_table(analysis),
        stress=stress_words(ceiling.stress, series.plan),
        ceiling=ceiling.sentence,
        picture=image(plots.plot_ceiling(ceiling), wording.ceilings_in_words(ceiling.table)),
        ranked=ranked_words(analysis),
        ranking=[w for w in (ranking_words(analysis), *order_words(analysis.pick)) if w],
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
    told = [(hit, place) for place, words in [*asked, ("the name of the page", Path(path).name)]
            for hit in guard.hits(words)]
    if told:
        raise UndecidedError(told)
    return write_page(supplier_summary_html(analysis, ask), path, "the summary")


def _tested(series):
    """What was tested, as pairs of name and words."""
    about = (series.plan or {}).get("fragrance") or {}
    facts = [("Fragrance", _with_lot(series.fragrance or "not on record", about.get("lot")))]
    lots = _wax_lots(series)
    if lots:
        facts.append(("Waxes", "; ".join(lots)))
    for row in series.blends.to_dict("records"):
        limit = wording.say_both(row["limit_load_pct"])
        known = f"wax maker's limit {limit}" if limit != wording.MISSING else "no limit known"
        words = "" if wording.is_missing(row["composition"]) else f"{row['composition']}; "
        facts.append((row["blend"], words + known))
    return facts


def _wax_lots(series):
    waxes = {}
    for blend in (series.plan or {}).get("blends", ()):
        for part in blend["parts"]:
            waxes[part["wax"]["name"]] = part["wax"].get("lot")
    return [_with_lot(name, lot) for name, lot in waxes.items()]


def _with_lot(name, lot):
    """A material with its lot, or without a word of it where none is on record."""
    return f"{name}, {say_lot(lot)}" if lot and lot.strip() else name


def _how(analysis):
    """How it was done, as sentences with the numbers that were recorded."""
    series, pours = analysis.series, analysis.series.pours
    sweat = series.sweat()
    loads = pours["load_pct"]
    yield (
        f"{pours['pot'].nunique()} pots, {len(pours)} pours from {wording.say_both(loads.min())} "
        f"to {wording.say_both(loads.max())}, {sweat['code'].nunique()} pieces looked at for sweat "
        f"by blind code."
    )
    yield difference_sentence(pours)
    recorded = [
        _span(pours["add_temp_c"], "fragrance added at {} °C"),
        _span(pours["stir_min"], "stirred {} min"),
        _span(pours["pour_temp_c"], "poured at {} °C"),
        _span(pours["room_temp_c"], "room at {} °C"),
        _span(sweat["age_days"], "pieces aged {} days at the look"),
    ]
    words = [r for r in recorded if r]
    if words:
        text = ", ".join(words) + "."
        yield text[:1].upper() + text[1:]
    assessors = sweat["assessor"].dropna().nunique()
    yield f"Graded by {assessors} assessor{'' if assessors == 1 else 's'}."


def _span(values, words):
    """The range of a recorded column in words; nothing when it was not recorded."""
    values = values.dropna()
    if values.empty:
        return ""
    low, high = f"{values.min():g}", f"{values.max():g}"
    return words.format(low if low == high else f"{low} to {high}")

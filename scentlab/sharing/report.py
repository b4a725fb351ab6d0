"""The report of an analysis: one page that can be read, printed and mailed, and needs no network.

:func:`report_html` gives the page, :func:`write_report` keeps it. Everything the page says comes
from the analysis; titles and notes are text of a person and are escaped.
"""

import dataclasses
import hashlib
import platform
from collections.abc import Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

import scentlab
from scentlab.choosing.analysis import Analysis, choices
from scentlab.choosing.diagnosis import diagnose
from scentlab.choosing.rests import by_day
from scentlab.results import an_analysis
from scentlab.schema import FROST_GRADES, SWEAT_GRADES
from scentlab.sharing import figures
from scentlab.sharing.answer import FORMAT, KIND
from scentlab.sharing.guard import Guard, need
from scentlab.sharing.pages import RULE_WORDS, file_name, render, to_json, write_page
from scentlab.sharing.photos import shown_photos
from scentlab.units import shown
from scentlab.words import answers, is_missing, rows, tables

MOST_QUESTIONS = 6
UNITS = (("wax", "% of wax"), ("oz", "oz/lb"))  # of the switch
_OPEN = Guard()
LIBRARIES = ("numpy", "scipy", "pandas", "jinja2")


def report_html(analysis, notices=(), ask=(), photos=()):
    """The whole report as one HTML text with its pictures inside, without any reference to the
    network.

    ``notices`` stand at the top. What a supplier is asked (1 to 6 sentences) stands after the first
    page, with a form that saves an answer as :func:`read_answer` reads it. Of ``photos`` (``code``,
    ``words`` and ``read()``, a JPEG) those of the first blend at and above its recommended load are
    shown.
    """
    series, pick = an_analysis(analysis).series, analysis.pick
    found = diagnose(analysis)
    names, other, best = list(pick.table["blend"]), choices(analysis), pick.table.iloc[0]
    ceiling = dataclasses.replace(analysis.ceiling, table=_in_order(analysis.ceiling.table, names))
    return render(
        "report.html.j2", series=series, analysis=analysis, rules=analysis.rules, notices=notices,
        units=UNITS if shown().weight == "g" else UNITS[::-1],
        first=answers.headline(analysis, found.table),
        legend=figures.legend(analysis),
        day=by_day(analysis.sweat, analysis.rules),
        photos=[] if is_missing(best["load_pct"]) else shown_photos(
            photos, series, best["load_pct"], best["blend"]),
        **(_asked(analysis, ask) if ask else {"ask": ()}),
        ranking=answers.ranking_sentences(analysis),
        rests=tables.rests_table(analysis.rests),
        picked=tables.pick_table(analysis),
        choices=tables.choice_table(
            other, dict(pick.table[["blend", "limit_load_pct"]].to_numpy())),
        sliders=[_slider(other[c], now) for c, now in
                 (("risk", analysis.rules.risk), ("confidence", analysis.rules.confidence))],
        ceilings=tables.ceiling_table(ceiling),
        blends=[{"name": b, "seen": tables.counts_table(analysis, b),
                 "table": tables.tradeoff_table(analysis, b),
                 "sentence": pick.sentences.get(b, ""),
                 "picture": figures.blend_figure(analysis, b)} for b in names],
        further=figures.further_figures(analysis), warmed=_warmed(analysis.longevity, names),
        fits=list(_fit_sections(analysis)), checked=found,
        check=figures.check_figure(found.sweat), pots=tables.pot_table(found, names),
        sensitivity=tables.sensitivity_table(analysis.sensitivity),
        tested=list(answers.tested_facts(series)), how=list(answers.method_sentences(series)),
        limits=[(b, answers.regulatory_limit(series.blends, b)) for b in names],
        pours=tables.pour_table(series.pours), assessors=tables.assessor_table(series),
        notes=list(notes_of(analysis)), grades={"Sweat": SWEAT_GRADES, "Frost": FROST_GRADES},
        rule_table=_rule_table(analysis),
        versions=versions(),
    )


def _slider(values, now):
    """The place of a value among the sorted ones, and the last place."""
    values = sorted(set(values))
    return values.index(now), len(values) - 1


def _asked(analysis, ask):
    return {
        "ask": check_questions(ask), "materials": answers.materials_asked(analysis.series),
        "answer_kind": KIND, "answer_format": FORMAT,
        "file_name": file_name(analysis.series.title), "fingerprint": page_fingerprint(analysis),
    }


def page_fingerprint(analysis):
    """What an answer to a page names: SHA-256 of the records and rules behind it, the same wherever
    the same series is analysed by the same rules."""
    series, rules = analysis.series, dataclasses.asdict(analysis.rules)
    frames = [series.pours, series.grades, series.throws]
    frames += [f for f in (series.pairs, series.heats) if len(f)]
    parts = [f.to_csv(index=False) for f in frames]
    return hashlib.sha256("\n".join([*parts, to_json(rules).decode()]).encode()).hexdigest()


def write_supplier_summary(analysis, path, ask, guard=_OPEN, notices=()):
    """Write the report with questions and a form for their answers, and return the path.

    ``guard`` and ``notices`` are those of a prepared package: what it holds back is in no question
    and no name, and the page says that it is held back.
    """
    asked = [("what is asked", words) for words in check_questions(ask)]
    guard.refuse([*asked, ("the name of the page", Path(path).name)])
    return write_page(path, "the summary", lambda: report_html(analysis, notices, ask))


def check_questions(ask):
    """The questions as a list, or SharingError when a page cannot carry them."""
    ask = [ask] if isinstance(ask, str) else [str(a) for a in ask]
    need(1 <= len(ask) <= MOST_QUESTIONS and all(a.strip() and len(a) <= 300 for a in ask),
         f"ask 1 to {MOST_QUESTIONS} questions of at most 300 characters each")
    return ask


def write_report(analysis: Analysis, path: str | Path, photos: Sequence[Any] = ()) -> Path:
    """Write the report to a file, whole or not at all.

    Parameters
    ----------
    analysis : Analysis
    path : str or Path, of the HTML file.
    photos : as :func:`report_html` takes them.

    Returns
    -------
    Path, of the file.

    Raises
    ------
    FileNotFoundError when the folder does not exist.

    >>> write_report(analysis, "exports/report.html")  # doctest: +SKIP
    """
    return write_page(path, "the report", lambda: report_html(analysis, photos=photos))


def versions():
    """The versions that made the numbers."""
    return {"scentlab": scentlab.__version__, "python": platform.python_version(),
            **{name: metadata.version(name) for name in LIBRARIES}}


def _in_order(frame, names):
    """A frame with its blends in the order of the ranking, as the whole page has them."""
    return frame.sort_values("blend", key=lambda b: b.map(names.index), kind="stable")


def _warmed(longevity, names):
    """The tables of what was seen on the warmer, in the order of the ranking."""
    shown = [tables.lives_table(longevity.throw_life)] if longevity and longevity.throw_life else []
    if longevity and len(longevity.weights):
        shown.append(tables.losses_table(longevity.weights))
    return [dataclasses.replace(t, rows=tuple(sorted(
        t.rows, key=lambda row: (*names, row[0]).index(row[0])))) for t in shown]


def _fit_sections(analysis):
    life = analysis.longevity and analysis.longevity.throw_life
    for name, fit in (("Sweat", analysis.sweat), ("Frost", analysis.frost),
                      ("Throw", analysis.throw), ("Throw over hours on the warmer", life)):
        if fit is not None:
            yield {"name": name, "fit": fit, "table": tables.fit_table(fit),
                   "meanings": rows.meanings(fit),
                   "shapes": tables.shape_table(fit) if name == "Throw" else None}


def notes_of(analysis):
    """The notes of every result under its name."""
    for name, result in (
        ("Analysis", analysis), ("Highest safe load", analysis.ceiling), ("Sweat", analysis.sweat),
        ("Frost", analysis.frost), ("Throw", analysis.throw), ("On the warmer", analysis.longevity),
    ):
        if result is not None and result.notes:
            yield name, result.notes


def _rule_table(analysis):
    """The rules that someone needs to get the same numbers from the same records."""
    given = vars(analysis.rules)
    return tables.view(
        f"Rules of the choice (seed {analysis.seed}, {analysis.draws} draws)",
        list(RULE_WORDS.items()), ("*Rule", lambda rule: rule[0]),
        ("*Value", lambda rule: _plain(given[rule[0]])),
        ("*Meaning", lambda rule: rule[1]["meaning"]),
    )


def _plain(value):
    if isinstance(value, tuple):
        return ", ".join(value) or "none"
    if isinstance(value, float):
        return f"{value:g}"
    return "not given" if value in (None, "") else str(value)

"""The report of an analysis: one page that can be read, printed and mailed, and needs no network.

:func:`report_html` gives the page, :func:`write_report` keeps it. Everything the page says comes
from the analysis; titles and notes are text of a person and are escaped.
"""

import dataclasses
import platform
from importlib import metadata
from pathlib import Path

import scentlab
from scentlab.choosing.analysis import Analysis
from scentlab.choosing.diagnosis import diagnose
from scentlab.schema import FROST_GRADES, SWEAT_GRADES
from scentlab.sharing.pages import image, place_for, render, write_page
from scentlab.sharing.pictures import checks, on_warmer, over_load, safe_loads, tradeoff
from scentlab.words import answers, rows, tables

LIBRARIES = ("numpy", "scipy", "pandas", "matplotlib", "jinja2")
_RULES = {
    "risk": "highest accepted risk of a piece over the limit grade",
    "confidence": "how sure the highest safe load keeps it",
    "limit_grade": "sweat grade that counts as sweating",
    "frost_limit_grade": "frost grade that counts as frosting",
    "throw_loss": "points of throw (of 10) given up",
    "throw_kind": "kind of throw that decides",
    "stress": "storage of the pieces that the risk is about; else the harshest tested",
    "ship_age_days": "age at sale, days",
    "override_blends": "blends whose wax maker's limit was set aside",
    "override_reason": "why",
    "today_load_pct": "load poured today, for the saving, % of wax",
}


def report_html(analysis, notices=()):
    """The whole report as one HTML text with its pictures inside.

    Parameters
    ----------
    analysis : Analysis
    notices : sentences that stand at the top, such as what was held back.

    Returns
    -------
    str, a complete HTML document without any reference to the network.
    """
    series, pick = analysis.series, analysis.pick
    return render(
        "report.html.j2",
        series=series,
        invented=series.invented,
        analysis=analysis,
        rules=analysis.rules,
        notices=notices,
        first=answers.headline(analysis),
        ranked=answers.ranked_words(analysis),
        ranking=answers.ranking_sentences(analysis),
        rests=None if analysis.rests is None else tables.rests_table(analysis.rests),
        minded=analysis.pick.notes,
        pictures=[image(safe_loads.draw_pick(pick)), image(safe_loads.draw_ceiling(
            analysis.ceiling))],
        picked=tables.pick_table(analysis),
        ceilings=tables.ceiling_table(analysis.ceiling),
        changes=tables.change_table(pick.changes),
        blends=[_blend_section(analysis, b) for b in pick.table["blend"]],
        warmed=_warmed(analysis.longevity),
        fits=_fit_sections(analysis),
        sensitivity=tables.sensitivity_table(analysis.sensitivity),
        checked=_check_section(analysis),
        pours=tables.pour_table(series.pours),
        difference=answers.difference_sentence(series.pours),
        assessors=tables.assessor_table(series),
        notes=_notes(analysis),
        sweat_grades=list(enumerate(SWEAT_GRADES)),
        frost_grades=list(enumerate(FROST_GRADES)),
        rule_table=_rule_table(analysis),
        versions=[("scentlab", scentlab.__version__), ("Python", platform.python_version()),
                  *library_versions()],
    )


def write_report(analysis: Analysis, path: str | Path) -> Path:
    """Write the report to a file, whole or not at all.

    Parameters
    ----------
    analysis : Analysis
    path : str or Path, of the HTML file.

    Returns
    -------
    Path, of the file.

    Raises
    ------
    FileNotFoundError when the folder does not exist.

    >>> write_report(analysis, "exports/report.html")  # doctest: +SKIP
    """
    path = place_for(path, "the report")
    return write_page(report_html(analysis), path, "the report")


def library_versions():
    """The libraries that took part, with their versions."""
    return [(name, metadata.version(name)) for name in LIBRARIES]


def _blend_section(analysis, blend):
    """Everything about one blend: its sentence, its pictures and its trade-off table."""
    known = analysis.series.blends.set_index("blend")
    composition = known["composition"].get(blend)
    return {
        "name": blend,
        "composition": composition if isinstance(composition, str) else "",
        "sentence": analysis.pick.sentences.get(blend, ""),
        "table": tables.tradeoff_table(analysis, blend),
        "pictures": [image(ax, caption) for ax, caption in _pictures(analysis, blend)],
    }


def _pictures(analysis, blend):
    """The fitted curves of one blend with their data, as far as there are any."""
    rules = analysis.rules
    # The same curve is in two pictures and is the dearest part of both.
    graded = len(tradeoff.graded_loads(analysis, blend))
    curve = tradeoff.sweat_curve(analysis, blend) if graded else None
    yield (tradeoff.draw_tradeoff(analysis, blend, curve=curve),
           "Shaded: the tested loads. Bands: 90 % intervals.")
    if graded:
        yield over_load.draw_sweat(
            analysis.believed, blend, limit_grade=rules.limit_grade, risk=rules.risk,
            stress=rules.stress, curve=curve,
        ), f"Rings: test batches with pieces {answers.storage_words(analysis)}; the larger, the " \
           "more pieces."
    if len(tradeoff.smelt_loads(analysis, blend)):
        yield (over_load.draw_throw(analysis.throw, blend),
               "A mark is the mean of one tester at one test batch.")
    if analysis.frost is not None and blend in set(analysis.frost.counts["blend"]):
        yield over_load.draw_frost(
            analysis.frost, blend, limit_grade=rules.frost_limit_grade,
            age_days=rules.ship_age_days,
        ), "A ring is a test batch; the larger, the more pieces."
    if analysis.bleed is not None and blend in analysis.bleed.blends:
        yield (over_load.draw_bleed(analysis.bleed, blend),
               "A ring is the mean of a test batch. The bar below: where the rise begins, with "
               "its interval.")
    life, _ = _on_warmer(analysis.longevity)
    if life is not None and blend in life.blends:
        yield (on_warmer.draw_throw_life(life, blend),
               "A mark is the mean of one tester at one check. The bar: when half is left.")


def _on_warmer(longevity):
    return (longevity.throw_life, longevity.weight_loss) if longevity else (None, None)


def _warmed(longevity):
    """The tables of what was seen on the warmer."""
    makers = (tables.lives_table, tables.losses_table)
    return [make(fit) for fit, make in zip(_on_warmer(longevity), makers, strict=True) if fit]


def _fit_sections(analysis):
    life, loss = _on_warmer(analysis.longevity)
    parts = (
        ("Sweat", analysis.sweat), ("Bleed", analysis.bleed), ("Sweat and bleed", analysis.joint),
        ("Frost", analysis.frost), ("Throw", analysis.throw),
        ("Throw over hours on the warmer", life), ("Weight lost on the warmer", loss),
    )
    return [
        {
            "name": name, "sentence": fit.sentence, "table": tables.fit_table(fit),
            "meanings": rows.meanings(fit),
            "shapes": tables.shape_table(fit) if name == "Throw" else None,
            "assumed": list(getattr(fit, "prior", {}).items()),
        }
        for name, fit in parts
        if fit is not None
    ]


def _check_section(analysis):
    """Whether the sweat fit describes what was seen, and whether one pot carries an answer."""
    found = diagnose(analysis)
    alone = "" if analysis.joint is None else " By sweat alone, without the bleed."
    return {
        "sentence": found.sentence,
        "notes": found.notes,
        "pictures": [
            image(checks.draw_check(found.sweat),
                  "A mark is a test batch; the bar at its place is the range for a new pot."),
            image(checks.draw_diagnosis(found),
                  "Each row: the highest safe load without the evidence of that pot, with twice "
                  "the error that chance in the draws gives the change." + alone),
        ],
    }


def _notes(analysis):
    """The notes of every result under its name; a result that is absent says so."""
    always = {
        "Analysis": analysis, "Highest safe load": analysis.ceiling, "Sweat": analysis.sweat,
        "Frost": analysis.frost, "Throw": analysis.throw,
    }
    others = {"Bleed": analysis.bleed, "Sweat and bleed": analysis.joint,
              "On the warmer": analysis.longevity}
    refused = {"Throw": analysis.no_throw, "Frost": analysis.no_frost}
    notes = []
    for name, result in (always | {n: r for n, r in others.items() if r is not None}).items():
        absent = refused.get(name)
        absent = f"{absent.rstrip(':')}." if absent else "Not fitted: nothing was scored."
        texts = [absent] if result is None else list(result.notes)
        notes += [{"name": name, "texts": texts}] if texts else []
    return notes


def _rule_table(analysis):
    """The rules that someone needs to get the same numbers from the same records."""
    given = dataclasses.asdict(analysis.rules) | {"override_reason": analysis.rules.reason_words}
    return tables.view(
        f"Rules of the choice (seed {analysis.seed}, {analysis.draws} draws)",
        list(_RULES.items()), ("*Rule", lambda rule: rule[0]),
        ("*Value", lambda rule: _plain(given[rule[0]])), ("*Meaning", lambda rule: rule[1]),
    )


def _plain(value):
    if isinstance(value, tuple):
        return ", ".join(v if isinstance(v, str) else f"{v[0]} {v[1]:g}" for v in value) or "none"
    if isinstance(value, float):
        return f"{value:g}"
    return "not given" if value in (None, "") else str(value)

"""The report of an analysis: one page that can be read, printed and mailed, and needs no network.

:func:`report_html` gives the page, :func:`write_report` keeps it. Everything the page says comes
from the analysis; titles and notes are text of a person and are escaped.
"""

import datetime as dt
import platform
from importlib import metadata

import scentlab
from scentlab.choosing.diagnosis import diagnose
from scentlab.choosing.ranking import order_words
from scentlab.choosing.rests import stress_words
from scentlab.choosing.rules import THROW_WORDS
from scentlab.choosing.saving import saving_words
from scentlab.schema import FROST_GRADES, SWEAT_GRADES
from scentlab.sharing import plots, wording
from scentlab.sharing.explained import ranked_words, ranking_words
from scentlab.sharing.meanings import row_meanings
from scentlab.sharing.pages import image, place_for, render, write_page
from scentlab.sharing.tables import (
    assessor_table,
    ceiling_table,
    change_table,
    difference_sentence,
    fit_table,
    lives_table,
    losses_table,
    pick_table,
    pour_table,
    rests_table,
    sensitivity_table,
    shape_table,
    tradeoff_table,
)
from scentlab.units import load_from_content, say_load_oz

# Enough for a picture of how far a ceiling moves; the pick itself rests on more.
LIBRARIES = ("numpy", "scipy", "pandas", "statsmodels", "matplotlib", "jinja2")


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
    series = analysis.series
    return render(
        "report.html.j2",
        series=series,
        invented=series.invented,
        analysis=analysis,
        rules=analysis.rules,
        notices=notices,
        made_on=dt.date.today().isoformat(),
        first=_first_screen(analysis),
        ranked=ranked_words(analysis),
        ranking=[w for w in (ranking_words(analysis), *order_words(analysis.pick)) if w],
        rests=None if analysis.rests is None else rests_table(analysis.rests),
        sensitivity=sensitivity_table(analysis.sensitivity),
        overview=_overview(analysis),
        blends=[_blend_section(analysis, b) for b in analysis.pick.table["blend"]],
        warmed=_warmed(analysis.longevity),
        fits=_fit_sections(analysis),
        checked=_check_section(analysis),
        pours=pour_table(series.pours),
        difference=difference_sentence(series.pours),
        assessors=assessor_table(series),
        notes=_notes(analysis),
        sweat_grades=list(enumerate(SWEAT_GRADES)),
        frost_grades=list(enumerate(FROST_GRADES)),
        repeat=_repeat(analysis),
    )


def write_report(analysis, path):
    """Write the report to ``path``, whole or not at all, and return the path.

    Raises
    ------
    FileNotFoundError when the folder does not exist.
    """
    path = place_for(path, "the report")
    return write_page(report_html(analysis), path, "the report")


def library_versions():
    """The libraries that took part, with their versions."""
    return [(name, metadata.version(name)) for name in LIBRARIES]


def _first_screen(analysis):
    """The pick in figures: what stands beside the sentence at the top."""
    best = analysis.pick.table.iloc[0]
    if wording.is_missing(best["load_pct"]):
        return None
    rules = analysis.rules
    return {
        "blend": best["blend"],
        "load": say_load_oz(best["load_pct"]),
        "warning": "" if analysis.rests is None else analysis.rests.headline(best["blend"]),
        "content": wording.content_words(best["load_pct"]),
        "facts": [
            ("Highest safe load", wording.say_both(best["ceiling_load_pct"])),
            ("Wax maker's limit", wording.say_both(best["limit_load_pct"])),
            ("Regulatory limit", _regulatory_limit(analysis, best["blend"])),
            (
                f"Risk of sweat grade {rules.limit_grade} or more, "
                f"{stress_words(analysis.ceiling.stress, analysis.series.plan)}",
                f"{wording.say_share(best['sweat_risk'])} (90 % interval "
                f"{wording.say_range(best['sweat_lower'], best['sweat_upper'], _share)})",
            ),
            (
                f"{THROW_WORDS[rules.throw_kind].capitalize()} throw, 0 to 10",
                f"{wording.say_number(best['throw'], 1)} "
                "(90 % interval "
                f"{wording.say_range(best['throw_lower'], best['throw_upper'], _one)})",
            ),
            (
                f"Chance that its true risk is over {100 * rules.risk:g} %",
                wording.say_over(best["p_over"], wording.least_told(analysis.pick)),
            ),
            *_saving_fact(analysis, best),
        ],
        "reason": best["reason"],
    }


def _saving_fact(analysis, row):
    """What the pick saves against today's load, where one was told."""
    today = analysis.rules.today_of(row["blend"])
    if today is not None:
        words = saving_words(row["saving_per_1000"], today, analysis.series.currency)
        yield "Cost of wax and fragrance", words[:1].upper() + words[1:]


def _regulatory_limit(analysis, blend):
    """The fragrance's limit in both bases; a dash when none is known."""
    blends = analysis.series.blends
    content = blends.loc[blends["blend"] == blend, "limit_content_pct"]
    if content.empty or wording.is_missing(content.iloc[0]):
        return wording.MISSING
    if float(content.iloc[0]) >= 100:
        return "none below 100 % of total"
    return wording.say_both(load_from_content(float(content.iloc[0])))


def _share(value):
    return wording.say_share(value)


def _one(value):
    return wording.say_number(value, 1)


def _overview(analysis):
    table = analysis.pick.table
    return {
        "pick": pick_table(analysis),
        "changes": change_table(analysis.pick.changes),
        "ceiling": ceiling_table(analysis.ceiling),
        "pick_picture": image(plots.plot_pick(analysis.pick), wording.picks_in_words(table)),
        "ceiling_picture": image(
            plots.plot_ceiling(analysis.ceiling),
            wording.ceilings_in_words(analysis.ceiling.table),
        ),
    }


def _blend_section(analysis, blend):
    """Everything about one blend: its sentence, its pictures and its trade-off table."""
    rules = analysis.rules
    trade = analysis.pick.tradeoff
    own = trade[trade["blend"] == blend]
    pick = analysis.pick.table.set_index("blend", drop=False).loc[blend]
    known = analysis.series.blends.set_index("blend")
    made_of = known["composition"].get(blend)
    # The same curve stands in two pictures and is the dearest part of both.
    graded = len(plots.graded_loads(analysis, blend))
    curve = plots.sweat_curve(analysis, blend) if graded else None
    return {
        "name": blend,
        "composition": "" if wording.is_missing(made_of) else made_of,
        "sentence": analysis.pick.sentences.get(blend, ""),
        "table": tradeoff_table(
            own, analysis.series.currency, rules, wording.least_told(analysis.pick)
        ),
        "pictures": [
            image(
                plots.plot_tradeoff(analysis, blend, curve=curve),
                wording.tradeoff_in_words(own, pick, rules.limit_grade, rules.throw_kind),
                "Shaded: the tested loads. Bands: 90 % intervals.",
            ),
            *_fit_pictures(analysis, blend, curve),
        ],
    }


def _fit_pictures(analysis, blend, curve):
    """The fitted curves of one blend with their data, as far as there are any."""
    if curve is not None:
        yield _sweat_picture(analysis, blend, curve)
    if len(plots.smelt_loads(analysis, blend)):
        yield image(
            plots.plot_throw(analysis.throw, blend),
            wording.throws_in_words(analysis.throw.points, blend, analysis.throw.kind),
            "A mark is the mean of one assessor at one pour.",
        )
    if analysis.frost is not None and blend in set(analysis.frost.counts["blend"]):
        yield _frost_picture(analysis, blend)
    if analysis.bleed is not None and blend in analysis.bleed.blends:
        yield _bleed_picture(analysis.bleed, blend)
    yield from _warmer_pictures(analysis.longevity, blend)


def _warmer_pictures(longevity, blend):
    """Throw and weight over hours on the warmer, as far as the blend was left there."""
    if longevity is None:
        return
    life, loss = longevity.throw_life, longevity.weight_loss
    if life is not None and blend in life.blends:
        yield image(
            plots.plot_throw_life(life, blend),
            wording.lives_in_words(life, blend),
            "A mark is the mean of one assessor at one check. The bar: when half is left.",
        )
    if loss is not None and blend in loss.blends:
        yield image(
            plots.plot_weight_loss(loss, blend),
            wording.losses_in_words(loss, blend),
            "A ring is one weighing of one piece. What is lost is the volatile part of the "
            "fragrance, which is not throw.",
        )


def _warmed(longevity):
    """The tables of what was seen on the warmer."""
    if longevity is None:
        return []
    pairs = ((longevity.throw_life, lives_table), (longevity.weight_loss, losses_table))
    return [make(fit) for fit, make in pairs if fit is not None]


def _bleed_picture(fit, blend):
    return image(
        plots.plot_bleed(fit, blend),
        wording.bleeds_in_words(fit, blend),
        "A ring is the mean of a pour. The bar below: where the rise begins, with its interval.",
    )


def _sweat_picture(analysis, blend, curve):
    rules, stress = analysis.rules, analysis.ceiling.stress
    counts = analysis.sweat.counts[analysis.sweat.counts["stress"] == stress]
    return image(
        plots.plot_sweat(
            analysis.believed, blend, limit_grade=rules.limit_grade, risk=rules.risk,
            stress=rules.stress, curve=curve,
        ),
        wording.pieces_in_words(counts, blend, "sweat", rules.limit_grade),
        f"Rings: test batches with pieces {stress_words(stress, analysis.series.plan)}; the "
        "larger, the more pieces.",
    )


def _frost_picture(analysis, blend):
    rules, fit = analysis.rules, analysis.frost
    return image(
        plots.plot_frost(
            fit, blend, limit_grade=rules.frost_limit_grade, age_days=rules.ship_age_days
        ),
        wording.pieces_in_words(fit.counts, blend, "frost", rules.frost_limit_grade),
        "A ring is a pour; the larger, the more pieces.",
    )


def _fit_sections(analysis):
    parts = (
        ("Sweat", analysis.sweat), ("Bleed", analysis.bleed), ("Sweat and bleed", analysis.joint),
        ("Frost", analysis.frost), ("Throw", analysis.throw),
        ("Throw over hours on the warmer", getattr(analysis.longevity, "throw_life", None)),
        ("Weight lost on the warmer", getattr(analysis.longevity, "weight_loss", None)),
    )
    return [
        {
            "name": name, "sentence": fit.sentence, "table": fit_table(fit.table),
            "meanings": row_meanings(fit),
            "shapes": shape_table(fit) if name == "Throw" else None,
            "assumed": list(getattr(fit, "prior", {}).items()),
        }
        for name, fit in parts
        if fit is not None
    ]


def _check_section(analysis):
    """Whether the sweat fit describes what was seen, and whether one pot carries a ceiling."""
    found = diagnose(analysis)
    alone = "" if analysis.joint is None else " Ceilings of sweat alone, without the bleed."
    return {
        "sentence": found.sentence,
        "notes": found.notes,
        "pictures": [
            image(
                plots.plot_check(found.sweat),
                wording.checks_in_words(found.sweat),
                "A mark is a pour; the bar at its place is the range for a pour of a new pot.",
            ),
            image(
                plots.plot_diagnosis(found),
                wording.pots_left_out_in_words(found.table),
                "Each row: the ceiling without the evidence of that pot, with twice the error that "
                "chance in the draws gives the change." + alone,
            ),
        ],
    }


def _notes(analysis):
    """The notes of every result under its name; a result that is absent says so."""
    parts = (
        ("Pick", analysis.pick), ("Ceiling", analysis.ceiling), ("Sweat", analysis.sweat),
        ("Frost", analysis.frost), ("Throw", analysis.throw),
        *((n, r) for n, r in (
            ("Bleed", analysis.bleed), ("Sweat and bleed", analysis.joint),
            ("On the warmer", analysis.longevity),
        ) if r),
    )
    refused = {"Throw": analysis.no_throw, "Frost": analysis.no_frost}
    notes = []
    for name, result in parts:
        absent = "Not fitted: nothing was scored."
        if refused.get(name):
            absent = refused[name].rstrip(":") + "."
        texts = [absent] if result is None else result.notes
        if texts:
            notes.append({"name": name, "texts": list(texts)})
    own = [{"name": "Analysis", "texts": list(analysis.notes)}] if analysis.notes else []
    return own + notes


def _repeat(analysis):
    """What someone needs to get the same numbers from the same records."""
    rules = analysis.rules
    return {
        "versions": [("scentlab", scentlab.__version__), ("Python", platform.python_version())]
        + library_versions(),
        "seed": analysis.seed,
        "draws": analysis.draws,
        "rules": [
            ("risk", f"{rules.risk:g}", "highest accepted risk of a piece over the limit grade"),
            ("confidence", f"{rules.confidence:g}", "confidence that the ceiling keeps it"),
            ("limit_grade", rules.limit_grade, "sweat grade that counts as sweating"),
            ("frost_limit_grade", rules.frost_limit_grade, "frost grade that counts as frosting"),
            ("throw_loss", f"{rules.throw_loss:g}", "points of throw (of 10) that are given up"),
            ("throw_kind", rules.throw_kind, "throw that the pick looks at"),
            (
                "stress", rules.stress or "the harshest that was tested",
                "condition of the pieces that the risk is about",
            ),
            ("ship_age_days", rules.ship_age_days or "not set", "age at sale, days"),
            (
                "override_blends", ", ".join(rules.override_blends) or "none",
                "blends whose wax maker's limit was set aside",
            ),
            ("override_reason", rules.reason_words or "none", "why"),
            ("today_load_pct", _today(rules), "load poured today, for the saving, % of wax"),
        ],
    }


def _today(rules):
    today = rules.today_load_pct
    if today is None:
        return "not told"
    if isinstance(today, tuple):
        return ", ".join(f"{blend} {load:g}" for blend, load in today)
    return f"{today:g}"

"""The page of the answer: the load in a few lines, what it rests on, other rules, the details."""

import html
import re
from dataclasses import replace
from functools import partial
from operator import attrgetter
from pathlib import Path

import ipywidgets as w

from scentlab.choosing.analysis import analyse, decider
from scentlab.choosing.costs import Costs, coster
from scentlab.choosing.diagnosis import diagnose
from scentlab.choosing.headline import use_words
from scentlab.choosing.kept import keep_rules, rules_here
from scentlab.choosing.pick import Rules
from scentlab.choosing.rests import ALL
from scentlab.choosing.so_far import loads_so_far
from scentlab.choosing.waits import what_to_test
from scentlab.forms.choose import ChooseForm
from scentlab.forms.costs import CostsForm
from scentlab.forms.frame import heading, listed, paragraphs
from scentlab.forms.rules import RulesForm, SliderForm
from scentlab.guide.showing import GUIDES
from scentlab.recording.draft import drafted
from scentlab.recording.reading import read_series
from scentlab.screens.frame import Fold, Page, bench_of
from scentlab.screens.photos import photo_parts
from scentlab.sharing.pictures import Picture, plot
from scentlab.sharing.report import notes_of
from scentlab.text import capital, in_sentences
from scentlab.units import in_maker_units
from scentlab.words import THROW_WORDS
from scentlab.words.rows import meanings
from scentlab.words.tables import (
    ceiling_table,
    costs_table,
    pick_table,
    pot_table,
    tradeoff_table,
)

DRAWS = 500  # of the diagnosis


def answer_page(folder: str | Path | None = None, seed: int = 1) -> Page:
    """The page on which a load is chosen for each blend.

    Parameters
    ----------
    folder : of the series; None takes the folder of the notebook. A series without grades is stood
        in for by a copy of the invented demo.
    seed : int, of the draws.

    Returns
    -------
    Page, a widget; its ``analysis`` is the :class:`Analysis` shown.

    >>> answer_page().bench.demo  # doctest: +SKIP
    True
    """
    return Page("answer", partial(_build, seed=seed), bench_of(folder, "pours", "sweat grades"))


def _build(page, seed):
    bench = page.bench
    analysis = page.analysis = analyse(
        read_series(bench.store), rules_here(bench.folder).rules, seed=seed)
    decide = decider(analysis, brief=True)
    rules = Fold("All rules: grades, storage, throw, limits, today's load",
                 lambda: rules_form(analysis, bench.folder), "rules")
    page.sliders = SliderForm(
        analysis.rules, lambda rules: analysis if rules == analysis.rules else decide(rules),
        lines_html, lambda found: plot(found.pick),
        partial(_keep_two, folder=bench.folder, on_keep=rules.renew))
    return [
        page.sliders,
        heading("What it rests on"), w.HTML(rests_html(analysis)), rules,
        Fold("One blend in detail", lambda: one_blend(analysis), "blend"),
        *_details(analysis, bench),
        GUIDES["confirm"],
    ]


def _keep_two(chosen, folder, on_keep):
    """Keep risk and confidence; the other rules stay as they are kept by now, and the form of all
    rules, which would put these two back, is made anew."""
    kept = rules_here(folder).rules
    where = keep_rules(replace(kept, risk=chosen.risk, confidence=chosen.confidence), folder)
    on_keep()
    return where


def lines_html(analysis):
    """The answer of each blend in two lines; of a single blend with what each load showed."""
    table, said = analysis.pick.table, []
    if len(table) == 1:
        said = list(loads_so_far(analysis).lines)
        said.append(what_to_test(analysis.series, analysis.ceiling, table["blend"].iloc[0],
                                 analysis.rules.stress))
    else:
        for row in table.to_dict("records"):
            if row["load_pct"] != row["load_pct"]:
                said += [f"{row['blend']}: no load yet. {capital(row['reason'])}.",
                         what_to_test(analysis.series, analysis.ceiling, row["blend"],
                                      analysis.rules.stress)]
            else:
                found = analysis.ceiling.of(row["blend"])
                said.append(in_sentences(use_words(row, found, analysis)))
    words = re.sub(r"(: )(use [\d.]+ (?:%|oz/lb))", r"\1<b>\2</b>", paragraphs(filter(None, said)))
    return f'<div class="scent-answer">{words}</div>'


def rests_html(analysis):
    """What the answer rests on, what is missing first."""
    rows = []
    for row in analysis.rests.table.to_dict("records"):
        mark = "<b>!</b> " if row["warning"] else ""
        # That it is about all blends is not said at each.
        name = row["name"] if row["blend"] == ALL else f"{row['blend']}: {row['name']}"
        rows.append(f'<tr><th scope="row">{html.escape(capital(name))}</th>'
                    f"<td>{mark}{html.escape(str(row['value']))}</td></tr>")
    return f'<table class="scent-rests">{"".join(rows)}</table>'


def rules_form(analysis, folder):
    """The form of the rules, which shows at once what other rules would choose."""
    limits = analysis.series.blends.set_index("blend")["limit_load_pct"].dropna()
    decide = decider(analysis)
    return RulesForm(
        rules_here(folder).rules, Rules, lambda rules: decide(rules).pick,
        partial(keep_rules, folder=folder),
        {b: limits[b] for b in analysis.pick.table["blend"] if b in limits}, plot,
        analysis.sweat.stresses)


def one_blend(analysis):
    """A blend is chosen by a tap; its pictures and its table follow."""
    life = analysis.longevity and analysis.longevity.throw_life
    one = ChooseForm("Which blend? Tap it.", analysis.pick.table["blend"], "blend", begin=True)

    def hours_of(blend):
        return plot(life, blend) if life and blend in life.blends else ""

    return [
        one,
        one.show(lambda b: plot(analysis, b), "Throw, risk of sweat and pieces over load"),
        one.show(hours_of, "Throw over hours on the warmer"),
        one.show(lambda b: tradeoff_table(analysis, b), "Trade-off at the tested loads"),
    ]


def _details(analysis, bench):
    rules, kind = analysis.rules, THROW_WORDS[analysis.rules.throw_kind]
    yield Fold("All blends in numbers", lambda: _numbers(analysis), "numbers")
    yield Fold("Sweat", lambda: [
        _drawn(analysis, "sweat", limit_grade=rules.limit_grade, risk=rules.risk),
        ceiling_table(analysis.ceiling), _for_a_statistician(analysis.sweat),
    ], "sweat", "Risk of sweat over load, and the highest safe load of each blend")
    if analysis.throw is not None:
        yield Fold(f"{kind.capitalize()} throw", lambda: _drawn(analysis, "throw"), "throw")
    if analysis.frost is not None and analysis.frost_known_at(rules.ship_age_days):
        yield Fold("Frost", lambda: _drawn(
            analysis, "frost", limit_grade=rules.frost_limit_grade,
            age_days=rules.ship_age_days), "frost")
    if analysis.longevity and analysis.longevity.throw_life:
        yield Fold("Hours on the warmer", lambda: _drawn(analysis, "longevity.throw_life"),
                   "warmer")
    yield Fold("Photos", lambda: photo_parts(analysis, bench), "photos")
    yield Fold("What a load costs: complaints, lost sales, sweating pieces in a batch",
               lambda: costs_form(analysis, bench), "costs")
    yield Fold("Doubts about the results", lambda: notes_html(analysis), "notes")
    yield Fold("Does the fit match what was seen?", partial(_diagnosis, analysis), "diagnosis",
               "Test batches against what the fit expects")


def _numbers(analysis):
    import pandas as pd

    view = pick_table(analysis)
    return pd.DataFrame(view.rows, columns=view.headings).set_index("Rank").T.style


def _drawn(analysis, part, **choices):
    """The picture of a part of an analysis, its blends in the order of the recommended loads."""
    result = attrgetter(part)(analysis)
    return Picture(tuple(
        figure for blend in analysis.pick.table["blend"] if blend in result.blends
        for figure in plot(result, blend, **choices).figures))


def _for_a_statistician(fit):
    rows = "".join(f"<li><b>{html.escape(name)}</b>: {html.escape(words)}</li>"
                   for name, words in meanings(fit))
    return w.HTML("<details><summary>For a statistician</summary>"
                  f"{fit._repr_html_()}<ul>{rows}</ul></details>")


def costs_form(analysis, bench):
    """The form of the maker's own costs; what is typed comes back with the next run."""
    weigh, folder = coster(analysis), bench.folder
    blends = analysis.pick.table.dropna(subset="load_pct")["blend"]
    if blends.empty:
        return "No load can be given yet, so there is no cost."
    return CostsForm(blends, lambda blend, **numbers: weigh(blend, Costs(**numbers)), costs_table,
                     **drafted(folder, "costs"))


def notes_html(analysis):
    every = [*notes_of(analysis), ("Recommended load", analysis.pick.notes)]
    notes = [f"{name}: {note}" for name, texts in every for note in texts]
    return w.HTML(listed(map(in_maker_units, notes)) or "No notes.")


def _diagnosis(analysis):
    found = diagnose(analysis, draws=DRAWS)
    return [plot(found.sweat), found.sentence, *found.notes,
            pot_table(found, analysis.pick.table["blend"])]

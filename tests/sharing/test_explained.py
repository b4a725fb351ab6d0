"""The order of the blends explained, and no false word where a fit was refused."""

import dataclasses
import html as html_text
import re

import pandas as pd
import pytest

from scentlab.choosing.analysis import analyse, decider
from scentlab.choosing.ranking import order_words
from scentlab.choosing.rules import Rules
from scentlab.results import FitError
from scentlab.sharing.package import prepare_package
from scentlab.sharing.pictures import plot
from scentlab.sharing.report import report_html
from scentlab.words.answers import pick_notes, ranking_words

ONE_LOAD = (
    "hot throw was scored at only one load of each blend; a curve needs at least two: score pieces "
    "of another load"
)


def words_of(page):
    text = re.sub(r"<(style|script)>.*?</\1>", "", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html_text.unescape(re.sub(r"<[^>]*>", " ", text)))


@pytest.fixture(scope="module")
def of_one_load(series):
    """Every throw score is of one load: the fit of throw is refused."""
    one = series.throws.assign(load_pct=8.0)
    found = analyse(dataclasses.replace(series, throws=one), draws=300)
    assert found.throw is None
    return found


@pytest.mark.usefixtures("quick")
def test_scores_that_could_not_be_fitted_are_not_denied(of_one_load):
    number = int((of_one_load.series.throws["kind"] == "warm").sum())
    assert number > 100
    said = f"There is no fit of hot throw of {number} scores: {ONE_LOAD}"
    text = words_of(report_html(of_one_load))
    assert text.count(said) == 1
    for false in ("throw was not scored", "No throw was scored", "no scores that could be used"):
        assert false not in text
    assert "There is no fit of hot throw, so this is as high as sweat allows" in text
    assert plot(of_one_load).figures[0]["panels"][0]["note"] == "no fit of throw"


@pytest.mark.usefixtures("quick")
def test_a_package_says_the_same_of_them(of_one_load):
    package = prepare_package(of_one_load)
    assert "not scored" not in package.text("pick.csv")
    assert "not scored" not in package.sentence and "no fit of hot throw" in package.sentence


def test_grades_of_frost_that_could_not_be_fitted_are_not_denied(series, monkeypatch):
    def refused(*_, **__):
        raise FitError("the frost fit found no peak")

    monkeypatch.setattr("scentlab.choosing.analysis.fit_frost", refused)
    found = analyse(series, draws=300)
    assert (
        f"There is no fit of frost of {len(series.frost())} grades: the frost fit found no peak: "
        "the answer ignores frost."
    ) in found.pick.notes


def test_a_decision_for_the_other_kind_of_throw_says_why_it_has_no_fit(series):
    cold = series.throws.assign(kind="cold", load_pct=8.0)
    both = dataclasses.replace(series, throws=pd.concat([series.throws, cold]))
    pick = decider(analyse(both, draws=300))(Rules(throw_kind="cold")).pick
    assert "There is no fit of cold throw" in pick.sentence
    assert any(n.startswith("There is no fit of cold throw of ") for n in pick.notes)


def test_throw_that_nobody_scored_is_still_said_to_be_unscored(series):
    none = analyse(dataclasses.replace(series, throws=series.throws.iloc[:0]), draws=300)
    assert none.no_throw == ""
    assert any(n.startswith("No throw was scored: ") for n in pick_notes(none))


def test_the_rule_of_the_ranking_stands_wherever_the_ranking_does(analysis, html):
    rule = ranking_words(analysis)
    assert rule == ("Ranked by strongest hot throw, ties by less frost, then lower cost, where "
                    "known.")
    first = words_of(html)
    first = first[: first.index("What the answer rests on")]
    said = order_words(analysis.pick)
    assert said[0].startswith("Chance of having the strongest hot throw: ")
    for words in (rule, *said):
        assert words in first
    assert "Ranking:" not in first, "which the rule says"


def test_a_single_pick_needs_no_rule(analysis):
    table = analysis.pick.table.iloc[:1]
    one = dataclasses.replace(analysis, pick=dataclasses.replace(analysis.pick, table=table))
    assert ranking_words(one) == "" and order_words(one.pick) == ()


def test_the_notes_of_a_pick_come_each_once(analysis):
    noted = dataclasses.replace(
        analysis,
        pick=dataclasses.replace(analysis.pick, notes=("No limit is known for soft.",)),
        ceiling=dataclasses.replace(analysis.ceiling, notes=("Held low.",)),
        sweat=dataclasses.replace(
            analysis.sweat, notes=("No limit is known for soft; its prior is wide.", "Held low.")
        ),
    )
    assert pick_notes(noted) == ("No limit is known for soft.", "Held low.",
                                 "No limit is known for soft; its prior is wide.")

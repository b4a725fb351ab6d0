"""Series side by side on one page, and the one-page summary for a supplier."""

import copy
import dataclasses
import html
import re

import pytest

from scentlab.sharing.pooling import differences, series_names
from scentlab.sharing.redaction import SharingError
from scentlab.sharing.summary import supplier_summary_html, write_supplier_summary
from scentlab.words import answers

HOSTILE = '<script>alert("1")</script>'


def words_of(page):
    text = re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", text)))


@pytest.fixture(scope="module")
def other(analysis):
    """The same numbers under another title, fragrance and risk: only what differs is tested."""
    series = dataclasses.replace(
        analysis.series, title=f"Second {HOSTILE}", fragrance="fig leaf",
        throws=analysis.series.throws.assign(assessor="B1"),
    )
    return dataclasses.replace(
        analysis, series=series, rules=dataclasses.replace(analysis.rules, risk=0.10)
    )


def test_what_makes_series_unlike_is_said(analysis, other):
    assert differences([analysis, other]) == [
        f"Fragrances differ (1: {analysis.series.fragrance}; 2: fig leaf): a limit of sweating "
        "belongs to a wax and a fragrance together.",
        "Rules differ, accepted risk (1: 0.05; 2: 0.1).",
        "The panels differ, and each tester uses the throw scale in an own way: compare loads "
        "and risks rather than throw.",
    ]
    assert differences([analysis, analysis]) == []


def test_series_of_one_title_have_numbers(analysis):
    assert series_names([analysis, analysis])[1] == f"{analysis.series.title} (2)"


def test_the_summary_answers_four_questions_in_order(analysis, tmp_path):
    ask = ["Did the firm wax change?", HOSTILE]
    path = write_supplier_summary(analysis, tmp_path / "summary.html", ask)
    page = path.read_text(encoding="utf-8")
    heads = re.findall(r"<h2[^>]*>(.*?)</h2>", page)
    assert heads == ["What was tested?", "How?", "What was seen?", "What is asked?"]
    text = words_of(page)
    assert ask[0] in text and HOSTILE in text and "<script" not in page
    assert analysis.ceiling.sentence in text
    pours = analysis.series.pours
    added = pours["add_temp_c"]
    assert f"{pours['pot'].nunique()} pots, {len(pours)} test batches from " in text
    assert f"Fragrance added at {added.min():g} to {added.max():g} °C" in text
    lots = [p["wax"]["lot"] for b in analysis.series.plan["blends"] for p in b["parts"]]
    assert lots and all(lot in text for lot in lots)
    assert "http" not in page.replace("http-equiv", "")


@pytest.mark.parametrize("lot, words", [
    ("LOT-7", "cedar, LOT-7"), ("M-1", "cedar, lot M-1"), ("", "cedar"), (" ", "cedar"),
    (None, "cedar"),
])
def test_the_summary_says_lot_once_and_nothing_of_a_missing_one(analysis, lot, words):
    plan = copy.deepcopy(analysis.series.plan)
    plan["fragrance"]["lot"] = lot
    for blend in plan["blends"]:
        for part in blend["parts"]:
            part["wax"]["lot"] = lot
    series = dataclasses.replace(analysis.series, plan=plan, fragrance="cedar")
    facts = dict(answers.tested_facts(series))
    assert facts["Fragrance"] == words
    assert facts["Waxes"].split("; ")[0] == words.replace("cedar", "soft wax")
    plan["fragrance"].pop("lot")
    assert dict(answers.tested_facts(series))["Fragrance"] == "cedar"


def test_the_summary_counts_the_pieces_under_the_stress_that_decides(analysis):
    page = supplier_summary_html(analysis, "Why?")
    counts = analysis.sweat.counts
    own = counts[(counts["blend"] == "soft") & (counts["stress"] == analysis.ceiling.stress)]
    cells = []
    for near in sorted(own["load_pct"].round().unique()):
        here = own[own["load_pct"].round() == near]
        cells.append(f"{int(here[['g2', 'g3', 'g4']].sum().sum())}/{int(here['n'].sum())}")
    assert " ".join(["soft", *cells]) in words_of(page)


@pytest.mark.parametrize("ask", [[], ["  "], ["x"] * 7, ["x" * 301]])
def test_a_summary_asks_something_and_not_too_much(analysis, ask):
    with pytest.raises(SharingError, match="^ask 1 to 6 things of at most 300 characters each"):
        supplier_summary_html(analysis, ask)

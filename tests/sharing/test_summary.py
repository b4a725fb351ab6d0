"""Series side by side, and the report with questions for a supplier."""

import copy
import dataclasses
import hashlib
import html
import re

import pandas as pd
import pytest

from scentlab.sharing.beside import differences, series_names
from scentlab.sharing.guard import SharingError
from scentlab.sharing.opening import PackageError, package_fingerprint
from scentlab.sharing.pages import to_json
from scentlab.sharing.report import check_questions, page_fingerprint, write_supplier_summary
from scentlab.words import answers
from scentlab.words.tables import counts_table

HOSTILE = '<script>alert("1")</script>'


def words_of(page):
    text = re.sub(r"<(style|script)>.*?</\1>", "", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]*>", " ", text)))


@pytest.fixture(scope="module")
def other(analysis):
    """The same numbers under another title, fragrance and risk: only what differs is tested."""
    series = dataclasses.replace(
        analysis.series, title=f"Second {HOSTILE}", fragrance="fig leaf",
        throws=analysis.series.throws.drop_duplicates("code").assign(assessor="B1"),
    )
    return dataclasses.replace(
        analysis, series=series, rules=dataclasses.replace(analysis.rules, risk=0.10)
    )


def test_what_makes_series_unlike_is_said(analysis, other):
    assert list(differences([analysis, other])) == [
        "The panels differ, and each tester uses the throw scale differently: compare loads and "
        "risks, not throw.",
    ]
    assert list(differences([analysis, analysis])) == []


def test_series_of_one_title_have_numbers(analysis):
    assert series_names([analysis, analysis])[1] == f"{analysis.series.title} (2)"


@pytest.mark.usefixtures("quick")
def test_the_summary_is_the_report_with_questions(analysis, tmp_path):
    ask = ["Did the firm wax change?", HOSTILE]
    path = write_supplier_summary(analysis, tmp_path / "summary.html", ask)
    page = path.read_text(encoding="utf-8")
    text = words_of(page)
    assert ask[0] in text and HOSTILE in text and page.count("<script") == 1
    assert text.index("Use in ") < text.index("Blends side by side") < text.index("Who answers")
    pours = analysis.series.pours
    added = pours["add_temp_c"]
    assert f"{pours['pot'].nunique()} pots, {len(pours)} test batches from " in text
    assert f"Fragrance added at {added.min():g} to {added.max():g} °C" in text
    lots = [p["wax"]["lot"] for b in analysis.series.plan["blends"] for p in b["parts"]]
    assert lots and all(lot in text for lot in lots)
    assert "http" not in page.replace("http-equiv", "")
    assert package_fingerprint(path) == page_fingerprint(analysis)


def test_a_page_is_named_by_what_is_behind_it(analysis):
    series = analysis.series
    other = dataclasses.replace(series, grades=series.grades.assign(grade=1))
    found = {page_fingerprint(a) for a in (
        analysis, dataclasses.replace(analysis, series=other),
        dataclasses.replace(analysis, rules=dataclasses.replace(analysis.rules, risk=0.1)))}
    assert len(found) == 3


def test_pairs_and_heat_cycles_are_behind_a_page_where_there_are_any(analysis):
    bare = dataclasses.replace(analysis, series=dataclasses.replace(
        analysis.series, pairs=analysis.series.pairs[:0], heats=analysis.series.heats[:0]))
    heat = {"low_c": 37.0, "high_c": 39.0, "hours": 12.0, "cycles": 3}
    found = [page_fingerprint(bare)]
    for name, row in (("heats", heat), ("heats", heat | {"high_c": 45.0}),
                      ("pairs", {"code": "101", "second": "102", "stronger": "first"})):
        frame = getattr(bare.series, name)
        more = pd.DataFrame([row]).reindex(columns=frame.columns)
        found.append(page_fingerprint(dataclasses.replace(
            bare, series=dataclasses.replace(bare.series, **{name: more}))))
    assert len(set(found)) == 4
    series, rules = bare.series, to_json(dataclasses.asdict(bare.rules)).decode()
    text = [f.to_csv(index=False) for f in (series.pours, series.grades, series.throws)]
    assert found[0] == hashlib.sha256("\n".join([*text, rules]).encode()).hexdigest()


def test_a_page_without_questions_has_no_form(html, tmp_path):
    assert 'id="reply"' not in html
    (tmp_path / "report.html").write_text(html, encoding="utf-8")
    with pytest.raises(PackageError, match=r"^report\.html is not a page with questions"):
        package_fingerprint(tmp_path / "report.html")


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


def test_the_report_counts_the_pieces_by_load_as_the_dossier_does(analysis, html):
    """The counts of the fit, and the very table of the dossier."""
    counts = analysis.sweat.counts
    own = counts[(counts["blend"] == "soft") & (counts["stress"] == analysis.ceiling.stress)]
    cells = []
    for near in sorted(own["load_pct"].round().unique()):
        here = own[own["load_pct"].round() == near]
        cells.append(f"{int(here[['g2', 'g3', 'g4']].sum().sum())} of {int(here['n'].sum())}")
    shown = counts_table(analysis, "soft")
    place = shown.headings.index("Sweat 2+, heat-cycled")
    assert [row[place] for row in shown.rows] == cells
    for row in shown.rows:
        assert f" {' '.join(row)} " in words_of(html)


@pytest.mark.parametrize("ask", [[], ["  "], ["x"] * 7, ["x" * 301]])
def test_a_summary_asks_something_and_not_too_much(ask):
    with pytest.raises(SharingError, match="^ask 1 to 6 questions of at most 300 characters each"):
        check_questions(ask)

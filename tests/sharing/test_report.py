"""The report: complete, whole, escaped, readable without pictures or network."""

import base64
import copy
import dataclasses
import hashlib
import io
import itertools
import re
from html.parser import HTMLParser
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from scentlab.choosing.analysis import analyse, choices, what_if
from scentlab.choosing.headline import headline
from scentlab.choosing.rests import find_rests
from scentlab.choosing.rules import Rules
from scentlab.fitting.looks import count_pours, settle_looks
from scentlab.recording.records import RECORDS
from scentlab.results import say_odds
from scentlab.sharing import figures, opening, parts, report
from scentlab.sharing.package import prepare_package
from scentlab.sharing.pages import write_page
from scentlab.sharing.redaction import Choices, redact
from scentlab.sharing.report import report_html, write_report
from scentlab.simulate import small_series
from scentlab.units import Shown, content_from_load, say_load_oz, say_percent_of_wax, showing
from scentlab.words import answers, say_loads
from scentlab.words.tables import (
    assessor_table,
    ceiling_table,
    choice_table,
    counts_table,
    fit_table,
    least_shown,
    lives_table,
    pick_table,
    pour_table,
    tradeoff_table,
)

HOSTILE = ('<script>alert("1")</script>&"\'{{ 7 * 7 }}{% raw %}<img src=x onerror=alert(2)>'
           "\u202e\u2066" + "W" * 90)  # with marks that turn the direction, and one long word
LOADING = {"src", "href", "data", "action", "poster", "srcset", "background", "formaction"}


class Page(HTMLParser):
    """Tags in order with their attributes, and the text that is read."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.words, self._silent = [], [], False
        self.feed(text)
        self.text = re.sub(r"\s+", " ", " ".join(self.words))

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._silent = tag in ("style", "script")

    def handle_endtag(self, tag):
        self._silent = False

    def handle_data(self, data):
        if not self._silent:
            self.words.append(data)

    def all(self, name):
        return [attrs for tag, attrs in self.tags if tag == name]


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


def first_page(html):
    """Page of what stands before the blends are compared, without its picture and switches."""
    start = html.split("</title>", 1)[1].split('id="compared"')[0]
    for part in (r"<svg.*?</svg>", r'<div class="tools">.*?</div>'):
        start = re.sub(part, "", start, flags=re.DOTALL)
    return Page(start)


@pytest.mark.parametrize(("rules", "words", "drawn"), [
    # Of the sweat there is an answer, where frost was inspected on day 14 alone.
    (Rules(ship_age_days=1), "inspected only on day 14. Nothing is known of day 1,", False),
    # There is none, which was said, but the report was refused.
    (Rules(stress="heat"), "no load can be given: no piece was inspected heat-cycled", True),
])
def test_a_rule_about_what_nobody_saw_is_said_and_refuses_no_report(rules, words, drawn):
    found = analyse(small_series(frost=2), rules, draws=200, precise=None)
    html = report_html(found)
    assert words in Page(html).text and ("soft: frost" in html) == drawn
    assert "Blends side by side" not in html and "In numbers" in html  # one is drawn once


def test_the_first_page_says_the_answer_and_what_it_rests_on(analysis, html):
    best, text = analysis.pick.table.iloc[0], first_page(html).text.replace(" ,", ",")
    for said in (
        f"Use in {best['blend']} {say_load_oz(best['load_pct'], sold=True)} of wax; ",
        f"{best['content_pct']:.1f} % of the finished piece",
        f"Highest safe load {say_load_oz(best['ceiling_load_pct'], sold=True)}, ",
        "oz/lb) without one pot: 95 % sure at most 5 % of new pieces sweat (grade 2+), "
        "heat-cycled (3 x 12 h at 38 °C); room temperature: 0 of ",
        f"maximum {say_load_oz(best['limit_load_pct'])} for creamy wax",
        f"{best['throw']:.1f} of 10 (90 %: {best['throw_lower']:.1f} to ",
        f"). {say_load_oz(best['ceiling_load_pct'], sold=True)} adds under half a "
        "point (chance ",
        "creamy wax C-41; firm wax F-03; fragrance 77.",
        "Not tested this load, after day 7, other lots, cold throw, second grader.",
        "Hot wax burns", "Not a safety assessment",
    ):
        assert said in text, said
    assert len(text.split()) <= 150


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("units", ["g", "oz"])
def test_three_photos_leave_the_first_page_within_150_words(analysis, units):
    with showing(Shown(weight=units)):
        text = first_page(report_html(analysis, photos=photos_of(*wettest(analysis, 3)))).text
        assert text.count("oz/lb" if units == "oz" else " % ") > 6
    assert len(text.split()) <= 150


def test_one_pot_and_room_temperature_are_said_where_they_matter(analysis, diagnosis):
    """Lowest load and counts by hand from the tables; nothing where it is not so."""
    best, sweat = analysis.pick.table.iloc[0], analysis.series.sweat()
    blend, safe = best["blend"], best["ceiling_load_pct"]

    def said(found, table):
        return "".join(map(str, dict(answers.headline(found, table)["facts"])["Highest safe load"]))

    table = pd.DataFrame({"pot": ["P1", "P2"], "blend": blend, "ceiling_load_pct": [8.7912, 9.6]})
    kept = sweat[(sweat["blend"] == blend) & (sweat["stress"] == "rest")
                 & (sweat["load_pct"] <= safe)]
    text = said(analysis, table)
    assert ", 8.7 % (1.39 oz/lb) without one pot: 95 %" in text
    assert text.endswith(f"; room temperature: 0 of {kept['code'].nunique()} below it")
    wet = sweat["code"].isin(list(kept["code"])[:2])
    looks = sweat.assign(grade=sweat["grade"].mask(wet & (sweat["stress"] == "rest"), 3))
    fit = dataclasses.replace(analysis.sweat, counts=count_pours(
        settle_looks(looks, "sweat", ages=True)[0]))
    assert "; room temperature: 2 of " in said(dataclasses.replace(analysis, sweat=fit), table)
    assert ", none without one pot" in said(
        analysis, table.assign(ceiling_load_pct=[float("nan"), 9.6]))
    for same in (table.assign(ceiling_load_pct=[safe, 9.6]), table.head(1), None):
        assert "without one pot" not in said(analysis, same)
    rest = dataclasses.replace(analysis.ceiling, stress="rest")
    heated = sweat[(sweat["blend"] == blend) & (sweat["stress"] == "heat")
                   & (sweat["load_pct"] <= safe)]["code"].nunique()
    text = said(dataclasses.replace(analysis, ceiling=rest), table)
    assert "; room" not in text and text.endswith(f"; heat-cycled: 0 of {heated} below it")


def test_the_sentence_tells_no_smaller_chance_than_the_draws_can(analysis):
    """3 of n independent draws at most: the rule of three (Hanley and Lippman-Hand 1983)."""
    least, best = 3.0 / analysis.sweat.effective_size, analysis.pick.table.iloc[0]
    few = headline(best.replace(best["p_over"], least / 20), analysis.rules, analysis,
                   analysis.ceiling, analysis.rests)
    one_in = int(re.search(r"Less than 1 chance in (\d+) that more than 5 % of pieces", few)[1])
    assert 1 / one_in >= least * 0.99
    odds = say_odds(best["p_over"], best["least_told"])
    assert odds[1:] + " that more than 5 % of pieces" in analysis.pick.sentence


def test_the_first_picture_counts_the_pieces_and_explains_its_marks(analysis, html):
    """Counts against the file of the demo's pieces; the risk against the table."""
    best = analysis.pick.table.iloc[0]
    looks = analysis.series.sweat()
    own = looks[(looks["blend"] == best["blend"]) & (looks["stress"] == "heat")]
    first = html.split("<svg")[1].split("</svg>")[0]
    drawn = re.findall(r">(\d+/\d+)</text>", first)
    expected = [f"{(here['grade'] >= 2).sum()}/{here['code'].nunique()}"
                for _, here in own.groupby(own["load_pct"].round())]
    assert drawn == expected and drawn[-1] == "4/4"
    text = Page(f"<svg{first}").text
    assert f"grade 2+ of all: {own['code'].nunique()} pieces heat-cycled, 2 pots" in text
    for said in ("bands: 90 % intervals", "dotted: accepted risk, 5 %", "0 dry, 1 trace, 2 film"):
        assert said in text, said


def test_what_was_not_tested_follows_the_records(analysis):
    series, load = analysis.series, analysis.pick.table["load_pct"].iloc[0]
    poured = float(analysis.sweat.counts["load_pct"].iloc[0])
    blend = analysis.sweat.counts["blend"].iloc[0]
    throws = series.throws.assign(kind="cold")
    grades = series.grades.assign(assessor=[f"A{i % 2}" for i in range(len(series.grades))])
    other = dataclasses.replace(
        analysis, frost=None, series=dataclasses.replace(series, throws=throws, grades=grades))
    table = other.pick.table.assign(load_pct=poured, blend=blend).head(1)
    other = dataclasses.replace(other, pick=dataclasses.replace(other.pick, table=table))
    assert dict(answers.headline(other)["facts"])["Not tested"] == (
        "after day 7, other lots, hot throw, frost.",)
    assert load != poured
    rest = dataclasses.replace(other, ceiling=dataclasses.replace(other.ceiling, stress="rest"))
    assert "heat" not in dict(answers.headline(rest)["facts"])["Not tested"][0].split(", ")


def test_blends_without_a_load_stand_beside_the_answer(analysis):
    assert "No load for" not in dict(answers.headline(analysis)["facts"])
    table, blends = analysis.pick.table.copy(), analysis.series.blends
    other = table["blend"].iloc[-1]
    table.loc[table.index[-1], ["load_pct", "reason"]] = (
        np.nan, "no load is shown to be safe yet: no")
    more = dataclasses.replace(
        analysis, pick=dataclasses.replace(analysis.pick, table=table),
        series=dataclasses.replace(
            analysis.series, blends=pd.concat([blends, blends.iloc[:1].assign(blend="third")])))
    assert dict(answers.headline(more)["facts"])["No load for"] == (
        f"{other} (no load is shown to be safe yet); third (no sweat grade yet).",)


def test_whose_maximum_it_is(analysis):
    """The demo: creamy wax 10 %, firm wax 12 %; a blend takes the lower."""
    best = analysis.pick.table.iloc[0].copy()
    said = "".join(answers._limit_words(analysis.series, best))
    assert said == ("maximum 10.0 % (1.6 oz/lb) for creamy wax")
    best["limit_load_pct"] = 7.0
    assert "".join(answers._limit_words(analysis.series, best)) == (
        "maximum 7.0 % (1.12 oz/lb), set aside: testing only, not for sale")
    best["limit_load_pct"] = float("nan")
    assert "".join(answers._limit_words(analysis.series, best)) == "maximum unknown"


def test_no_chance_is_said_twice_over(page):
    assert not re.search(r"under under|over over", page.text)
    assert " -0<" not in page.text and ">-0<" not in page.text


def test_a_load_over_the_makers_maximum_is_marked(analysis):
    other = choices(analysis)
    limits = dict(analysis.pick.table[["blend", "limit_load_pct"]].to_numpy())
    for row in choice_table(other, limits).rows:
        for name, cell in zip(limits, row[2:], strict=True):
            found = other[(other["blend"] == name)
                          & ((100 * other["risk"]).map("{:g} %".format) == row[0])
                          & ((100 * other["confidence"]).map("{:g} %".format) == row[1])]
            over = found["ceiling_load_pct"].item() > limits[name] + 0.05
            assert cell.endswith(", over the maker’s maximum") == over
    assert (other["ceiling_load_pct"] > 10.05).any()


def test_who_scored_what_is_counted_by_what_was_scored(analysis, series):
    view = assessor_table(series)
    for row in view.rows:
        cells = dict(zip(view.headings, row, strict=True))
        own = series.grades[series.grades["assessor"] == row[0]]["test"].value_counts()
        assert cells["Sweat grades"] == str(own.get("sweat", 0))
        assert cells["Frost grades"] == str(own.get("frost", 0))
        hours = series.warmings[series.warmings["assessor"] == row[0]]["throw"].notna().sum()
        assert cells["Throw scores over hours on the warmer"] == str(hours)


def test_tables_tell_no_finer_chance_than_the_draws_can(analysis):
    least = least_shown(analysis.pick)
    cells = {row[6] for row in pick_table(analysis).rows}
    view = tradeoff_table(analysis, analysis.pick.tradeoff["blend"].iloc[0])
    cells |= {row[3] for row in view.rows}
    told = [float(re.search(r"[\d.]+", c)[0]) for c in cells]
    assert min(told) == round(100 * least, 1)
    assert max(told) == round(100 - 100 * least, 1)
    assert view.rows[0][3].startswith("under ") and view.rows[-1][3].startswith("over ")


@pytest.mark.parametrize("stress, words", [
    ("heat", "heat-cycled (3 x 12 h at 38 °C)"), ("rest", "at room temperature")])
def test_the_first_page_names_the_stress_beside_what_is_safe(analysis, stress, words):
    ceiling = dataclasses.replace(analysis.ceiling, stress=stress)
    pick = dataclasses.replace(
        analysis.pick, rests=find_rests(analysis.series, analysis.rules, stress))
    facts = dict(answers.headline(
        dataclasses.replace(analysis, ceiling=ceiling, pick=pick))["facts"])
    assert facts["Highest safe load"][-2].endswith(f"(grade 2+), {words}")


def test_the_load_that_the_maker_recommends_is_the_lowest_of_the_waxes(analysis):
    plan = copy.deepcopy(analysis.series.plan)
    series = dataclasses.replace(analysis.series, plan=plan)
    assert answers.recommended_by_maker(series, "soft-firm 70/30") is None
    for blend in plan["blends"]:
        for part, load in zip(blend["parts"], (6.25, 5.0), strict=False):
            part["wax"]["recommended_load_pct"] = load
    assert answers.recommended_by_maker(series, "soft") == 6.25
    assert answers.recommended_by_maker(series, "soft-firm 70/30") == 5.0
    facts = dict(answers.headline(dataclasses.replace(analysis, series=series))["facts"])
    assert facts["Wax maker"][-1] == "; recommended 5.0 % (0.8 oz/lb)"


@pytest.mark.parametrize("content, shown", [
    # 9 / 91 is 9.89; the wax maker says 10 %
    (9.0, "9.8 % (1.56 oz/lb), 9 % of the finished piece"),
    (12.5, None), (100.0, None), (np.nan, "unknown")])
def test_a_regulatory_limit_that_binds_or_is_missing_is_on_the_first_page(analysis, content, shown):
    series = dataclasses.replace(
        analysis.series, blends=analysis.series.blends.assign(limit_content_pct=content))
    facts = dict(answers.headline(dataclasses.replace(analysis, series=series))["facts"])
    found = facts.get("Regulatory limit")
    assert (found and "".join(found)) == shown


def test_a_hidden_lot_is_not_shared_and_one_nobody_wrote_down_not_recorded(analysis):
    hidden, _ = redact(analysis.series, Choices(hide_fragrance=True))
    facts = dict(answers.headline(dataclasses.replace(analysis, series=hidden))["facts"])
    assert facts["Lots"][0].endswith("fragrance not shared.")
    bare = copy.deepcopy(analysis.series.plan)
    bare["fragrance"]["lot"] = ""
    series = dataclasses.replace(analysis.series, plan=bare)
    facts = dict(answers.headline(dataclasses.replace(analysis, series=series))["facts"])
    assert facts["Lots"][0].endswith("fragrance not recorded.")


def test_the_page_shows_few_words_and_folds_the_rest(html):
    shown = re.sub(r'<div class="folded".*?(?=<details|</main>)', "", html, flags=re.DOTALL)
    shown = re.sub(r"<title>.*?</title>", "", shown)  # of points: shown when one is pointed at
    assert len(Page(shown).text.split()) <= 900
    assert len(Page(html).text.split()) > 2000


def test_what_the_sliders_show_is_what_the_kit_answers(analysis, html):
    """Rows of the table against :func:`what_if`, which chooses anew under each rule."""
    names = list(analysis.pick.table["blend"])
    rows = choice_table(choices(analysis), dict.fromkeys(names, 99.0)).rows
    assert len(rows) == 16 and ("5 %", "95 %") in [row[:2] for row in rows]
    for row in rows[:: 5]:
        risk, confidence = (float(cell.removesuffix(" %")) / 100 for cell in row[:2])
        found = what_if(analysis, risk=risk, confidence=confidence).table.set_index("blend")
        for name, cell in zip(names, row[2:], strict=True):
            loads = found.loc[name, ["load_pct", "ceiling_load_pct"]]
            assert cell == " / ".join(say_loads(load, sold=True) for load in loads)
    assert 'id="risk" min="0" max="3" value="2"' in html
    assert 'id="sure" min="0" max="3" value="2"' in html


def test_nothing_is_loaded_from_anywhere(page, html):
    for tag, attrs in page.tags:
        for name, value in attrs.items():
            if name in LOADING:
                assert value.startswith(("data:", "#")), (tag, name, value[:60])
            if name == "style":
                assert "url(" not in value
    assert "http" not in html.replace("http-equiv", "")
    assert "url(" not in html and "@import" not in html
    policy = next(a for a in page.all("meta") if "http-equiv" in a)["content"]
    style, script = (_hash_of(tag, html) for tag in ("style", "script"))
    assert policy == (
        f"default-src 'none'; img-src data:; style-src 'sha256-{style}'; "
        f"script-src 'sha256-{script}'; base-uri 'none'; form-action 'none'"
    )
    assert not any("style" in attrs or any(a.startswith("on") for a in attrs)
                   for _, attrs in page.tags)


def _hash_of(tag, html):
    """The one element of a name, hashed as Content Security Policy 3 (W3C), 6.7.3.3, hashes it."""
    found, = re.findall(rf"<{tag}>(.*?)</{tag}>", html, flags=re.DOTALL)
    return base64.b64encode(hashlib.sha256(found.encode()).digest()).decode()


def test_every_picture_says_what_it_shows(analysis, page):
    drawn = [p for p in page.all("svg") if p.get("role") == "img"]
    blends = len(analysis.pick.table)
    assert len(drawn) == 1 + 3 * blends + 1  # the first page; of each blend three; the check
    assert all(len(p["aria-label"]) > 60 for p in drawn)
    best = analysis.pick.table.iloc[0]
    words = drawn[0]["aria-label"]
    assert words.startswith(f"{best['blend']}: ")
    assert f"recommended {say_percent_of_wax(best['load_pct'], sold=True)}. " in words


def test_pictures_and_table_have_one_order(analysis, html):
    names = list(analysis.pick.table["blend"])
    assert [row[1] for row in pick_table(analysis).rows] == names
    captions = re.findall(r"<figcaption>(.*?)</figcaption>", html)
    assert captions[:3] == names
    assert [c.split(":")[0] for c in captions[3:9]] == [*names, *names]
    for caption in ("Throw over hours", "Highest safe load of each"):
        body = html.split(f"<caption>{caption}")[1].split("</table>")[0]
        assert re.findall(r'<tr><td class="t">(.*?)</td>', body) == names
    lives = lives_table(analysis.longevity.throw_life)
    for row in lives.rows:
        cells = "</td><td class=\"n\">".join(map(str, row[1:5]))
        assert f"<td class=\"t\">{row[0]}</td><td class=\"n\">{cells}" in html


def test_each_piece_is_a_point_with_its_code_grade_and_batch(analysis):
    """Points against the grades in the records."""
    name, stress = analysis.pick.table["blend"].iloc[0], analysis.ceiling.stress
    sweat = analysis.series.sweat()
    own = sweat[(sweat["blend"] == name) & (sweat["stress"] == stress)]
    panels = {p["label"].split()[0]: p for p in figures.blend_figure(analysis, name)["panels"]}
    words = [p[3] for p in panels["grade"]["points"]]
    assert len(words) == len(own) and len(set(own["code"])) == len(own)
    for row in own.itertuples():
        said, = (w for w in words if w.startswith(f"Piece {row.code}, "))
        assert f"test batch {row.pour}, {say_load_oz(row.load_pct)}: " in said
        assert f": sweat grade {row.grade:.0f} (" in said
    over = [p for p in panels["grade"]["points"] if p[2] == "over"]
    assert len(over) == (own["grade"] >= 2).sum() > 0


def test_words_of_what_a_circle_is(analysis, html):
    assert figures.legend(analysis)[0].endswith("; circle: inspection")
    key = html.split('<ul class="key"')[1].split("</ul>")[0]
    for kind, words in (
            ("dot throw", "throw of a piece"), ("dot sweat", "an inspection of a piece"),
            ("dot over sweat", "inspection that found too much sweat")):
        assert re.search(rf'class="{kind}"[^>]*/></svg> {words}</li>', key)


def test_counts_overprint_neither_each_other_nor_points():
    """36 points of the highest grade are 6 rows; words of n signs are 6n pixels wide."""
    counts = ((9.3, "8/9"), (9.6, "3/3"), (14.0, "12/12"))
    points = tuple((load, 4, "", "") for load in (9.3, 14.0) for _ in range(36))
    drawn, = figures.figure("t", [4.0, 14.0], [figures.Panel(
        "p", tuple((v, str(v)) for v in range(5)), points=points, spread=True, counts=counts,
    )])["panels"]
    ends = [(y, x - 3 * len(words), x + 3 * len(words)) for x, y, words in drawn["counts"]]
    for one, other in itertools.combinations(ends, 2):
        assert one[0] != other[0] or one[2] < other[1] or other[2] < one[1]
    assert ends[0][0] != ends[1][0] and min(y for y, *_ in ends) > drawn["name_y"] + 10
    assert min(y for _, y, *_ in drawn["points"]) - 3 >= max(y for y, *_ in ends)
    assert len({(x, y) for x, y, *_ in drawn["points"]}) == len(points)


@pytest.mark.parametrize("number", [1, 8, 30, 60])
def test_many_dry_points_stay_under_the_next_grade(number):
    """Circles of 3 pixels in a panel of 74: those of grade 0 do not reach those of grade 1."""
    points = (*((9.0, 0, "", "") for _ in range(number)), (9.0, 1, "", ""))
    drawn, = figures.figure("t", [4.0, 14.0], [figures.Panel(
        "p", figures._GRADES, points=points, spread=True, height=74)])["panels"]
    *dry, (_, trace, *_) = drawn["points"]
    assert min(y for _, y, *_ in dry) - trace > 3
    assert len({(x, y) for x, y, *_ in dry}) == number


def test_points_of_one_planned_load_lie_beside_each_other():
    points = ((9.45, 0, "", ""), (9.55, 0, "", ""))
    drawn, = figures.figure("t", [4.0, 14.0], [figures.Panel(
        "p", ((0, "0"), (4, "4")), points=points, spread=True)])["panels"]
    assert drawn["points"][1][0] - drawn["points"][0][0] > figures.DOT


def test_a_curve_stands_where_its_numbers_are():
    """By hand: 0 to 10 over 96 pixels, loads 4 to 14 with a margin of a twentieth."""
    curve = pd.DataFrame({"x": [4.0, 14.0], "y": [0.0, 5.0], "lower": 0.0, "upper": 10.0})
    drawn = figures.figure("t", [4.0, 14.0], [figures.Panel("p", ((0, "0"), (10, "10")), curve)])
    panel, width = drawn["panels"][0], figures.RIGHT - figures.LEFT
    ends = [[float(v) for v in at.split(",")] for at in panel["line"].split()]
    assert panel["bottom"] - panel["top"] == 96
    assert ends[0] == pytest.approx([figures.LEFT + width * 0.5 / 11, panel["bottom"]], abs=0.06)
    assert ends[1] == pytest.approx([figures.LEFT + width * 10.5 / 11, panel["top"] + 48], abs=0.06)
    root = dataclasses.replace(figures.Panel("p", ((0, "0"), (1, "1")), rule=0.25), root=True)
    panel = figures.figure("t", [4.0, 14.0], [root])["panels"][0]
    assert panel["rule"] == panel["top"] + 48


def test_headings_come_in_order_and_ids_once(page):
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(after <= before + 1 for before, after in zip(levels, levels[1:], strict=False))
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    targets = {a["href"][1:] for a in page.all("a")}
    assert targets <= set(ids)


def test_every_table_has_a_caption_and_heads(page):
    tables = len(page.all("table"))
    assert tables >= 8
    assert len(page.all("caption")) == tables
    assert all(a.get("scope") == "col" for a in page.all("th"))


def test_every_part_of_the_analysis_is_there(analysis, page):
    for result in (analysis.pick, analysis.ceiling, analysis.sweat, analysis.frost, analysis.throw):
        assert result.sentence in page.text or result is analysis.ceiling
        for note in result.notes:
            assert note in page.text
    for pour in analysis.series.pours["pour"]:
        assert pour in page.text
    for code in analysis.series.throws["assessor"].unique():
        assert code in page.text
    assert f"(seed {analysis.seed}, {analysis.draws} draws)" in page.text
    for name in ("Scheffé 1958", "Stevens 1957", "Crump 1984", "McCullagh 1980"):
        assert name in page.text


def test_the_fit_is_held_against_what_was_seen(analysis, diagnosis, page):
    found = diagnosis
    title = "Does the fit match what was seen?"
    own = page.text[page.text.rindex(title) :]
    assert found.sweat.sentence in own
    assert found.sentence.removeprefix(found.sweat.sentence) in own
    assert "points of load (% of wax)" in own
    for note in found.notes:
        assert note in own
    assert "Sweat seen and expected" in own
    for row in found.table.dropna(subset=["change_pct"]).itertuples():
        load = int(10 * row.ceiling_load_pct) / 10
        assert f"{row.pot} {row.blend} {load} {row.change_pct:+.1f}" in own


@pytest.mark.usefixtures("quick")
def test_invented_data_are_marked_and_measured_data_are_not(analysis, page):
    assert "Invented data: no evidence" in page.text
    real = dataclasses.replace(analysis.series, invented=False)
    text = report_html(dataclasses.replace(analysis, series=real))
    assert "Invented" not in Page(text).text


def photos_of(*codes):
    """Photos of pieces, one grey pixel each."""
    out = io.BytesIO()
    Image.new("RGB", (1, 1)).save(out, "JPEG")
    return [SimpleNamespace(code=c, words=f"photo of piece {c}", read=out.getvalue) for c in codes]


def wettest(analysis, number=1):
    """Codes of pieces of the first blend at its highest loads."""
    looks = analysis.series.sweat().sort_values("load_pct", ascending=False)
    own = looks[looks["blend"] == analysis.pick.table["blend"].iloc[0]]
    return own["code"].unique()[:number]


# Of every text that is written by a person: markup, quotes, a template, signs without a look.
NASTY = HOSTILE + "\'\" onclick=alert(1) </style></title></script>\u202e\u200f&lt;"
LONG = "x" * 5000
# What is chosen from a list or read as a day is no free text.
FREE = {c.name for table in (*RECORDS.values(), *parts.PARTS.values()) for c in table.columns
        if c.kind == "text"}
CHOSEN = {c.name for table in RECORDS.values() for c in table.columns if c.kind != "text"}


def nasty(value):
    """The same text, made hostile; nothing stays nothing, and equal texts stay equal."""
    return f"{value} {NASTY}" if isinstance(value, str) else value


def nasty_data(data, name=""):
    """Plain data with every text hostile but days, rules and what is chosen from a list."""
    if isinstance(data, dict):
        return {k: v if k == "rules" else nasty_data(v, k) for k, v in data.items()}
    if isinstance(data, list):
        return [nasty_data(item, name) for item in data]
    is_day = isinstance(data, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", data)
    return data if name in CHOSEN or is_day else nasty(data)


def nasty_series(series):
    """The series with every text column of every frame, and every text beside them, hostile."""
    changed = {}
    for field in dataclasses.fields(series):
        value = getattr(series, field.name)
        if field.name == "fractions":
            value = value.rename(index=nasty, columns=nasty)
        elif isinstance(value, pd.DataFrame):
            value = value.assign(**{c: value[c].map(nasty) for c in value if c in FREE})
        elif isinstance(value, str):
            value = nasty(value)
        changed[field.name] = value
    notes = pd.Series([f"note {NASTY}"] * len(series.pours), dtype=object)
    return dataclasses.replace(
        series, **changed | {"plan": nasty_data(series.plan),
                             "pours": changed["pours"].assign(note=notes)})


def marks_of(page):
    """Kinds of elements with the names of their attributes: what text can never add to."""
    return {(tag, *sorted(attrs)) for tag, attrs in page.tags}


@pytest.fixture(scope="module")
def hostile(analysis):
    """The demo with every free text hostile, and its analysis by rules with hostile reasons."""
    series = nasty_series(analysis.series)
    return analyse(series, Rules(override_blends=tuple(series.blends["blend"][:1]),
                                 override_reason=NASTY), draws=300, precise=None)


def test_the_walk_makes_every_free_text_hostile(hostile):
    """Codes, batches, pots, blends, testers, sessions, notes, what blends are made of."""
    known = {"code", "pour", "pot", "blend", "assessor", "sitting", "note", "composition", "wax"}
    assert known <= FREE
    for name in ("pours", "grades", "throws", "warmings", "blends"):
        frame = getattr(hostile.series, name)
        texts = {c for c in frame if c in FREE and frame[c].notna().any()}
        assert texts and all(frame[c].dropna().str.endswith(NASTY).all() for c in texts), name
    plan = hostile.series.plan
    assert plan["fragrance"]["lot"].endswith(NASTY) and plan["assessors"][0].endswith(NASTY)
    assert plan["blends"][0]["parts"][0]["wax"]["lot"].endswith(NASTY)


@pytest.mark.usefixtures("quick")
def test_hostile_text_stays_text(hostile, analysis):
    usual = report_html(analysis, ("Held back.",), ("Why?",), photos_of(*wettest(analysis, 3)))
    photos = [SimpleNamespace(code=p.code, words=nasty(p.words), read=p.read)
              for p in photos_of(*wettest(hostile, 3))]
    text = report_html(hostile, (NASTY + LONG,), (NASTY[:290],) * 2, photos)
    page = Page(text)
    assert marks_of(page) <= marks_of(Page(usual))
    assert [len(page.all(tag)) for tag in ("script", "style", "title", "form", "img")] == [
        len(Page(usual).all(tag)) for tag in ("script", "style", "title", "form", "img")]
    for attrs in page.all("img"):
        assert attrs["src"].startswith("data:image/jpeg;base64,") and HOSTILE in attrs["alt"]
    for said in (nasty(analysis.series.title), nasty(analysis.series.fragrance), NASTY + LONG,
                 *hostile.series.blends["blend"], f"note {NASTY}"):
        assert re.sub(r"\s+", " ", said) in page.text, said[:60]
    assert page.text.count("{{ 7 * 7 }}") > 40 and "49" not in NASTY


@pytest.mark.usefixtures("quick")
def test_hostile_text_that_the_border_lets_through_is_text_in_a_package(analysis, tmp_path):
    """Each text column of the share package by its own check; longer than 5,000 where it may be."""
    series = analysis.series
    taken = []
    for part in parts.PARTS.values():
        for column in (c for c in part.columns if c.kind == "text"):
            for text in (NASTY, HOSTILE, "\"\' onclick=1", "</style>", LONG, "=1+1"):
                kept, problem = column.check(text)
                if problem is None and column.name in ("note", "composition"):
                    taken.append((part.name, column.name, kept))
                assert problem is None or not kept
    assert {c for _, c, _ in taken} == {"note", "composition"}
    note = max((t for _, c, t in taken if c == "note"), key=len)
    composition = max((t for _, c, t in taken if c == "composition"), key=len)
    shared = dataclasses.replace(
        series, title=nasty("title")[:100], currency=HOSTILE,
        pours=series.pours.assign(note=pd.Series([note] * len(series.pours), dtype=object)),
        blends=series.blends.assign(composition=composition))
    package = prepare_package(dataclasses.replace(analysis, series=shared))
    page = Page(package.text("report.html"))
    assert marks_of(page) <= marks_of(Page(report_html(analysis)))
    found = opening.series_from_files(package.files, package.analysis.series)
    assert set(found.pours["note"]) == {note}
    assert set(found.blends["composition"]) == {composition}


def test_the_report_is_small_and_the_same_again(analysis, html):
    assert report_html(analysis) == html
    assert len(html.encode()) < 1_000_000


def test_a_report_is_written_whole(analysis, html, tmp_path, monkeypatch):
    monkeypatch.setattr(report, "report_html", lambda _, photos: html)
    path = write_report(analysis, tmp_path / "report.html")
    assert path.read_text(encoding="utf-8") == html
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_a_failed_write_leaves_the_old_report(tmp_path, monkeypatch):
    path = tmp_path / "report.html"
    path.write_text("old")

    def full(*_):
        raise OSError("no space left on the device")

    monkeypatch.setattr("scentlab.files.os.fsync", full)
    with pytest.raises(OSError, match="no space left"):
        write_page(path, "the report", lambda: "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_a_missing_folder_is_named(analysis, tmp_path):
    with pytest.raises(FileNotFoundError) as error:
        write_report(analysis, tmp_path / "nowhere" / "report.html")
    assert str(error.value) == (
        f"{tmp_path / 'nowhere'}: no such folder for the report; make the folder or give "
        "another path"
    )
    with pytest.raises(IsADirectoryError) as error:
        write_report(analysis, tmp_path)
    assert str(error.value) == (
        f"{tmp_path} is a folder; give the name of a file in it for the report")


def test_where_all_is_wet_no_blend_has_a_rank(series):
    """Every piece shows beads: no load qualifies, and an order of the blends would mean nothing."""
    sweat = series.grades["test"] == "sweat"
    wet = dataclasses.replace(series, grades=series.grades.assign(
        grade=series.grades["grade"].where(~sweat, 3)
    ))
    found = analyse(wet, draws=300)
    view = pick_table(found)
    assert [row[0] for row in view.rows] == ["–"] * 3
    assert view.caption == "No blend has a recommended load"
    lowest = found.ceiling.table["lowest_tested_pct"].iloc[0]
    assert ceiling_table(found.ceiling).rows[0][4] == f"below {lowest:.1f}"


def test_the_limit_in_the_table_is_named_as_everywhere(analysis):
    headings = pick_table(analysis).headings
    assert "Wax maker’s maximum" in headings
    assert not any("aper" in h for h in headings)


def test_a_pick_below_the_ceiling_is_not_said_to_be_held_by_it(analysis):
    for row in analysis.pick.table.to_dict("records"):
        assert row["load_pct"] < row["ceiling_load_pct"] - 0.2
        assert "held by" not in row["reason"]
        assert row["reason"].startswith(
            f"Going on to {say_load_oz(row['ceiling_load_pct'], sold=True)} adds less than half a "
            "point of hot throw (chance ")
        assert "as high as" not in row["reason"]
        assert f"Highest safe load: {int(10 * row['ceiling_load_pct']) / 10} %. " in (
            analysis.pick.sentences[row["blend"]])


def test_what_is_missing_stands_on_the_first_page(analysis, html, page):
    assert "Not recorded" not in first_page(html).text and "100.1 g under 100 g" in page.text
    warnings = ["room temperature only: not tested in heat", *analysis.rests.table["warning"][1:]]
    table = analysis.rests.table.assign(warning=warnings)
    worst = dataclasses.replace(analysis.rests, table=table)
    found = dataclasses.replace(analysis, pick=dataclasses.replace(analysis.pick, rests=worst))
    assert answers.headline(found)["warning"].startswith(
        "Room temperature only: not tested in heat")


def test_a_fit_says_which_interval_it_gives(analysis, page):
    headings = fit_table(analysis.sweat).headings
    assert headings == (
        "Parameter", "Estimate", "Standard error", "90 % interval, lower", "90 % interval, upper",
        "Unit",
    )
    assert page.text.count("90 % interval, lower") >= 3
    assert " Se " not in page.text and " Lower " not in page.text


def test_weighed_loads_of_one_planned_load_are_one_row(analysis):
    rows = analysis.pick.tradeoff
    rows = rows[rows["blend"] == "soft"].head(4).assign(load_pct=[5.9, 6.0, 6.3, 8.0])

    def table(rows):
        pick = dataclasses.replace(analysis.pick, tradeoff=rows)
        return tradeoff_table(dataclasses.replace(analysis, pick=pick), "soft")

    view = table(rows)
    assert [row[0] for row in view.rows] == ["5.9 to 6.0", "6.3", "8.0"]
    assert view.rows[0][1] == " to ".join(f"{content_from_load(x):.1f}" for x in (5.9, 6.0))
    assert view.rows[0][3] == table(rows.iloc[1:2]).rows[0][3]
    assert "with the numbers of the highest" in view.caption
    apart = table(rows.iloc[2:])
    assert apart.caption == "Trade-off at the tested loads"


def test_a_load_has_the_same_ounces_in_the_tables_of_what_was_weighed_and_seen(analysis):
    with showing(Shown("oz")):
        poured = pour_table(analysis.series.pours[analysis.series.pours["blend"] == "soft"])
        place = poured.headings.index("Load, oz/lb")
        weighed = {row[place] for row in poured.rows}
        for shown in (tradeoff_table(analysis, "soft"), counts_table(analysis, "soft")):
            assert shown.headings[0] == "Load, oz/lb"
            assert {end for row in shown.rows for end in row[0].split(" to ")} <= weighed


@pytest.mark.usefixtures("quick")
def test_small_words_of_a_series_without_currency_or_fragrance(analysis):
    bare = dataclasses.replace(analysis.series, fragrance="", currency="")
    bare = dataclasses.replace(analysis, series=bare)
    assert pick_table(bare).headings[-1] == "Cost a piece"
    text = Page(report_html(bare)).text
    assert ". ." not in text and "Fragrance not on record." in text
    assert "answered, but" not in text


def test_a_table_that_scrolls_has_a_cue(page, html):
    wide = [a for tag, a in page.tags if "wide" in a.get("class", "").split()]
    assert sum("columns" in a["class"].split() for a in wide) >= 6
    assert "Swipe sideways" in html

"""The report: complete, whole, escaped, readable without pictures or network."""

import dataclasses
import re
from html.parser import HTMLParser

import pytest

from scentlab.choosing.analysis import analyse
from scentlab.choosing.diagnosis import diagnose
from scentlab.sharing import pictures, report
from scentlab.sharing.pages import write_page
from scentlab.sharing.pictures.drawing import in_words
from scentlab.sharing.report import report_html, write_report
from scentlab.units import say_load, say_load_oz
from scentlab.words import answers
from scentlab.words.tables import (
    ceiling_table,
    fit_table,
    least_shown,
    pick_table,
    tradeoff_table,
)

HOSTILE = '<script>alert("1")</script>&"\'{{ 7 * 7 }}<img src=x onerror=alert(2)>'
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


def test_the_pick_and_its_reason_stand_before_everything_else(analysis, page):
    best = analysis.pick.table.iloc[0]
    start = page.text[: page.text.index("Blends compared")]
    assert f"Recommended load: {best['blend']}" in start
    assert say_load_oz(best["load_pct"]) in start
    assert f"{best['content_pct']:.1f} % of total" in start
    assert best["reason"] in start
    assert say_load(best["ceiling_load_pct"]) in start


def _facts(html):
    """The figures of the first screen, by name."""
    return dict(re.findall(r"<dt>(.+?)</dt><dd>(.+?)</dd>", html.split("Blends compared")[0]))


def test_the_first_screen_tells_no_smaller_chance_than_the_draws_can(analysis, html):
    """3 of n independent draws at most: the rule of three (Hanley and Lippman-Hand 1983)."""
    best = analysis.pick.table.iloc[0]
    least = 3.0 / analysis.sweat.effective_size
    assert best["p_over"] < least < 0.05
    told = _facts(html)["Chance that its true risk is over 5 %"]
    assert told == f"under {100 * least:.1f} %"
    one_in = int(re.search(r"Less than 1 chance in (\d+) that", analysis.pick.sentence)[1])
    assert 1 / one_in >= least


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
def test_the_first_screen_names_the_stress_of_the_risk(analysis, stress, words):
    ceiling = dataclasses.replace(analysis.ceiling, stress=stress)
    facts = answers.headline(dataclasses.replace(analysis, ceiling=ceiling))["facts"]
    assert f"Risk of sweat grade 2 or more, {words}" in dict(facts)


def test_nothing_is_loaded_from_anywhere(page, html):
    for tag, attrs in page.tags:
        for name, value in attrs.items():
            if name in LOADING:
                assert value.startswith(("data:", "#")), (tag, name, value[:60])
            if name == "style":
                assert "url(" not in value
    assert "http" not in html.replace("http-equiv", "")
    assert "url(" not in html and "@import" not in html
    assert not page.all("script")
    policy = next(a for a in page.all("meta") if "http-equiv" in a)["content"]
    assert policy == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def test_every_picture_says_what_it_shows(analysis, page):
    pictures = page.all("img")
    blends = len(analysis.pick.table)
    assert len(pictures) == 4 + 5 * blends
    assert all(len(p["alt"]) > 60 for p in pictures)
    assert len({p["alt"] for p in pictures}) == len(pictures)
    best = analysis.pick.table.iloc[0]
    alts = [p["alt"] for p in pictures if p["alt"].startswith(f"{best['blend']}: ")]
    assert any(f"recommended load {say_load(best['load_pct'])}." in alt for alt in alts)


def test_a_picture_in_words_counts_the_pieces(analysis, page):
    name = analysis.pick.table["blend"].iloc[0]
    counts = analysis.sweat.counts
    counts = counts[(counts["blend"] == name) & (counts["stress"] == analysis.sweat.stresses[-1])]
    top = counts.sort_values("load_pct").iloc[-1]
    over = int(top[["g2", "g3", "g4"]].sum())
    share = f"{over / top['n']:.2f} at {top['load_pct']:.1f}"
    counted = f"{over}/{int(top['n'])}"
    assert any(share in p["alt"] and counted in p["alt"] and "sweat grade 2" in p["alt"]
               for p in page.all("img"))


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


def test_the_fit_is_held_against_what_was_seen(analysis, page):
    found = diagnose(analysis)
    title = "Does the fit describe what was seen?"
    own = page.text[page.text.rindex(title) :]
    assert found.sweat.sentence in own
    assert found.sentence.removeprefix(found.sweat.sentence) in own
    assert "points of load (% of wax)" in own
    for note in found.notes:
        assert note in own
    alts = [p["alt"] for p in page.all("img")]
    seen = next(alt for alt in alts if alt.startswith("Sweat seen and expected"))
    assert all(f"pot {pot}" in seen for pot in found.sweat.pots["pot"])
    moved = next(alt for alt in alts if alt.startswith("Highest safe loads without each pot"))
    for row in found.table.dropna(subset=["change_pct"]).itertuples():
        assert f"{row.pot}, {row.blend} {row.change_pct:.1f}" in moved


@pytest.mark.usefixtures("quick")
def test_invented_data_are_marked_and_measured_data_are_not(analysis, page):
    assert "Invented demonstration data: no evidence" in page.text
    real = dataclasses.replace(analysis.series, invented=False)
    text = report_html(dataclasses.replace(analysis, series=real))
    assert "Invented" not in Page(text).text


@pytest.mark.usefixtures("quick")
def test_hostile_text_stays_text(analysis):
    series = analysis.series
    pours = series.pours.copy()
    pours["note"] = pours["note"].astype(object)
    pours.loc[pours.index[0], "note"] = HOSTILE
    nasty = dataclasses.replace(series, title=HOSTILE, fragrance=HOSTILE, pours=pours)
    text = report_html(dataclasses.replace(analysis, series=nasty))
    page = Page(text)
    assert not page.all("script")
    assert len(page.all("img")) == 4 + 5 * len(analysis.pick.table)
    assert page.text.count("{{ 7 * 7 }}") == 4
    assert not any("onerror" in attrs for _, attrs in page.tags)


@pytest.mark.usefixtures("quick")
def test_a_series_without_throw_or_frost_says_so(analysis):
    refused = dict(throw=None, frost=None)
    for what in ("throw", "frost"):
        refused[f"no_{what}"] = f"There is no fit of {what}, though 9 are stored: why:"
    text = report_html(dataclasses.replace(analysis, **refused))
    words = Page(text).text
    for what in ("throw", "frost"):
        assert f"There is no fit of {what}, though " in words


@pytest.mark.usefixtures("quick")
def test_a_series_whose_throw_nobody_scored_says_so(series):
    none = analyse(dataclasses.replace(series, throws=series.throws.iloc[:0]), draws=300)
    assert Page(report_html(none)).text.count("Not fitted: nothing was scored.") == 1


def test_the_report_is_small_and_the_same_again(analysis, html):
    assert report_html(analysis) == html
    assert len(html.encode()) < 2_000_000


def test_a_report_is_written_whole(analysis, html, tmp_path, monkeypatch):
    monkeypatch.setattr(report, "report_html", lambda _: html)
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
        write_page("new", path, "the report")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_a_missing_folder_is_named(analysis, tmp_path):
    with pytest.raises(FileNotFoundError) as error:
        write_report(analysis, tmp_path / "nowhere" / "report.html")
    assert str(error.value) == (
        f"{tmp_path / 'nowhere'}: no such folder for the report; make the folder or give "
        "another path"
    )


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
    assert in_words(pictures.plot(found.pick)).startswith("No load is recommended. ")
    lowest = found.ceiling.table["lowest_tested_pct"].iloc[0]
    assert ceiling_table(found.ceiling).rows[0][4] == f"below {lowest:.1f}"


def test_the_limit_in_the_table_is_named_as_everywhere(analysis):
    headings = pick_table(analysis).headings
    assert "Wax maker’s limit, % of wax" in headings
    assert not any("aper" in h for h in headings)


def test_a_pick_below_the_ceiling_is_not_said_to_be_held_by_it(analysis):
    for row in analysis.pick.table.to_dict("records"):
        assert row["load_pct"] < row["ceiling_load_pct"] - 0.2
        assert "held by" not in row["reason"]
        assert row["reason"].startswith(
            f"More than {row['load_pct']:.1f} % adds less than half a point of hot throw (chance ")
        assert "as high as" not in row["reason"]
        assert f"Highest safe load: {row['ceiling_load_pct']:.1f} %. " in (
            analysis.pick.sentences[row["blend"]])


def test_what_the_answer_rests_on_stands_before_the_blends(analysis, html):
    start = Page(html.split('id="compared"')[0]).text
    assert "Not recorded" not in start and "100.1 g under 100 g" in start
    assert "What the answer rests on" in start and "heat-cycled (3 x 12 h at 38 °C)" in start
    warnings = ["room temperature only: not tested in heat", *analysis.rests.table["warning"][1:]]
    table = analysis.rests.table.assign(warning=warnings)
    worst = dataclasses.replace(analysis.rests, table=table)
    found = dataclasses.replace(analysis, pick=dataclasses.replace(analysis.pick, rests=worst))
    assert answers.headline(found)["warning"].startswith(
        "Room temperature only: not tested in heat")


def test_what_is_counted_as_a_look_is_said(analysis):
    check = diagnose(analysis, draws=100).sweat
    pours = check.pours["pour"].nunique()
    assert len(check.pours) == 2 * pours
    known = check.pours.assign(odd=False, chance=1.0 / len(check.pours))
    words = dataclasses.replace(check, pours=known).sentence
    assert words.startswith(
        f"0 of {2 * pours} inspections of a test batch at room temperature or heat-cycled "
        f"({pours} pours) lie outside the 90 % range of what the fit expects (about 1 would by "
        f"chance, not {0.2 * pours:.0f}: grades are whole numbers, so a range that has to hold "
        "90 % holds more); "
    )
    one = check.pours[check.pours["stress"] == "rest"].assign(odd=False, chance=0.1)
    words = dataclasses.replace(check, pours=one).sentence
    assert words.startswith(f"0 of {pours} pours lie outside") and "not " not in words[:120]


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
    assert [row[0] for row in view.rows] == ["5.90 to 6.00", "6.30", "8.00"]
    content = rows["content_pct"].tolist()
    assert view.rows[0][1] == f"{content[0]:.2f} to {content[1]:.2f}"
    assert view.rows[0][3] == table(rows.iloc[1:2]).rows[0][3]
    assert "with the numbers of the highest" in view.caption
    apart = table(rows.iloc[2:])
    assert apart.caption == "Trade-off at the tested loads"


@pytest.mark.usefixtures("quick")
def test_small_words_of_a_series_without_currency_or_fragrance(analysis):
    bare = dataclasses.replace(analysis.series, fragrance="", currency="")
    bare = dataclasses.replace(analysis, series=bare)
    assert pick_table(bare).headings[-1] == "Cost a piece"
    text = Page(report_html(bare)).text
    assert "Fragrance: ." not in text and "The fragrance is not on record." in text
    assert "answered, but" not in text


def test_a_table_that_scrolls_has_a_cue(page, html):
    wide = [a for tag, a in page.tags if "wide" in a.get("class", "").split()]
    assert sum("columns" in a["class"].split() for a in wide) >= 6
    assert "Swipe sideways" in html and "no-repeat local" in html

"""What is drawn are the numbers of the result, inside the tested loads, told apart without hue."""

import dataclasses
import html
import re

import numpy as np
import pandas as pd
import pytest

from scentlab.fitting.longevity import fit_longevity
from scentlab.fitting.sweat import sweat_risk
from scentlab.fitting.throw import throw_curve
from scentlab.sharing import figures
from scentlab.sharing.pictures import plot
from scentlab.units import Shown, showing

ALL = ("pick", "sweat", "frost", "throw")


@pytest.fixture(scope="module")
def blend(analysis):
    return analysis.pick.table["blend"].iloc[0]


@pytest.fixture
def panels(monkeypatch):
    """The panels that are drawn, in the numbers of the results."""
    drawn, draw = [], figures.figure

    def figure(title, places, panels, *more, **options):
        drawn.extend(panels)
        return draw(title, places, panels, *more, **options)

    monkeypatch.setattr(figures, "figure", figure)
    return drawn


def test_the_tradeoff_draws_the_numbers_of_the_fits(analysis, blend, panels):
    plot(analysis, blend)
    rules, throw, risk = analysis.rules, panels[0].curve, panels[1].curve
    expected = sweat_risk(analysis.sweat, blend, risk["x"], rules.limit_grade, rules.stress)
    np.testing.assert_array_equal(risk[["y", "lower", "upper"]],
                                  expected[["risk", "lower", "upper"]])
    expected = throw_curve(analysis.throw, blend, throw["x"])
    np.testing.assert_array_equal(throw[["y", "lower", "upper"]],
                                  expected[["throw", "lower", "upper"]])
    assert panels[1].rule == rules.risk


def test_a_fit_alone_draws_the_same_curve_with_what_was_seen(analysis, blend, panels):
    plot(analysis, blend)
    plot(analysis.sweat, blend, limit_grade=2, risk=0.05)
    plot(analysis.throw, blend)
    pd.testing.assert_frame_equal(panels[3].curve, panels[1].curve)
    pd.testing.assert_frame_equal(panels[4].curve, panels[0].curve)
    counts = analysis.sweat.counts
    counts = counts[(counts["blend"] == blend) & (counts["stress"] == analysis.sweat.stresses[-1])]
    over = counts[["g2", "g3", "g4"]].sum(axis=1) / counts["n"]
    assert sorted(p[1] for p in panels[3].points) == sorted(over)
    means = analysis.throw.points.query("blend == @blend")
    assert sorted(p[1] for p in panels[4].points) == sorted(means["throw"])


def test_frost_is_drawn_by_its_own_grade(analysis, blend, panels):
    plot(analysis.frost, blend, limit_grade=3)
    assert panels[0].label == "risk of frost grade 3 or more"
    own = analysis.frost.counts.query("blend == @blend")
    share = own[["g3", "g4"]].sum(axis=1) / own["n"]
    assert [p[1] for p in panels[0].points] == list(share)


def test_no_curve_leaves_the_tested_loads(analysis, panels):
    for name in analysis.series.blends["blend"]:
        panels.clear()
        for result in (analysis, analysis.sweat, analysis.throw, analysis.frost):
            plot(result, name)
        loads = analysis.series.pours.query("blend == @name")["load_pct"]
        curves = [p.curve["x"] for p in panels if p.curve is not None]
        assert len(curves) == 5
        assert all(x.min() >= loads.min() and x.max() <= loads.max() for x in curves)


def test_a_mark_outside_the_tested_loads_is_not_drawn(analysis, blend):
    table = analysis.pick.table.assign(limit_load_pct=39.0)
    far = dataclasses.replace(analysis, pick=dataclasses.replace(analysis.pick, table=table))
    drawn = plot(far, blend).figures[0]
    assert [m["kind"] for m in drawn["marks"]] == [
        m["kind"] for m in plot(analysis, blend).figures[0]["marks"] if m["kind"] != "limit"]


def test_the_pick_is_a_row_for_each_blend_in_order(analysis):
    drawn = plot(analysis.pick).figures[0]
    table = analysis.pick.table
    assert [p["label"].split(":")[0] for p in drawn["panels"]] == list(table["blend"])
    for panel, row in zip(drawn["panels"], table.to_dict("records"), strict=True):
        assert f"use {row['load_pct']:.1f} %" in panel["label"]
        places = dict((kind, x) for x, kind in panel["marks"])
        assert panel["span"][0] < places["use"] <= places["safe"] + 0.1 < panel["span"][1]


def test_the_pick_needs_no_measures(analysis):
    """As it is while a slider moves: loads tested alone."""
    bare = analysis.pick.tradeoff[["blend", "load_pct", "content_pct"]]
    pick = dataclasses.replace(analysis.pick, tradeoff=bare)
    assert repr(plot(pick)) == repr(plot(analysis.pick))
    none = dataclasses.replace(pick, tradeoff=bare.iloc[:0])
    assert "<svg" in plot(none)._repr_html_()


def test_where_none_qualifies_it_is_said(analysis):
    table = analysis.pick.table.assign(load_pct=np.nan, ceiling_load_pct=np.nan)
    pick = dataclasses.replace(analysis.pick, table=table)
    assert repr(plot(pick)).count("no load qualifies") == len(table)


def test_marks_differ_without_hue():
    """Line styles of the style sheet, which draws in grey too."""
    from scentlab.sharing.pages import draw

    css = draw("picture.html.j2", figures=[figures.figure("t", [4.0, 14.0], [])])
    dashes = [re.search(rf"\.{kind}\.mark {{[^}}]*?(?:stroke-dasharray: ([^;}}]*))?;? }}", css)[1]
              for kind in ("use", "safe", "limit")]
    assert len(set(dashes)) == 3 and dashes[0] is None


def test_a_result_is_not_changed(analysis):
    before = {name: getattr(analysis, name).table.copy() for name in ALL}
    for name in ALL:
        plot(getattr(analysis, name))
        pd.testing.assert_frame_equal(getattr(analysis, name).table, before[name])


def test_a_notebook_shows_it(analysis, blend):
    picture = plot(analysis)
    page = picture._repr_html_()
    assert page.count("<svg") == page.count("</svg>") == len(analysis.pick.table)
    assert page == plot(analysis)._repr_html_() and "http" not in page
    assert f"<figcaption>{html.escape(blend)}: " in page


def test_who_cannot_see_it_hears_its_numbers(analysis, blend):
    words = repr(plot(analysis, blend))
    row = analysis.pick.table.iloc[0]
    assert f"recommended {row['load_pct']:.1f} %" in words
    assert html.escape(words.split(". ")[0]) in plot(analysis, blend)._repr_html_()


def test_what_a_person_wrote_is_escaped(analysis):
    table = analysis.pick.table.assign(blend="<script>")
    tradeoff = analysis.pick.tradeoff.assign(blend="<script>")
    pick = dataclasses.replace(analysis.pick, table=table.iloc[:1], tradeoff=tradeoff)
    page = plot(pick)._repr_html_()
    assert "<script" not in page and "&lt;script&gt;" in page


class TestWarmer:
    def test_throw_keeps_to_the_hours_tested(self, analysis, panels):
        life = analysis.longevity.throw_life
        drawn = plot(life, "soft").figures[0]
        assert (panels[0].curve["x"].min(), panels[0].curve["x"].max()) == (1.0, 12.0)
        assert drawn["axis"] == "time on the warmer, h"
        assert drawn["title"] == "soft: throw on the warmer at 10.0 % (1.6 oz/lb)"
        expected = life.curve(life.blends.index("soft"), panels[0].curve["x"])
        np.testing.assert_array_equal(panels[0].curve["y"], expected["throw"])

    def test_all_blends_are_drawn(self, series):
        rows = series.warmings[series.warmings["hours"] <= 4]
        life = fit_longevity(rows, draws=300).throw_life
        assert len(plot(life).figures) == len(life.blends) == 3


class TestCheck:
    def test_seen_against_expected(self, diagnosis, panels):
        plot(diagnosis.sweat)
        pours = diagnosis.sweat.table
        assert sorted(p[:2] for p in panels[0].points) == sorted(
            zip(pours["expected"], pours["seen"], strict=True))
        assert [p[2] for p in panels[0].points].count("over") == pours["odd"].sum()


def test_a_thing_without_a_picture_is_refused(analysis):
    with pytest.raises(TypeError) as error:
        plot([1, 2])
    assert str(error.value) == (
        "there is no picture of a list; plot takes one of Analysis, SweatFit, ThrowFit, FrostFit, "
        "ThrowLife, Pick, SweatCheck"
    )


def test_an_unknown_blend_is_refused(analysis):
    with pytest.raises(ValueError, match=r"^blend 'tallow' is not in this result; it has "):
        plot(analysis.sweat, "tallow")


def test_a_figure_and_its_words_are_in_the_makers_unit(analysis, blend):
    """16 oz to the lb: a load of 6.25 % of wax is 1 oz/lb."""
    grams = plot(analysis, blend).figure()
    with showing(Shown("oz")):
        pictures = plot(analysis, blend), plot(analysis.pick)
        ounces = pictures[0].figure(), pictures[1].figure()
    assert grams.axes[-1].get_xlabel() == "load, % of wax"
    for picture, figure in zip(pictures, ounces, strict=True):
        ax = figure.axes[-1]
        assert ax.get_xlabel() == "load, oz of fragrance per lb of wax"
        said = [float(t.get_text()) for t in ax.get_xticklabels()]
        np.testing.assert_allclose(said, np.asarray(ax.get_xticks()) * 0.16, atol=1e-6)
        assert len(said) > 2 and all(v == round(v, 2) for v in said)
        assert "% of wax" not in repr(picture)
    labels = [line.get_label() for line in ounces[0].axes[0].lines]
    assert any(re.fullmatch(r"recommended [\d.]+ oz/lb", label) for label in labels)
    ends = plot(analysis, blend).figures[0]["data"]["panels"][1].curve["x"].iloc[[0, -1]]
    assert all(f" at {0.16 * load:.1f}" in repr(pictures[0]) for load in ends)


def test_templates_are_read_once_for_each_unit(analysis, blend):
    from scentlab.sharing import pages

    picture = plot(analysis, blend)
    grams = picture._repr_html_()
    with showing(Shown("oz")):
        ounces = picture._repr_html_()
    before = pages._environment.cache_info().misses
    assert picture._repr_html_() == grams != ounces
    assert pages._environment.cache_info().misses == before


def test_the_figure_of_matplotlib_draws_the_same_numbers(analysis, blend, panels):
    picture = plot(analysis, blend)
    axes = picture.figure().axes
    assert len(axes) == len(panels) == 3
    for ax, panel in zip(axes, panels, strict=True):
        if panel.curve is not None:
            x, y = ax.lines[0].get_data()
            np.testing.assert_array_equal(x, panel.curve["x"])
            np.testing.assert_array_equal(y, panel.curve["y"])
    row = analysis.pick.table.set_index("blend").loc[blend]
    upright = {line.get_xdata()[0] for line in axes[2].lines if line.get_label()[:3] == "rec"}
    assert upright == {row["load_pct"]}
    assert picture.figure()._repr_png_()[:4] == b"\x89PNG"

"""What is drawn are the numbers of the result, inside the tested loads, told apart thrice."""

import dataclasses
import sys

import matplotlib
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from scentlab.fitting.sweat import sweat_risk
from scentlab.fitting.throw import throw_curve
from scentlab.sharing import pictures
from scentlab.sharing.pictures import drawing, over_load, tradeoff
from scentlab.units import content_from_load

ALL = ("pick", "ceiling", "sweat", "frost", "throw")


@pytest.fixture(scope="module")
def blend(analysis):
    return analysis.pick.table["blend"].iloc[0]


def labelled(ax, words):
    return next(line for line in ax.lines if str(line.get_label()).startswith(words))


def curves(ax):
    """Lines with enough points to be a curve."""
    return [line for line in ax.lines if len(line.get_xdata()) == drawing.STEPS]


def test_the_tradeoff_draws_the_numbers_of_the_fits(analysis, blend):
    upper, lower = pictures.plot(analysis, blend=blend).child_axes
    rules = analysis.rules
    risk = labelled(lower, "sweat risk")
    expected = sweat_risk(
        analysis.sweat, blend, risk.get_xdata(), limit_grade=rules.limit_grade, stress=rules.stress
    )
    np.testing.assert_array_equal(risk.get_ydata(), expected["risk"])
    throw = labelled(upper, "throw")
    expected = throw_curve(analysis.throw, blend, throw.get_xdata())
    np.testing.assert_array_equal(throw.get_ydata(), expected["throw"])


def test_a_curve_that_is_known_is_drawn_as_it_is(analysis, blend):
    curve = tradeoff.sweat_curve(analysis, blend)
    shifted = curve.assign(risk=curve["risk"] / 2)
    lower = tradeoff.draw_tradeoff(analysis, blend, curve=shifted).child_axes[1]
    np.testing.assert_array_equal(labelled(lower, "sweat risk").get_ydata(), shifted["risk"])
    stress = analysis.ceiling.stress
    ax = over_load.draw_sweat(analysis.sweat, blend, stress=stress, curve=shifted)
    np.testing.assert_array_equal(labelled(ax, "risk,").get_ydata(), shifted["risk"])
    ax = over_load.draw_sweat(analysis.sweat, blend, stress=stress)
    np.testing.assert_array_equal(labelled(ax, "risk,").get_ydata(), curve["risk"])


def test_the_band_is_the_interval(analysis, blend):
    ax = pictures.plot(analysis.throw, blend=blend)
    corners = ax.collections[0].get_paths()[0].vertices
    loads = drawing.grid(drawing.tested_loads(analysis.throw.points, blend))
    frame = throw_curve(analysis.throw, blend, loads)
    drawn = {(round(x, 9), round(y, 9)) for x, y in corners}
    for side in ("lower", "upper"):
        edge = zip(loads, frame[side], strict=True)
        assert {(round(x, 9), round(y, 9)) for x, y in edge} <= drawn


def test_the_pick_and_the_ceiling_stand_at_the_numbers_of_the_tables(analysis, blend):
    upper, lower = pictures.plot(analysis, blend=blend).child_axes
    row = analysis.pick.table.set_index("blend").loc[blend]
    upright = [
        line.get_xdata()[0] for line in lower.lines if len(set(line.get_xdata())) == 1
        and len(line.get_xdata()) == 2
    ]
    assert row["load_pct"] in upright
    assert row["ceiling_load_pct"] in upright
    diamond = next(line for line in lower.lines if line.get_marker() == "D")
    assert diamond.get_xydata().tolist() == [[row["load_pct"], row["sweat_risk"]]]
    diamond = next(line for line in upper.lines if line.get_marker() == "D")
    assert diamond.get_xydata().tolist() == [[row["load_pct"], row["throw"]]]


@pytest.mark.parametrize("name", ("sweat", "frost"))
def test_each_pour_is_a_point_with_its_share_and_its_pieces(analysis, blend, name):
    fit = getattr(analysis, name)
    ax = pictures.plot(fit, blend=blend, limit_grade=2)
    points = ax.collections[-1]
    seen = fit.counts[fit.counts["blend"] == blend]
    if name == "sweat":
        seen = seen[seen["stress"] == fit.stresses[-1]]
    share = (seen["g2"] + seen["g3"] + seen["g4"]) / seen["n"]
    np.testing.assert_allclose(points.get_offsets()[:, 0], seen["load_pct"])
    np.testing.assert_allclose(points.get_offsets()[:, 1], share)
    assert len(set(points.get_sizes())) == seen["n"].nunique()


def test_each_assessor_has_a_marker_of_their_own_at_their_scores(analysis, blend):
    points = analysis.throw.points[analysis.throw.points["blend"] == blend]
    ax = pictures.plot(analysis.throw, blend=blend)
    drawn = [line for line in ax.lines if str(line.get_label()).startswith("mean of ")]
    assert len({line.get_marker() for line in drawn}) == points["assessor"].nunique()
    for line in drawn:
        own = points[points["assessor"] == line.get_label().removeprefix("mean of ")]
        np.testing.assert_array_equal(line.get_ydata(), own["throw"])


def test_no_curve_leaves_the_tested_loads(analysis):
    for name in analysis.series.blends["blend"]:
        loads = analysis.series.pours.query("blend == @name")["load_pct"]
        panels = list(pictures.plot(analysis, blend=name).child_axes)
        fits = (analysis.sweat, analysis.throw, analysis.frost)
        panels += [pictures.plot(fit, blend=name) for fit in fits]
        for panel in panels:
            assert curves(panel)
            for line in curves(panel):
                assert line.get_xdata().min() >= loads.min()
                assert line.get_xdata().max() <= loads.max()


def test_a_mark_outside_the_tested_loads_is_not_drawn(analysis, blend):
    far = analysis.series.blends.assign(limit_load_pct=39.0)
    elsewhere = dataclasses.replace(
        analysis, series=dataclasses.replace(analysis.series, blends=far)
    )
    lower = pictures.plot(elsewhere, blend=blend).child_axes[1]
    loads = drawing.tested_loads(analysis.series.pours, blend)
    assert lower.get_xlim()[1] < 1.1 * loads.max()
    assert all(np.max(line.get_xdata()) <= loads.max() for line in curves(lower))
    words = [t.get_text() for t in lower.get_legend().get_texts()]
    assert not any("39.0" in w for w in words)


@pytest.mark.parametrize("name", ALL)
def test_both_bases_stand_at_the_load_axis(analysis, name):
    ax = pictures.plot(getattr(analysis, name))
    assert ax.get_xlabel() == "load, % of wax\n(content, % of total)"
    ax.figure.draw_without_rendering()
    ticks = [t.get_text().split("\n") for t in ax.get_xticklabels() if t.get_text()]
    assert ticks
    for load, content in ticks:
        assert content == f"({content_from_load(float(load)):.1f})"


@pytest.mark.parametrize("name", ("sweat", "frost"))
def test_the_legend_ties_each_blend_to_its_marker(analysis, name):
    ax = pictures.plot(getattr(analysis, name))
    lines = curves(ax)
    assert len({line.get_marker() for line in lines}) == len(lines)
    assert [t.get_text() for t in ax.get_legend().get_texts()][: len(lines)] == [
        line.get_label() for line in lines
    ]


@pytest.mark.parametrize("name", ("sweat", "throw", "frost"))
def test_blends_differ_without_hue(analysis, name):
    lines = curves(pictures.plot(getattr(analysis, name)))
    assert len({str(line.get_linestyle()) for line in lines}) == len(lines)


def test_the_hues_of_neighbours_differ_in_grey():
    # Relative luminance of WCAG 2.1; grey alone need not do, line style and marker do the rest.
    def luminance(hue):
        rgb = np.array(matplotlib.colors.to_rgb(hue))
        linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        return linear @ [0.2126, 0.7152, 0.0722]

    assert all((1.05 / (luminance(hue) + 0.05)) > 3 for hue, _, _ in drawing.LOOKS[:4])
    looks = [(str(line), marker) for _, line, marker in drawing.LOOKS]
    assert len({line for line, _ in looks}) == len({marker for _, marker in looks}) == len(looks)


def test_a_result_is_not_changed_and_nothing_global_is_touched(analysis):
    before = {name: getattr(analysis, name).table.copy() for name in ALL}
    settings = dict(matplotlib.rcParams)
    for name in ALL:
        pictures.plot(getattr(analysis, name))
        pd.testing.assert_frame_equal(getattr(analysis, name).table, before[name])
    assert dict(matplotlib.rcParams) == settings
    if "matplotlib.pyplot" in sys.modules:
        assert sys.modules["matplotlib.pyplot"].get_fignums() == []


def test_a_given_axes_is_drawn_into_and_returned(analysis):
    ax = Figure().add_subplot()
    assert pictures.plot(analysis.pick, ax=ax) is ax
    assert ax.get_title(loc="left").startswith("The load recommended")


def test_a_notebook_shows_the_picture(analysis):
    assert pictures.plot(analysis.pick)._repr_png_().startswith(b"\x89PNG")


def test_a_picture_is_the_same_every_time_and_names_no_web_page_but_the_format(analysis):
    first = drawing.picture(pictures.plot(analysis.ceiling))
    assert first == drawing.picture(pictures.plot(analysis.ceiling))
    assert b"matplotlib.org" not in first


def test_a_thing_without_a_picture_is_refused(analysis):
    with pytest.raises(TypeError) as error:
        pictures.plot([1, 2])
    assert str(error.value) == (
        "there is no picture of a list; plot takes one of Analysis, SweatFit, SweatCheck, "
        "FrostFit, ThrowLife, Longevity, ThrowFit, Ceiling, Pick, Diagnosis, "
        "Precision, PooledSeries"
    )


def test_an_unknown_blend_is_refused(analysis):
    with pytest.raises(ValueError, match=r"^blend 'tallow' is not in this result; it has "):
        pictures.plot(analysis.sweat, blend="tallow")

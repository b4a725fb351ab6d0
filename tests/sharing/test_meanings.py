"""Every row of every fit's table is told in plain words, and what a fit does not give is said."""

import dataclasses
import html as entities
import re

import numpy as np
import pytest

from scentlab.fitting import throw_life, throw_model, weight_loss
from scentlab.fitting.sweat import sweat_risk
from scentlab.maths.curves import SHAPES, scaled
from scentlab.sharing.meanings import _FROST, kind_of_row, row_meanings, shape_meaning
from scentlab.sharing.tables import fit_table, shape_table


def _fits(analysis):
    found = (analysis.sweat, analysis.frost, analysis.throw, *analysis.longevity.fits)
    return [f for f in found if f is not None]


def test_only_the_waxes_of_frost_are_told_by_their_names_alone(analysis):
    told = [p for f in _fits(analysis) for p in f.table["parameter"] if kind_of_row(p) == _FROST]
    assert told == list(analysis.frost.waxes)


def test_each_source_of_spread_has_a_meaning_of_its_own():
    sources = {**throw_model.SOURCES, **throw_life.SOURCES, **weight_loss.SOURCES}
    assert not [s for s in sources.values() if kind_of_row(f"sd {s}") == _FROST]
    names = {kind_of_row(f"sd {s}")[0] for s in throw_model.SOURCES.values()}
    assert len(names) == len(throw_model.SOURCES)


@pytest.mark.parametrize("row, name", [
    ("capacity of soft by bleed", "capacity by bleed"), ("capacity of soft", "capacity"),
    ("bleed below it, soft", "bleed below it"), ("rise beyond it, soft", "rise beyond it"),
    ("capacity lost as the age doubles", "capacity lost as the age doubles"),
    ("sd of a pour", "sd of a pour"), ("per doubling of age", "per point, doubling or 5 °C"),
])
def test_rows_of_bleed_and_of_age_are_known(row, name):
    assert kind_of_row(row)[0] == name


def test_a_meaning_names_the_stress_and_the_loads_of_its_fit(analysis):
    words = dict(row_meanings(analysis.sweat))
    assert "pot, at room temperature, show any sweat" in words["capacity"]
    heated = dataclasses.replace(analysis.sweat, stresses=("heat",))
    assert "pot, heat-cycled, show any sweat" in dict(row_meanings(heated))["capacity"]
    gain = dict(row_meanings(analysis.throw))["gain to the highest"]
    fit = analysis.throw
    assert f"from {fit.lowest_pct:.1f} to {fit.highest_pct:.1f} % of wax" in gain
    assert "sd" not in words or words["sd"].startswith("A standard deviation")


def test_times_its_spread_a_threshold_is_points_of_load_above_the_capacity(analysis):
    """At the capacity plus spread x threshold half of the pieces of a typical pot reach the grade,
    by the fit's own risk with pots all alike; a few per cent go to links and misread grades."""
    fit = analysis.sweat
    named = fit.named
    first, _ = fit.layout["sigma"]
    draws = fit.draws.copy()
    draws[:, first] = -20.0
    alike = dataclasses.replace(fit, draws=draws)
    middle = np.average(
        named["capacity"][:, 0] + named["spread"][:, 0] * named["tau"][:, 1], weights=fit.weights
    )
    risk = sweat_risk(alike, fit.blends[0], [middle], 2, fit.stresses[0])["risk"].iloc[0]
    assert risk == pytest.approx(0.5, abs=0.05)


def test_a_limit_that_a_fit_does_not_give_is_said(analysis):
    view = fit_table(analysis.throw.table)
    rows = {row[0]: row for row in view.rows}
    assert rows["sd of a single score"][2] == "not given"
    pots = {row[0]: row for row in fit_table(analysis.sweat.table).rows}["sd between pots"]
    assert "not given" not in pots and float(pots[3]) < float(pots[1]) < float(pots[4])


def test_the_shapes_of_throw_stand_in_the_report_heaviest_first(analysis, html):
    view = shape_table(analysis.throw)
    weights = analysis.throw.shapes["weight"].sort_values(ascending=False)
    assert [row[1] for row in view.rows] == [
        "under 1 %" if w < 0.01 else f"{100 * w:.0f} %" for w in weights
    ]
    assert weights.iloc[-1] < 0.01
    best = analysis.throw.shapes.sort_values("weight").iloc[-1]
    assert view.rows[0][0] == best["shape"]
    by_name = {row[0]: row for row in view.rows}
    assert by_name["linear"][2:4] == ("none", "–")
    power = analysis.throw.shapes.set_index("shape").loc["power"]
    assert np.isnan(power["bend_lower"])
    assert by_name["power"][3] == f"open to {power['bend_upper']:.2f}"
    assert f"<caption>{view.caption}</caption>" in html


def test_what_is_said_of_a_shape_is_so():
    """By the curves themselves: what each further point, or each doubling, adds."""
    steps = np.diff(scaled(SHAPES["linear"], [4, 5, 6, 7], None, 4, 16))
    assert steps == pytest.approx(steps[0])
    steps = np.diff(scaled(SHAPES["logarithmic"], [4, 8, 16], None, 4, 16))
    assert steps == pytest.approx(steps[0])
    for bend, more in ((0.3, False), (2.0, True)):
        steps = np.diff(scaled(SHAPES["power"], [4, 8, 12], bend, 4, 16))
        assert (steps[1] > steps[0]) is np.bool_(more)
    assert SHAPES["emax"].curve(6.0, 6.0) == 0.5
    assert all(shape_meaning(name) for name in SHAPES)


def test_the_report_says_what_the_rows_of_each_fit_mean(analysis, html):
    plain = re.sub(r"\s+", " ", entities.unescape(re.sub(r"<[^>]+>", " ", html)))
    for fit in _fits(analysis):
        for name, words in row_meanings(fit):
            assert f"{name} {words}" in plain
    assert row_meanings(analysis.ceiling) == []

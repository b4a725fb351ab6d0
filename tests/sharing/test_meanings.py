"""Every row of every fit's table has plain words, and what a fit does not give is said."""

import dataclasses
import html as entities
import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scentlab.fitting import throw_life, throw_model
from scentlab.fitting.sweat import sweat_risk
from scentlab.maths.curves import SHAPES, scaled
from scentlab.words.rows import SHAPE_WORDS, meanings
from scentlab.words.tables import fit_table, shape_table


def _fits(analysis):
    found = (analysis.sweat, analysis.frost, analysis.throw, analysis.longevity.throw_life)
    return [f for f in found if f is not None]


def test_every_row_of_every_fit_has_a_name_and_a_meaning(analysis):
    for fit in _fits(analysis):
        found = dict(meanings(fit))
        assert all(len(meaning) > 20 for meaning in found.values())
        assert not [name for name in found if "capacity" in name or "assessor" in name]


def test_each_source_of_spread_has_a_meaning_of_its_own(analysis):
    own = {**throw_model.SOURCES}
    sds = pd.DataFrame({"source": list(own.values()), "sd": 1.0, "lower": 0.5, "upper": 2.0})
    found = dict(meanings(dataclasses.replace(analysis.throw, variances=sds)))
    assert sum(kind.startswith("sd ") for kind in found) == len(own) and all(found.values())
    sources, fit = dict(throw_life.SOURCES.values()), analysis.longevity.throw_life
    sds = pd.DataFrame({"source": list(sources), "sd": 1.0, "unit": "x"})
    assert all(dict(meanings(dataclasses.replace(fit, sds=sds))).values())


def test_rows_of_age_are_known():
    table = pd.DataFrame({"parameter": [
        "capacity of soft", "half-sweat load lost as the age doubles", "per doubling of age",
        "capacity of capacity of soft",
    ]}).assign(estimate=1.0, lower=0.5, upper=2.0, unit="% of wax")
    found = [said for _, said in meanings(SimpleNamespace(table=table, blends=("soft",)))]
    assert len(set(found)) == len(found) == len(table)
    assert found[-1] == ""  # a row without words gets none of another's


def test_a_meaning_names_the_stress_and_the_loads_of_its_fit(analysis):
    words = dict(meanings(analysis.sweat))
    assert "pot, at room temperature, show some sweat" in words["half-sweat load"]
    heated = dataclasses.replace(analysis.sweat, stresses=("heat",))
    assert "pot, heat-cycled, show some sweat" in dict(meanings(heated))["half-sweat load"]
    gain = dict(meanings(analysis.throw))["gain to the highest"]
    fit = analysis.throw
    assert f"from {fit.lowest_pct:.1f} to {fit.highest_pct:.1f} % of wax" in gain
    assert "sd" not in words or words["sd"].startswith("A standard deviation")


def test_times_its_spread_a_threshold_is_points_of_load_above_the_capacity(analysis):
    """At the capacity plus spread x threshold half of the pieces of a typical pot reach the grade,
    by the fit's own risk with pots all alike; a few per cent go to links and misread grades."""
    fit = analysis.sweat
    named = fit.named
    draws = fit.draws.copy()
    draws[:, fit.model.places["sigma"]] = -20.0
    alike = dataclasses.replace(fit, draws=draws)
    middle = np.average(
        named["capacity"][:, 0] + named["spread"][:, 0] * named["tau"][:, 1], weights=fit.weights
    )
    risk = sweat_risk(alike, fit.blends[0], [middle], 2, fit.stresses[0])["risk"].iloc[0]
    assert risk == pytest.approx(0.5, abs=0.05)


def test_a_limit_that_a_fit_does_not_give_is_said(analysis):
    view = fit_table(analysis.throw)
    rows = {row[0]: row for row in view.rows}
    assert rows["sd of a single score"][2] == "not given"
    pots = {row[0]: row for row in fit_table(analysis.sweat).rows}["sd between pots"]
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
    assert SHAPES["emax"].curve(6.0, 6.0, 0.0) == 0.5
    assert all(SHAPE_WORDS[name] for name in SHAPES)


def test_the_report_says_what_the_rows_of_each_fit_mean(analysis, html):
    plain = re.sub(r"\s+", " ", entities.unescape(re.sub(r"<[^>]+>", " ", html)))
    for fit in _fits(analysis):
        for name, words in meanings(fit):
            assert f"{name} {words}" in plain
    assert meanings(analysis.ceiling) == []


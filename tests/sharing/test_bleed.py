"""Bleed in what is shared: picture, report, package there and back, and what is held back."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.analysis import analyse
from scentlab.fitting.bleed import fit_bleed
from scentlab.sharing import pictures
from scentlab.sharing.opening import open_package
from scentlab.sharing.package import prepare_package
from scentlab.sharing.pictures import drawing
from scentlab.sharing.redaction import Choices
from scentlab.sharing.report import report_html
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth({"soft": BlendTruth(10.0), "hard": BlendTruth(12.0)})


@pytest.fixture(scope="module")
def weighed():
    layout = even_layout(
        list(TRUTH.blends), [5, 7, 9, 11, 13, 15], pots=2, sweat=3, bleed=1, limit_load_pct=20.0
    )
    layout.pieces["code"] = [f"{100 + i}" for i in range(len(layout.pieces))]
    return analyse(simulate_series(layout, TRUTH, 5))


def test_picture_of_one_blend_keeps_to_the_tested_loads(weighed):
    fit = weighed.bleed
    ax = pictures.plot(fit, blend="soft")
    loads = drawing.tested_loads(fit.points, "soft")
    curve = ax.lines[0].get_xdata()
    assert (curve.min(), curve.max()) == (loads.min(), loads.max())
    assert "mg" in ax.get_ylabel() and "24 h at 38 °C" in ax.get_ylabel()
    words = [t.get_text() for t in ax.get_legend().get_texts()]
    row = fit.joins.set_index("blend").loc["soft"]
    assert f"bleed begins {row['lower_pct']:.1f} to {row['upper_pct']:.1f} % of wax" in words


def test_picture_of_all_blends_names_them(weighed):
    words = [t.get_text() for t in pictures.plot(weighed.bleed).get_legend().get_texts()]
    assert {"soft", "hard"} <= set(words)


def test_an_open_side_has_an_arrow(weighed):
    bleeds = weighed.series.bleeds
    level = bleeds.assign(bleed_mg=4.0 + np.random.default_rng(2).normal(size=len(bleeds)))
    fit = fit_bleed(level, draws=50)
    assert np.isinf(fit.joins["upper_pct"]).all()
    assert ">" in [line.get_marker() for line in pictures.plot(fit, blend="soft").lines]


def test_the_report_has_bleed_and_both_together(weighed):
    html = report_html(weighed)
    assert "<h3>Bleed</h3>" in html and "<h3>Sweat and bleed</h3>" in html
    assert "bleed begins" in html and "by sweat and bleed together" in html


def test_a_report_without_bleed_says_nothing_of_it(html):
    assert "<h3>Bleed</h3>" not in html and "bleeds.csv" not in html


@pytest.mark.usefixtures("quick")
def test_the_package_goes_there_and_back(weighed, tmp_path):
    package = prepare_package(weighed)
    assert "bleeds.csv" in package.files
    opened = open_package(package.write(tmp_path / "bleed.zip"))
    assert opened.same
    there, here = opened.analysis.series.bleeds, weighed.series.bleeds
    assert there["assessor"].isna().all()
    pd.testing.assert_frame_equal(
        there.drop(columns="assessor"), here.drop(columns="assessor"), check_dtype=False
    )
    pd.testing.assert_frame_equal(opened.analysis.joint.table, package.analysis.joint.table)


def test_a_package_without_bleed_has_no_such_file(package):
    assert "bleeds.csv" not in package.files


@pytest.mark.usefixtures("quick")
def test_a_blend_left_out_takes_its_bleed_along(weighed):
    package = prepare_package(weighed, Choices(leave_out=("hard",)))
    assert set(package.analysis.series.bleeds["blend"]) == {"soft"}
    assert "hard" not in package.text("bleeds.csv")


@pytest.mark.usefixtures("quick")
def test_assessors_of_the_bleed_get_new_codes(weighed):
    bleeds = weighed.series.bleeds.assign(assessor="B7")
    series = dataclasses.replace(weighed.series, bleeds=bleeds)
    package = prepare_package(
        dataclasses.replace(weighed, series=series), Choices(renumber_assessors=True)
    )
    assert "B7" not in package.text("bleeds.csv")
    assert package.analysis.series.bleeds["assessor"].notna().all()

"""Curves of throw: certified fits, inverses, slopes.

DanWood and Misra1d: NIST Statistical Reference Datasets, certified values in the files.
Puromycin: Bates & Watts 1988 and *An Introduction to R* sec. 11.7.1, read. biom: Bretz, Pinheiro
& Branson 2005 from memory, digits computed in R.
"""

import re
from pathlib import Path

import numpy as np
import pytest

from scentlab.maths.curves import (
    SHAPES,
    best_bend,
    fit_curve,
    scaled,
    scaled_bend_slope,
    scaled_inverse,
)
from scentlab.results import FitError

REFERENCE = Path(__file__).parents[1] / "reference"
BENDS = {"linear": None, "logarithmic": None, "power": 0.6, "emax": 7.0}


def certified(name):
    """x, y and the file's certified parameters, standard errors and residual sum of squares."""
    text = (REFERENCE / f"{name}.dat").read_text()
    number = r"([-+.\dE]+)"
    lines = re.findall(rf"b\d =\s+{number}\s+{number}\s+{number}\s+{number}", text)
    values = np.array(lines, dtype=float)[:, 2:]
    rss = float(re.search(rf"Residual Sum of Squares:\s+{number}", text)[1])
    data = text.splitlines()[60:]
    y, x = np.array([line.split() for line in data if line.strip()], dtype=float).T
    return x, y, values[:, 0], values[:, 1], rss


class TestCertified:
    def test_power_law(self):
        x, y, values, errors, rss = certified("DanWood")
        fit = fit_curve(x, y, "power", intercept=False)
        assert [fit.coefficients[0], fit.bend] == pytest.approx(values, rel=1e-6)
        assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(errors, rel=1e-6)
        assert fit.rss == pytest.approx(rss, rel=1e-9)
        assert fit.df == 4 and not fit.at_edge

    def test_levelling_off(self):
        """y = b1 b2 x / (1 + b2 x): the load of half effect is 1 / b2."""
        x, y, values, errors, rss = certified("Misra1d")
        fit = fit_curve(x, y, "emax", intercept=False)
        assert [fit.coefficients[0], 1.0 / fit.bend] == pytest.approx(values, rel=1e-6)
        top, half = np.sqrt(np.diag(fit.covariance))
        assert [top, half / fit.bend**2] == pytest.approx(errors, rel=1e-5)
        assert fit.rss == pytest.approx(rss, rel=1e-9)


class TestPuromycin:
    @pytest.mark.parametrize(
        "state, values, errors, rss",
        [
            ("treated", [212.68370711, 0.06412123], [6.947, 0.008281], 1195.449),
            ("untreated", [160.28012, 0.04770831], [6.48025, 0.00778189], 859.60429),
        ],
    )
    def test_published(self, reference, state, values, errors, rss):
        frame = reference("puromycin")
        frame = frame[frame["state"] == state]
        fit = fit_curve(frame["conc"], frame["rate"], "emax", intercept=False)
        assert [fit.coefficients[0], fit.bend] == pytest.approx(values, rel=1e-5)
        assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(errors, rel=1e-4)
        assert fit.rss == pytest.approx(rss, abs=5e-4)

    def test_profile_limits(self, reference):
        """95 % profile-t limits of the load of half effect, computed in R (by a spline)."""
        frame = reference("puromycin")
        frame = frame[frame["state"] == "treated"]
        fit = fit_curve(frame["conc"], frame["rate"], "emax", intercept=False)
        assert [fit.bend_lower, fit.bend_upper] == pytest.approx([0.0469252, 0.0861600], rel=3e-4)

    def test_printed_scatter_and_correlation(self, reference):
        frame = reference("puromycin")
        frame = frame[frame["state"] == "treated"]
        fit = fit_curve(frame["conc"], frame["rate"], "emax", intercept=False)
        assert np.sqrt(fit.rss / fit.df) == pytest.approx(10.93, abs=5e-3)
        top, half = np.sqrt(np.diag(fit.covariance))
        assert fit.covariance[0, 1] / top / half == pytest.approx(0.7651, abs=5e-5)


def test_emax_with_intercept_on_noisy_data(reference):
    frame = reference("biom")
    fit = fit_curve(frame["x"], frame["y"], "emax")
    assert [*fit.coefficients, fit.bend] == pytest.approx([0.322, 0.746, 0.142], abs=5e-4)
    assert fit.rss == pytest.approx(48.360136, rel=1e-7)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.1521, 0.2358, 0.1805], rel=1e-3)
    # The profile has a lower limit and no upper one. confint of nls draws a spline through few
    # points and says 0.0307, where the profile t is 1.39; the limit is where it is t(97), 1.985.
    g = frame["x"] / (fit.bend_lower + frame["x"])
    left = np.column_stack([np.ones(100), g])
    rss = np.sum((frame["y"] - left @ np.linalg.lstsq(left, frame["y"], rcond=None)[0]) ** 2)
    assert np.sqrt((rss - 48.360136) / (48.360136 / 97)) == pytest.approx(1.98472, abs=1e-4)
    assert fit.bend_lower < fit.bend
    assert np.isnan(fit.bend_upper) and not fit.at_edge
    line = fit_curve(frame["x"], frame["y"], "linear")
    assert np.isnan([line.bend_lower, line.bend_upper]).all()
    assert line.rss == pytest.approx(50.01282, rel=1e-7)


@pytest.mark.parametrize("name", SHAPES)
class TestShapes:
    def test_from_nothing_to_the_whole_rise(self, name):
        assert scaled(SHAPES[name], [4.0, 15.0], BENDS[name], 4.0, 15.0) == pytest.approx([0, 1])
        inside = scaled(SHAPES[name], np.linspace(4, 15, 50), BENDS[name], 4.0, 15.0)
        assert np.all(np.diff(inside) > 0)

    def test_inverse(self, name):
        loads = np.linspace(4.0, 15.0, 12)
        share = scaled(SHAPES[name], loads, BENDS[name], 4.0, 15.0)
        back = scaled_inverse(SHAPES[name], share, BENDS[name], 4.0, 15.0)
        assert back == pytest.approx(loads, rel=1e-12)

    def test_units_of_the_load(self, name):
        """Loads times ten with a bend that follows give the same shares."""
        loads = np.array([5.0, 9.0, 13.0])
        bend = BENDS[name] if name != "emax" else 10 * BENDS[name]
        here = scaled(SHAPES[name], loads, BENDS[name], 4.0, 15.0)
        assert scaled(SHAPES[name], 10 * loads, bend, 40.0, 150.0) == pytest.approx(here)

    def test_slope_in_the_bend(self, name):
        shape, loads = SHAPES[name], np.array([4.0, 6.0, 9.0, 15.0])
        if shape.bends is None:
            pytest.skip("no bend")
        k, h = BENDS[name], 1e-6
        expected = (
            scaled(shape, loads, k + h, 4.0, 15.0) - scaled(shape, loads, k - h, 4.0, 15.0)
        ) / (2 * h)
        got = scaled_bend_slope(shape, loads, k, 4.0, 15.0)
        assert got == pytest.approx(expected, abs=1e-8)


def test_a_share_out_of_reach_has_no_load():
    """Emax with its half effect at 1: from 1 to 10 it rises from 1/2 to 10/11, so 11/9 of that
    rise is never passed. Half of it is reached at (31/44) / (13/44) = 31/13."""
    share = np.array([0.5, 1.0, 1.2, 1.3])
    got = scaled_inverse(SHAPES["emax"], share, 1.0, 1.0, 10.0)
    assert got[:2] == pytest.approx([31 / 13, 10.0], rel=1e-12)
    assert np.isnan(got[-1])


class TestBestBend:
    def test_finds_a_minimum_inside(self):
        bend, value, edge = best_bend(SHAPES["power"], lambda k: (k - 0.7) ** 2, 4.0, 15.0)
        assert bend == pytest.approx(0.7, abs=1e-6) and value < 1e-10 and not edge

    def test_says_when_it_ran_into_its_limit(self):
        bend, _, edge = best_bend(SHAPES["power"], lambda k: -k, 4.0, 15.0)
        assert edge and bend == pytest.approx(4.0, rel=1e-3)

    def test_a_shape_without_bend(self):
        assert best_bend(SHAPES["linear"], lambda k: 5.0, 4.0, 15.0) == (None, 5.0, False)


class TestNoAnswer:
    def test_unknown_shape(self):
        with pytest.raises(FitError) as error:
            fit_curve([1, 2, 3], [1, 2, 3], "cubic")
        assert str(error.value) == (
            "no curve is called 'cubic'; there are linear, logarithmic, power, emax"
        )

    def test_too_few_points(self):
        with pytest.raises(FitError) as error:
            fit_curve([1.0, 2.0, 3.0], [1.0, 2.0, 2.5], "emax")
        assert str(error.value) == "3 points cannot settle the 3 parameters of the emax curve"

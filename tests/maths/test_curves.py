"""Curves of throw: certified fits and what the shapes mean.

The shapes' own functions are fitted here by scipy's least squares to data with certified results.

DanWood and Misra1d: NIST Statistical Reference Datasets, certified values in the files.
Puromycin: Bates & Watts 1988 and *An Introduction to R* sec. 11.7.1, read. biom: Bretz, Pinheiro
& Branson 2005 from memory, digits computed in R.
"""

import re
from pathlib import Path

import numpy as np
import pytest
from scipy import optimize

from scentlab.maths.curves import SHAPES, bow, scaled

REFERENCE = Path(__file__).parents[1] / "reference"
BENDS = {
    "linear": None, "logarithmic": None, "power": 0.6, "emax": 7.0, "saturating": 3.0,
    "plateau": 9.0, "parabola": None, "turn": 9.0,
}  # fmt: skip
LEVEL = {"plateau"}


def fitted(shape, x, y, start):
    """Coefficient and bend of y = b g(x; bend), their standard errors and the residual squares."""
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)

    def rest(at):
        return y - at[0] * SHAPES[shape].curve(x, at[1], x.min())

    found = optimize.least_squares(rest, start, x_scale=start, xtol=1e-14, ftol=1e-14, gtol=1e-14)
    rss = 2.0 * found.cost
    covariance = np.linalg.inv(found.jac.T @ found.jac) * rss / (len(x) - 2)
    return found.x, np.sqrt(np.diag(covariance)), rss


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
        found, se, squares = fitted("power", x, y, [1.0, 3.0])
        assert found == pytest.approx(values, rel=1e-6)
        assert se == pytest.approx(errors, rel=1e-4)
        assert squares == pytest.approx(rss, rel=1e-8)

    def test_levelling_off(self):
        """y = b1 b2 x / (1 + b2 x): the load of half effect is 1 / b2."""
        x, y, values, errors, rss = certified("Misra1d")
        found, se, squares = fitted("emax", x, y, [450.0, 3000.0])
        assert [found[0], 1.0 / found[1]] == pytest.approx(values, rel=1e-5)
        assert [se[0], se[1] / found[1] ** 2] == pytest.approx(errors, rel=1e-3)
        assert squares == pytest.approx(rss, rel=1e-7)

    def test_saturating(self):
        """y = b1 (1 - exp(-b2 x)): the bend is 1 / b2, the curve b1 above its start at 0."""
        x, y, values, _, rss = certified("Misra1a")
        loads = np.append(0.0, x)

        def rest(at):
            rise = scaled(SHAPES["saturating"], loads, at[1], 0.0, x.max())[1:]
            return y - at[0] * rise

        found = optimize.least_squares(rest, [80.0, 2000.0], x_scale=[80.0, 2000.0], xtol=1e-14,
                                       ftol=1e-14, gtol=1e-14)  # fmt: skip
        top = found.x[0] / -np.expm1(-x.max() / found.x[1])
        assert [top, 1.0 / found.x[1]] == pytest.approx(values, rel=1e-5)
        assert 2.0 * found.cost == pytest.approx(rss, rel=1e-7)


@pytest.mark.parametrize(
    "state, values, errors, rss",
    [
        ("treated", [212.68370711, 0.06412123], [6.947, 0.008281], 1195.449),
        ("untreated", [160.28012, 0.04770831], [6.48025, 0.00778189], 859.60429),
    ],
)
def test_puromycin(reference, state, values, errors, rss):
    frame = reference("puromycin")
    frame = frame[frame["state"] == state]
    found, se, squares = fitted("emax", frame["conc"], frame["rate"], [200.0, 0.05])
    assert found == pytest.approx(values, rel=1e-5)
    assert se == pytest.approx(errors, rel=5e-4)
    assert squares == pytest.approx(rss, abs=5e-4)


@pytest.mark.parametrize("name", SHAPES)
class TestShapes:
    def test_from_nothing_to_the_whole_rise(self, name):
        assert scaled(SHAPES[name], [4.0, 15.0], BENDS[name], 4.0, 15.0) == pytest.approx([0, 1])
        steps = np.diff(scaled(SHAPES[name], np.linspace(4, 15, 50), BENDS[name], 4.0, 15.0))
        assert np.all(steps >= 0 if name in LEVEL else steps > 0)

    def test_units_of_the_load(self, name):
        """Loads times ten with a bend that follows give the same shares."""
        loads = np.array([5.0, 9.0, 13.0])
        loaded = ("emax", "saturating", "plateau", "turn")
        bend = 10 * BENDS[name] if name in loaded else BENDS[name]
        here = scaled(SHAPES[name], loads, BENDS[name], 4.0, 15.0)
        assert scaled(SHAPES[name], 10 * loads, bend, 40.0, 150.0) == pytest.approx(here)

    def test_every_bend_tried_gives_a_curve(self, name):
        """Also for loads from 0, hardly apart, or far apart."""
        for lo, hi in ((0.0, 12.0), (6.0, 6.3), (60.0, 60.4), (0.5, 60.0)):
            if name == "logarithmic" and lo == 0:
                continue
            for bend in SHAPES[name].bends(lo, hi):
                got = scaled(SHAPES[name], np.linspace(lo, hi, 9), bend, lo, hi)
                assert np.isfinite(got).all() and got[-1] == pytest.approx(1.0)


def test_some_bend_levels_off_early():
    """Of loads from 6 to 11.4 some curve has all but a tenth of its gain by 7, and some is nearly
    the straight line."""
    shape = SHAPES["saturating"]
    shares = [float(scaled(shape, 7.0, k, 6.0, 11.4)) for k in shape.bends(6.0, 11.4)]
    assert max(shares) > 0.9
    assert min(shares) == pytest.approx(1.0 / 5.4, abs=0.02)


def test_a_bow_is_the_height_above_the_line_halfway():
    """4 + 2 u + 1.5 (4 u (1 - u)) at half way is 4 + 1 + 1.5."""
    ends, shape = (None, 6.0, 12.0), SHAPES["parabola"]
    assert 4.0 + 2.0 * 0.5 + 1.5 * bow(shape, 9.0, *ends) == pytest.approx(6.5)
    assert bow(shape, [6.0, 12.0], *ends) == pytest.approx([0.0, 0.0])


def test_a_turn_is_two_straight_lines():
    """From 4 at 6 up to 7 at 8, and down to 5 at 12: by hand 4 + 1 u + (7 - 4 - 1/3) h."""
    curve = (SHAPES["turn"], [6.0, 7.0, 8.0, 10.0, 12.0], 8.0, 6.0, 12.0)
    assert 4.0 + scaled(*curve) + (7.0 - 4.0 - 1.0 / 3.0) * bow(*curve) == pytest.approx(
        [4.0, 5.5, 7.0, 6.0, 5.0])
    assert not bow(SHAPES["plateau"], [6.0, 8.0], 8.0, 6.0, 12.0).any()

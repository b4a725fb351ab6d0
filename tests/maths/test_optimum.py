"""Climbing to a peak whose place and curvature are known."""

import numpy as np
import pytest

from scentlab.maths.optimum import climb, difference_gradient


def bowl(point):
    """Peak 3 at (1, -2) with Hessian -[[2, 0.5], [0.5, 1]]."""
    curvature = np.array([[2.0, 0.5], [0.5, 1.0]])
    away = point - np.array([1.0, -2.0])
    return 3.0 - 0.5 * away @ curvature @ away, -curvature @ away


def banana(point):
    """Minus Rosenbrock's function: peak 0 at (1, 1), Hessian there -[[802, -400], [-400, 200]]."""
    x, y = point
    value = -((1 - x) ** 2 + 100 * (y - x**2) ** 2)
    slope = [2 * (1 - x) + 400 * x * (y - x**2), -200 * (y - x**2)]
    return value, np.array(slope)


def test_quadratic():
    peak = climb(bowl, [10.0, 10.0])
    assert peak.converged and peak.value == pytest.approx(3.0)
    assert peak.point == pytest.approx([1.0, -2.0], abs=1e-6)
    assert -peak.hessian == pytest.approx(np.array([[2.0, 0.5], [0.5, 1.0]]), abs=1e-6)
    assert peak.covariance == pytest.approx(np.array([[1.0, -0.5], [-0.5, 2.0]]) / 1.75, abs=1e-5)


def test_bent_ridge():
    """Rosenbrock 1960; the Hessian by hand."""
    peak = climb(banana, [-1.2, 1.0])
    assert peak.point == pytest.approx([1.0, 1.0], abs=1e-5)
    assert -peak.hessian == pytest.approx(np.array([[802.0, -400.0], [-400.0, 200.0]]), rel=1e-5)


def test_a_forbidden_region_is_stayed_out_of():
    def walled(point):
        return (-np.inf, np.zeros(2)) if point[0] > 5.0 else bowl(point)

    assert climb(walled, [4.9, 4.0]).point == pytest.approx([1.0, -2.0], abs=1e-5)


def test_a_start_where_nothing_is_defined_is_no_peak():
    peak = climb(lambda point: (-np.inf, np.zeros(2)), [0.0, 0.0])
    assert not peak.converged


def test_no_peak_is_said():
    peak = climb(lambda p: (float(p[0]), np.ones(1)), [0.0])
    assert not peak.converged
    saddle = climb(lambda p: (0.5 * p[0] ** 2 - p[1] ** 2, np.array([p[0], -2 * p[1]])), [0.0, 1.0])
    with pytest.raises(np.linalg.LinAlgError):
        saddle.covariance  # noqa: B018


def test_difference_of_the_gradient():
    got = difference_gradient(lambda p: np.array([banana(q)[1] for q in p]), np.ones(2))
    assert -got == pytest.approx(np.array([[802.0, -400.0], [-400.0, 200.0]]), rel=1e-6)

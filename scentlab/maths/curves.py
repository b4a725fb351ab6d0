"""Curves of throw over load, in parameters that mean the same for every shape.

A curve is level + rise * s(x; bend) + bow * h(x; bend), with s = 0 at the lowest and s = 1 at the
highest load of interest. ``level`` is the value at the lowest load, ``rise`` what is gained up to
the highest, ``bend`` the shape's own: the exponent of the power curve, the load of half effect of
Emax, the load over which a saturating curve closes two thirds of its gap, the load from which a
plateau is level, or at which a curve turns. Two shapes have a bow and can rise and fall again: the
parabola, whose bow is its height above the straight line halfway (h = 4 u (1 - u), u the share of
the way), and the turn, two straight lines, whose bow is that height where they meet.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Shape:
    """A family of curves g(x; bend, lowest load).

    ``bends(lo, hi)`` gives the bends that it may have, equally likely beforehand; (None,) without
    a bend. ``bow``: h(x; bend, lo, hi), None without one. ``chance``: of the shape before any
    score; shapes that go on rising have 2 in 5 together, those that level off 2, the two that may
    fall 1.
    """

    name: str
    curve: Callable
    chance: float
    bends: Callable = lambda lo, hi: (None,)
    bow: Callable | None = None


SHAPES = {shape.name: shape for shape in (
    Shape("linear", lambda x, k, lo: x, 0.1),
    Shape("logarithmic", lambda x, k, lo: np.log(x), 0.1),
    Shape("power", lambda x, k, lo: x**k, 0.1, lambda lo, hi: np.geomspace(0.1, 2.0, 6)),
    Shape("emax", lambda x, k, lo: x / (k + x), 0.1,
          lambda lo, hi: np.geomspace(0.1 * max(lo, 0.1 * hi), 5.0 * hi, 10)),
    Shape("saturating", lambda x, k, lo: -np.exp((lo - x) / k), 0.2,
          lambda lo, hi: np.geomspace((hi - lo) / 20.0, 5.0 * hi, 11)),
    Shape("plateau", lambda x, k, lo: np.minimum(x, k), 0.2,
          lambda lo, hi: np.linspace(lo, hi, 12)[1:-1]),
    Shape("parabola", lambda x, k, lo: x, 0.1,
          bow=lambda x, k, lo, hi: 4.0 * (x - lo) * (hi - x) / (hi - lo) ** 2),
    Shape("turn", lambda x, k, lo: x, 0.1, lambda lo, hi: np.linspace(lo, hi, 12)[1:-1],
          bow=lambda x, k, lo, hi: np.interp(x, [lo, k, hi], [0.0, 1.0, 0.0])),
)}  # fmt: skip


def scaled(shape, x, bend, lo, hi):
    """s(x; bend) of a :class:`Shape`, 0 at lo and 1 at hi: array like x."""
    low, high = shape.curve(lo, bend, lo), shape.curve(hi, bend, lo)
    return (shape.curve(np.asarray(x, dtype=float), bend, lo) - low) / (high - low)


def bow(shape, x, bend, lo, hi):
    """h(x; bend) of a :class:`Shape`, 0 at lo and hi: array like x.

    >>> [float(v) for v in bow(SHAPES["parabola"], [4.0, 8.0, 12.0], None, 4.0, 12.0)]
    [0.0, 1.0, 0.0]
    >>> [float(v) for v in bow(SHAPES["turn"], [4.0, 8.0, 10.0, 12.0], 10.0, 4.0, 12.0)]
    [0.0, 0.6666666666666666, 1.0, 0.0]
    """
    x = np.asarray(x, dtype=float)
    return shape.bow(x, bend, lo, hi) if shape.bow else np.zeros(x.shape)

"""Curves of throw over load, in parameters that mean the same for every shape.

A curve is level + rise * s(x; bend) with s = 0 at the lowest and s = 1 at the highest load of
interest. ``level`` is the value at the lowest load, ``rise`` what is gained up to the highest,
and ``bend`` the shape's own: the exponent of the power curve, the load of half effect of Emax.
Every curve has its inverse.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from scentlab.results import FitError


@dataclass(frozen=True)
class Shape:
    """A family of rising curves g(x; bend): its function, inverse, slope in the bend and range.

    ``bends(lo, hi)`` gives the limits within which the bend is searched, None without a bend.
    """

    name: str
    curve: Callable
    inverse: Callable
    bend_slope: Callable | None
    bends: Callable | None
    formula: str


def _emax_bends(lo, hi):
    return (0.02 * max(lo, 0.05 * hi), 50.0 * hi)


SHAPES = {
    "linear": Shape(
        "linear", lambda x, k: x, lambda g, k: g, None, None, "straight line in the load"
    ),
    "logarithmic": Shape(
        "logarithmic",
        lambda x, k: np.log(x),
        lambda g, k: np.exp(g),
        None,
        None,
        "straight line in the logarithm of the load",
    ),
    "power": Shape(
        "power",
        lambda x, k: x**k,
        lambda g, k: np.power(g, 1.0 / k),
        lambda x, k: special.xlogy(x**k, x),
        lambda lo, hi: (0.05, 4.0),
        "load to the power of the bend",
    ),
    "emax": Shape(
        "emax",
        lambda x, k: x / (k + x),
        lambda g, k: k * g / (1.0 - g),
        lambda x, k: -x / (k + x) ** 2,
        _emax_bends,
        "load / (bend + load): levels off",
    ),
}


def scaled(shape, x, bend, lo, hi):
    """s(x; bend) of a :class:`Shape`, 0 at lo and 1 at hi: array like x."""
    low, high = shape.curve(lo, bend), shape.curve(hi, bend)
    return (shape.curve(np.asarray(x, dtype=float), bend) - low) / (high - low)


def scaled_inverse(shape, share, bend, lo, hi):
    """The load at which a share of the rise is reached; nan where no load in reach gives it."""
    share = np.asarray(share, dtype=float)
    low, high = shape.curve(lo, bend), shape.curve(hi, bend)
    g = low + share * (high - low)
    with np.errstate(invalid="ignore", divide="ignore"):
        x = shape.inverse(g, bend)
    return np.where(np.isfinite(x) & (x > 0), x, np.nan)


def scaled_bend_slope(shape, x, bend, lo, hi):
    """Derivative of s(x; bend) in the bend: array like x."""
    x = np.asarray(x, dtype=float)
    low, high = shape.curve(lo, bend), shape.curve(hi, bend)
    d_low, d_high = shape.bend_slope(lo, bend), shape.bend_slope(hi, bend)
    s = (shape.curve(x, bend) - low) / (high - low)
    return (shape.bend_slope(x, bend) - d_low - s * (d_high - d_low)) / (high - low)


def best_bend(shape, deviance, lo, hi, grid=15):
    """The bend that minimises a deviance; (None, deviance) for a shape without one.

    Parameters
    ----------
    deviance : callable of the bend. lo, hi : lowest and highest load.

    Returns
    -------
    (bend, deviance, at_edge): at_edge is True when the search ended at the limit of its range,
    so that the data do not settle the bend.
    """
    if shape.bends is None:
        return None, float(deviance(None)), False
    limits = shape.bends(lo, hi)
    logs = np.linspace(np.log(limits[0]), np.log(limits[1]), grid)
    values = [deviance(float(np.exp(v))) for v in logs]
    best = int(np.argmin(values))
    lower, upper = logs[max(best - 1, 0)], logs[min(best + 1, grid - 1)]
    found = optimize.minimize_scalar(
        lambda v: deviance(float(np.exp(v))),
        bounds=(lower, upper),
        method="bounded",
        options={"xatol": 1e-9},
    )
    edge = min(found.x - logs[0], logs[-1] - found.x) < 1e-3 * (logs[-1] - logs[0])
    return float(np.exp(found.x)), float(found.fun), bool(edge)


def bend_limits(shape, deviance, bend, most, lo, hi):
    """Where the profile of the deviance passes ``most`` on either side of the best bend.

    Parameters
    ----------
    deviance : callable of the bend. bend : the best one. lo, hi : lowest and highest load.

    Returns
    -------
    (lower, upper), each nan where the deviance stays under ``most`` to the end of the range that
    is searched: the data set no limit to the bend there.
    """
    if shape.bends is None:
        return np.nan, np.nan
    return tuple(_passes(deviance, most, bend, end) for end in shape.bends(lo, hi))


def _passes(deviance, most, bend, end):
    near, far = np.log(bend), np.log(end)
    if near == far or deviance(end) <= most:
        return np.nan
    root = optimize.brentq(lambda v: deviance(float(np.exp(v))) - most, near, far, xtol=1e-6)
    return float(np.exp(root))


@dataclass(frozen=True)
class CurveFit:
    """A least-squares curve: ``bend``, ``coefficients`` (intercept first if any), their covariance.

    The covariance is over (coefficients, bend), the bend last where the shape has one. The 95 %
    limits of the bend follow its profile (Bates & Watts 1988); nan where there is no limit.
    """

    shape: str
    bend: float | None
    coefficients: np.ndarray
    covariance: np.ndarray
    rss: float
    df: int
    at_edge: bool
    bend_lower: float
    bend_upper: float


def fit_curve(x, y, shape, *, intercept=True):
    """Fit y = a + b g(x; bend), or b g(x; bend) without intercept, by least squares.

    The linear part is solved for at each bend (variable projection, Golub & Pereyra 1973).

    Parameters
    ----------
    x, y : arrays (n,), x > 0 for the logarithmic curve. shape : name in ``SHAPES``.

    Raises
    ------
    FitError for an unknown shape or fewer points than parameters.
    """
    if shape not in SHAPES:
        raise FitError(f"no curve is called {shape!r}; there are {', '.join(SHAPES)}")
    form, x, y = SHAPES[shape], np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    size = 1 + intercept + (form.bends is not None)
    if len(x) <= size:
        raise FitError(f"{len(x)} points cannot settle the {size} parameters of the {shape} curve")

    def design(bend):
        g = form.curve(x, bend)
        return np.column_stack([np.ones_like(x), g]) if intercept else g[:, None]

    def rss(bend):
        left = design(bend)
        return float(np.sum((y - left @ np.linalg.lstsq(left, y, rcond=None)[0]) ** 2))

    positive = x[x > 0]
    bend, value, edge = best_bend(form, rss, positive.min(), positive.max(), grid=40)
    left = design(bend)
    coefficients = np.linalg.lstsq(left, y, rcond=None)[0]
    jacobian = left
    if bend is not None:
        jacobian = np.column_stack([left, coefficients[-1] * form.bend_slope(x, bend)])
    df = len(x) - size
    covariance = value / df * np.linalg.pinv(jacobian.T @ jacobian)
    most = value * (1.0 + special.stdtrit(df, 0.975) ** 2 / df)
    limits = bend_limits(form, rss, bend, most, positive.min(), positive.max())
    return CurveFit(shape, bend, coefficients, covariance, value, df, edge, *limits)

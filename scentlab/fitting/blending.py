"""What the capacities of several blends share, and what that says of a blend not tested.

Capacities are believed to be a smooth part, shared by the blends, plus what each strays from it:
a common shift, or a Scheffe (1958) blending function of the wax fractions, linear or quadratic.
How far blends stray is learnt from them all, so that a blending function that does not hold
widens the prediction instead of biasing it.
"""

from itertools import combinations

import numpy as np
import pandas as pd
from scipy import optimize, special

from scentlab.maths.sampling import quantile_error, weighted_quantile
from scentlab.maths.threads import one_thread
from scentlab.results import FitError

KINDS = ("pooled", "linear", "quadratic", "separate")
SHIFT_SCALE, PRODUCT_SCALE = 5.0, 10.0


def share_capacities(kind, blends, fractions, centre):
    """What the blends share: dict of kind, waxes, fractions, centre, columns and scale.

    Parameters
    ----------
    kind : one of ``KINDS``. blends : names. fractions : DataFrame, blends as index, or None.
    centre : array (B,), where each capacity is believed to lie beforehand (% of wax).

    Raises
    ------
    FitError for an unknown kind, or when fractions are missing or too few blends were tested.
    """
    if kind not in KINDS:
        raise FitError(f"no blending is called {kind!r}; there are {', '.join(KINDS)}")
    empty = np.zeros((len(blends), 0))
    if kind == "separate" or (kind == "pooled" and len(blends) == 1):
        return _shared("separate", (), empty, centre, empty, ())
    if kind == "pooled":
        return _shared(kind, (), empty, centre, np.ones((len(blends), 1)), (SHIFT_SCALE,))
    table = _fractions_of(blends, fractions)
    waxes = tuple(table.columns)
    columns = blending_columns(table.to_numpy(float), kind)
    if columns.shape[1] > len(blends):
        raise FitError(
            f"a {kind} blending function of {len(waxes)} waxes has {columns.shape[1]} terms and "
            f"{len(blends)} blends were tested; test more blends or take a simpler function"
        )
    scale = (SHIFT_SCALE,) * len(waxes) + (PRODUCT_SCALE,) * (columns.shape[1] - len(waxes))
    # A blending function stands for the blends' differences, so that all share one centre.
    common = np.full(len(blends), float(np.mean(centre)))
    return _shared(kind, waxes, table.to_numpy(float), common, columns, scale)


def _shared(kind, waxes, fractions, centre, columns, scale):
    return {
        "kind": kind,
        "waxes": tuple(waxes),
        "fractions": fractions,
        "centre": np.asarray(centre, dtype=float),
        "columns": columns,
        "scale": tuple(scale),
    }


def _fractions_of(blends, fractions):
    if fractions is None or fractions.empty:
        raise FitError(
            "a blending function needs the wax fractions of every blend; plan the series with "
            "its blends, or fit with blending='pooled'"
        )
    missing = [b for b in blends if b not in fractions.index]
    if missing:
        raise FitError(f"the wax fractions of {', '.join(missing)} are not known")
    return fractions.loc[list(blends)]


def blending_columns(fractions, kind):
    """Columns of the Scheffe polynomial at fractions (n, W): the fractions and, if quadratic,
    their pairwise products."""
    fractions = np.atleast_2d(np.asarray(fractions, dtype=float))
    if kind == "linear":
        return fractions
    pairs = [
        fractions[:, i] * fractions[:, j] for i, j in combinations(range(fractions.shape[1]), 2)
    ]
    return np.column_stack([fractions, *pairs])


def capacity_draws(fit, fractions, seed=1):
    """Posterior draws (S,) of the capacity (% of wax) of a blend given by its wax fractions.

    A tested blend gives its own draws. Another is predicted from what the blends share plus what
    a blend strays, which makes its interval wider; outside the region that the tested blends
    span there is no prediction.

    Parameters
    ----------
    fit : SweatFit with a linear or quadratic blending. fractions : mapping of wax to fraction.

    Raises
    ------
    FitError outside the tested region, for unknown waxes or fractions that miss 1.
    """
    shared = fit.shared
    new = _one_blend(fit, fractions)
    for b, tested in enumerate(shared["fractions"]):
        if np.allclose(tested, new, atol=1e-9):
            return fit.named["capacity"][:, b]
    if not inside_hull(shared["fractions"], new):
        spans = "; ".join(
            f"{w} {lo:g} to {hi:g}"
            for w, lo, hi in zip(
                shared["waxes"],
                shared["fractions"].min(axis=0),
                shared["fractions"].max(axis=0),
                strict=True,
            )
        )
        raise FitError(
            "that blend lies outside what was tested, and nothing is predicted there; the tested "
            f"blends span the fractions {spans}, and the blend must be a mixture of them"
        )
    mean, variance = _conditional(fit, new)
    rng = np.random.default_rng(seed)
    return mean + np.sqrt(variance) * rng.standard_normal(len(mean))


@one_thread()
def predict_capacity(fit, fractions):
    """Capacity of a blend given by its wax fractions, with its 90 % interval.

    The quantiles are those of the mixture of normals that the draws make, without a draw more.

    Returns
    -------
    DataFrame of one row: capacity_pct, lower_pct, upper_pct (% of wax), error_pct (the largest
    Monte Carlo standard error of the three) and tested (bool).
    """
    draws, chances = capacity_draws(fit, fractions), (0.05, 0.5, 0.95)
    new = _one_blend(fit, fractions)
    tested = bool(np.any(np.all(np.isclose(fit.shared["fractions"], new, atol=1e-9), axis=1)))
    if tested:
        limits = weighted_quantile(draws, fit.weights, chances)
    else:
        mean, variance = _conditional(fit, new)
        limits = [_mixture_quantile(mean, np.sqrt(variance), fit.weights, p) for p in chances]
    lower, middle, upper = limits
    error = max(quantile_error(draws, fit.weights, fit.draw_lot, p) for p in chances)
    return pd.DataFrame({
        "capacity_pct": [middle], "lower_pct": [lower], "upper_pct": [upper],
        "error_pct": [error], "tested": [tested],
    })


def _mixture_quantile(mean, sd, weights, chance):
    """Quantile of a mixture of normals (S,) with weights (S,)."""
    ends = (mean - 9.0 * sd).min() - 1e-9, (mean + 9.0 * sd).max() + 1e-9
    sd, share = np.maximum(sd, 1e-12), weights / weights.sum()
    return float(optimize.brentq(lambda x: share @ special.ndtr((x - mean) / sd) - chance, *ends))


def _one_blend(fit, fractions):
    waxes = fit.shared["waxes"]
    if not waxes:
        raise FitError(
            "this fit knows no wax fractions; fit with blending='linear' or 'quadratic' first"
        )
    unknown = sorted(set(fractions) - set(waxes))
    if unknown:
        raise FitError(f"no tested blend holds {', '.join(unknown)}; known are {', '.join(waxes)}")
    new = np.array([float(fractions.get(w, 0.0)) for w in waxes])
    if abs(new.sum() - 1.0) > 1e-6 or np.any(new < 0):
        raise FitError(
            f"the fractions add up to {new.sum():g}; give fractions of 0 or more that sum to 1"
        )
    return new


def inside_hull(points, new):
    """Whether ``new`` (W,) is a mixture of the rows of ``points`` (n, W)."""
    equal = np.vstack([np.asarray(points).T, np.ones(len(points))])
    found = optimize.linprog(
        np.zeros(len(points)), A_eq=equal, b_eq=np.append(new, 1.0), bounds=(0, 1)
    )
    return bool(found.status == 0)


def _conditional(fit, new):
    """Mean and variance (S,) of a new blend's capacity given the tested ones' draws."""
    shared, named = fit.shared, fit.named
    scale2 = np.asarray(shared["scale"]) ** 2
    old = shared["columns"]
    row = blending_columns(new, shared["kind"])[0]
    variance, axes = np.linalg.eigh((old * scale2) @ old.T)
    covariance = (row * scale2) @ old.T @ axes
    pool2 = named["pool"][:, None] ** 2
    total = pool2 + np.maximum(variance, 0.0)
    away = (named["capacity"] - shared["centre"]) @ axes
    mean = shared["centre"][0] + (covariance * away / total).sum(axis=1)
    own = (row * scale2) @ row + pool2[:, 0]
    return mean, np.maximum(own - (covariance**2 / total).sum(axis=1), 0.0)

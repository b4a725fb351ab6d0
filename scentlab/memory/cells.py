"""One wax with one fragrance in one earlier series: fitted alone, and what it says by itself.

A cell's own posterior divided by its own prior is its evidence, as a Gaussian. Where the Gaussian
is rough, it is made anew towards what all other cells say (Gelman, Vehtari et al. 2020,
"Expectation propagation as a way of life", section 3), from the same draws with other weights.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import partial

import numpy as np

from scentlab.fitting.looks import settle_looks
from scentlab.fitting.sweat import fit_sweat
from scentlab.maths.graded import CapacityPrior
from scentlab.maths.sampling import moments
from scentlab.results import FitError
from scentlab.text import alike

# What series have in common, as free parameters of the sweat model: normal beforehand.
KEYS = ("capacity", "log_spread", "stress", "gap2", "gap3", "gap4", "sigma", "misread")
_USUAL = CapacityPrior()
WIDE_SD = 6.0  # of a cell's capacity beforehand, points of load: its own pieces decide
DRAWS, _FEWEST = 3000, 200
_WAYS = (1.0, 0.7, 0.5, 0.35, 0.25, 0.17, 0.12, 0.08, 0.05)
UNKNOWN = "fragrance not on record"


@dataclass(frozen=True)
class Cell:
    """A fit of one blend of one series.

    series, blend, wax, fragrance : str; the wax is told by its parts. stresses : tuple.
    pots, pieces : int. centre : the middle of its loads (% of wax), where its prior lies.
    draws (S, 8) : posterior draws of ``KEYS``, nan where there is none. weights (S,).
    tester : str, who alone graded it; empty for several. key : str, of the looks that it follows
        from (:func:`looks_key`).
    """

    series: str
    blend: str
    wax: str
    fragrance: str
    stresses: tuple
    pots: int
    pieces: int
    centre: float
    draws: np.ndarray
    weights: np.ndarray
    key: str = ""
    tester: str = ""

    @property
    def name(self):
        return f"{self.series}: {self.wax} with {self.fragrance}"


def usual_normals(centre):
    """Mean and sd (8,) of ``KEYS`` beforehand, without any earlier series."""
    of = _USUAL.normals()
    rows = [(centre, WIDE_SD), of["log_spread"], of["stress"], *[of["log_gaps"]] * 3, of["sigma"],
            of["logit_misread"]]
    return np.array(rows, dtype=float).T


def wax_of(series, blend):
    """The name of a blend's wax by its parts, so that it is the same in every series.

    >>> from scentlab.simulate import small_series
    >>> wax_of(small_series(), "soft")
    'soft'
    """
    parts = series.wax_parts(blend)
    if not parts:
        return str(blend)
    return name_by_parts(parts)


def name_by_parts(parts):
    """The name of a mixture (fraction by wax), whatever its maker calls it.

    >>> name_by_parts({"soft": 0.7, "hard": 0.3})
    '30 % hard + 70 % soft'
    """
    if len(parts) == 1:
        return str(next(iter(parts)))
    return " + ".join(f"{100 * parts[w]:g} % {w}" for w in sorted(parts, key=alike))


def fit_cells(series, name, *, seed=1):
    """The cells of a series, one per blend that can be fitted; others are left out."""
    found = []
    looks = series.sweat()
    for blend in dict.fromkeys(looks["blend"].dropna()):
        try:
            found.append(_fit_cell(series, name, blend, looks[looks["blend"] == blend], seed))
        except FitError:
            continue
    return found


def _fit_cell(series, name, blend, looks, seed):
    settled, _ = settle_looks(looks, "sweat", ages=True)
    centre = float(settled["load_pct"].drop_duplicates().mean())
    prior = CapacityPrior(capacity_centre=(centre,), capacity_scale=WIDE_SD, capacity_df=1e9)
    fit = fit_sweat(looks, prior=prior, draws=DRAWS, precise=None, seed=seed)
    return Cell(
        series=name, blend=str(blend), wax=wax_of(series, blend),
        fragrance=series.fragrance_name or f"{UNKNOWN} ({name})", stresses=fit.stresses,
        pots=int(fit.tested["pots"].iloc[0]), pieces=int(fit.tested["pieces"].iloc[0]),
        centre=centre, draws=shared_draws(fit).astype(np.float32),
        weights=fit.weights.astype(np.float32), key=looks_key(series), tester=grader(looks),
    )


def grader(looks):
    """The code of the one tester who graded; empty for several, and where none is on record."""
    found = looks["assessor"].unique() if "assessor" in looks else []
    return str(found[0]) if len(found) == 1 and isinstance(found[0], str) else ""


def shared_draws(fit):
    """Draws (S, 8) of ``KEYS`` of a sweat fit's first blend, nan where it has none."""
    own = partial(fit.model.take, fit.draws)
    none = np.full((len(fit.draws), 1), np.nan)
    return np.hstack([
        own("capacity")[:, :1], fit.model.log_spread(fit.draws)[:, :1],
        own("stress")[:, :1] if own("stress").size else none,
        own("log_gaps"), own("sigma"), own("logit_misread") if fit.model.reads else none,
    ])


def site(cell, cavity=None):
    """What a cell says by itself: precision (8, 8), information (8,).

    ``cavity`` : mean (8,) and covariance (8, 8) of what the others say. The Gaussian is made where
    prior and cavity meet, as near to the cavity as the draws reach.
    """
    there = np.flatnonzero(~np.isnan(cell.draws[0]))
    draws, weights = cell.draws[:, there].astype(float), cell.weights.astype(float)
    middle, sd = (v[there] for v in usual_normals(cell.centre))
    prior, pull = np.diag(sd**-2.0), middle / sd**2
    if cavity is not None:
        others = np.linalg.inv(cavity[1][np.ix_(there, there)])
        weights, way = _nearest(draws, weights, (middle, prior), (cavity[0][there], others))
        pull = (1.0 - way) * pull + way * others @ cavity[0][there]
        prior = (1.0 - way) * prior + way * others
    mean, covariance = moments(draws, weights)
    own = _no_less_than_none(np.linalg.inv(covariance) - prior, sd)
    precision, information = np.zeros((len(KEYS),) * 2), np.zeros(len(KEYS))
    precision[np.ix_(there, there)] = own
    information[there] = (own + prior) @ mean - pull
    return precision, information


def _nearest(draws, weights, prior, cavity):
    """The weights (S,) of draws as far on the way from their prior to the cavity (0 to 1) as leaves
    enough of them, and how far that is; both are a mean and a precision."""
    gain = _log_kernel(draws, *cavity) - _log_kernel(draws, *prior)
    for way in _WAYS:
        moved = weights * np.exp(way * (gain - gain.max()))
        moved /= moved.sum()
        if 1.0 / np.sum(moved**2) >= _FEWEST:
            return moved, way
    return weights, 0.0


def _log_kernel(points, mean, precision):
    away = points - mean
    return -0.5 * np.einsum("si,ij,sj->s", away, precision, away)


def _no_less_than_none(precision, sd):
    """The precision without directions in which draws say less than nothing, by chance."""
    scaled = precision * np.outer(sd, sd)
    told, axes = np.linalg.eigh(0.5 * (scaled + scaled.T))
    return (axes * np.maximum(told, 0.0)) @ axes.T / np.outer(sd, sd)


# ---- kept beside the series -------------------------------------------------------------------


def looks_key(series):
    """A fingerprint of what was seen of the sweat of a series."""
    columns = ["code", "pour", "pot", "blend", "load_pct", "stress", "age_days", "assessor",
               "grade"]
    text = series.sweat()[columns].to_csv() + series.fractions.to_csv() + series.fragrance_name
    return hashlib.sha256(text.encode()).hexdigest()


def cells_to_arrays(cells, key, seed):
    """Cells as arrays that numpy can keep in a file without pickling."""
    kept = {"made": np.array(_made(key, seed)), "cells": np.array(json.dumps([
        {n: v for n, v in vars(c).items() if not isinstance(v, np.ndarray)} for c in cells]))}
    for i, c in enumerate(cells):
        kept |= {f"{i}.draws": c.draws, f"{i}.weights": c.weights}
    return kept


def _made(key, seed):
    return f"{key} {seed} {DRAWS} {WIDE_SD} 4"  # the last number is that of model and file


def cells_from_arrays(kept, key, seed):
    """The cells, or None where they were not made of the looks of the key with this seed."""
    if str(kept["made"]) != _made(key, seed):
        return None
    return [
        Cell(**about | {"stresses": tuple(about["stresses"])}, draws=kept[f"{i}.draws"],
             weights=kept[f"{i}.weights"])
        for i, about in enumerate(json.loads(str(kept["cells"])))
    ]

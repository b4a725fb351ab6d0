"""The mixed models behind a throw fit: one for each shape of curve, and draws from all of them.

score = level_b + rise_b s(load; bend) + time on the warmer + assessor + assessor's scale
    + assessor in a blend + sitting + pot + pour + piece + error

An assessor's scale is a random slope on the share of the rise: somebody who uses a wider part of
the scale rises by more from the lowest load to the highest. The mean over assessors is the panel's
rise, so that wide and narrow users balance, and how much they differ widens its interval. The
slope's own share is that of a logarithmic curve whatever the shape fitted (between the shapes the
shares differ by little), centred, so that it hardly depends on the assessor's shift.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from scentlab.maths.curves import SHAPES, bend_limits, best_bend, scaled, scaled_bend_slope
from scentlab.maths.mixed import MixedProblem, fit_mixed, satterthwaite
from scentlab.results import FitError

SOURCES = {
    "assessor": "between assessors",
    "scale": "between assessors' scales, over the whole rise",
    "taste": "between assessors in a blend",
    "sitting": "between sittings",
    "pot": "between pots",
    "pour": "between pours of a pot",
    "code": "between pieces of a pour",
    "score": "of a single score",
}


@dataclass(frozen=True)
class Scored:
    """Scores as arrays: y, load (% of wax), blend (index), and what groups them.

    ``minutes`` is the covariate of the time on the warmer, 0 at the time of reference, or None.
    ``names`` are the keys in ``SOURCES`` of the groupings that the scores can hold.
    """

    load: np.ndarray
    indicator: np.ndarray
    minutes: np.ndarray | None
    lo: float
    hi: float
    names: tuple
    groups: tuple
    problem: MixedProblem

    @property
    def n_blends(self):
        return self.indicator.shape[1]

    def design(self, shape, bend):
        share = scaled(shape, self.load, bend, self.lo, self.hi)
        return _columns(self.indicator, share, self.minutes)

    def with_shape(self, shape, bend):
        return self.problem.with_fixed(self.design(shape, bend))


def arrange(scores, blends, minutes=None):
    """The :class:`Scored` arrays of a tidy frame of scores."""
    load = scores["load_pct"].to_numpy(float)
    lo, hi = float(load.min()), float(load.max())
    indicator = np.eye(len(blends))[scores["blend"].map({b: i for i, b in enumerate(blends)})]
    fixed = indicator if minutes is None else np.column_stack([indicator, minutes])
    share = scaled(SHAPES["logarithmic" if lo > 0 else "linear"], load, None, lo, hi)
    names, groups, slopes = _groupings(scores, fixed, share - share.mean())
    design = _columns(indicator, share, minutes)
    problem = MixedProblem(scores["throw"].to_numpy(float), design, groups, slopes)
    return Scored(load, indicator, minutes, lo, hi, tuple(names), tuple(groups), problem)


def _columns(indicator, share, minutes):
    parts = [indicator, indicator * share[:, None]]
    return np.column_stack(parts if minutes is None else [*parts, minutes])


def _groupings(scores, fixed, share):
    """The groupings that the scores can hold: more than one group, not a group per score, none
    that parts the scores as another does, and none that the fixed effects take up."""
    text = {n: scores[n].astype(str) for n in ("assessor", "sitting", "pot", "pour", "code")}
    text["taste"] = text["assessor"] + "\n" + scores["blend"].astype(str)
    names, groups, slopes, partitions = [], [], [], set()
    for name in SOURCES:
        if name == "scale" and "assessor" in names:
            names.append(name)
            groups.append(groups[names.index("assessor")])
            slopes.append(share)
        if name not in text:
            continue
        index, levels = pd.factorize(text[name])
        if not 1 < len(levels) < len(scores) or index.tobytes() in partitions:
            continue
        if len(levels) <= fixed.shape[1] and _taken_up(np.eye(len(levels))[index], fixed):
            continue
        partitions.add(index.tobytes())
        names.append(name)
        groups.append(index)
        slopes.append(None)
    return names, groups, slopes


def _taken_up(columns, fixed):
    left = columns - fixed @ np.linalg.lstsq(fixed, columns, rcond=None)[0]
    return bool(np.abs(left).max() < 1e-8)


@dataclass(frozen=True)
class Candidate:
    """A shape fitted: its bend with 95 % profile limits (nan: none), AIC and mixed model.

    ``joint`` is the covariance of (levels, rises, minutes if any, log bend if any).
    """

    shape: str
    bend: float | None
    limits: tuple
    searched: tuple | None
    aic: float
    reml: object
    problem: MixedProblem
    joint: np.ndarray

    @property
    def settled(self):
        return self.bend is None or not np.isnan(self.limits).any()


def fit_shapes(scored):
    """A :class:`Candidate` for every shape that the loads allow, and their AIC weights."""
    candidates, theta = [], np.ones(len(scored.names))
    for name, shape in SHAPES.items():
        if name == "logarithmic" and scored.lo <= 0:
            continue
        candidate, theta = _fit_shape(shape, scored, theta)
        candidates.append(candidate)
    aic = np.array([c.aic for c in candidates])
    weights = np.exp(-0.5 * (aic - aic.min()))
    return candidates, weights / weights.sum()


def _fit_shape(shape, scored, theta):
    """The random effects hardly depend on the bend: it is searched with them held, twice."""
    lo, hi, bend, limits = scored.lo, scored.hi, None, (np.nan, np.nan)
    for _ in range(2 if shape.bends else 1):
        likelihood = scored.problem.likelihood_of_fixed(theta)

        def held(k, likelihood=likelihood):
            return likelihood(scored.design(shape, k))

        if shape.bends:
            bend, lowest, _ = best_bend(shape, held, lo, hi)
        problem = scored.with_shape(shape, bend)
        best = fit_mixed(problem, reml=False, start=np.maximum(theta, 0.1), precise=False)
        theta = best.theta
    if shape.bends:
        limits = bend_limits(shape, held, bend, lowest + special.chdtri(1, 0.05), lo, hi)
    reml = fit_mixed(problem, reml=True, start=np.maximum(theta, 0.1), precise=False)
    parameters = problem.p + (bend is not None) + len(scored.names) + 1
    joint = reml.covariance if bend is None else _with_bend(shape, scored, bend, reml)
    searched = None if bend is None else shape.bends(lo, hi)
    aic = best.criterion + 2.0 * parameters
    return Candidate(shape.name, bend, limits, searched, aic, reml, problem, joint), theta


def _with_bend(shape, scored, bend, reml):
    """Covariance of (fixed effects, log bend) by linearising the curve in its bend."""
    n = scored.n_blends
    rise = scored.indicator @ reml.beta[n : 2 * n]
    slope = rise * scaled_bend_slope(shape, scored.load, bend, scored.lo, scored.hi) * bend
    wide = np.column_stack([scored.design(shape, bend), slope])
    error = reml.variances[-1]
    try:
        information = scored.problem.with_fixed(wide).solve(reml.theta).information
    except (FitError, np.linalg.LinAlgError):
        information = np.zeros((wide.shape[1],) * 2)
        information[:-1, :-1] = np.linalg.inv(reml.covariance) * error
    # The bend's log is held within about two e-folds, so that a flat profile stays in range.
    information[-1, -1] += 0.25 * error
    return error * np.linalg.inv(information)


@dataclass(frozen=True)
class Draws:
    """Draws (D, ...) of levels, rises, effect of the minutes, shape and bend."""

    level: np.ndarray
    rise: np.ndarray
    minutes: np.ndarray
    shape: np.ndarray
    bend: np.ndarray


def draw(candidates, weights, n_blends, draws, seed):
    """Draws from every shape by its weight, in pairs on either side of its centre."""
    rng = np.random.default_rng(seed)
    pairs = max(draws // 2, 1)
    counts = np.round(weights * pairs).astype(int)
    counts[np.argmax(weights)] += pairs - counts.sum()
    parts = [_draw_one(c, n_blends, k, rng) for c, k in zip(candidates, counts, strict=True)]
    level, rise, minutes, bend = (np.concatenate(v) for v in zip(*parts, strict=True))
    shape = np.repeat(np.arange(len(candidates)), 2 * counts)
    return Draws(level, rise, minutes, shape, bend)


def _draw_one(candidate, n, pairs, rng):
    away = _deviations(candidate, n, pairs, rng)
    away = np.vstack([away, -away])
    beta = candidate.reml.beta
    fixed = beta + away[:, : len(beta)]
    minutes = fixed[:, 2 * n] if len(beta) > 2 * n else np.zeros(2 * pairs)
    bend = np.ones(2 * pairs)
    if candidate.bend is not None:
        bend = np.clip(candidate.bend * np.exp(away[:, -1]), *candidate.searched)
    return fixed[:, :n], fixed[:, n : 2 * n], minutes, bend


def _deviations(candidate, n, pairs, rng):
    """Normal deviations widened to Student's t, each with the freedom of its own contrast.

    Level and rise of a blend are taken apart into the throw at the share where the two are
    uncorrelated, which rests on assessors and pots, and the rise, which rests on pours and on
    assessors' scales. One chi-square serves all blends, since they share the variances.
    """
    joint, p = candidate.joint, len(candidate.reml.beta)
    away = rng.multivariate_normal(np.zeros(len(joint)), joint, size=pairs, method="eigh")
    pivot = pivots(candidate, n)
    middle = away[:, :n] + pivot * away[:, n : 2 * n]
    df = freedom(candidate, n, pivot)
    tails = rng.uniform(size=(3, pairs, 1))
    middle *= _widening(df[:n], tails[0])
    wider = _widening(df[n : 2 * n], tails[1])
    away[:, n : 2 * n] *= wider
    away[:, :n] = middle - pivot * away[:, n : 2 * n]
    away[:, 2 * n : p] *= _widening(df[2 * n :], tails[2])
    away[:, p:] *= wider.min(axis=1, keepdims=True)
    return away


def pivots(candidate, n):
    """The share of the rise, per blend, at which throw is uncorrelated with the rise."""
    index = np.arange(n)
    return -candidate.joint[index, n + index] / candidate.joint[n + index, n + index]


def freedom(candidate, n, pivot):
    """Degrees of freedom of the throw at the pivot share (n), the rises (n) and the minutes."""
    contrasts = np.eye(candidate.problem.p)
    contrasts[np.arange(n), n + np.arange(n)] = pivot
    return satterthwaite(candidate.problem, candidate.reml, contrasts)[2]


def _widening(df, tail):
    """sqrt(df / chi-square) with the chi-square's upper tail given: (pairs, len(df))."""
    values, index = np.unique(np.round(df, 2), return_inverse=True)
    return np.sqrt(values / special.chdtri(values, tail))[:, index]

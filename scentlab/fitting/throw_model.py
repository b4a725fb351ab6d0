"""The mixed model behind a throw fit, its priors, and draws over all shapes of curve.

score = level_b + rise_b s(load; bend) + bow_b h(load) + time on the warmer + place in the session
    + load smelt just before + tester + tester's scale + tester in a blend + session + pot + pour
    + piece + error

A tester's scale is a random slope on the share of the rise: somebody who uses a wider part of the
scale rises by more from the lowest load to the highest. The mean over testers is the panel's
rise, so that wide and narrow users balance, and how much they differ widens its interval; with
one tester the prior says how much. The slope's own share is that of a logarithmic curve whatever
the shape (between the shapes the shares differ by little), centred, so that it hardly depends on
the tester's shift.

Every standard deviation has a weak prior in points of the 0 to 10 scale, so that few testers,
sessions, pots or pours neither count as none nor as any number: log-normal about ``MEDIANS``, 90 %
of it within a factor of 3.7 either way. Beforehand the shapes have the chances that
:data:`~scentlab.maths.curves.SHAPES` states, alike for the bends of one shape; afterwards each
counts by its marginal likelihood, which prefers the simpler of two that fit alike.

What all scores of a blend share (its one pot, the one tester, the one session) no score tells from
its level. It is drawn by its usual sd and added to the level, so that one tester or one pot does
not make a level, or a difference of blends, surer than two.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from scentlab.maths.curves import SHAPES, bow, scaled
from scentlab.maths.marginal import Marginal, Priors, draw_posterior, tellable

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
# Points of the 0 to 10 scale.
MEDIANS = {
    "assessor": 1.0, "scale": 0.4, "taste": 0.4, "sitting": 0.4, "pot": 0.3, "pour": 0.3,
    "code": 0.3, "score": 1.0,
}  # fmt: skip
SPREAD = 0.8
# A score is given to the half point: no less error than that.
FLOOR = 0.15
MIDDLE = 5.0
COEFFICIENTS = {"level": 10.0, "rise": 3.0, "bow": 2.0}
EXTRAS = {"minutes": 3.0, "position": 1.0, "before": 0.5}


@dataclass(frozen=True)
class Scored:
    """Scores as arrays and the model of them.

    ``names`` are the keys in ``SOURCES`` of the groupings that the scores can hold, ``extras``
    those in ``EXTRAS`` of the covariates; ``designs`` a list of (shape, bend); ``shared`` a dict
    of the sources that all scores of each blend share to their group of each blend (B,).
    """

    lo: float
    hi: float
    names: tuple
    extras: tuple
    designs: tuple
    marginal: Marginal
    shared: dict


def arrange(scores, blends, covariates, more_loads=()):
    """The :class:`Scored` of a tidy frame of scores, which may be empty where ``more_loads`` (of
    pairs) give the range of loads; ``covariates`` maps ``EXTRAS`` to (n,)."""
    load = scores["load_pct"].to_numpy(float)
    lo, hi = float(min([*load, *more_loads])), float(max([*load, *more_loads]))
    place = scores["blend"].map({b: i for i, b in enumerate(blends)}).to_numpy(int)
    arms = np.eye(len(blends))[place]
    share = scaled(SHAPES["logarithmic" if lo > 0 else "linear"], load, None, lo, hi)
    names, groups, slopes, shared = (), (), (), {}
    if len(scores):
        wanted = _sources(scores)
        names, groups, slopes = _groupings(scores, wanted, arms, share - share.mean())
        shared = _shared(scores, wanted, names, blends)
    shapes = [s for s in SHAPES.values() if s.name != "logarithmic" or lo > 0]
    designs = tuple((s.name, k) for s in shapes for k in s.bends(lo, hi))
    chances = np.array([SHAPES[s].chance / len(SHAPES[s].bends(lo, hi)) for s, _ in designs])
    chances /= chances.sum()
    columns, mixes = _columns(designs, load, lo, hi)
    extras = tuple(covariates)
    extra = np.column_stack([np.zeros((len(scores), 0)), *covariates.values()])
    sds = np.repeat([COEFFICIENTS[c] for c in ("level", "rise", "bow")], len(blends))
    priors = Priors(
        np.array([MEDIANS[n] for n in (*names, "score")]), SPREAD, FLOOR,
        np.append(sds, [EXTRAS[e] for e in extras]),
    )  # fmt: skip
    y = (scores["throw"] - scores.get("known", 0.0)).to_numpy(float) - MIDDLE
    marginal = Marginal(y, columns, arms, extra, mixes, chances, groups, slopes, priors)
    return Scored(lo, hi, tuple(names), extras, designs, marginal, shared)


def _columns(designs, load, lo, hi):
    """Columns (n, R) of which every design's level, share and bow are mixtures (C, 3, R).

    The curves of all shapes and bends are so alike that few columns serve them, to 1e-4.
    """
    loads, place = np.unique([*load, lo, hi], return_inverse=True)
    place = place[: len(load)]
    curves = np.array([f(SHAPES[s], loads, k, lo, hi) for f in (scaled, bow) for s, k in designs])
    left, size, right = np.linalg.svd(curves, full_matrices=False)
    kept = size > 1e-5 * size[0]
    shares = left[:, kept] * size[kept]
    mixes = np.zeros((len(designs), 3, 1 + kept.sum()))
    mixes[:, 0, 0] = 1.0
    mixes[:, 1:, 1:] = shares.reshape(2, len(designs), -1).swapaxes(0, 1)
    return np.column_stack([np.ones(len(load)), right[kept].T[place]]), mixes


def _sources(scores):
    """The group of each score (n,) by source."""
    taste = scores["assessor"].astype(str) + "\n" + scores["blend"]
    return {n: taste if n == "taste" else scores[n].astype(str)
            for n in SOURCES if n not in ("scale", "score")}


def _shared(scores, wanted, names, blends):
    """``shared`` of :class:`Scored`; a blend without scores has a group of its own."""
    found = {}
    for name, labels in wanted.items():
        each = labels.groupby(scores["blend"]).agg(["nunique", "first"]).reindex(list(blends))
        if name not in names and not (each["nunique"] > 1).any():
            found[name] = pd.factorize(each["first"].fillna(""))[0]
    return found


def _groupings(scores, wanted, fixed, share):
    """The groupings that the scores can hold, and the testers' scales, which the prior holds."""
    wanted = {name: (labels, None) for name, labels in wanted.items()}
    found = list(zip(*tellable(wanted, fixed), strict=True))
    place = int(bool(found) and found[0][0] == "assessor")
    found.insert(place, ("scale", pd.factorize(scores["assessor"])[0], share))
    return zip(*found, strict=True)


def draw(scored, draws, seed):
    """A :class:`Posterior` of the scores, with what all scores of a blend share in its level."""
    found = draw_posterior(scored.marginal, draws, seed)
    rng, coefficients = np.random.default_rng([seed, 9]), found.coefficients.copy()
    for name, place in scored.shared.items():
        effects = MEDIANS[name] * rng.standard_normal((len(coefficients) // 2, len(place)))
        effects = np.vstack([effects, -effects])  # so that the mean stays
        coefficients[:, : len(place)] += effects[:, place]
    return replace(found, coefficients=coefficients)


def by_meaning(scored, found):
    """A :class:`Posterior` by meaning: dict of level, rise and bow (D, B), draw_shape and draw_bend
    (D,), and of extras and sds (D, ...) of the scores."""
    marginal, n = scored.marginal, scored.marginal.shape[1]
    level, rise, bows, extras = np.split(found.coefficients, [n, 2 * n, 3 * n], axis=1)
    names = [s for s, _ in scored.designs]
    bowed = np.array([SHAPES[s].bow is not None for s in names])[found.design]
    order = list(dict.fromkeys(names))
    sds = np.exp(found.log_sds)
    sds[:, -1] = np.hypot(sds[:, -1], marginal.priors.floor)
    return {
        "level": level + MIDDLE, "rise": rise, "bow": np.where(bowed[:, None], bows, 0.0),
        "draw_shape": np.array([order.index(s) for s in names])[found.design],
        "draw_bend": np.array([1.0 if k is None else k for _, k in scored.designs])[found.design],
        "extras": extras, "sds": sds,
    }


def shape_table(scored, chances):
    """One row per shape: shape, bend (median), its 95 % limits, weight.

    A limit is missing where more than 2.5 % of the chance lies at that end of the bends tried.
    """
    rows = []
    for name in dict.fromkeys(s for s, _ in scored.designs):
        own = [i for i, (s, _) in enumerate(scored.designs) if s == name]
        weight = float(chances[own].sum())
        limits = (np.nan,) * 3
        if len(own) > 1:
            bends = np.array([scored.designs[i][1] for i in own])
            limits = _limits(bends, chances[own] / max(weight, 1e-300))
        rows.append((name, *limits, weight))
    return pd.DataFrame(rows, columns=["shape", "bend", "bend_lower", "bend_upper", "weight"])


def _limits(bends, chances):
    """Median and 95 % limits of a bend from its chances on a grid."""
    ends = np.cumsum(chances) - 0.5 * chances
    middle, low, high = np.exp(np.interp([0.5, 0.025, 0.975], ends, np.log(bends)))
    low = low if chances[0] < 0.025 else np.nan
    return float(middle), float(low), float(high) if chances[-1] < 0.025 else np.nan

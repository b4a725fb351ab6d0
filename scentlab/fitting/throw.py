"""Throw: how the panel's scores rise with the load, and how sure that is."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from scentlab.maths.curves import SHAPES, best_bend, scaled, scaled_bend_slope
from scentlab.maths.mixed import MixedProblem, fit_mixed
from scentlab.results import FitError, Result

GROUPINGS = ("assessor", "sitting", "pot", "pour", "code")
GROUP_WORDS = {
    "assessor": "between assessors",
    "sitting": "between sittings",
    "pot": "between pots",
    "pour": "between pours of a pot",
    "code": "between pieces of a pour",
}


@dataclass(frozen=True, repr=False)
class ThrowFit(Result):
    """A fitted throw model: per blend a level and a rise, one bend, averaged over shapes.

    Attributes
    ----------
    kind : cold or warm. blends : tuple of names.
    lowest_pct, highest_pct : loads between which level and rise are stated (% of wax).
    shapes : DataFrame, one row per shape: shape, bend, aic, weight, bend_settled.
    level, rise : arrays (D, B), draws of throw at the lowest load and of the gain to the highest.
    draw_shape : array (D,), index of the shape of each draw; draw_bend : array (D,).
    variances : DataFrame: source, sd (throw), levels. n : int, scores. assessors : tuple of codes.
    points : DataFrame, mean score per blend, load and assessor.
    tested : DataFrame: blend, lowest_pct, highest_pct, scores.
    """

    kind: str
    blends: tuple
    lowest_pct: float
    highest_pct: float
    shapes: pd.DataFrame
    level: np.ndarray
    rise: np.ndarray
    draw_shape: np.ndarray
    draw_bend: np.ndarray
    variances: pd.DataFrame
    n: int
    assessors: tuple
    points: pd.DataFrame
    tested: pd.DataFrame
    notes: tuple = field(default=())

    @property
    def table(self):
        """Level and rise per blend with sd and 90 % limits, then the standard deviations."""
        rows = []
        for b, blend in enumerate(self.blends):
            for name, draws in (
                ("at the lowest load", self.level),
                ("gain to the highest", self.rise),
            ):
                lower, middle, upper = np.quantile(draws[:, b], [0.05, 0.5, 0.95])
                rows.append(
                    (
                        f"{self.kind} throw of {blend} {name}",
                        middle,
                        draws[:, b].std(),
                        lower,
                        upper,
                        "throw, 0 to 10",
                    )
                )
        for r in self.variances.itertuples():
            rows.append((f"sd {r.source}", r.sd, np.nan, np.nan, np.nan, "throw, 0 to 10"))
        return pd.DataFrame(rows, columns=["parameter", "estimate", "se", "lower", "upper", "unit"])

    @property
    def sentence(self):
        parts = []
        for b, blend in enumerate(self.blends):
            lower, middle, upper = np.quantile(self.rise[:, b], [0.05, 0.5, 0.95])
            parts.append(f"{blend} {middle:+.1f} ({lower:+.1f} to {upper:+.1f})")
        return (
            f"Change of {self.kind} throw on the 0-10 scale from {self.lowest_pct:.1f} to "
            f"{self.highest_pct:.1f} % of wax, 90 % interval in brackets, "
            f"{len(self.assessors)} assessors: " + "; ".join(parts) + "."
        )


def fit_throw(throws, kind="warm", *, draws=2000, seed=1):
    """Fit throw over load by mixed models of several shapes, weighted by AIC.

    score = level_b + rise_b s(load; bend) + assessor + sitting + pot + pour + piece + error.
    The bend and the weights come from maximum likelihood, the rest from REML.

    Parameters
    ----------
    throws : DataFrame with columns code, pour, pot, blend, load_pct (% of wax), assessor,
        sitting, kind, throw (0 to 10).
    kind : cold or warm; the two are never mixed.

    Raises
    ------
    FitError when there are too few scores or only one load.
    """
    scores, notes = _settle(throws, kind)
    blends = tuple(dict.fromkeys(scores["blend"]))
    lo, hi = float(scores["load_pct"].min()), float(scores["load_pct"].max())
    blend_index = scores["blend"].map({b: i for i, b in enumerate(blends)}).to_numpy(int)
    names, groups = _groupings(scores)
    load, y = scores["load_pct"].to_numpy(float), scores["throw"].to_numpy(float)
    candidates = [
        _fit_shape(SHAPES[s], load, y, blend_index, len(blends), groups, lo, hi)
        for s in SHAPES
        if not (s == "logarithmic" and lo <= 0)
    ]
    weights = _aic_weights([c.aic for c in candidates])
    level, rise, shape, bend = _draw(candidates, weights, len(blends), draws, seed)
    best = candidates[int(np.argmax(weights))]
    return ThrowFit(
        kind,
        blends,
        lo,
        hi,
        _shape_table(candidates, weights),
        level,
        rise,
        shape,
        bend,
        _variance_table(names, groups, best.reml),
        len(scores),
        tuple(sorted(scores["assessor"].unique())),
        _points(scores),
        _tested(scores, blends),
        notes + _panel_notes(scores),
    )


@dataclass(frozen=True)
class _Candidate:
    shape: str
    bend: float | None
    bends: tuple | None
    aic: float
    at_edge: bool
    reml: object
    joint: np.ndarray


def _fit_shape(shape, load, y, blend_index, n_blends, groups, lo, hi):
    indicator = np.eye(n_blends)[blend_index]

    def problem(bend):
        share = scaled(shape, load, bend, lo, hi)
        return MixedProblem(y, np.column_stack([indicator, indicator * share[:, None]]), groups)

    # The random effects hardly depend on the bend: search it with them held, fit, and once more.
    theta = fit_mixed(problem(_first_bend(shape, lo, hi)), reml=False).theta
    for _ in range(2 if shape.bends else 1):
        bend, _, edge = best_bend(
            shape, lambda k, held=theta: problem(k).criterion(held, reml=False), lo, hi
        )
        best = fit_mixed(problem(bend), reml=False, start=np.maximum(theta, 0.1))
        theta = best.theta
    reml = fit_mixed(problem(bend), reml=True, start=np.maximum(theta, 0.1))
    value = best.criterion
    parameters = 2 * n_blends + (bend is not None) + len(groups) + 1
    joint = reml.covariance
    if bend is not None:
        joint = _with_bend(shape, load, y, indicator, bend, reml, groups, lo, hi)
    bends = None if bend is None else shape.bends(lo, hi)
    return _Candidate(shape.name, bend, bends, value + 2.0 * parameters, edge, reml, joint)


def _first_bend(shape, lo, hi):
    return None if shape.bends is None else float(np.sqrt(np.prod(shape.bends(lo, hi))))


def _with_bend(shape, load, y, indicator, bend, reml, groups, lo, hi):
    """Covariance of (level, rise, log bend) by linearising the curve in its bend."""
    share = scaled(shape, load, bend, lo, hi)[:, None]
    design = np.column_stack([indicator, indicator * share])
    rise = indicator @ reml.beta[indicator.shape[1] :]
    slope = rise * scaled_bend_slope(shape, load, bend, lo, hi) * bend
    wide = np.column_stack([design, slope])
    try:
        information = MixedProblem(y, wide, groups).solve(reml.theta).information
    except (FitError, np.linalg.LinAlgError):
        information = np.zeros((wide.shape[1],) * 2)
        information[:-1, :-1] = np.linalg.inv(reml.covariance) * reml.variances[-1]
    # The bend's log is held within about two e-folds, so that a flat profile stays in range.
    information[-1, -1] += 0.25 * reml.variances[-1]
    return reml.variances[-1] * np.linalg.inv(information)


def _aic_weights(aic):
    relative = np.exp(-0.5 * (np.asarray(aic) - np.min(aic)))
    return relative / relative.sum()


def _draw(candidates, weights, n_blends, draws, seed):
    """Draws of level, rise, shape and bend: normal about each shape, shapes by weight."""
    rng = np.random.default_rng(seed)
    counts = np.floor(weights * draws).astype(int)
    counts[np.argmax(weights)] += draws - counts.sum()
    level, rise, shape, bend = [], [], [], []
    for i, (c, count) in enumerate(zip(candidates, counts, strict=True)):
        centre = c.reml.beta if c.bend is None else np.append(c.reml.beta, np.log(c.bend))
        sample = rng.multivariate_normal(centre, c.joint, size=count, method="eigh")
        level.append(sample[:, :n_blends])
        rise.append(sample[:, n_blends : 2 * n_blends])
        shape.append(np.full(count, i))
        bend.append(np.ones(count) if c.bend is None else np.clip(np.exp(sample[:, -1]), *c.bends))
    return np.vstack(level), np.vstack(rise), np.concatenate(shape), np.concatenate(bend)


def throw_draws(fit, blend, loads):
    """Draws (D, L) of the panel's mean throw of a blend at loads (% of wax)."""
    if blend not in fit.blends:
        raise FitError(f"no throw was scored for {blend!r}; scored were {', '.join(fit.blends)}")
    b = fit.blends.index(blend)
    loads = np.atleast_1d(np.asarray(loads, dtype=float))
    share = np.empty((len(fit.draw_shape), len(loads)))
    for i, name in enumerate(fit.shapes["shape"]):
        own = fit.draw_shape == i
        if own.any():
            share[own] = scaled(
                SHAPES[name], loads, fit.draw_bend[own, None], fit.lowest_pct, fit.highest_pct
            )
    return fit.level[:, [b]] + fit.rise[:, [b]] * share


def throw_curve(fit, blend, loads):
    """Mean throw of a blend at loads (% of wax) with its 90 % interval.

    Returns
    -------
    DataFrame with load_pct, throw, lower, upper.
    """
    draws = throw_draws(fit, blend, loads)
    lower, upper = np.quantile(draws, [0.05, 0.95], axis=0)
    return pd.DataFrame(
        {
            "load_pct": np.atleast_1d(np.asarray(loads, dtype=float)),
            "throw": draws.mean(axis=0),
            "lower": lower,
            "upper": upper,
        }
    )


def _settle(throws, kind):
    scores = throws[throws["kind"] == kind]
    if scores.empty:
        kinds = ", ".join(sorted(set(throws["kind"].dropna().astype(str)))) or "none"
        raise FitError(f"there is no {kind} throw score to fit; kinds scored: {kinds}")
    usable = scores["throw"].notna() & scores["load_pct"].notna()
    notes = ()
    if (~usable).any():
        notes = (
            f"{int((~usable).sum())} {kind} throw scores have no value or no weighed load and "
            "were left out.",
        )
    scores = scores[usable].reset_index(drop=True)
    if scores["load_pct"].nunique() < 2:
        raise FitError(f"{kind} throw was scored at one load only; a curve needs at least two")
    loads = scores.groupby("blend")["load_pct"].nunique()
    single = [b for b, n in loads.items() if n < 2]
    if single:
        raise FitError(
            f"{kind} throw of {', '.join(single)} was scored at one load only; score another "
            "load or leave the blend out"
        )
    return scores, notes


def _groupings(scores):
    """The groupings that the data can hold: more than one level, not one level per score, and
    none that parts the scores as another does."""
    names, groups, partitions = [], [], []
    for name in GROUPINGS:
        index, levels = pd.factorize(scores[name].astype(str))
        if 1 < len(levels) < len(scores) and tuple(index) not in partitions:
            names.append(name)
            groups.append(index)
            partitions.append(tuple(index))
    return names, groups


def _shape_table(candidates, weights):
    return pd.DataFrame(
        {
            "shape": [c.shape for c in candidates],
            "bend": [np.nan if c.bend is None else c.bend for c in candidates],
            "aic": [c.aic for c in candidates],
            "weight": weights,
            "bend_settled": [c.bend is None or not c.at_edge for c in candidates],
        }
    )


def _variance_table(names, groups, fit):
    rows = [
        (GROUP_WORDS[n], np.sqrt(v), int(g.max()) + 1)
        for n, g, v in zip(names, groups, fit.variances[:-1], strict=True)
    ]
    rows.append(("of a single score", np.sqrt(fit.variances[-1]), len(groups[0]) if groups else 0))
    return pd.DataFrame(rows, columns=["source", "sd", "levels"])


def _points(scores):
    return scores.groupby(["blend", "pour", "load_pct", "assessor"], as_index=False)["throw"].mean()


def _tested(scores, blends):
    rows = []
    for blend in blends:
        own = scores[scores["blend"] == blend]
        rows.append((blend, own["load_pct"].min(), own["load_pct"].max(), len(own)))
    return pd.DataFrame(rows, columns=["blend", "lowest_pct", "highest_pct", "scores"])


def _panel_notes(scores):
    notes = []
    people = scores["assessor"].nunique()
    if people == 1:
        notes.append("One assessor scored: the throw curve is that person's, not a panel's.")
    elif people < 6:
        notes.append(
            f"{people} assessors scored: a panel this small tells only large steps of throw apart."
        )
    if scores.groupby("blend")["pot"].nunique().max() == 1:
        notes.append(
            "Each blend was scored from one pot, so how throw differs between pots is not known."
        )
    return tuple(notes)

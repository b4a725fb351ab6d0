"""Throw: how the panel's scores rise with the load, and how sure that is."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from scentlab.fitting.assessors import agreements, panel_table, unlike, works_with
from scentlab.fitting.looks import planned_loads
from scentlab.fitting.throw_model import SOURCES, arrange, draw, fit_shapes, freedom, pivots
from scentlab.fitting.warming import Warming, covariate_at, warming_of
from scentlab.maths.curves import SHAPES, scaled, scaled_inverse
from scentlab.maths.mixed import combined_variance, least_difference, variance_covariance
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result

POWER, ALPHA = 0.8, 0.05


@dataclass(frozen=True, repr=False)
class ThrowFit(Result):
    """A fitted throw model: per blend a level and a rise, one bend, averaged over shapes.

    Attributes
    ----------
    kind : cold or warm. blends : tuple of names.
    lowest_pct, highest_pct : loads between which level and rise are stated (% of wax).
    shapes : DataFrame, one row per shape: shape, bend, bend_lower, bend_upper (95 % profile
        limits, missing where the scores set none), bend_settled (both set), aic, weight.
    level, rise : arrays (D, B), draws of throw at the lowest load and of the gain to the highest.
    draw_shape : array (D,), index of the shape of each draw; draw_bend : array (D,).
    variances : DataFrame: source, sd (throw), levels. n : int, scores. assessors : tuple of codes.
    points : DataFrame, mean score per blend, load and assessor.
    tested : DataFrame, one row per blend: blend, lowest_pct, highest_pct, scores; loads, pots,
        pieces_per_pour, scores_per_load; level_df, rise_df, degrees of freedom;
        least_difference, between two neighbouring loads, in points, that the panel tells.
    variance_covariance : array, how sure the variances are. panel : DataFrame per assessor.
    answers : DataFrame, the rise with all assessors and without some: panel, blend, rise, lower,
        upper. minutes_effect : array (D,), per unit of the covariate of ``warming``.
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
    variance_covariance: np.ndarray
    panel: pd.DataFrame
    answers: pd.DataFrame
    minutes_effect: np.ndarray
    warmer: dict
    notes: tuple = field(default=())

    @property
    def warming(self):
        return Warming(**self.warmer)

    @property
    def table(self):
        """Level and rise per blend with 90 % limits, then the standard deviations.

        ``se`` is half the width of the central 68.27 %, which a few far draws do not move.
        """
        rows = []
        for b, blend in enumerate(self.blends):
            for name, draws in (
                ("at the lowest load", self.level),
                ("gain to the highest", self.rise),
            ):
                lower, low, middle, high, upper = np.quantile(
                    draws[:, b], [0.05, 0.158655, 0.5, 0.841345, 0.95]
                )
                rows.append(
                    (
                        f"{self.kind} throw of {blend} {name}",
                        middle,
                        (high - low) / 2.0,
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
        parts = [f"{b} {_gain(self.rise[:, i])}" for i, b in enumerate(self.blends)]
        at = f" at {self.warming.usual:g} min on the warmer" if self.warming.term else ""
        return (
            f"Change of {self.kind} throw on the 0-10 scale from {self.lowest_pct:.1f} to "
            f"{self.highest_pct:.1f} % of wax{at}, 90 % interval in brackets, "
            f"{len(self.assessors)} assessors: " + "; ".join(parts) + "."
        )


def _gain(draws):
    lower, middle, upper = np.quantile(draws, [0.05, 0.5, 0.95])
    return f"{middle:+.1f} ({lower:+.1f} to {upper:+.1f})"


@one_thread()
def fit_throw(throws, kind="warm", *, air_changes_per_h=None, draws=2000, seed=1):
    """Fit throw over load by mixed models of several shapes, weighted by AIC.

    score = level_b + rise_b s(load; bend) + minutes + assessor + assessor's scale + assessor in
    a blend + sitting + pot + pour + piece + error; see :mod:`scentlab.fitting.throw_model`.
    The bend and the weights come from maximum likelihood, the rest from REML; intervals use
    Student's t with Satterthwaite's degrees of freedom. Scores of an assessor unlike the others
    are kept, flagged in the notes, and the rise is given with and without them.

    Parameters
    ----------
    throws : DataFrame with columns code, pour, pot, blend, load_pct (% of wax), assessor,
        sitting, kind, throw (0 to 10), and where known minutes (on the warmer) and
        works_with_fragrance (yes or no).
    kind : cold or warm; the two are never mixed.
    air_changes_per_h : float or None, of the room, for the term for the minutes.

    Raises
    ------
    FitError when there are too few scores or only one load.
    """
    scores, notes = _settle(throws, kind)
    fit = _fit(scores, kind, air_changes_per_h, draws, seed)
    answers, odd = _with_and_without(fit, scores, air_changes_per_h, draws, seed)
    every = notes + fit.notes + _panel_notes(scores) + _telling_notes(fit) + odd
    return _replaced(fit, answers=answers, notes=every)


def _replaced(fit, **changes):
    fields = {name: getattr(fit, name) for name in fit.__dataclass_fields__}
    return ThrowFit(**(fields | changes))


def _fit(scores, kind, air, draws, seed):
    """The fit of settled scores, with the notes of the model but not those of the panel."""
    blends = tuple(dict.fromkeys(scores["blend"]))
    warming, covariate, notes = warming_of(scores, kind, air)
    scored = arrange(scores, blends, covariate)
    candidates, weights = fit_shapes(scored)
    drawn = draw(candidates, weights, len(blends), draws, seed)
    best = candidates[int(np.argmax(weights))]
    answers = _answer_rows(f"all {scores['assessor'].nunique()} assessors", blends, drawn.rise)
    return ThrowFit(
        kind,
        blends,
        scored.lo,
        scored.hi,
        _shape_table(candidates, weights),
        drawn.level,
        drawn.rise,
        drawn.shape,
        drawn.bend,
        _variance_table(scored, best.reml),
        len(scores),
        tuple(sorted(scores["assessor"].unique())),
        _points(scores),
        _tested(scores, blends, scored, best),
        variance_covariance(best.problem, best.reml),
        _panel(scores, scored, best),
        pd.DataFrame(answers, columns=["panel", "blend", "rise", "lower", "upper"]),
        drawn.minutes if warming.term else np.zeros(0),
        vars(warming),
        notes,
    )


def throw_draws(fit, blend, loads, minutes=None):
    """Draws (D, L) of the panel's mean throw of a blend at loads (% of wax).

    minutes : on the warmer; the most common time when None. Raises FitError for a blend or a time
    that was not scored.
    """
    b = _index(fit, blend)
    loads = np.atleast_1d(np.asarray(loads, dtype=float))
    share = np.empty((len(fit.draw_shape), len(loads)))
    for i, name in enumerate(fit.shapes["shape"]):
        own = fit.draw_shape == i
        if own.any():
            share[own] = scaled(
                SHAPES[name], loads, fit.draw_bend[own, None], fit.lowest_pct, fit.highest_pct
            )
    return fit.level[:, [b]] + _at_minutes(fit, minutes)[:, None] + fit.rise[:, [b]] * share


def _index(fit, blend):
    if blend not in fit.blends:
        raise FitError(f"no throw was scored for {blend!r}; scored were {', '.join(fit.blends)}")
    return fit.blends.index(blend)


def _at_minutes(fit, minutes):
    """What the minutes add to each draw (D,)."""
    covariate = covariate_at(fit.warming, fit.kind, minutes)
    return covariate * fit.minutes_effect if covariate else np.zeros(len(fit.draw_shape))


@one_thread()
def throw_curve(fit, blend, loads, minutes=None):
    """Mean throw of a blend at loads (% of wax) with its 90 % interval.

    Returns
    -------
    DataFrame with load_pct, throw, lower, upper; at ``minutes`` as in :func:`throw_draws`.
    """
    draws = throw_draws(fit, blend, loads, minutes)
    lower, upper = np.quantile(draws, [0.05, 0.95], axis=0)
    return pd.DataFrame(
        {
            "load_pct": np.atleast_1d(np.asarray(loads, dtype=float)),
            "throw": draws.mean(axis=0),
            "lower": lower,
            "upper": upper,
        }
    )


@one_thread()
def load_for_throw(fit, blend, throw, minutes=None):
    """The lowest load (% of wax) at which a blend's mean throw comes up to ``throw``.

    Parameters
    ----------
    throw : float or array (T,), 0 to 10. minutes : as in :func:`throw_draws`.

    Returns
    -------
    DataFrame with throw, load_pct (median), lower and upper (90 % limits); nan where the limit
    lies outside the loads scored: out of reach above, or passed already at the lowest.
    """
    b, wanted = _index(fit, blend), np.atleast_1d(np.asarray(throw, dtype=float))
    lowest, highest = fit.tested.set_index("blend").loc[blend, ["lowest_pct", "highest_pct"]]
    at_ends = throw_draws(fit, blend, [lowest, highest], minutes)
    level = fit.level[:, b] + _at_minutes(fit, minutes)
    share = (wanted - level[:, None]) / fit.rise[:, [b]]
    load = np.full(share.shape, np.inf)
    for i, name in enumerate(fit.shapes["shape"]):
        own = fit.draw_shape == i
        load[own] = scaled_inverse(
            SHAPES[name], share[own], fit.draw_bend[own, None], fit.lowest_pct, fit.highest_pct
        )
    load[wanted > at_ends[:, [1]]] = np.inf
    load[wanted <= at_ends[:, [0]]] = -np.inf
    found = np.quantile(load, [0.5, 0.05, 0.95], axis=0, method="nearest")
    columns = dict(zip(("load_pct", "lower", "upper"), _finite(found), strict=True))
    return pd.DataFrame({"throw": wanted} | columns)


def _finite(values):
    return np.where(np.isfinite(values), values, np.nan)


def difference_told(fit, blend, share_apart, power=POWER, alpha=ALPHA):
    """The least difference (points) between two loads of a blend that the panel could tell.

    Two loads side by side, each scored as often as in this series: the variances between pours,
    pieces and single scores count twice, the assessors' scales by how far the two lie apart.

    Parameters
    ----------
    share_apart : float or array, how much of the rise lies between the two loads, 0 to 1.
    """
    row = fit.tested.set_index("blend").loc[blend]
    apart = np.atleast_1d(np.asarray(share_apart, dtype=float))
    weights = _difference_weights(list(fit.variances["source"]), row, apart, len(fit.assessors))
    return _told(
        fit.variances["sd"].to_numpy() ** 2, fit.variance_covariance, weights, power, alpha
    )


def _difference_weights(sources, row, apart, people):
    weights = np.zeros((len(apart), len(sources)))
    counts = {
        "pour": row["pots"],
        "code": row["pots"] * row["pieces_per_pour"],
        "score": row["scores_per_load"],
    }
    for key, count in counts.items():
        if SOURCES[key] in sources:
            weights[:, sources.index(SOURCES[key])] = 2.0 / count
    if SOURCES["scale"] in sources:
        weights[:, sources.index(SOURCES["scale"])] = apart**2 / people
    return weights


def _told(variances, covariance, weights, power, alpha):
    total, df = combined_variance(variances, covariance, weights)
    return least_difference(np.sqrt(total), df, power, alpha)


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
    scores["assessor"] = scores["assessor"].astype(str)
    _check_loads(scores, kind)
    return scores, notes


def _check_loads(scores, kind):
    if scores["load_pct"].nunique() < 2:
        raise FitError(f"{kind} throw was scored at one load only; a curve needs at least two")
    loads = scores.groupby("blend")["load_pct"].nunique()
    single = [b for b, n in loads.items() if n < 2]
    if single:
        raise FitError(
            f"{kind} throw of {', '.join(single)} was scored at one load only; score another "
            "load or leave the blend out"
        )


def _shape_table(candidates, weights):
    return pd.DataFrame(
        {
            "shape": [c.shape for c in candidates],
            "bend": [np.nan if c.bend is None else c.bend for c in candidates],
            "bend_lower": [c.limits[0] for c in candidates],
            "bend_upper": [c.limits[1] for c in candidates],
            "aic": [c.aic for c in candidates],
            "weight": weights,
            "bend_settled": [c.settled for c in candidates],
        }
    )


def _variance_table(scored, fit):
    rows = [
        (SOURCES[n], np.sqrt(v), int(g.max()) + 1)
        for n, g, v in zip(scored.names, scored.groups, fit.variances[:-1], strict=True)
    ]
    rows.append((SOURCES["score"], np.sqrt(fit.variances[-1]), scored.problem.n))
    return pd.DataFrame(rows, columns=["source", "sd", "levels"])


def _points(scores):
    return scores.groupby(["blend", "pour", "load_pct", "assessor"], as_index=False)["throw"].mean()


def _tested(scores, blends, scored, best):
    df = freedom(best, len(blends), pivots(best, len(blends)))
    covariance = variance_covariance(best.problem, best.reml)
    sources = [SOURCES[n] for n in (*scored.names, "score")]
    rows = []
    for b, blend in enumerate(blends):
        own = scores[scores["blend"] == blend]
        loads = _distinct(own["load_pct"])
        row = {
            "blend": blend,
            "lowest_pct": own["load_pct"].min(),
            "highest_pct": own["load_pct"].max(),
            "scores": len(own),
            "loads": len(loads),
            "pots": own["pot"].nunique(),
            "pieces_per_pour": own["code"].nunique() / own["pour"].nunique(),
            "scores_per_load": len(own) / len(loads),
            "level_df": df[b],
            "rise_df": df[len(blends) + b],
        }
        apart = np.array([1.0 / max(len(loads) - 1, 1)])
        weights = _difference_weights(sources, row, apart, scores["assessor"].nunique())
        told = _told(best.reml.variances, covariance, weights, POWER, ALPHA)
        rows.append(row | {"least_difference": float(told[0])})
    return pd.DataFrame(rows)


def _distinct(loads, near=0.25):
    """Loads as planned: weighed loads within a quarter point of each other are one."""
    return np.array([p.mean() for p in planned_loads(loads, near)])


def _panel(scores, scored, best):
    """The table of assessors; their scales only where the panel's mean rise is not near 0."""
    effects = dict(zip(scored.names, best.reml.effects, strict=True))
    n = scored.n_blends
    shares = np.concatenate([np.zeros(n), scored.indicator.mean(axis=0)])
    shares = np.append(shares, np.zeros(best.problem.p - 2 * n))
    rise = float(shares @ best.reml.beta)
    known = rise > 2.0 * np.sqrt(shares @ best.reml.covariance @ shares)
    people = pd.factorize(scores["assessor"])[1]
    shifts = dict(zip(people, effects.get("assessor", np.zeros(len(people))), strict=True))
    found = agreements(scores, shifts)
    return panel_table(scores, effects, rise if known else None, found, unlike(found))


def _answer_rows(panel, blends, rise):
    rows = []
    for b, blend in enumerate(blends):
        lower, middle, upper = np.quantile(rise[:, b], [0.05, 0.5, 0.95])
        rows.append((panel, blend, middle, lower, upper))
    return rows


def _with_and_without(fit, scores, air, draws, seed):
    """The answers with all assessors and without those flagged, and the notes that say so."""
    frames, notes = [fit.answers], []
    odd = fit.panel[fit.panel["scored"] != ""]
    used = works_with(scores)
    reasons = [((r.assessor,), f"scored {r.scored}") for r in odd.itertuples()]
    if used:
        verb = "works" if len(used) == 1 else "work"
        reasons.append((used, f"{verb} with the fragrance and may be used to it"))
    for people, reason in reasons:
        rest = scores[~scores["assessor"].isin(people)].reset_index(drop=True)
        frame, words = _without(fit, people, rest, air, draws, seed)
        frames += [] if frame is None else [frame]
        notes.append(f"{_listed(people)} {reason}. {words}")
    return pd.concat(frames, ignore_index=True), tuple(notes)


def _without(fit, people, rest, air, draws, seed):
    """Answers without some assessors as a frame, and the sentence that compares."""
    names = _listed(people)
    if rest.empty:
        return None, "Nobody else scored: ask somebody who does not."
    try:
        _check_loads(rest, fit.kind)
        other = _fit(rest, fit.kind, air, draws, seed)
    except FitError as error:
        return None, f"Without {names} there is no answer: {error}."
    each = [
        f"{blend} {_gain(fit.rise[:, b])} with and "
        f"{_gain(other.rise[:, other.blends.index(blend)])} without"
        for b, blend in enumerate(fit.blends)
        if blend in other.blends
    ]
    words = (
        f"The gain of {fit.kind} throw from {fit.lowest_pct:.1f} to {fit.highest_pct:.1f} % of "
        f"wax with {names} and without, 90 % interval in brackets: {'; '.join(each)}."
    )
    return other.answers.assign(panel=f"without {names}"), words


def _listed(people):
    return people[0] if len(people) == 1 else f"{', '.join(people[:-1])} and {people[-1]}"


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


def _telling_notes(fit):
    """What this panel cannot tell: any load of a blend from another, or neighbouring loads."""
    flat, steps = [], []
    tested = fit.tested.set_index("blend")
    for b, blend in enumerate(fit.blends):
        row = tested.loc[blend]
        loads = np.linspace(row["lowest_pct"], row["highest_pct"], int(row["loads"]))
        mean = throw_draws(fit, blend, loads).mean(axis=0)
        whole = float(difference_told(fit, blend, 1.0)[0])
        if mean[-1] - mean[0] < whole:
            flat.append(f"{blend} {_gain(fit.rise[:, b])}, where {whole:.1f} can be told")
        elif np.diff(mean).max() < row["least_difference"]:
            step, least = np.diff(mean).max(), row["least_difference"]
            steps.append(f"{blend} {step:.1f}, where {least:.1f} can be told")
    return _said(
        f"This panel could hardly tell the lowest load from the highest; points of {fit.kind} "
        "throw gained, 90 % interval in brackets",
        flat,
    ) + _said(
        f"This panel cannot tell neighbouring loads apart; points of {fit.kind} throw in the "
        "largest step",
        steps,
    )


def _said(start, parts):
    return (f"{start}: {'; '.join(parts)} (80 % power at 5 %).",) if parts else ()

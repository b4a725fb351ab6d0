"""Throw: how the panel's scores rise with the load, where they fall again, and how sure that is."""

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from scentlab.fitting.assessors import agreements, panel_table, unlike, works_with
from scentlab.fitting.looks import planned_loads
from scentlab.fitting.smelling_order import WORDS, order_of
from scentlab.fitting.throw_model import (
    COEFFICIENTS,
    EXTRAS,
    FLOOR,
    MEDIANS,
    SOURCES,
    SPREAD,
    arrange,
    draw,
    effects,
    shape_table,
)
from scentlab.fitting.warming import SAID, Warming, covariate_at, warming_of
from scentlab.maths.curves import SHAPES, bow, scaled
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result

# Points of throw under which a difference is of no account, and how sure a note must be of it.
MARGIN, SURE, PEAK_SURE = 0.5, 0.8, 0.9
GRID = 101
# Weighed loads closer than this (% of wax) are one planned load.
ONE_LOAD = 0.25


@dataclass(frozen=True, repr=False)
class ThrowFit(Result):
    """A fitted throw model: per blend a level, a rise and a bow, over all shapes of curve.

    Attributes
    ----------
    kind : cold or warm. blends : tuple of names.
    lowest_pct, highest_pct : loads between which level and rise are stated (% of wax).
    shapes : DataFrame, one row per shape: shape, bend (median), bend_lower, bend_upper (95 %
        limits, missing where the scores set none), weight (chance given the scores),
        bend_settled (both set).
    level, rise, bow : arrays (D, B), draws of throw at the lowest load, of the gain to the
        highest, and of the height above the straight line halfway (0 but for the parabola).
    draw_shape : array (D,), index of the shape of each draw; draw_bend : array (D,).
    variances : DataFrame: source, sd (median, points), lower, upper (90 % limits), levels, prior
        (median of the prior, points). n : int, scores. assessors : tuple of codes.
    points : DataFrame, mean score per blend, load and assessor.
    tested : DataFrame, one row per blend: blend, lowest_pct, highest_pct, scores, loads, pots,
        pieces_per_pour, scores_per_load. panel : DataFrame per assessor.
    answers : DataFrame, the rise with all assessors and without some: panel, blend, rise, lower,
        upper. minutes_effect : array (D,), per unit of the covariate of ``warming``.
    order : DataFrame, what the order of smelling adds (points): effect, estimate, lower, upper.
    prior : dict, what is taken for likely before any score, in words. effective : float, how many
        draws of the standard deviations the draws are worth.
    """

    kind: str
    blends: tuple
    lowest_pct: float
    highest_pct: float
    shapes: pd.DataFrame
    level: np.ndarray
    rise: np.ndarray
    bow: np.ndarray
    draw_shape: np.ndarray
    draw_bend: np.ndarray
    variances: pd.DataFrame
    n: int
    assessors: tuple
    points: pd.DataFrame
    tested: pd.DataFrame
    panel: pd.DataFrame
    answers: pd.DataFrame
    minutes_effect: np.ndarray
    warmer: dict
    order: pd.DataFrame
    prior: dict
    effective: float
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
                row = f"{self.kind} throw of {blend} {name}"
                rows.append((row, middle, (high - low) / 2.0, lower, upper))
        rows += [(f"sd {r.source}", r.sd, np.nan, r.lower, r.upper) for r in
                 self.variances.itertuples()]  # fmt: skip
        frame = pd.DataFrame(rows, columns=["parameter", "estimate", "se", "lower", "upper"])
        return frame.assign(unit="throw, 0 to 10")

    @property
    def sentence(self):
        parts = [f"{b} {_gain(self.rise[:, i])}" for i, b in enumerate(self.blends)]
        at = f" at {self.warming.usual:g} min on the warmer" if self.warming.term else ""
        return (
            f"Change of {SAID[self.kind]} throw on the 0-10 scale from {self.lowest_pct:.1f} to "
            f"{self.highest_pct:.1f} % of wax{at}, 90 % interval in brackets, "
            f"{_count(len(self.assessors), 'tester')}: " + "; ".join(parts) + "."
        )


def _count(number, word):
    return f"{number} {word}{'s' * (number != 1)}"


def _gain(draws):
    lower, middle, upper = np.quantile(draws, [0.05, 0.5, 0.95])
    return f"{middle:+.1f} ({lower:+.1f} to {upper:+.1f})"


@one_thread()
def fit_throw(throws, kind="warm", *, air_changes_per_h=None, draws=2000, seed=1):
    """Fit throw over load by a mixed model with weak priors, over several shapes of curve.

    score = level_b + rise_b s(load; bend) + bow_b h(load) + minutes + order of smelling + tester
    + tester's scale + tester in a blend + session + pot + pour + piece + error; see
    :mod:`scentlab.fitting.throw_model`. Shapes, bends and standard deviations are drawn by their
    posterior. Scores of a tester unlike the others are kept, flagged in the notes, and the rise
    is given with and without them. A blend scored at one load only is left out and noted.

    Parameters
    ----------
    throws : DataFrame with columns code, pour, pot, blend, load_pct (% of wax), assessor,
        sitting, kind, throw (0 to 10), and where known minutes (on the warmer), position (in the
        session) and works_with_fragrance (yes or no).
    kind : cold or warm; the two are never mixed.
    air_changes_per_h : float or None, of the room, for the term for the minutes.

    Raises
    ------
    FitError when no blend was scored at two loads.
    """
    scores, notes = _settle(throws, kind)
    fit = _fit(scores, kind, air_changes_per_h, draws, seed)
    answers, odd = _with_and_without(fit, scores, air_changes_per_h, draws, seed)
    every = notes + fit.notes + _panel_notes(scores) + _curve_notes(fit) + _order_notes(fit) + odd
    return replace(fit, answers=answers, notes=every)


def _fit(scores, kind, air, draws, seed):
    """The fit of settled scores, with the notes of the model but not those of the panel."""
    blends = tuple(dict.fromkeys(scores["blend"]))
    warming, minutes, notes = warming_of(scores, kind, air)
    covariates = ({} if minutes is None else {"minutes": minutes}) | order_of(scores)
    scored = arrange(scores, blends, covariates)
    drawn = draw(scored, draws, seed)
    answers = _answer_rows(f"all {scores['assessor'].nunique()} assessors", blends, drawn.rise)
    extras = dict(zip(scored.extras, drawn.extras.T, strict=True))
    return ThrowFit(
        kind=kind,
        blends=blends,
        lowest_pct=scored.lo,
        highest_pct=scored.hi,
        shapes=shape_table(scored, drawn.posterior.chances),
        level=drawn.level,
        rise=drawn.rise,
        bow=drawn.bow,
        draw_shape=drawn.shape,
        draw_bend=drawn.bend,
        variances=_variance_table(scored, drawn),
        n=len(scores),
        assessors=tuple(sorted(scores["assessor"].unique())),
        points=_points(scores),
        tested=_tested(scores, blends),
        panel=_panel(scores, scored, drawn),
        answers=pd.DataFrame(answers, columns=["panel", "blend", "rise", "lower", "upper"]),
        minutes_effect=extras.get("minutes", np.zeros(0)),
        warmer=vars(warming),
        order=_order_table(extras),
        prior=_describe_prior(scored.names, scored.extras),
        effective=drawn.posterior.effective,
        notes=notes,
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
        for bend in np.unique(fit.draw_bend[own]):
            share[own & (fit.draw_bend == bend)] = scaled(
                SHAPES[name], loads, bend, fit.lowest_pct, fit.highest_pct
            )
    bowed = fit.bow[:, [b]] * bow(loads, fit.lowest_pct, fit.highest_pct)
    return (
        fit.level[:, [b]] + _at_minutes(fit, minutes)[:, None] + fit.rise[:, [b]] * share + bowed
    )


def difference_draws(fit, blend, load_a, load_b):
    """Draws (D,) of the throw of a blend at ``load_b`` less that at ``load_a`` (% of wax).

    The share of them within a margin is the chance that the two loads smell alike to it.
    """
    low, high = throw_draws(fit, blend, [load_a, load_b]).T
    return high - low


@dataclass(frozen=True)
class Peak:
    """Whether throw is strongest inside the loads scored: ``chance`` that it lies there and falls
    by ``MARGIN`` or more up to the highest load; where (% of wax, 90 % limits); how far it falls
    (points)."""

    chance: float
    load_pct: float
    lower_pct: float
    upper_pct: float
    falls: float


def throw_peak(fit, blend):
    """The :class:`Peak` of a blend's throw over the loads scored."""
    _index(fit, blend)
    lowest, highest = fit.tested.set_index("blend").loc[blend, ["lowest_pct", "highest_pct"]]
    loads = np.linspace(lowest, highest, GRID)
    draws = throw_draws(fit, blend, loads)
    top = draws.argmax(axis=1)
    fall = draws.max(axis=1) - draws[:, -1]
    inside = (fall >= MARGIN) & (draws.max(axis=1) - draws[:, 0] >= 0.5 * MARGIN)
    if not inside.any():
        return Peak(0.0, np.nan, np.nan, np.nan, np.nan)
    middle, low, high = np.quantile(loads[top[inside]], [0.5, 0.05, 0.95])
    return Peak(
        float(inside.mean()), float(middle), float(low), float(high),
        float(np.median(fall[inside])),
    )  # fmt: skip


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
    wanted = np.atleast_1d(np.asarray(throw, dtype=float))
    _index(fit, blend)
    lowest, highest = fit.tested.set_index("blend").loc[blend, ["lowest_pct", "highest_pct"]]
    loads = np.linspace(lowest, highest, 4 * GRID)
    draws = throw_draws(fit, blend, loads, minutes)
    found = np.quantile(
        [_first_reach(draws, loads, w) for w in wanted], [0.5, 0.05, 0.95], axis=1,
        method="nearest",
    )  # fmt: skip
    columns = dict(zip(("load_pct", "lower", "upper"), _finite(found), strict=True))
    return pd.DataFrame({"throw": wanted} | columns)


def _first_reach(draws, loads, wanted):
    """The first load (D,) at which each draw comes up to ``wanted``; inf for none, -inf where it
    is passed at the lowest load."""
    over = draws >= wanted
    at = over.argmax(axis=1)
    rows = np.arange(len(draws))
    before, there = draws[rows, np.maximum(at - 1, 0)], draws[rows, at]
    step = (wanted - before) / np.where(there > before, there - before, 1.0)
    found = loads[np.maximum(at - 1, 0)] + step * (loads[1] - loads[0])
    found = np.where(at == 0, -np.inf, found)
    return np.where(over.any(axis=1), found, np.inf)


def _finite(values):
    return np.where(np.isfinite(values), values, np.nan)


def _settle(throws, kind):
    scores, said = throws[throws["kind"] == kind], SAID.get(kind, kind)
    if scores.empty:
        kinds = sorted(set(throws["kind"].dropna().astype(str)))
        kinds = ", ".join(SAID.get(k, k) for k in kinds) or "none"
        raise FitError(
            f"there is no {said} throw score to fit; kinds scored: {kinds}; score {said} throw at "
            "two loads of a blend or more"
        )
    scores = scores.assign(
        throw=pd.to_numeric(scores["throw"], errors="coerce").astype(float),
        load_pct=pd.to_numeric(scores["load_pct"], errors="coerce").astype(float),
    )
    usable = np.isfinite(scores[["throw", "load_pct"]]).all(axis=1) & scores["blend"].notna()
    notes = ()
    if (~usable).any():
        lost = _count(int((~usable).sum()), f"{said} throw score")
        notes = (f"Left out, for want of a value or of a weighed load: {lost}.",)
    scores = scores[usable].reset_index(drop=True)
    scores["assessor"] = scores["assessor"].astype(str)
    scores["blend"] = scores["blend"].astype(str)
    scores, more = _several_loads(scores, said)
    return scores, notes + more


def _several_loads(scores, said):
    """The scores of the blends scored at two loads or more, and a note on the others."""
    if scores.empty:
        raise FitError(f"no {said} throw score has both a value and a weighed load; add them")
    loads = scores.groupby("blend", sort=False)["load_pct"]
    apart = loads.max() - loads.min() > ONE_LOAD
    single = list(apart.index[~apart])
    if not apart.any():
        raise FitError(
            f"{said} throw was scored at one load only of each blend; a curve needs at least two: "
            "score pieces of another load"
        )
    if not single:
        return scores, ()
    kept = scores[scores["blend"].isin(apart.index[apart])].reset_index(drop=True)
    return kept, (
        f"{said.capitalize()} throw of {', '.join(single)} was scored at one load only and has no "
        "curve: score pieces of another load.",
    )


def _variance_table(scored, drawn):
    low, middle, high = np.quantile(drawn.sds, [0.05, 0.5, 0.95], axis=0)
    sizes = [int(g.max()) + 1 for g in scored.groups] + [scored.marginal.n]
    names = [*scored.names, "score"]
    return pd.DataFrame(
        {
            "source": [SOURCES[n] for n in names],
            "sd": middle,
            "lower": low,
            "upper": high,
            "levels": sizes,
            "prior": [MEDIANS[n] for n in names],
        }
    )


def _describe_prior(names, extras):
    """What is taken for likely before any score, part by part, in points of the 0 to 10 scale."""
    within = f"90 % within {np.exp(1.645 * SPREAD):.1f} times either way"
    words = {
        f"sd {SOURCES[n]}": f"about {MEDIANS[n]:g} points, {within}"
        for n in (*names, "score")
    }
    words[f"sd {SOURCES['score']}"] += f", and {FLOOR:g} at least"
    for name, about in (("level", "5"), ("rise", "0"), ("bow", "0")):
        words[f"{name} of throw"] = f"normal, {about} ± {COEFFICIENTS[name]:g} points (sd)"
    words |= {f"effect of {n}": f"normal, 0 ± {EXTRAS[n]:g} points (sd)" for n in extras}
    words["shapes"] = ", ".join(f"{s.name} {100 * s.chance:.0f} %" for s in SHAPES.values())
    return words


def _order_table(extras):
    rows = [
        (name, *np.quantile(extras[name], [0.5, 0.05, 0.95])) for name in WORDS if name in extras
    ]
    return pd.DataFrame(rows, columns=["effect", "estimate", "lower", "upper"])


def _points(scores):
    return scores.groupby(["blend", "pour", "load_pct", "assessor"], as_index=False)["throw"].mean()


def _tested(scores, blends):
    rows = []
    for blend in blends:
        own = scores[scores["blend"] == blend]
        loads = _distinct(own["load_pct"])
        rows.append(
            {
                "blend": blend,
                "lowest_pct": own["load_pct"].min(),
                "highest_pct": own["load_pct"].max(),
                "scores": len(own),
                "loads": len(loads),
                "pots": own["pot"].nunique(),
                "pieces_per_pour": own["code"].nunique() / max(own["pour"].nunique(), 1),
                "scores_per_load": len(own) / len(loads),
            }
        )
    return pd.DataFrame(rows)


def _distinct(loads):
    """Loads as planned: weighed loads within a quarter point of each other are one."""
    return np.array([p.mean() for p in planned_loads(loads, ONE_LOAD)])


def _panel(scores, scored, drawn):
    """The table of assessors; their scales only where the panel's mean rise is not near 0."""
    found = effects(scored, drawn)
    blends = scores["blend"].map({b: i for i, b in enumerate(dict.fromkeys(scores["blend"]))})
    rise = drawn.rise @ (np.bincount(blends, minlength=drawn.rise.shape[1]) / len(scores))
    known = rise.mean() > 2.0 * rise.std()
    people = pd.factorize(scores["assessor"])[1]
    shifts = dict(zip(people, found.get("assessor", np.zeros(len(people))), strict=True))
    agreed = agreements(scores, shifts)
    return panel_table(scores, found, float(rise.mean()) if known else None, agreed, unlike(agreed))


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
        rest, _ = _several_loads(rest, SAID[fit.kind])
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
        f"The gain of {SAID[fit.kind]} throw from {fit.lowest_pct:.1f} to {fit.highest_pct:.1f} % "
        f"of wax with {names} and without, 90 % interval in brackets: {'; '.join(each)}."
    )
    return other.answers.assign(panel=f"without {names}"), words


def _listed(people):
    return people[0] if len(people) == 1 else f"{', '.join(people[:-1])} and {people[-1]}"


def _panel_notes(scores):
    notes = []
    said = SAID[scores["kind"].iloc[0]]
    if scores["throw"].nunique() == 1:
        notes.append(
            f"Every {said} throw score is {scores['throw'].iloc[0]:g}: either no load smells "
            "different, or the pieces were not smelt one against the other."
        )
    people = scores["assessor"].nunique()
    if people == 1:
        notes.append(
            "One tester scored: how far others would follow is taken from what panels usually do. "
            "A second tester makes the answer surer."
        )
    if scores.groupby("blend")["pot"].nunique().max() == 1:
        notes.append(
            "Each blend was scored from one pot, so how throw differs between pots is not known."
        )
    return tuple(notes)


def _curve_notes(fit):
    """Where throw peaks, and which blends smell alike at their lowest and highest load."""
    notes, said = [], SAID[fit.kind]
    tested = fit.tested.set_index("blend")
    for blend in fit.blends:
        low, high = tested.loc[blend, ["lowest_pct", "highest_pct"]]
        peak = throw_peak(fit, blend)
        if peak.chance >= PEAK_SURE:
            notes.append(
                f"{blend}: {said} throw is strongest near {peak.load_pct:.1f} % and falls beyond, "
                f"by {peak.falls:.1f} points up to {high:.1f} % (90 % interval of the peak "
                f"{peak.lower_pct:.1f} to {peak.upper_pct:.1f} %)."
            )
            continue
        alike = float(np.mean(np.abs(difference_draws(fit, blend, low, high)) <= MARGIN))
        if alike >= SURE:
            notes.append(
                f"{blend}: {said} throw at {high:.1f} % is within {MARGIN:g} points of that at "
                f"{low:.1f} % (chance {'over 99' if alike > 0.99 else f'{100 * alike:.0f}'} %)."
            )
    return tuple(notes)


def _order_notes(fit):
    """What the order of smelling was found to add, where the sign is sure."""
    return tuple(
        f"Scores change by {r.estimate:+.1f} points ({r.lower:+.1f} to {r.upper:+.1f}) "
        f"{WORDS[r.effect]}; this is allowed for."
        for r in fit.order.itertuples()
        if r.lower > 0.0 or r.upper < 0.0
    )

"""Throw: how the panel's scores rise with the load, where they fall again, and how sure that is."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import special

from scentlab.fitting.assessors import (
    agreements,
    over_loads,
    parted,
    slipped,
    unlike,
    works_with,
)
from scentlab.fitting.looks import NEAR_PCT, place_of
from scentlab.fitting.sessions import WORDS, session_terms
from scentlab.fitting.throw_model import SOURCES, arrange, by_meaning, draw, shape_table
from scentlab.fitting.throw_pairs import TIMES, pair_log_likelihood, settle_pairs
from scentlab.frames import checked, need_whole, one_of_one
from scentlab.maths.curves import SHAPES, bow, scaled
from scentlab.maths.sampling import even_places
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result
from scentlab.schema import THROW_WORDS, THROWS
from scentlab.text import count_of

SURE = 0.8  # how sure it must be that a difference is of account, or of none
MOST_THROW = THROWS["throw"].upper
AT_END = 0.25  # of the scores, from which the end of the scale is named
_AGAINST = (
    "Pairs and scores contradict each other: look for a swapped label or a wrong code before you "
    "trust either."
)


@dataclass(frozen=True, repr=False)
class ThrowFit(Result):
    """A fitted throw model: per blend a level, a rise and a bow, over all shapes of curve.

    kind : cold or warm. blends : tuple of names.
    lowest_pct, highest_pct : loads between which level and rise are stated (% of wax).
    shapes : DataFrame, one row per shape: shape, bend (median), bend_lower, bend_upper (95 %
        limits, missing where the scores set none), weight (chance given the scores).
    level, rise, bow : arrays (D, B), draws of throw at the lowest load, of the gain to the
        highest, and of the height above the straight line, of the parabola halfway and of the turn
        at its bend (0 of the others).
    draw_shape : array (D,), index of the shape of each draw; draw_bend : array (D,).
    variances : DataFrame: source, sd (median, points), lower, upper (90 % limits).
    assessors : tuple of codes. points : DataFrame, mean score per blend, load and assessor.
    tested : DataFrame, one row per blend: blend, lowest_pct, highest_pct.
    minutes : on the warmer at which throw is stated, where a term allows for other times; nan
        without one.
    session : DataFrame, what a session adds (points): effect (minutes: per unit of their
        logarithm; position; before), estimate, lower, upper.
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
    assessors: tuple
    points: pd.DataFrame
    tested: pd.DataFrame
    minutes: float
    session: pd.DataFrame
    notes: tuple = ()

    @property
    def table(self):
        """Level and rise per blend with 90 % limits, then the standard deviations.

        ``se`` is half the width of the central 68.27 %, which a few far draws do not move.
        """
        rows = []
        for b, blend in enumerate(self.blends):
            parts = [("at the lowest load", self.level), ("gain to the highest", self.rise)]
            for name, draws in parts[not has_level(self, blend):]:
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
        at = "" if np.isnan(self.minutes) else f" at {self.minutes:g} min on the warmer"
        return (
            f"Change in {THROW_WORDS[self.kind]} throw on the 0-10 scale from "
            f"{self.lowest_pct:.1f} to {self.highest_pct:.1f} % of wax{at}, 90 % interval in "
            f"brackets, {count_of(len(self.assessors), 'tester')}: " + "; ".join(parts) + "."
        )


def _gain(draws):
    lower, middle, upper = np.quantile(draws, [0.05, 0.5, 0.95])
    return f"{middle:+.1f} ({lower:+.1f} to {upper:+.1f})"


@one_thread()
def fit_throw(
    throws: pd.DataFrame, kind: str = "warm", *, pairs: pd.DataFrame | None = None,
    draws: int = 2000, seed: int = 1,
) -> ThrowFit:
    """Fit throw over load by a mixed model with weak priors, over several shapes of curve.

    score = level_b + rise_b s(load; bend) + bow_b h(load) + minutes + order of smelling + tester
    + tester's scale + tester in a blend + session + pot + pour + piece + error; see
    :mod:`scentlab.fitting.throw_model`. Shapes, bends and standard deviations are drawn by their
    posterior. Scores of a tester unlike the others count all the same, with a note that gives the
    rise with and without them. A blend scored at one load only is left out and noted.

    Parameters
    ----------
    throws : DataFrame
        Columns code, pour, pot, blend, load_pct (% of wax), assessor, sitting, kind, throw (0 to
        10), and where known minutes (on the warmer), position (in the session),
        works_with_fragrance (yes or no) and known (points that the tester is known to add).
    kind : str
        cold, jar or warm (hot); no two are mixed.
    pairs : DataFrame or None
        Pairs of pieces as ``Series.pairs`` has them, fitted together with the scores (see
        :mod:`scentlab.fitting.throw_pairs`). Pairs alone give differences and no level.
    draws, seed : int
        Number of posterior draws, and their seed.

    Returns
    -------
    ThrowFit

    Raises
    ------
    FitError
        When no blend was scored, or compared, at two loads, or a value is out of its range.

    Notes
    -----
    Mixed models after Bates, Maechler, Bolker & Walker 2015, *J. Statistical Software* 67.

    Examples
    --------
    >>> from scentlab.simulate import small_series
    >>> fit = fit_throw(small_series(throw=1, assessors=4).throws, draws=200)
    >>> fit.blends, bool(fit.rise.mean() > 0)
    (('soft',), True)
    """
    need_whole(draws=draws, seed=seed)
    kind, asked = THROWS["kind"].check(kind)[0], kind
    if kind is None:
        raise FitError(f"the kind of throw is {asked!r}; give cold, jar or warm")
    pairs = settle_pairs(pairs, kind)
    scores, notes = _settle(checked(throws, "throws"), kind, pairs)
    fit = _fit(scores, pairs, kind, draws, seed)
    notes += fit.notes + _panel_notes(scores) + _order_notes(fit)
    return replace(fit, notes=notes + _with_and_without(fit, scores, pairs, draws, seed))


def _fit(scores, pairs, kind, draws, seed):
    """The fit of settled scores and pairs, with the notes of the session but not those of the
    panel."""
    blends = tuple(dict.fromkeys([*scores["blend"], *pairs["blend"], *pairs["second_blend"]]))
    minutes, covariates, notes = session_terms(scores, kind) if len(scores) else (np.nan, {}, ())
    loads = [*pairs["load_pct"], *pairs["second_load_pct"]]
    scored = arrange(scores, blends, covariates, loads)
    other = pairs[["second_blend", "second_load_pct"]].set_axis(["blend", "load_pct"], axis=1)
    tested = pd.concat([f[["blend", "load_pct"]] for f in (scores, pairs, other) if len(f)])
    tested = tested.groupby("blend", sort=False)["load_pct"]
    points = scores.groupby(["blend", "pour", "load_pct", "assessor"], as_index=False)
    about = dict(
        kind=kind, blends=tuple(tested.groups), minutes=minutes, notes=notes,
        lowest_pct=scored.lo, highest_pct=scored.hi,
        assessors=tuple(sorted({*scores["assessor"], *pairs["assessor"]})),
        points=points["throw"].mean(), tested=tested.agg(["min", "max"]).set_axis(
            ["lowest_pct", "highest_pct"], axis=1).reset_index(),
    )
    if len(pairs):
        return _joined(scored, pairs, about, draws, seed)
    return _of_draws(scored, draw(scored, draws, seed), about)


def _joined(scored, pairs, about, draws, seed):
    """The fit of more draws, of which those that the pairs speak for are kept."""
    rng = np.random.default_rng([seed, 8])
    for times in TIMES:
        found = draw(scored, times * draws, seed)
        fit = _of_draws(scored, found, about)
        sds = dict(zip(scored.names, np.exp(found.log_sds[:, :-1]).T, strict=True))
        log_weights = pair_log_likelihood(
            pairs, lambda *two, fit=fit: pair_draws(fit, *two), (scored.lo, scored.hi), sds, seed)
        weights = special.softmax(log_weights)
        worth = 1.0 / np.sum(weights**2)
        if worth >= draws:
            break
    places = even_places(weights, draws, rng.random())
    chances = np.bincount(found.design[places], minlength=len(scored.designs)) / len(places)
    fit = _of_draws(scored, replace(
        found, design=found.design[places], log_sds=found.log_sds[places],
        coefficients=found.coefficients[places], chances=chances), about)
    if worth >= draws / 10:
        return fit
    return replace(fit, notes=(*fit.notes, _AGAINST))


def _of_draws(scored, found, about):
    drawn = by_meaning(scored, found)
    sds, extras = (np.quantile(drawn.pop(name), [0.5, 0.05, 0.95], axis=0).T
                   for name in ("sds", "extras"))
    sources = [SOURCES[n] for n in (*scored.names, "score")]
    return ThrowFit(
        shapes=shape_table(scored, found.chances), **drawn, **about,
        variances=pd.DataFrame(sds, columns=["sd", "lower", "upper"]).assign(source=sources),
        session=pd.DataFrame(extras, columns=["estimate", "lower", "upper"]).assign(
            effect=list(scored.extras)),
    )


def throw_draws(fit, blend, loads):
    """Draws (D, L) of the panel's mean throw of a blend, which must be scored, at loads (% of wax).
    """
    b = place_of(fit, blend, "no throw was scored for", "scored")
    loads = np.atleast_1d(np.asarray(loads, dtype=float))
    share, bows = np.empty((2, len(fit.draw_shape), len(loads)))
    for i, name in enumerate(fit.shapes["shape"]):
        own = fit.draw_shape == i
        for bend in np.unique(fit.draw_bend[own]):
            at = own & (fit.draw_bend == bend)
            curve = SHAPES[name], loads, bend, fit.lowest_pct, fit.highest_pct
            share[at], bows[at] = scaled(*curve), bow(*curve)
    return fit.level[:, [b]] + fit.rise[:, [b]] * share + fit.bow[:, [b]] * bows


def pair_draws(fit, blend, load, other_blend, other_load):
    """Draws (D,) of the throw of a blend at a load less that of another at its load (% of wax)."""
    return throw_draws(fit, blend, load)[:, 0] - throw_draws(fit, other_blend, other_load)[:, 0]


def has_level(fit, blend):
    """Whether the blend was scored, so that its throw has a level; pairs give differences only."""
    return bool((fit.points["blend"] == blend).any())


@one_thread()
def throw_curve(fit, blend, loads):
    """Mean throw (0 to 10) of a blend at loads (% of wax), with its 90 % interval; FitError for a
    blend that was not scored."""
    draws = throw_draws(fit, blend, loads)
    lower, upper = np.quantile(draws, [0.05, 0.95], axis=0)
    return pd.DataFrame({"load_pct": np.atleast_1d(np.asarray(loads, float)),
                         "throw": draws.mean(axis=0), "lower": lower, "upper": upper})


def _settle(throws, kind, pairs):
    scores, said = throws[throws["kind"] == kind], THROW_WORDS.get(kind, kind)
    if scores.empty and len(pairs):
        return scores, ("Throw was compared in pairs but not scored, so differences are known but "
                        "no level.",)
    if scores.empty:
        kinds = sorted(set(throws["kind"].dropna().astype(str)))
        kinds = ", ".join(THROW_WORDS.get(k, k) for k in kinds) or "none"
        raise FitError(
            f"there are no {said} throw scores to fit; kinds scored: {kinds}; score {said} throw "
            "at two or more loads of a blend"
        )
    scores = scores.astype({"throw": float, "load_pct": float})
    usable = np.isfinite(scores[["throw", "load_pct"]]).all(axis=1) & scores["blend"].notna()
    notes = ()
    if (~usable).any():
        lost = count_of(int((~usable).sum()), f"{said} throw score")
        notes = (f"Left out, as they lack a value or a weighed load: {lost}.",)
    scores = scores[usable].reset_index(drop=True).astype({"assessor": str, "blend": str})
    one_of_one(scores, f"{said} throw scores")
    scores, more = _several_loads(scores, said, pairs)
    return scores, notes + more


def _several_loads(scores, said, pairs):
    """The scores of the blends scored at two loads or more, and a note on the others."""
    if scores.empty:
        raise FitError(f"no {said} throw score has both a value and a weighed load; add them")
    loads = scores.groupby("blend", sort=False)["load_pct"]
    apart = loads.max() - loads.min() > NEAR_PCT
    apart |= apart.index.isin({*pairs["blend"], *pairs["second_blend"]})
    single = list(apart.index[~apart])
    if not apart.any():
        raise FitError(
            f"{said} throw was scored at only one load of each blend; a curve needs at least two: "
            "score pieces of another load"
        )
    if not single:
        return scores, ()
    kept = scores[scores["blend"].isin(apart.index[apart])].reset_index(drop=True)
    return kept, (
        f"{said.capitalize()} throw of {', '.join(single)} was scored at only one load, so it has "
        "no curve: score pieces of another load.",
    )


def _with_and_without(fit, scores, pairs, draws, seed):
    """Notes on a score that may be a slip, and on testers who scored unlike the others or may be
    used to the fragrance, each with the answer without them."""
    if scores.empty:
        return ()
    shifts = (scores["throw"] - scores.groupby("pour")["throw"].transform("mean")).groupby(
        scores["assessor"]
    )
    odd = unlike(agreements(scores, shifts.mean().to_dict()), over_loads(scores)) | parted(scores)
    left_out = [((who,), f"{who} scored {how}", scores) for who, how in sorted(odd.items())]
    used, slip = works_with(scores), slipped(scores)
    if used:
        verb = "works" if len(used) == 1 else "work"
        said = f"{_listed(used)} {verb} with the fragrance and may have got used to it"
        left_out.append((used, said, scores))
    if slip:
        row, likely = scores.loc[slip[0]], float(np.clip(slip[1], 0, MOST_THROW))
        left_out.insert(0, ((), (
            f"{row['assessor']} gave piece {row['code']} {row['throw']:g}, where the other scores "
            f"suggest {likely:.1f}: check for a typing slip"),
            scores.drop(index=slip[0])))
    return tuple(f"{said}. {_without(fit, people, rest, pairs, draws, seed)}"
                 for people, said, rest in left_out)


def _without(fit, people, scores, pairs, draws, seed):
    """The sentence that compares the rise with some testers, or else a score left out already, and
    without."""
    names = _listed(people or ("this score",))
    rest = scores[~scores["assessor"].isin(people)].reset_index(drop=True)
    pairs = pairs[~pairs["assessor"].isin(people)].reset_index(drop=True)
    if rest.empty:
        return "Nobody else scored: ask someone who does not."
    try:
        rest, _ = _several_loads(rest, THROW_WORDS[fit.kind], pairs)
        other = _fit(rest, pairs, fit.kind, draws, seed)
    except FitError as error:
        return f"Without {names} there is no answer: {error}."
    each = [
        f"{blend} {_gain(fit.rise[:, b])} with and "
        f"{_gain(other.rise[:, other.blends.index(blend)])} without"
        for b, blend in enumerate(fit.blends)
        if blend in other.blends
    ]
    return (
        f"The gain in {THROW_WORDS[fit.kind]} throw from {fit.lowest_pct:.1f} to "
        f"{fit.highest_pct:.1f} % of wax with {names} and without, 90 % interval in "
        f"brackets: {'; '.join(each)}."
    )


def _listed(people):
    return people[0] if len(people) == 1 else f"{', '.join(people[:-1])} and {people[-1]}"


def _panel_notes(scores):
    if scores.empty:
        return ()
    notes = []
    said = THROW_WORDS[scores["kind"].iloc[0]]
    if scores["throw"].nunique() == 1:
        notes.append(
            f"Every {said} throw score is {scores['throw'].iloc[0]:g}: either all loads smell the "
            "same, or the pieces were not smelt against each other."
        )
    highest = int((scores["throw"] >= MOST_THROW).sum())
    if highest >= AT_END * len(scores):
        notes.append(
            f"{highest} of {count_of(len(scores), f'{said} throw score')} are {MOST_THROW:g}, the "
            "top of the scale, which may be why more fragrance smells no stronger. Score in a "
            "larger room."
        )
    added = scores.get("known", pd.Series(0.0, scores.index)).groupby(scores["assessor"]).mean()
    if added.abs().max() >= 0.05:
        each = ", ".join(f"{tester} {by:+.1f}" for tester, by in added.items())
        notes.append(f"Scores are corrected for what testers added in earlier series: {each} "
                     "points.")
    people = scores["assessor"].nunique()
    if people == 1:
        notes.append(
            "Only one tester scored; how far others would agree is taken from what panels usually "
            "do. A second tester would make the answer surer."
        )
    if scores.groupby("blend")["pot"].nunique().max() == 1:
        notes.append(
            "Each blend was scored from one pot, so how much throw differs between pots is taken "
            "from what is usual."
        )
    return tuple(notes)


def _order_notes(fit):
    """What the order of smelling was found to add, where the sign is sure."""
    return tuple(
        f"Scores change by {r.estimate:+.1f} points (90 %: {r.lower:+.1f} to {r.upper:+.1f}) "
        f"{WORDS[r.effect]}; this is allowed for."
        for r in fit.session.itertuples()
        if r.effect in WORDS and (r.lower > 0.0 or r.upper < 0.0)
    )

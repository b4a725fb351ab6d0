"""Longevity on the warmer: how long the throw of a piece lasts, and what it loses.

score = A exp(-k t) + tester + tester's own fall + pot + piece + check + error, t the time since
the first check, with a straight fall beside it. A check is one piece at one time: what several
testers smell then is one state of one room, so that more noses are not more pieces.

Weight lost is shown as it was weighed, and no curve is fitted to it: it is not throw.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from scentlab.fitting.over_time import (
    FADING,
    FALLING,
    OverTime,
    Setting,
    arm_words,
    arms_of,
    fit_blends,
    quantiles,
    table_of,
)
from scentlab.fitting.throw_model import FLOOR, MEDIANS, SPREAD
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result
from scentlab.text import capital
from scentlab.units import content_from_load, fine_weight, shown

THROW_SOURCES = {
    "assessor": "between assessors",
    "fall": "between assessors' falls, over the whole time",
    "pot": "between pots",
    "code": "between pieces",
    "check": "between checks of a piece",
    "error": "of a single score",
}
THROW_SETTING = Setting(
    {FADING: 0.5, FALLING: 0.5},
    {"assessor": MEDIANS["assessor"], "fall": MEDIANS["scale"], "pot": MEDIANS["pot"],
     "code": MEDIANS["code"], "check": 0.4, "error": MEDIANS["score"]},
    SPREAD, FLOOR, 10.0, THROW_SOURCES,
)  # fmt: skip
HALF = 0.5
UNNAMED = "not named"
_NOT_SCENT = (
    "A warmer takes away what evaporates, the volatile part of the fragrance: weight lost is not "
    "throw, and the part that stays is not unused throw."
)


class ThrowLife(OverTime):
    """Fitted fall of throw over hours on the warmer.

    ``arms`` have assessors and scores too; ``level`` is the throw at ``first_h``; a rate of 0 or
    less does not fall. ``points`` are means per assessor and check: blend, load_pct, code,
    assessor, hours, throw.
    """

    @property
    def table(self):
        """Throw at the first and last check and hours until half of it, then the sds.

        Hours beyond the longest tested are infinite.
        """
        values = []
        for place, arm in self.arms.iterrows():
            hours = [arm["first_h"], arm["longest_h"]]
            throw = self.draws(place, hours)
            parts = [(f"throw at {h:g} h", throw[:, i], "0 to 10") for i, h in enumerate(hours)]
            half = self.hours_until(place, HALF * throw[:, 0])
            parts.append(("hours until half of the first", half, "h"))
            values += [(f"{name}, {arm_words(arm)}", *rest) for name, *rest in parts]
        return table_of(values, self.sds, "points", self.confidence)

    @property
    def sentence(self):
        parts = []
        for place, arm in self.arms.iterrows():
            start = quantiles(self.draws(place, [arm["first_h"]])[:, 0], self.confidence)[1]
            parts.append(f"{arm_words(arm)}, from {start:.1f} of 10 at {arm['first_h']:g} h: "
                         f"{self.half_life(place)['words']}")
        return "Hours on the warmer until throw is half of the first: " + "; ".join(parts) + "."

    def hours_until(self, place, limit):
        """Draws (D,) of the hours at which an arm's throw is down at limits (D,); beyond the
        longest tested infinite, and at the first check where it is below from then on."""
        arm, blend = self.arms.loc[place], self.blends.index(self.arms["blend"].iloc[place])
        rate, level = self.rate[:, blend], self.level[:, place]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = limit / level
            fall = np.where(self.draw_form[:, blend] == FADING.name, -np.log(share), 1.0 - share)
            time = np.where(rate > 0, fall / rate, np.inf)
        time = np.where(level <= limit, 0.0, np.where(np.isnan(time), np.inf, time))
        hours = np.maximum(self.first_h + time, arm["first_h"])
        return np.where(hours > arm["longest_h"], np.inf, hours)

    def half_life(self, place):
        """Hours until an arm's throw is half of that at the first check: dict of throw, hours
        (median), lower, upper and words; infinite beyond the hours tested."""
        arm = self.arms.loc[place]
        half = HALF * self.draws(place, [arm["first_h"]])[:, 0]
        found = quantiles(self.hours_until(place, half), self.confidence)
        lower, middle, upper = map(float, found)
        return {"throw": float(np.median(half)), "hours": middle, "lower": lower, "upper": upper,
                "words": _hours_words(lower, middle, upper, arm, self.confidence)}


@dataclass(frozen=True, repr=False)
class Longevity(Result):
    """Throw over hours on the warmer, None where it was not scored or could not be fitted, and the
    weights, empty where none were taken; ``notes`` says why.

    ``weights`` : DataFrame, one row per blend, load and time: blend, load_pct (% of wax),
    content_pct (% of total), hours, pieces, fragrance_g (in a piece at the start), loss_g (mean),
    least_g and most_g (of single pieces), share_pct (of the fragrance, mean).
    """

    throw_life: ThrowLife | None
    weights: pd.DataFrame
    notes: tuple = ()

    @property
    def table(self):
        return self.weights if self.throw_life is None else self.throw_life.table

    @property
    def sentence(self):
        said = [] if self.throw_life is None else [self.throw_life.sentence]
        if len(self.weights):
            parts = [
                f"{arm_words(r)} {_grams(r['loss_g'])} in {r['hours']:g} h ({_pieces(r)}), "
                f"{r['share_pct']:.0f} % of the fragrance in the piece"
                for _, r in longest(self.weights).iterrows()
            ]
            said.append(f"Weight lost on the warmer: {'; '.join(parts)}.")
        return " ".join(said)


def _pieces(row):
    if row["pieces"] == 1:
        return "one piece"
    return f"{row['pieces']} pieces, {_grams(row['least_g'], row['most_g'])}"


def _grams(*grams):
    """Weights of a piece, and from one to another, in the maker's unit."""
    return f"{' to '.join(map(fine_weight, grams))} {shown().label('g')}"


def longest(weights):
    """The weights after the longest time of each blend and load."""
    return weights.drop_duplicates(["blend", "load_pct"], keep="last")


@one_thread()
def fit_longevity(
    warmings: pd.DataFrame, piece_g: float | None = None, *, confidence: float = 0.90,
    draws: int = 2000, seed: int = 1,
) -> Longevity:
    """Fit what was checked of pieces left on the warmer.

    Parameters
    ----------
    warmings : DataFrame
        Columns code, pot, blend, load_pct (% of wax), hours, weight_g, assessor, throw (0 to 10).
    piece_g : float or None
        Planned weight of a piece, for pieces that were not weighed at hour 0.
    confidence : float
        Of the intervals.
    draws, seed : int
        Number of posterior draws, and their seed.

    Returns
    -------
    Longevity

    Raises
    ------
    FitError
        When neither weight nor throw can be fitted.

    Examples
    --------
    >>> frame = pd.DataFrame({"hours": [0.0, 2.0, 4.0, 8.0], "weight_g": [25, 24.6, 24.4, 24.1]})
    >>> frame = frame.assign(code="101", pot="K1", blend="soft", load_pct=10.0)
    >>> fit_longevity(frame.assign(assessor=None, throw=None)).weights["loss_g"].round(1).tolist()
    [0.4, 0.6, 0.9]
    """
    life, weights, notes, errors = None, pd.DataFrame(), (), []
    try:
        if warmings["throw"].notna().any():
            life = fit_throw_life(warmings, confidence, draws, seed)
    except FitError as error:
        errors.append(str(error))
    try:
        if warmings["weight_g"].notna().any():
            weights, notes = weights_lost(warmings, piece_g)
    except FitError as error:
        errors.append(str(error))
    if life is None and weights.empty:
        raise FitError("; ".join(errors) or "nothing was weighed or scored on the warmer")
    notes = (*(capital(e) + "." for e in errors), *(life.notes if life else ()), *notes)
    return Longevity(life, weights, notes)


@one_thread()
def fit_throw_life(warmings, confidence=0.90, draws=2000, seed=1):
    """Fit how warm throw falls over hours; rows without a throw are not looked at.

    Parameters and errors as of :func:`fit_longevity`; returns a ThrowLife.
    """
    scores, notes = _usable(
        warmings, "throw",
        "no throw was scored over hours on the warmer; score it, or leave throw out",
        "throw scores on the warmer",
    )
    named = scores["assessor"].notna()
    people = scores["assessor"].astype(object).where(named, UNNAMED).astype(str)
    scores = scores.assign(assessor=people, code=scores["code"].astype(str))
    _need_times(scores, "throw was scored")
    if scores["throw"].nunique() == 1:
        raise FitError(
            f"every throw score on the warmer is {scores['throw'].iloc[0]:g}: nothing falls and "
            "there is no error to measure; score longer, or with more testers"
        )
    arms, arm = arms_of(scores, "scores", assessors=("assessor", "nunique"))
    first = float(scores["hours"].min())
    time = scores["hours"].to_numpy() - first
    wanted = {
        "assessor": (scores["assessor"], None),
        "fall": (scores["assessor"], (time - time.mean()) / time.max()),
        "pot": (scores["pot"], None), "code": (scores["code"], None),
        "check": (scores["code"] + "\n" + scores["hours"].astype(str), None),
    }  # fmt: skip
    found = fit_blends(scores, scores["throw"].to_numpy(), time, arm, wanted, THROW_SETTING, draws,
                       seed)
    keys = ["blend", "load_pct", "code", "assessor", "hours"]
    points = scores.groupby(keys, sort=False, as_index=False)["throw"].mean()
    fit = ThrowLife(arms, **found, first_h=first, longest_h=float(scores["hours"].max()),
                    points=points, confidence=confidence)
    return replace(fit, notes=(*notes, *_panel_notes(scores), *_fall_notes(fit)))


def weights_lost(warmings, piece_g=None):
    """The weights of :class:`Longevity` and their notes; rows without a weight are not looked at.

    Parameters and errors as of :func:`fit_longevity`.
    """
    rows, notes = _usable(
        warmings, "weight_g", "no piece was weighed on the warmer; weigh pieces, or leave weights "
        "out", "weighings",
    )  # fmt: skip
    keys = ["code", "pot", "blend", "load_pct", "hours"]
    rows = _in_order(rows.groupby(keys, sort=False, as_index=False)["weight_g"].mean())
    rows, more = _with_starts(rows, piece_g)
    rows = _losses(rows)
    arms, rows["arm"] = arms_of(rows, "weighings")
    each = rows[rows["hours"] > 0].groupby(["arm", "hours"], as_index=False).agg(
        pieces=("code", "nunique"), fragrance_g=("fragrance_g", "mean"), loss_g=("loss_g", "mean"),
        least_g=("loss_g", "min"), most_g=("loss_g", "max"), share_pct=("share_pct", "mean"),
    )  # fmt: skip
    known = arms[["blend", "load_pct", "content_pct"]]
    weights = known.merge(each, left_index=True, right_on="arm").drop(columns="arm")
    notes += more + _unlikely(rows)
    return weights.reset_index(drop=True), (*notes, _NOT_SCENT)


def _usable(warmings, column, nothing, lost):
    """Rows with a number in a column, load and hours, as floats, and a note on those left out.

    nothing : what to say as a FitError without any. lost : what rows without a load are called.
    """
    rows = warmings[warmings[column].notna()]
    known = rows["load_pct"].notna() & rows["hours"].notna()
    if not known.any():
        raise FitError(nothing)
    left = int((~known).sum())
    notes = (f"{left} {lost} have no weighed load and were left out.",) if left else ()
    rows = rows[known].astype({"hours": float, column: float, "load_pct": float})
    return rows.reset_index(drop=True), notes


def _need_times(rows, what):
    """Refuses rows at fewer than three times; ``what`` says what was done at them."""
    times = np.unique(rows["hours"])
    if len(times) < 3:
        when = " and ".join(f"{t:g} h" for t in times)
        raise FitError(
            f"{what} at {when} on the warmer only; a curve needs three times or more"
        )


def _codes(codes, most=8):
    codes = sorted(dict.fromkeys(map(str, codes)))
    rest = len(codes) - most
    return ", ".join(codes[:most]) + (f" and {rest} more" if rest > 0 else "")


# ---- throw -------------------------------------------------------------------------------------


def _hours_words(lower, middle, upper, arm, confidence):
    """Hours in words, never beyond the hours tested."""
    interval = f"{100 * confidence:.0f} % interval"
    beyond = f"more than {arm['longest_h']:g} h, the longest tested"
    early = f"{arm['first_h']:g} h, the first check"

    def say(hours):
        if not np.isfinite(hours):
            return beyond
        return early if hours <= arm["first_h"] else f"{hours:.1f} h"

    if not np.isfinite(lower):
        return beyond
    if not np.isfinite(middle):
        return f"{beyond} ({interval} from {say(lower)})"
    return f"{say(middle)} ({interval} {say(lower)} to {say(upper)})"


def _panel_notes(scores):
    if scores["assessor"].nunique() == 1:
        yield (
            "One tester scored throw on the warmer: the hours are that person's, and a nose that "
            "stays in the room gets used to the smell."
        )
    unnamed = int((scores["assessor"] == UNNAMED).sum())
    if unnamed:
        yield (f"{unnamed} throw scores on the warmer name no tester; they are taken as those of "
               "one person.")
    if scores["hours"].min() < 1.0:
        codes = _codes(scores.loc[scores["hours"] < 1.0, "code"])
        yield (
            f"Throw was scored within the first hour (pieces {codes}): a room is still filling "
            "then, and a low first score makes the fall look slower than it is."
        )


def _fall_notes(fit):
    """Where nothing falls, and where pieces are too few to show how they differ."""
    for place, arm in fit.arms.iterrows():
        rate = fit.rate[:, fit.blends.index(arm["blend"])]
        lower, middle, _ = quantiles(rate, fit.confidence)
        if middle <= 0 or lower <= 0:
            verb = "does not fall" if middle <= 0 else "is not shown to fall"
            start, end = np.median(fit.draws(place, [arm["first_h"], arm["longest_h"]]), axis=0)
            yield (
                f"The throw of {arm_words(arm)} {verb} up to {arm['longest_h']:g} h ({start:.1f} "
                f"at {arm['first_h']:g} h, {end:.1f} at {arm['longest_h']:g} h): test longer for "
                "the hours that it lasts."
            )
    if (fit.arms["pieces"] == 1).all():
        yield (
            "One piece of each blend and load was scored: how pieces differ is not known, and the "
            "intervals hold for that piece."
        )


# ---- weight ------------------------------------------------------------------------------------


def _in_order(rows):
    """Rows piece by piece in time, blends as they first appear."""
    order = pd.Series(pd.factorize(rows["blend"])[0], rows.index)
    return rows.iloc[np.lexsort((rows["hours"], rows["code"], order))].reset_index(drop=True)


def _with_starts(rows, piece_g):
    """Rows of the pieces whose start is known: weighed at hour 0, else as planned."""
    started = set(rows.loc[rows["hours"] == 0, "code"])
    bare = rows[~rows["code"].isin(started)]
    if bare.empty:
        return rows, ()
    names = _codes(bare["code"])
    if piece_g is None:
        rows = rows[rows["code"].isin(started)].reset_index(drop=True)
        if rows.empty:
            raise FitError(
                f"no piece was weighed at hour 0 (pieces {names}) and the planned weight of a "
                "piece is not known; weigh each piece before it goes on the warmer, as hours 0"
            )
        return rows, (f"Not weighed at hour 0, so left out: pieces {names}.",)
    first = bare.drop_duplicates("code").assign(hours=0.0, weight_g=float(piece_g))
    return _in_order(pd.concat([rows, first])), (
        f"Not weighed at hour 0, so the planned {piece_g:g} g count as their start, and what the "
        f"casting missed passes for a loss: pieces {names}.",
    )


def _losses(rows):
    """Rows of pieces weighed twice or more, with their loss and its share of the fragrance."""
    rows = rows[rows.groupby("code")["hours"].transform("size") > 1].reset_index(drop=True)
    if rows.empty:
        raise FitError("no piece was weighed more than once; weigh the same pieces again and again")
    start = rows["code"].map(rows[rows["hours"] == 0].set_index("code")["weight_g"])
    content = content_from_load(rows["load_pct"].to_numpy())
    rows = rows.assign(start_g=start, loss_g=start - rows["weight_g"])
    rows["fragrance_g"] = start * content / 100.0
    with np.errstate(divide="ignore", invalid="ignore"):
        rows["share_pct"] = 100.0 * rows["loss_g"] / rows["fragrance_g"]
    if rows["loss_g"].abs().max() < 1e-9:
        raise FitError(
            "all weighings of each piece are equal: no loss was seen; weigh on a finer scale or "
            "after longer on the warmer"
        )
    return rows


def _unlikely(rows):
    """Notes on pieces that grew, or lost more than the fragrance in them; FitError if all grew."""
    last = rows.drop_duplicates("code", keep="last")
    grown = last[last["loss_g"] < -1e-9]
    if len(grown) == len(last):
        raise FitError(
            f"every piece weighs more at its last weighing than at hour 0 (pieces "
            f"{_codes(grown['code'])}); a warmer adds nothing: look at the scale, its zero and "
            "the dish that was weighed with the piece"
        )
    notes = [
        f"Piece {r.code} weighs {-r.loss_g:.2f} g more at {r.hours:g} h than at hour 0: a wrong "
        "weighing, or the dish was weighed with it; correct the entry or make it void."
        for r in grown.itertuples()
    ]
    over = rows[rows["loss_g"] > rows["fragrance_g"] + 1e-9].drop_duplicates("code")
    return tuple(notes) + tuple(
        f"Piece {r['code']} of {arm_words(r)} lost {r['loss_g']:.2f} g by {r['hours']:g} h, "
        f"more than the {r['fragrance_g']:.2f} g of fragrance in it: spilled wax or a wrong "
        "weighing; look, and correct the entry or make it void."
        for _, r in over.sort_values("code").iterrows()
    )

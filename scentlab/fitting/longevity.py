"""Longevity on the warmer: how long the throw of a piece lasts, and what it loses.

Weight lost is shown as it was weighed, and no curve is fitted to it: it is not throw.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from scentlab.fitting.throw_life import (
    ThrowLife,
    arm_words,
    arms_of,
    codes_of,
    fit_throw_life,
    usable,
)
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result
from scentlab.text import capital, count_of
from scentlab.units import content_from_load, fine_weight, shown

_NOT_SCENT = (
    "A warmer drives off what evaporates, the volatile part of the fragrance. Weight lost is not "
    "throw, and what stays is not unused throw."
)


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
                f"{arm_words(r)} {_grams(r['loss_g'])} in {r['hours']:g} h "
                f"({count_of(r['pieces'], 'piece')}, {_grams(r['least_g'], r['most_g'])}), "
                f"{r['share_pct']:.0f} % of the fragrance in the piece"
                for _, r in longest(self.weights).iterrows()
            ]
            said.append(f"Weight lost on the warmer: {'; '.join(parts)}.")
        return " ".join(said)


def _grams(*grams):
    """Weights of a piece, and from one to another, in the maker's unit."""
    return f"{' to '.join(map(fine_weight, grams))} {shown().label('g')}"


def longest(weights):
    """The weights after the longest time of each blend and load."""
    return weights.drop_duplicates(["blend", "load_pct"], keep="last")


@one_thread()
def fit_longevity(warmings, *, draws=2000, seed=1):
    """Fit what was checked of pieces left on the warmer. FitError when neither weight nor throw can
    be fitted."""
    life, (weights, notes), errors = None, (pd.DataFrame(), ()), []
    try:
        if warmings["throw"].notna().any():
            life = fit_throw_life(warmings, draws, seed)
    except FitError as error:
        errors.append(str(error))
    try:
        if warmings["weight_g"].notna().any():
            weights, notes = weights_lost(warmings)
    except FitError as error:
        errors.append(str(error))
    if life is None and weights.empty:
        raise FitError("; ".join(errors) or "nothing was weighed or scored on the warmer")
    notes = (*(capital(e) + "." for e in errors), *(life.notes if life else ()), *notes)
    return Longevity(life, weights, notes)


def weights_lost(warmings):
    """The weights of :class:`Longevity` and their notes; rows without a weight are not looked at.
    """
    rows, notes = usable(
        warmings, "weight_g", "no piece was weighed on the warmer; weigh pieces, or leave weights "
        "out", "weighings",
    )  # fmt: skip
    keys = ["code", "pot", "blend", "load_pct", "hours"]
    rows = _in_order(rows.groupby(keys, sort=False, as_index=False)["weight_g"].mean())
    rows, more = _with_starts(rows)
    rows = _losses(rows)
    arms, rows["arm"] = arms_of(rows)
    each = rows[rows["hours"] > 0].groupby(["arm", "hours"], as_index=False).agg(
        pieces=("code", "nunique"), fragrance_g=("fragrance_g", "mean"), loss_g=("loss_g", "mean"),
        least_g=("loss_g", "min"), most_g=("loss_g", "max"), share_pct=("share_pct", "mean"),
    )  # fmt: skip
    weights = arms.merge(each, left_index=True, right_on="arm").drop(columns="arm")
    notes += more + _unlikely(rows)
    return weights.reset_index(drop=True), (*notes, _NOT_SCENT)


def _in_order(rows):
    """Rows piece by piece in time, blends as they first appear."""
    order = pd.Series(pd.factorize(rows["blend"])[0], rows.index)
    return rows.iloc[np.lexsort((rows["hours"], rows["code"], order))].reset_index(drop=True)


def _with_starts(rows):
    """Rows of the pieces that were weighed at hour 0."""
    started = set(rows.loc[rows["hours"] == 0, "code"])
    bare = rows[~rows["code"].isin(started)]
    if bare.empty:
        return rows, ()
    names = codes_of(bare)
    if not started:
        raise FitError(f"no piece was weighed at hour 0 (pieces {names}); weigh each piece before "
                       "it goes on the warmer, at hour 0")
    rows = rows[rows["code"].isin(started)].reset_index(drop=True)
    return rows, (f"Left out because not weighed at hour 0: pieces {names}.",)


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
            "every weighing of each piece is the same, so no loss was seen; use a finer scale or "
            "leave pieces on the warmer longer"
        )
    return rows


def _unlikely(rows):
    """Notes on pieces that grew, or lost more than the fragrance in them; FitError if all grew."""
    last = rows.drop_duplicates("code", keep="last")
    grown = last[last["loss_g"] < -1e-9]
    if len(grown) == len(last):
        raise FitError(
            f"every piece weighs more at its last weighing than at hour 0 (pieces "
            f"{codes_of(grown)}), which a warmer cannot do; check the scale, its zero and whether "
            "a dish was weighed too"
        )
    notes = [
        f"Piece {r.code} weighs {-r.loss_g:.2f} g more at {r.hours:g} h than at hour 0: a wrong "
        "weight, or the dish was weighed too; correct the entry or make it void."
        for r in grown.itertuples()
    ]
    over = rows[rows["loss_g"] > rows["fragrance_g"] + 1e-9].drop_duplicates("code")
    return tuple(notes) + tuple(
        f"Piece {r['code']} of {arm_words(r)} lost {r['loss_g']:.2f} g by {r['hours']:g} h, "
        f"more than the {r['fragrance_g']:.2f} g of fragrance in it: spilled wax or a wrong "
        "weight; check, then correct the entry or make it void."
        for _, r in over.sort_values("code").iterrows()
    )

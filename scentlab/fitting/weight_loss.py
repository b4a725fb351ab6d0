"""Weight that pieces lose on a warmer, and the part of their fragrance that it is.

loss = A (1 - exp(-k t)) (1 + piece + pot) + start of the piece + error, with a straight line
beside it. The error of the first weighing of a piece is in all its losses, and so an effect of
its own that does not pass for a loss.
"""

import numpy as np
import pandas as pd

from scentlab.fitting.over_time import (
    APPROACH,
    STRAIGHT,
    OverTime,
    Setting,
    arm_words,
    arms_of,
    code_list,
    curve_frame,
    fit_blends,
    need_times,
    table_of,
    usable,
)
from scentlab.maths.threads import one_thread
from scentlab.results import FitError
from scentlab.units import content_from_load

SOURCES = {
    "code": "between pieces of a pot, over the whole time",
    "pot": "between pots, over the whole time",
    "start": "between pieces at their start",
    "error": "of a single weighing",
}
# Standard deviations as shares of the largest mean loss: wide, since scales differ.
MEDIANS = {"code": 0.08, "pot": 0.08, "start": 0.02, "error": 0.02}
SPREAD, FLOOR = 0.8, 0.001
# A form that is this likely is not ruled out.
LIKELY = 0.1


class WeightLoss(OverTime):
    """Fitted loss of weight over hours on the warmer.

    ``arms`` have weighings, piece_g and fragrance_g (means of the pieces at the start) too;
    ``level`` is the loss (g) at ``longest_h``. ``points``: blend, load_pct, pot, code, hours,
    loss_g, share_pct (of the fragrance in the piece).
    """

    @property
    def table(self):
        """Loss and its share of the fragrance at the longest time of each arm, then the sds."""
        values = []
        for place, arm in self.arms.iterrows():
            loss = self.draws(place, [arm["longest_h"]])[:, 0]
            share = 100.0 * loss / arm["fragrance_g"]
            words = f"in {arm['longest_h']:g} h, {arm_words(arm)}"
            values.append((f"weight lost {words}", loss, "g"))
            values.append((f"fragrance gone {words}", share, "% of the fragrance"))
        return table_of(values, self.sds, "g", self.confidence)

    @property
    def sentence(self):
        parts = []
        for _, arm in self.arms.iterrows():
            row = loss_curve(self, arm["blend"], [arm["longest_h"]], arm["load_pct"]).iloc[0]
            parts.append(
                f"{arm_words(arm)} {row['loss_g']:.2f} g in {arm['longest_h']:g} h "
                f"({100 * self.confidence:.0f} % interval {row['lower']:.2f} to "
                f"{row['upper']:.2f} g), {row['share_pct']:.0f} % of the fragrance in the piece "
                f"({row['share_lower']:.0f} to {row['share_upper']:.0f} %)"
            )
        return "Weight lost on the warmer: " + "; ".join(parts) + "."


@one_thread()
def fit_weight_loss(warmings, piece_g=None, *, confidence=0.90, draws=2000, seed=1):
    """Fit the weight lost on the warmer over hours.

    warmings : DataFrame with columns code, pot, blend, load_pct (% of wax), hours, weight_g; rows
    without a weight are throw scores and are not looked at. The rest as in
    :func:`~scentlab.fitting.longevity.fit_longevity`. Raises FitError for too little to fit, or
    when nothing was lost.
    """
    weighings, notes = _settle(warmings)
    weighings, more = _with_starts(weighings, piece_g)
    notes += more
    need_times(weighings, "pieces were weighed")
    weighings = _losses(weighings)
    notes += _unlikely(weighings)
    arms, arm = arms_of(
        weighings, "weighings", piece_g=("start_g", "mean"), fragrance_g=("fragrance_g", "mean")
    )
    later = weighings["hours"].to_numpy() > 0
    rows = weighings[later]
    wanted = {
        "pot": (rows["pot"], "curve"), "code": (rows["code"], "curve"),
        "start": (rows["code"], None),
    }  # fmt: skip
    seen = rows.groupby(["blend", "hours"])["loss_g"].mean().abs().max()
    most = float(max(seen, 0.05 * rows["loss_g"].abs().max()))
    setting = Setting(
        {STRAIGHT: 0.5, APPROACH: 0.5}, {n: most * sd for n, sd in MEDIANS.items()}, SPREAD,
        FLOOR * most, 10.0 * most, SOURCES,
    )  # fmt: skip
    found = fit_blends(
        rows, rows["loss_g"].to_numpy(), rows["hours"].to_numpy(), arm[later], wanted, setting,
        draws, seed,
    )  # fmt: skip
    points = weighings[["blend", "load_pct", "pot", "code", "hours", "loss_g", "share_pct"]]
    return WeightLoss(
        arms, **found, first_h=0.0, longest_h=float(rows["hours"].max()), points=points,
        confidence=confidence, notes=notes + _arm_notes(arms, found["forms"]) + (_NOT_SCENT,),
    )  # fmt: skip


_NOT_SCENT = (
    "A warmer takes away what evaporates, the volatile part of the fragrance: weight lost is not "
    "throw, and the part that stays is not unused throw."
)


@one_thread()
def loss_curve(fit, blend, hours, load_pct=None):
    """Weight lost by a piece of a typical pot at hours on the warmer, with its interval.

    Parameters
    ----------
    fit : WeightLoss
    blend : str
    hours : float or array
    load_pct : float or None
        In % of wax; needed where the blend was tested at more than one load.

    Returns
    -------
    DataFrame
        hours, loss_g (median), lower, upper (g), share_pct, share_lower and share_upper (% of the
        fragrance in the piece). Beyond the longest time tested all of them are missing.

    Raises
    ------
    FitError
        For a blend or load that was not tested.

    Examples
    --------
    >>> rows = pd.DataFrame({"hours": [0.0, 2.0, 4.0, 8.0], "weight_g": [25.0, 24.6, 24.4, 24.1]})
    >>> fit = fit_weight_loss(rows.assign(code="101", pot="K1", blend="soft", load_pct=10.0))
    >>> bool(0.8 < loss_curve(fit, "soft", 8.0)["loss_g"][0] < 1.0)
    True
    """
    arm, frame = curve_frame(fit, blend, hours, load_pct, "loss_g")
    share = 100.0 / arm["fragrance_g"] * frame[["loss_g", "lower", "upper"]]
    frame[["share_pct", "share_lower", "share_upper"]] = share
    return frame


def _settle(warmings):
    """One mean weight per piece and time, in the order of time, and what was left out."""
    rows, notes = usable(
        warmings, "weight_g", "no piece was weighed on the warmer; weigh pieces, or leave weights "
        "out", "weighings",
    )  # fmt: skip
    keys = ["code", "pot", "blend", "load_pct", "hours"]
    return _in_order(rows.groupby(keys, sort=False, as_index=False)["weight_g"].mean()), notes


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
    names = code_list(bare["code"])
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
            f"{code_list(grown['code'])}); a warmer adds nothing: look at the scale, its zero and "
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


def _arm_notes(arms, forms):
    notes = []
    if (arms["pieces"] == 1).all():
        notes.append(
            "One piece of each blend and load was weighed: how pieces differ is not known, and "
            "the intervals hold for that piece."
        )
    curved = forms.loc[forms["form"] == APPROACH.name, "weight"].max()
    if curved < LIKELY:
        notes.append(
            "The loss was still a straight line at the last weighing: the end of it is not known."
        )
    elif curved < 1.0 - LIKELY:
        notes.append(
            "The weights do not show whether the loss is a straight line or levels off: nothing is "
            "known of where it would end."
        )
    return tuple(notes)

"""How throw falls over hours on the warmer, and after how many hours it is below a limit.

score = A exp(-k (t - first check)) + tester + tester's own fall + pot + piece + check + error,
with a straight fall beside it. A check is one piece at one time: what several testers smell then
is one state of one room, so that more noses are not more pieces.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from scentlab.fitting.over_time import (
    FADING,
    FALLING,
    OverTime,
    Setting,
    arm_place,
    arm_words,
    arms_of,
    code_list,
    curve_frame,
    fit_blends,
    need_times,
    quantiles,
    table_of,
    time_to,
    usable,
)
from scentlab.fitting.throw_model import FLOOR, MEDIANS, SPREAD
from scentlab.maths.threads import one_thread
from scentlab.results import FitError

SOURCES = {
    "assessor": "between assessors",
    "fall": "between assessors' falls, over the whole time",
    "pot": "between pots",
    "code": "between pieces",
    "check": "between checks of a piece",
    "error": "of a single score",
}
SETTING = Setting(
    {FADING: 0.5, FALLING: 0.5},
    {"assessor": MEDIANS["assessor"], "fall": MEDIANS["scale"], "pot": MEDIANS["pot"],
     "code": MEDIANS["code"], "check": 0.4, "error": MEDIANS["score"]},
    SPREAD, FLOOR, 10.0, SOURCES,
)  # fmt: skip
HALF = 0.5
UNNAMED = "not named"


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
            half = _hours(self, place, HALF * throw[:, 0])
            parts = [(f"throw at {h:g} h", throw[:, i], "0 to 10") for i, h in enumerate(hours)]
            parts.append(("hours until half of the first", half, "h"))
            values += [(f"{name}, {arm_words(arm)}", *rest) for name, *rest in parts]
        return table_of(values, self.sds, "points", self.confidence)

    @property
    def sentence(self):
        parts = []
        for place, arm in self.arms.iterrows():
            start = quantiles(self.draws(place, [arm["first_h"]])[:, 0], self.confidence)[1]
            found = hours_until(self, arm["blend"], share=HALF, load_pct=arm["load_pct"])
            parts.append(
                f"{arm_words(arm)}, from {start:.1f} of 10 at {arm['first_h']:g} h: "
                f"{found['words'].iloc[0]}"
            )
        return "Hours on the warmer until throw is half of the first: " + "; ".join(parts) + "."


@one_thread()
def fit_throw_life(warmings, *, confidence=0.90, draws=2000, seed=1):
    """Fit how warm throw falls over hours on the warmer.

    warmings : DataFrame with columns code, pot, blend, load_pct (% of wax), hours, assessor, throw
    (0 to 10); rows without a throw are weighings and are not looked at. The rest as in
    :func:`~scentlab.fitting.longevity.fit_longevity`. Raises FitError for too little to fit.
    """
    scores, notes = _settle(warmings)
    need_times(scores, "throw was scored")
    if scores["throw"].nunique() == 1:
        raise FitError(
            f"every throw score on the warmer is {scores['throw'].iloc[0]:g}: nothing falls and "
            "there is no error to measure; score longer, or with more testers"
        )
    arms, arm = arms_of(scores, "scores", assessors=("assessor", "nunique"))
    first = float(scores["hours"].min())
    time = scores["hours"].to_numpy() - first
    check = scores["code"] + "\n" + scores["hours"].astype(str)
    wanted = {
        "assessor": (scores["assessor"], None),
        "fall": (scores["assessor"], (time - time.mean()) / time.max()),
        "pot": (scores["pot"], None), "code": (scores["code"], None), "check": (check, None),
    }  # fmt: skip
    found = fit_blends(scores, scores["throw"].to_numpy(), time, arm, wanted, SETTING, draws, seed)
    keys = ["blend", "load_pct", "code", "assessor", "hours"]
    points = scores.groupby(keys, sort=False, as_index=False)["throw"].mean()
    fit = ThrowLife(
        arms, **found, first_h=first, longest_h=float(scores["hours"].max()), points=points,
        confidence=confidence,
    )  # fmt: skip
    return replace(fit, notes=notes + _panel_notes(scores) + _arm_notes(fit))


@one_thread()
def life_curve(fit, blend, hours, load_pct=None):
    """Mean throw of a blend at hours on the warmer, with its interval.

    Parameters
    ----------
    fit : ThrowLife
    blend : str
    hours : float or array
    load_pct : float or None
        In % of wax; needed where the blend was tested at more than one load.

    Returns
    -------
    DataFrame
        hours, throw (0 to 10, median), lower and upper; missing outside the hours tested.

    Raises
    ------
    FitError
        For a blend or load that was not tested.

    Examples
    --------
    >>> rows = pd.DataFrame({"hours": [1.0, 2.0, 4.0, 8.0], "throw": [8.0, 7.0, 6.0, 3.5]})
    >>> rows = rows.assign(code="101", pot="K1", blend="soft", load_pct=10.0, assessor="A1")
    >>> life_curve(fit_throw_life(rows, draws=200), "soft", [4, 9])["throw"].isna().tolist()
    [False, True]
    """
    return curve_frame(fit, blend, hours, load_pct, "throw")[1]


@one_thread()
def hours_until(fit, blend, throw=None, *, share=None, load_pct=None):
    """Hours on the warmer until a blend's mean throw falls below a limit.

    Parameters
    ----------
    fit : ThrowLife, or a Longevity that holds one
    blend : str
    throw : float or array
        The limit, 0 to 10; or
    share : float
        the limit as a share of the throw at the first check, such as 0.5.
    load_pct : float or None
        In % of wax; needed where the blend was tested at more than one load.

    Returns
    -------
    DataFrame
        throw (the limit), hours (median), lower, upper, first_h, longest_h and words. Hours beyond
        the longest tested are infinite; hours at the first check mean that throw was below the
        limit from then on.

    Raises
    ------
    FitError
        For a blend or load that was not tested.
    ValueError
        Without one of throw and share.

    Examples
    --------
    >>> rows = pd.DataFrame({"hours": [1.0, 2.0, 4.0, 8.0], "throw": [8.0, 7.0, 6.0, 3.5]})
    >>> rows = rows.assign(code="101", pot="K1", blend="soft", load_pct=10.0, assessor="A1")
    >>> bool(4 < hours_until(fit_throw_life(rows, draws=200), "soft", share=0.5)["hours"][0] < 8)
    True
    """
    life = getattr(fit, "throw_life", fit)
    if life is None:
        raise FitError("no throw was scored over hours on the warmer")
    if (throw is None) == (share is None):
        raise ValueError("give throw, a limit from 0 to 10, or share, a part of the first throw")
    if share is not None and not 0.0 < share < 1.0:
        raise ValueError(f"share is {share:g}; give a part of the first throw between 0 and 1")
    place = arm_place(life.arms, blend, load_pct)
    arm = life.arms.loc[place]
    first = life.draws(place, [arm["first_h"]])[:, 0]
    if share is not None:
        limits = [(share * float(np.median(first)), share * first)]
    else:
        limits = [(float(t), float(t)) for t in np.atleast_1d(throw)]
    rows = []
    for asked, limit in limits:
        lower, middle, upper = map(float, quantiles(_hours(life, place, limit), life.confidence))
        words = _hours_words(lower, middle, upper, arm, life.confidence)
        rows.append((asked, middle, lower, upper, arm["first_h"], arm["longest_h"], words))
    columns = ["throw", "hours", "lower", "upper", "first_h", "longest_h", "words"]
    return pd.DataFrame(rows, columns=columns)


def _hours(fit, place, limit):
    """Draws (D,) of the hours at which an arm's throw is down at a limit; beyond: infinite."""
    arm = fit.arms.loc[place]
    hours = np.maximum(fit.first_h + time_to(fit, place, limit), arm["first_h"])
    return np.where(hours > arm["longest_h"], np.inf, hours)


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
    if upper <= arm["first_h"]:
        return f"below it from {early}, on"
    if not np.isfinite(middle):
        return f"{beyond} ({interval} from {say(lower)})"
    return f"{say(middle)} ({interval} {say(lower)} to {say(upper)})"


def _settle(warmings):
    rows, notes = usable(
        warmings, "throw",
        "no throw was scored over hours on the warmer; score it, or leave throw out",
        "throw scores on the warmer",
    )
    rows = rows.reset_index(drop=True)
    named = rows["assessor"].notna()
    rows["assessor"] = rows["assessor"].astype(object).where(named, UNNAMED).astype(str)
    rows["code"] = rows["code"].astype(str)
    return rows, notes


def _panel_notes(scores):
    notes, people = [], scores["assessor"].nunique()
    if people == 1:
        notes.append(
            "One tester scored throw on the warmer: the hours are that person's, and a nose that "
            "stays in the room gets used to the smell."
        )
    if (scores["assessor"] == UNNAMED).any():
        notes.append(
            f"{int((scores['assessor'] == UNNAMED).sum())} throw scores on the warmer name no "
            "tester; they are taken as those of one person."
        )
    if scores["hours"].min() < 1.0:
        codes = code_list(scores.loc[scores["hours"] < 1.0, "code"])
        notes.append(
            "Throw was scored within the first hour (pieces "
            f"{codes}): a room is still filling then, and a low first score makes the fall look "
            "slower than it is."
        )
    return tuple(notes)


def _arm_notes(fit):
    """Where nothing falls, and where pieces are too few to show how they differ."""
    notes = []
    for place, arm in fit.arms.iterrows():
        rate = fit.rate[:, fit.blends.index(arm["blend"])]
        lower, middle, upper = quantiles(rate, fit.confidence)
        if middle <= 0 or lower <= 0:
            verb = "does not fall" if middle <= 0 else "is not shown to fall"
            start, end = np.median(fit.draws(place, [arm["first_h"], arm["longest_h"]]), axis=0)
            notes.append(
                f"The throw of {arm_words(arm)} {verb} up to {arm['longest_h']:g} h ({start:.1f} "
                f"at {arm['first_h']:g} h, {end:.1f} at {arm['longest_h']:g} h): test longer for "
                "the hours that it lasts."
            )
    if (fit.arms["pieces"] == 1).all():
        notes.append(
            "One piece of each blend and load was scored: how pieces differ is not known, and the "
            "intervals hold for that piece."
        )
    return tuple(notes)

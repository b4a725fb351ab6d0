"""What the panel can tell apart: the load beyond which more fragrance is not shown to be smelt."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import special

<<<<<<< HEAD
from scentlab.fitting.throw import throw_draws
from scentlab.fitting.throw_model import SOURCES
=======
from scentlab.fitting.throw import ALPHA, POWER, difference_told, throw_draws
from scentlab.maths.threads import one_thread
>>>>>>> machine
from scentlab.results import FitError, Result
from scentlab.units import say_load

GRID = 201
POWER, ALPHA = 0.8, 0.05


@dataclass(frozen=True, repr=False)
class Telling(Result):
    """How far up the loads of a blend the panel could still tell what is added.

    Attributes
    ----------
    load_pct : load (% of wax) beyond which the throw added up to ``top_pct`` is less than the
        panel could tell, with 90 % limits ``lower_pct`` and ``upper_pct``. load_pct is missing
        where even the lowest load cannot be told from the top; a missing limit likewise.
    least : the least difference (points of throw) told between that load, or the lowest, and the
        top. gain, gain_lower, gain_upper : throw added from the lowest load to the top.
    """

    blend: str
    kind: str
    load_pct: float
    lower_pct: float
    upper_pct: float
    lowest_pct: float
    top_pct: float
    least: float
    gain: float
    gain_lower: float
    gain_upper: float
    assessors: int
    pots: int
    power: float
    alpha: float
    notes: tuple = field(default=())

    @property
    def table(self):
        rows = [
            ("load beyond which no more is told", self.load_pct, self.lower_pct, self.upper_pct,
             "% of wax"),
            ("least difference told", self.least, np.nan, np.nan, "throw, 0 to 10"),
            ("gain from the lowest load", self.gain, self.gain_lower, self.gain_upper,
             "throw, 0 to 10"),
        ]  # fmt: skip
        frame = pd.DataFrame(rows, columns=["parameter", "estimate", "lower", "upper", "unit"])
        frame.insert(2, "se", np.nan)
        return frame

    @property
    def sentence(self):
        panel = (
            f"{self.assessors} assessor{'s' * (self.assessors > 1)} and {self.pots} "
            f"pot{'s' * (self.pots > 1)} could tell, {self.least:.1f} points "
            f"({100 * self.power:.0f} % power at {100 * self.alpha:g} %)"
        )
        if np.isnan(self.load_pct):
            start = "nobody is shown to smell the difference"
            if self.gain_lower > 0:
                start = "the lowest load could hardly be told from the highest side by side"
            return (
                f"{self.blend}: {start}: from "
                f"{self.lowest_pct:.1f} to {self.top_pct:.1f} % of wax {self.kind} throw changes "
                f"by {self.gain:+.1f} points (90 % interval {self.gain_lower:+.1f} to "
                f"{self.gain_upper:+.1f}), less than what {panel}."
            )
        return (
            f"{self.blend}: beyond {say_load(self.load_pct)} (90 % interval {self._interval()}) "
            f"the {self.kind} throw added up to {self.top_pct:.1f} % of wax is less than what "
            f"{panel}."
        )

    def _interval(self):
        lower = "below the lowest load" if np.isnan(self.lower_pct) else f"{self.lower_pct:.1f}"
        return f"{lower} to {self.upper_pct:.1f} % of wax"


@one_thread()
def telling_load(fit, blend, top_pct=None, *, power=POWER, alpha=ALPHA):
    """The load beyond which the throw added up to ``top_pct`` is less than the panel could tell.

    Parameters
    ----------
    fit : ThrowFit. blend : str. top_pct : the highest load of interest (% of wax), such as the
        ceiling; the highest whose throw was scored when None.
    power, alpha : of the two-sided t test of one load against the other, each scored as often as
        in this series.

    Returns
    -------
    Telling

    Raises
    ------
    FitError for a blend that was not scored, or a top outside the loads scored.
    """
    if blend not in fit.blends:
        raise FitError(f"no throw was scored for {blend!r}; scored were {', '.join(fit.blends)}")
    row = fit.tested.set_index("blend").loc[blend]
    lowest, highest = float(row["lowest_pct"]), float(row["highest_pct"])
    top = highest if top_pct is None else float(top_pct)
    if not lowest < top <= highest + 0.05:
        raise FitError(
            f"throw of {blend} was scored from {lowest:.1f} to {highest:.1f} % of wax; a top of "
            f"{top:.1f} % of wax lies outside"
        )
    loads = np.linspace(lowest, top, GRID)
    draws = throw_draws(fit, blend, loads)
    least = difference_told(fit, blend, _share_left(draws), power, alpha)
    added = draws[:, [-1]] - draws
    mean = added.mean(axis=0)
    place = _last(mean >= least)
    each = np.append(-np.inf, loads)[_last(added >= least) + 1]
    lower, upper = np.quantile(each, [0.05, 0.95], method="nearest")
    gain = np.quantile(added[:, 0], [0.05, 0.95])
    return Telling(
        blend,
        fit.kind,
        float(loads[place]) if place >= 0 else np.nan,
        float(lower) if np.isfinite(lower) else np.nan,
        float(upper) if np.isfinite(upper) else np.nan,
        lowest,
        top,
        float(least[max(place, 0)]),
        float(mean[0]),
        float(gain[0]),
        float(gain[1]),
        len(fit.assessors),
        int(row["pots"]),
        power,
        alpha,
    )


def _share_left(draws):
    """Share of the way from the lowest load to the top that is left at each load, 1 to 0."""
    mean = draws.mean(axis=0)
    whole = mean[-1] - mean[0]
    if abs(whole) < 1e-9:
        return np.linspace(1.0, 0.0, len(mean))
    return np.clip((mean[-1] - mean) / whole, 0.0, 1.0)


def _last(true):
    """Index of the last True along the last axis, -1 where there is none."""
    size = true.shape[-1]
    return np.where(true.any(axis=-1), size - 1 - np.argmax(true[..., ::-1], axis=-1), -1)


def gain_told(fit, blend, lower_pct, upper_pct):
    """The mean throw gained from one load of a blend to another and the least that is told.

    Returns
    -------
    (gain, least), both in points of throw.
    """
    row = fit.tested.set_index("blend").loc[blend]
    loads = [lower_pct, upper_pct, float(row["lowest_pct"]), float(row["highest_pct"])]
    low, high, first, last = throw_draws(fit, blend, loads).mean(axis=0)
    apart = 1.0 if abs(last - first) < 1e-9 else min(abs((high - low) / (last - first)), 1.0)
    return float(high - low), float(difference_told(fit, blend, apart)[0])


def difference_told(fit, blend, share_apart, power=POWER, alpha=ALPHA):
    """The least difference (points) between two loads of a blend, so much of its rise apart, that
    a test of the two side by side, each scored as often as in this series, could tell."""
    row = fit.tested.set_index("blend").loc[blend]
    apart = np.atleast_1d(np.asarray(share_apart, dtype=float))
    variance = dict(zip(fit.variances["source"], fit.variances["sd"] ** 2, strict=True))
    counts = {"pour": row["pots"], "code": row["pots"] * row["pieces_per_pour"],
              "score": row["scores_per_load"]}  # fmt: skip
    total = sum(2.0 * variance.get(SOURCES[k], 0.0) / n for k, n in counts.items())
    total = total + apart**2 * variance.get(SOURCES["scale"], 0.0) / len(fit.assessors)
    return np.sqrt(total) * (special.ndtri(1.0 - alpha / 2.0) + special.ndtri(power))

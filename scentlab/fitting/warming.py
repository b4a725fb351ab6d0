"""The time on the warmer: whether it varied, and the term that allows for it.

Scores go about with the logarithm of what is in the air, so the term is the logarithm of the share
of the steady concentration reached, 1 - exp(-a t), where the room's air-change rate a is known;
where it is not, the logarithm of the minutes, to which that tends in the first minutes.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from scentlab.maths.room import share_of_steady
from scentlab.results import FitError

# A timer is stopped a little early or late; within a fifth the times count as the same.
SAME = 0.2
# The kinds of throw as a person reads them.
SAID = {"warm": "hot", "cold": "cold"}


@dataclass(frozen=True)
class Warming:
    """``usual`` minutes (nan: not known), the ``shortest`` and ``longest`` scored at, the room's
    air changes an hour or None, and whether the fit has a ``term`` for the minutes."""

    usual: float
    shortest: float
    longest: float
    air_changes_per_h: float | None
    term: bool

    def covariate(self, minutes):
        """What the term multiplies: 0 at the usual time."""
        return _reached(minutes, self.air_changes_per_h) - _reached(
            self.usual, self.air_changes_per_h
        )


def _reached(minutes, air):
    minutes = np.maximum(np.asarray(minutes, dtype=float), 1.0)
    return np.log(minutes if air is None else share_of_steady(minutes / 60.0, air))


def warming_of(scores, kind, air_changes_per_h=None):
    """The :class:`Warming` of tidy scores, the covariate per score or None, and notes."""
    unknown = Warming(np.nan, np.nan, np.nan, air_changes_per_h, False)
    if kind != "warm" or "minutes" not in scores:
        return unknown, None, ()
    minutes = pd.to_numeric(scores["minutes"], errors="coerce").astype(float)
    if minutes.isna().all():
        return unknown, None, ()
    usual = _usual(minutes.dropna().to_numpy())
    if not (np.abs(minutes / usual - 1.0) > SAME).any():
        near = Warming(usual, float(minutes.min()), float(minutes.max()), air_changes_per_h, False)
        return near, None, ()
    warming = Warming(usual, float(minutes.min()), float(minutes.max()), air_changes_per_h, True)
    notes = _missing(minutes, usual) + _unlike_sessions(scores, minutes, usual)
    covariate = warming.covariate(minutes.fillna(usual).to_numpy())
    if _goes_with_load(scores, covariate):
        notes += (
            "The minutes on the warmer go with the loads or blends scored, so that the effect of "
            "the time cannot be told from theirs: score all loads after the same time.",
        )
        return Warming(usual, warming.shortest, warming.longest, None, False), None, notes
    return warming, covariate, notes


def _usual(minutes):
    """The whole minute with the most scores within a fifth of it; of equals the one that was
    noted most often, then the least."""
    whole, counts = np.unique(np.maximum(np.round(minutes), 1.0), return_counts=True)
    near = (np.abs(minutes[:, None] / whole - 1.0) <= SAME).sum(axis=0)
    return float(whole[np.lexsort((whole, -counts, -near))[0]])


def _missing(minutes, usual):
    count = int(minutes.isna().sum())
    if not count:
        return ()
    have = "score has" if count == 1 else "scores have"
    taken = "was" if count == 1 else "were"
    return (f"{count} {have} no minutes on the warmer and {taken} taken as {usual:g} min.",)


def _unlike_sessions(scores, minutes, usual):
    middle = minutes.groupby(scores["sitting"].astype(str)).median().dropna()
    if not len(middle) or middle.max() <= (1.0 + SAME) * middle.min():
        return ()
    each = ", ".join(f"{s} {m:g} min" for s, m in middle.items())
    return (
        f"The sessions were scored at different times on the warmer ({each}) and are compared only "
        f"by the term for the minutes; throw is stated at {usual:g} min.",
    )


def _goes_with_load(scores, covariate):
    """Whether blend and load, to the half point, leave under a twentieth of its variance."""
    cells = scores["blend"].astype(str) + (2 * scores["load_pct"]).round().astype(str)
    left = covariate - pd.Series(covariate).groupby(cells.to_numpy()).transform("mean").to_numpy()
    return bool(left @ left < 0.05 * np.sum((covariate - covariate.mean()) ** 2))


def covariate_at(warming, kind, minutes):
    """The covariate at stated minutes; raises FitError where the scores do not reach."""
    if minutes is None:
        return 0.0
    if warming.term and warming.shortest <= minutes <= warming.longest:
        return float(warming.covariate(minutes))
    if not warming.term and abs(minutes - warming.usual) <= SAME * warming.usual:
        return 0.0
    said = SAID[kind]
    if np.isnan(warming.usual):
        raise FitError(
            f"no minutes on the warmer were noted with the {said} throw scores; leave minutes out"
        )
    reach = f"from {warming.shortest:g} to {warming.longest:g} min"
    if not warming.term:
        reach = f"at {warming.usual:g} min"
    raise FitError(
        f"{said} throw was scored {reach} on the warmer; there is no answer at {minutes:g} min"
    )

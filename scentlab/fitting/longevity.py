"""Longevity on the warmer: what a piece loses over hours, and how long its throw lasts."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from scentlab.fitting.throw_life import ThrowLife, fit_throw_life
from scentlab.fitting.weight_loss import WeightLoss, fit_weight_loss
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result
from scentlab.text import capital


@dataclass(frozen=True, repr=False)
class Longevity(Result):
    """Weight loss and throw over hours; either is None when it was not measured, or could not be
    fitted, and ``notes`` says why."""

    weight_loss: WeightLoss | None
    throw_life: ThrowLife | None
    notes: tuple = field(default=())

    @property
    def fits(self):
        """Those of the two that there are."""
        return tuple(f for f in (self.throw_life, self.weight_loss) if f is not None)

    @property
    def table(self):
        return pd.concat([fit.table for fit in self.fits], ignore_index=True)

    @property
    def sentence(self):
        return " ".join(fit.sentence for fit in self.fits)


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
    >>> fit_longevity(frame.assign(assessor=None, throw=None)).weight_loss.longest_h
    8.0
    """
    found, errors = {}, []
    given = {
        "weight_loss": ("weight_g", lambda: fit_weight_loss(
            warmings, piece_g, confidence=confidence, draws=draws, seed=seed)),
        "throw_life": ("throw", lambda: fit_throw_life(
            warmings, confidence=confidence, draws=draws, seed=seed)),
    }
    for name, (column, fit) in given.items():
        found[name] = None
        if warmings[column].notna().any():
            try:
                found[name] = fit()
            except FitError as error:
                errors.append(str(error))
    if not any(found.values()):
        raise FitError("; ".join(errors) or "nothing was weighed or scored on the warmer")
    notes = [capital(e) + "." for e in errors]
    for result in (found["throw_life"], found["weight_loss"]):
        notes += result.notes if result is not None else ()
    return Longevity(found["weight_loss"], found["throw_life"], tuple(notes))

"""What a pick rests on: do the fits describe what was seen, and does one pot carry the answer?"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import find_ceiling
from scentlab.fitting.checks import SweatCheck, check_sweat
from scentlab.fitting.sweat import fit_sweat
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result

TELLING = 0.5


@dataclass(frozen=True, repr=False)
class Diagnosis(Result):
    """Checks of an analysis.

    Attributes
    ----------
    sweat : SweatCheck.
    pots_left_out : DataFrame, per pot: pot, blend, ceiling_load_pct (% of wax) of its blend without
        that pot, and change_pct against the ceiling with it; missing where no load qualifies.
    """

    sweat: SweatCheck
    pots_left_out: pd.DataFrame
    notes: tuple = field(default=())

    @property
    def table(self):
        """The ceilings without each pot."""
        return self.pots_left_out

    @property
    def sentence(self):
        change = self.pots_left_out["change_pct"].abs()
        if change.isna().all():
            moved = "No ceiling could be compared without one of its pots."
        else:
            worst = self.pots_left_out.loc[change.idxmax()]
            moved = (
                f"Leaving out one pot moves a ceiling by at most "
                f"{abs(worst['change_pct']):.1f} points of load (% of wax), for {worst['blend']} "
                f"without pot {worst['pot']}."
            )
        return " ".join([self.sweat.sentence, moved, *self._appearing()])

    def _appearing(self):
        """Blends for which a load qualifies only without one of their pots."""
        table = self.pots_left_out
        rows = table[table["ceiling_load_pct"].notna() & table["change_pct"].isna()]
        return [
            f"A load qualifies for {r.blend} only without pot {r.pot}." for r in rows.itertuples()
        ]


@one_thread()
def diagnose(analysis, *, seed=1, draws=1000):
    """Check the sweat fit of an analysis and refit it without each pot in turn.

    Ceilings are those of sweat alone, with and without the pot, also where bleed was weighed.

    Parameters
    ----------
    analysis : Analysis. draws : int, posterior draws of each refit.

    Returns
    -------
    Diagnosis
    """
    grades = analysis.series.sweat()
    limits = dict(
        zip(analysis.series.blends["blend"], analysis.series.blends["limit_load_pct"], strict=True)
    )
    check = check_sweat(analysis.sweat, grades, seed=seed)
    whole = find_ceiling(analysis.sweat, analysis.rules)
    rows, notes = [], []
    for pot, blend in grades.drop_duplicates("pot")[["pot", "blend"]].itertuples(index=False):
        found = _without(pot, blend, grades, limits, analysis.rules, seed, draws)
        before = float(whole.of(blend)["ceiling_load_pct"])
        rows.append((pot, blend, found, found - before))
        # A lower ceiling without a pot is only evidence lost; a higher one points at the pot.
        if not np.isnan(found) and not found <= before + TELLING:
            notes.append(_say(pot, blend, before, found))
    table = pd.DataFrame(rows, columns=["pot", "blend", "ceiling_load_pct", "change_pct"])
    return Diagnosis(check, table, check.notes + tuple(notes))


def _without(pot, blend, grades, limits, rules, seed, draws):
    rest = grades[grades["pot"] != pot]
    if not (rest["blend"] == blend).any():
        return np.nan
    try:
        fit = fit_sweat(rest, limits, draws=draws, seed=seed)
        return float(find_ceiling(fit, rules).of(blend)["ceiling_load_pct"])
    except FitError:
        return np.nan


def _say(pot, blend, before, found):
    def words(load):
        return "no tested load" if np.isnan(load) else f"{load:.1f} % of wax"

    return (
        f"The ceiling of {blend} hangs on pot {pot}: {words(before)} with it, {words(found)} "
        "without it. Pour another pot of that blend before trusting either."
    )

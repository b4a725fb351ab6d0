"""What a pick rests on: do the fits describe what was seen, and does one pot carry the answer?"""

from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from scentlab.choosing.analysis import Analysis
from scentlab.choosing.ceiling import at_sale, find_ceiling
from scentlab.fitting.checks import SweatCheck, check_sweat
from scentlab.fitting.looks import settle_looks, tested_range
from scentlab.fitting.reweighting import draw_error, leave_out_draws, moved_without, without_pot
from scentlab.fitting.sweat import fit_sweat, load_at_risk_draws
from scentlab.maths.sampling import weighted_quantile
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result, an_analysis
from scentlab.units import OUNCES_PER_POUND, percent_of_wax, shown

TELLING = 0.5
# Above this k-hat the weights without a pot have no finite variance (Vehtari et al. 2024), so that
# their error cannot be told from lots: 30 changes at 0.6 to 0.7 lay 0.25 (+- 0.1) points too low.
FINITE = 0.5
# Differences under so many of their standard errors are not told from the chance of the draws.
ERRORS = 2.0
CHANGE_UNIT = {"g": "points of load (% of wax)", "oz": "oz/lb"}


@dataclass(frozen=True, repr=False)
class Diagnosis(Result):
    """Checks of an analysis.

    sweat : SweatCheck.
    table : DataFrame, per pot: pot, blend, ceiling_load_pct (% of wax) of its blend without
        that pot, change_pct against the ceiling with it, error_pct (Monte Carlo standard error of
        the change) and hangs (bool: higher without it, by more than 0.5 and twice that error);
        missing where no load qualifies.
    """

    sweat: SweatCheck
    table: pd.DataFrame
    notes: tuple = ()

    @property
    def sentence(self):
        pots = ", ".join(self.table.loc[self.table["hangs"], "pot"])
        said = "is known to depend on one pot"
        if pots:
            said = f"depends on pot {pots}"
        elif self.table["change_pct"].isna().all():
            said = "could be worked out without one of its pots"
        return f"{self.sweat.sentence} {'A' if pots else 'No'} highest safe load {said}."


def say_change(row):
    """A change of a ceiling with twice its Monte Carlo error."""
    factor, digits = (OUNCES_PER_POUND / 100.0, 2) if shown().weight == "oz" else (1.0, 1)
    # Rounded first, and without the sign of a zero.
    said = f"{round(factor * row['change_pct'], digits) + 0.0:+.{digits}f}"
    error = max(factor * ERRORS * row["error_pct"], 10.0**-digits)
    return f"{said} (give or take {error:.{digits}f})"


@one_thread()
def diagnose(analysis: Analysis, *, draws: int | None = None) -> Diagnosis:
    """Check the sweat fit of an analysis and take the evidence of each pot out in turn.

    Ceilings with and without the pot rest on the same draws with other weights; where those do not
    reach that far (k-hat above 0.5), on fewer that are moved, and if need be on a fit made anew.

    Parameters
    ----------
    analysis : Analysis
    draws : int or None, of fits made anew; None takes those of the analysis.

    Returns
    -------
    Diagnosis

    Examples
    --------
    >>> from scentlab.choosing.analysis import analyse
    >>> from scentlab.simulate import small_series
    >>> list(diagnose(analyse(small_series(), draws=100, precise=None)).table["pot"])
    ['soft1', 'soft2']
    """
    grades = an_analysis(analysis).series.sweat()
    rules = replace(analysis.rules, stress=analysis.ceiling.stress)
    check = check_sweat(analysis.sweat, grades, seed=analysis.seed)
    before, rows = find_ceiling(analysis.sweat, rules), []
    # Under a stress that nothing was graded under no pot tells anything.
    points = {blend: _points(analysis.sweat, rules, blend) for blend in analysis.sweat.blends
              if rules.stress in analysis.sweat.stresses}
    for pot, blend in grades.drop_duplicates("pot")[["pot", "blend"]].itertuples(index=False):
        found, error, sure = _without(
            analysis, rules, str(pot), blend, points.get(blend), draws or analysis.draws)
        change = found - before.of(blend)["ceiling_load_pct"]
        # A lower ceiling without a pot is only evidence lost; a higher one points at the pot.
        hangs = change - ERRORS * error > 0 and change > TELLING
        appears = sure and np.isnan(found - change)
        rows.append({
            "pot": pot, "blend": blend, "ceiling_load_pct": found, "change_pct": change,
            "error_pct": error, "hangs": bool(hangs or appears),
        })
    table = pd.DataFrame(rows)
    notes = [_say(r) for r in table.itertuples() if r.hangs]
    return Diagnosis(sweat=check, table=table, notes=check.notes + tuple(notes))


def _without(analysis, rules, pot, blend, before, draws):
    """The ceiling without a pot, the error of its change from the points ``before``, and whether
    all draws have it."""
    whole, none = analysis.sweat, (np.nan, np.nan, False)
    others = whole.counts["pot"].astype(str) != pot
    if before is None or not (others & (whole.counts["blend"] == blend)).any():
        return none
    fit = without_pot(whole, pot)
    anew = not fit.k_hat <= FINITE
    if anew:
        fit = _anew(analysis, pot, draws)
        if fit is None or rules.stress not in fit.stresses:
            return none
    after = _points(fit, rules, blend)
    error = np.hypot(*map(draw_error, (after, before))) if anew else draw_error(after - before)
    found = find_ceiling(fit, rules, [blend]).of(blend)["ceiling_load_pct"]
    lowest, _ = tested_range(fit, blend)
    return float(found), float(error), bool(np.isfinite(found) and after.min() > lowest)


def _points(fit, rules, blend):
    """The ceiling by the curve alone, without each tenth of the draws (10,)."""
    fit = at_sale(fit, rules)
    at_risk = load_at_risk_draws(fit, rules.risk, rules.limit_grade, rules.stress)
    own, chance = at_risk[:, fit.blends.index(blend)], 1.0 - rules.confidence
    return leave_out_draws(fit, lambda f: weighted_quantile(own, f.weights, chance))


def _anew(analysis, pot, draws):
    """A fit without a pot on draws of its own; None where there is none."""
    grades = analysis.series.sweat()
    if analysis.sweat.alone is None:
        looks = settle_looks(grades, "sweat", ages=True)[0]
        with suppress(np.linalg.LinAlgError):  # hardly any draw is left where the others point
            fit = moved_without(analysis.sweat, looks, pot, 2 * draws, FINITE)
            if fit.k_hat <= FINITE:
                return fit
    with suppress(FitError):
        return fit_sweat(grades[grades["pot"].astype(str) != pot], analysis.series.limits,
                         draws=draws, precise=None, seed=analysis.seed)


def _say(row):
    def words(load):
        return "no tested load" if np.isnan(load) else f"{percent_of_wax(load, sold=True)} of wax"

    before = row.ceiling_load_pct - row.change_pct
    error = "" if np.isnan(before) else (
        f" (give or take {max(ERRORS * row.error_pct, 0.1):.1f} between the two)")
    return (
        f"The highest safe load of {row.blend} depends on pot {row.pot}: {words(before)} with it, "
        f"{words(row.ceiling_load_pct)} without it{error}. Pour another pot of that blend before "
        "trusting either."
    )

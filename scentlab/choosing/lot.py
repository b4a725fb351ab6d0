"""A new lot against the recommended load: accept, reject or test more, by the rule of the pick."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from scentlab.choosing.analysis import Analysis
from scentlab.choosing.ceiling import (
    NEAR_PCT,
    at_sale,
    chances_over,
    find_ceiling,
    held_below_sweat,
    speak_against,
)
from scentlab.choosing.known_load import known_load
from scentlab.fitting.looks import nearly, next_look, reached, settle_looks
from scentlab.fitting.new_lot import fit_new_lot
from scentlab.fitting.sweat import load_at_risk_draws
from scentlab.maths.sampling import K_HAT_LIMIT, summary, weighted_quantile
from scentlab.results import FitError, Result, an_analysis, say_odds, say_rule
from scentlab.series import stress_words
from scentlab.text import capital, count_of, in_sentences, spelling
from scentlab.units import say_load_oz, say_percent_of_wax, say_points

ACCEPT, REJECT, MORE = "accept", "reject", "test more"
SURE_OVER = 0.8  # how likely over the risk a lot is rejected; this project's own choice
_LEAST_STEP = 0.5  # points of load between the test batches


def lot_loads(analysis, blend=None, load_pct=None):
    """Three loads (% of wax) that show most of a new lot: the one in use, the load at which half of
    the pieces of the old lot reach the limit grade, and one halfway."""
    known, rules = known_load(analysis, blend, load_pct), analysis.rules
    blend = known.blend
    fit = at_sale(analysis.sweat, rules)
    half = load_at_risk_draws(fit, 0.5, rules.limit_grade, analysis.ceiling.stress)
    half = float(weighted_quantile(half[:, fit.blends.index(known.blend)], fit.weights, 0.5))
    step = max((half - known.load_pct) / 2, _LEAST_STEP)
    return (known.load_pct, *(round(known.load_pct + step * i, 1) for i in (1, 2)))


@dataclass(frozen=True, repr=False)
class LotCheck(Result):
    """What the test batches of a new lot say of the load in use.

    lot, blend : str. load_pct : the load that was asked about (% of wax). verdict : accept, reject
        or test more. chance_over : that more than the accepted share of pieces of new pots of the
        lot would sweat at it. safe_load_pct : highest safe load with this lot, missing
        where none is known. table : one row, the shift of the half-sweat load against the old lot
        (points of load, below 0 it sweats earlier): estimate, se, lower, upper (90 %).
    seen : DataFrame of load_pct, pieces, sweated (limit grade or more) as the deciding pieces were.
    young : how many of them are dry and were looked at younger only than ``due_day``, the age at
        which those of the old lot were, or that of the sale: no lot is accepted on these, nor has
        it a safe load.
    stress : how these were kept, in words.
    """

    lot: str
    blend: str
    load_pct: float
    verdict: str
    chance_over: float
    safe_load_pct: float
    table: pd.DataFrame
    seen: pd.DataFrame
    risk: float
    stress: str
    young: int
    due_day: float
    notes: tuple = ()

    @property
    def again(self) -> bool:
        """Whether the same pieces are to be looked at again."""
        return self.verdict == MORE and self.young > 0

    @property
    def lines(self) -> tuple:
        """The answer, what was seen, and how the lot compares, in words."""
        lines = self._answer(), self._pieces()
        return lines if self.again else (
            *lines, capital(say_shift(self.table.iloc[0], f"lot {self.lot}", "the lot before")))

    @property
    def sentence(self) -> str:
        return " ".join(self.lines)

    def _answer(self):
        load = say_load_oz(self.load_pct, sold=True)
        said = {
            ACCEPT: f"Lot {self.lot}: accept. Use {load} as before",
            REJECT: f"Lot {self.lot}: reject at {load}",
            MORE: f"Lot {self.lot}: test more before you use {load}",
        }[self.verdict]
        if self.again:
            number = f"{self.young} of {count_of(int(self.seen['pieces'].sum()), 'piece')}"
            return in_sentences([
                f"{said}: inspect its pieces again on day {self.due_day:g}",
                f"{number} are dry but not yet that old, so sweat may still come"])
        if self.verdict != ACCEPT:
            known = not np.isnan(self.safe_load_pct)
            said += ". Highest safe load with this lot now: " + (
                say_load_oz(self.safe_load_pct, sold=True) if known else "none known")
        if self.verdict == REJECT and self.chance_over < SURE_OVER:  # by its pieces as counted
            return in_sentences([said, self.notes[0].removesuffix(".")])
        odds = say_odds(self.chance_over, 0.01)
        return in_sentences([
            said, f"{odds} that more than {say_rule(self.risk)} of its pieces would sweat at "
            f"{say_percent_of_wax(self.load_pct, sold=True)}"])

    def _pieces(self):
        rows = [f"{say_percent_of_wax(r.load_pct)}: {r.sweated} of {r.pieces}"
                for r in self.seen.itertuples()]
        return in_sentences([f"Sweated, {self.stress}: {'; '.join(rows)}"])


def say_shift(row, own, other):
    """How much earlier or later one sweats than another, where the direction is known."""
    def way(change):
        return f"{say_points(abs(change), alone=True)} {'earlier' if change < 0 else 'later'}"

    ends = f"90 % interval {way(row.lower)} to {way(row.upper)}"
    middle = f"{say_points(abs(row.estimate))} {'earlier' if row.estimate < 0 else 'later'}"
    if row.lower > 0 or row.upper < 0:
        return f"{own} sweats {middle} than {other}, {ends}."
    return (f"{own} against {other} is too close to call: {middle}, {ends}.")


def check_lot(
    analysis: Analysis, lot: str, *, blend: str | None = None, load_pct: float | None = None,
) -> LotCheck:
    """Whether a new lot can be used at the recommended load.

    The old series is the evidence on everything but how far the lot lies from it. The lot is
    accepted by the rule of the pick: as sure as the rules ask that no more pieces of new pots than
    they accept would sweat. It is rejected where that is 80 % likely not so. Dry pieces that were
    looked at younger than those of the old lot, or than at the sale, accept nothing.

    Parameters
    ----------
    analysis : Analysis of the old lot, whose series has the test batches of the new lot beside.
    lot : str, as in the column ``lot`` of its pours.
    blend : str; None takes that of the lot's pours. load_pct : float, % of wax; None takes the
        recommended load.

    Returns
    -------
    LotCheck

    Raises
    ------
    FitError where nothing of the lot was graded as the pieces that decide are kept.

    >>> from scentlab.choosing.analysis import analyse
    >>> from scentlab.simulate import small_series
    >>> old = small_series([5, 7, 9], sweat=6)
    >>> new = replace(old, pours=old.pours.assign(lot="B-7", finish=""))
    >>> found = check_lot(analyse(replace(old, apart=new), draws=100, precise=None), "B-7")
    >>> found.verdict in (ACCEPT, MORE)
    True
    """
    lot, looks = _looks_of(an_analysis(analysis).series, lot)
    blend = blend or looks["blend"].iloc[0]
    known, rules = known_load(analysis, blend, load_pct), analysis.rules
    blend, stress = known.blend, analysis.ceiling.stress
    fit, shift = fit_new_lot(analysis.sweat, looks, blend, seed=analysis.seed)
    seen = fit.counts[fit.counts["stress"] == stress]
    if seen.empty:
        raise FitError(f"no piece of lot {lot} was graded {stress_words(stress)}; grade some first")
    over, = chances_over(fit, blend, [known.load_pct], rules)
    table = seen.assign(sweated=reached(seen, rules.limit_grade), pieces=seen["n"])
    table = table.sort_values("load_pct")
    verdict, notes = _verdict(table, known.load_pct, over, fit.k_hat, rules)
    due = _due_day(analysis.sweat.looks, blend, stress, rules)
    young = _too_young(looks[looks["blend"] == blend], stress, due, rules)
    if young and verdict == ACCEPT:
        verdict = MORE
    return LotCheck(
        lot, str(blend), known.load_pct, verdict, over,
        np.nan if young else _safe_load(analysis, fit, blend),
        pd.DataFrame([("shift", *summary(shift, fit.weights))],
                     columns=["parameter", "estimate", "se", "lower", "upper"]),
        table[["load_pct", "pieces", "sweated"]].reset_index(drop=True), rules.risk,
        stress_words(stress, analysis.series.plan), young, due, tuple(notes),
    )


def _due_day(looks, blend, stress, rules):
    """The age at which pieces of a new lot say as much as those of the old one: the oldest at which
    half of every test batch was looked at, or that of the sale where it is younger."""
    own = looks[(looks["blend"] == blend) & (looks["stress"] == stress)]
    seen = [age for age in own["age_days"].unique() if np.isfinite(next_look(own, age))]
    sold = rules.ship_age_days
    return min([*seen[-1:], *([] if sold is None else [sold])], default=0.0)


def _too_young(looks, stress, due, rules):
    """How many pieces did not sweat and were looked at only before they were ``due`` days old."""
    looks, _ = settle_looks(looks, "sweat", ages=True)
    last = looks[looks["stress"] == stress].drop_duplicates("code", keep="last")
    dry = last["grade"] < rules.limit_grade
    return int((dry & (last["age_days"] <= nearly(due))).sum())


def _looks_of(series, lot):
    apart = series.apart
    lots = [] if apart is None else sorted({x for x in apart.pours["lot"] if x})
    lot = spelling(lots)(lot)
    if lot not in lots:
        raise FitError(f"no test batch of lot {lot!r} is logged; "
                       + (f"there are {', '.join(lots)}" if lots else "plan and pour them first"))
    pours = apart.pours.loc[apart.pours["lot"] == lot, "pour"]
    looks = apart.sweat()
    looks = looks[looks["pour"].isin(pours) & looks["grade"].notna()]
    if looks.empty:
        raise FitError(f"no piece of lot {lot} is graded yet; grade them first")
    return lot, looks


def _verdict(seen, load, over, k_hat, rules):
    """Accept, reject or test more, and what stands against the model's answer."""
    below = seen[seen["load_pct"] <= load + NEAR_PCT / 2]
    wet, pieces = int(below["sweated"].sum()), int(below["pieces"].sum())
    if speak_against(wet, pieces, rules.risk):
        return REJECT, [f"{wet} of {count_of(pieces, 'piece')} at {say_load_oz(load)} or less "
                        f"sweated: more than a risk of {say_rule(rules.risk)} allows, whatever "
                        "the model."]
    if k_hat > K_HAT_LIMIT:
        return MORE, ["This lot behaves like nothing this series would lead you to expect; pour "
                      "more of it."]
    if over <= 1.0 - rules.confidence:
        return ACCEPT, []
    return (REJECT if over >= SURE_OVER else MORE), []


def _safe_load(analysis, fit, blend):
    """The highest safe load with the new lot, within all loads tested."""
    counts = pd.concat([analysis.sweat.counts, fit.counts], ignore_index=True)
    row = {"blend": blend, **find_ceiling(replace(fit, counts=counts), analysis.rules).of(blend)}
    # What speaks against the new lot by itself does so whatever the old one showed.
    held = held_below_sweat(fit, row, analysis.rules)
    return float((held[0] if held else row)["ceiling_load_pct"])

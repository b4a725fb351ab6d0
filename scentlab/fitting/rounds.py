"""Rounds of pouring: whether what was poured on one day sweats unlike what was poured on others."""

import numpy as np
import pandas as pd

from scentlab.fitting.reweighting import pot_log_likelihood, thinned
from scentlab.maths.sampling import weighted_quantile

SHIFTS = np.arange(-3.0, 3.01, 0.25)  # points of load that a round may sweat earlier by
DRAWS = 400
_ROUNDS_SD = 1.0  # points of load that rounds may lie apart beforehand
ENOUGH_POTS = 2  # on either side: with one a round cannot be told from a pot


def rounds_words(table):
    """What a table of :func:`fit_rounds` says, in a sentence: rounds differ where their limits
    leave out no difference."""
    if len(table) < 2:
        return "Everything was poured in one round."
    if not table["told"].any():
        return (f"{len(table)} rounds, with too few pots to separate rounds from pots; differences "
                "between rounds count as differences between pots.")
    apart = table[(table["lower_pct"] > 0) | (table["upper_pct"] < 0)]
    said = "; ".join(
        f"{r.poured_on} sweats {abs(r.earlier_pct):.1f} points of load "
        f"{'earlier' if r.earlier_pct > 0 else 'later'} than the others"
        for r in apart.itertuples())
    return f"{len(table)} rounds, fitted together: " + (
        f"what was poured on {said}. Check lot, scale and temperatures." if said else
        "they differ no more than pots do.")


def fit_rounds(fit, pours):
    """How far each round (day of pouring) lies from the others, beyond what its pots explain.

    Returns DataFrame with poured_on, pots, told (whether there are pots enough to tell the round
    from its pots), earlier_pct (points of load by which it sweats earlier than the others, median;
    missing where it is not told) and its 90 % limits lower_pct and upper_pct: by the likelihood of
    the round's grades with its loads moved, averaged over the fit's draws, with a normal prior of 1
    point about no difference.
    """
    fit, day = thinned(fit, DRAWS), pours.drop_duplicates("pot").set_index("pot")["poured_on"]
    rounds = fit.counts["pot"].map(day)
    pots = fit.counts.groupby(rounds)["pot"].nunique()
    rows = []
    for poured_on, number in pots.items():
        told = ENOUGH_POTS <= number <= pots.sum() - ENOUGH_POTS
        limits = _shift(fit, fit.counts[rounds == poured_on]) if told else [np.nan] * 3
        rows.append((poured_on, int(number), bool(told), *limits))
    return pd.DataFrame(rows, columns=[
        "poured_on", "pots", "told", "lower_pct", "earlier_pct", "upper_pct"])


def _shift(fit, counts):
    """Lower 5 %, median and upper 5 % points of the points of load that it sweats earlier by."""
    log = np.array([
        pot_log_likelihood(fit, counts.assign(load_pct=counts["load_pct"] + shift)).sum(axis=1)
        for shift in SHIFTS])
    ratio = np.exp(np.clip(log - log[len(SHIFTS) // 2], -700, 700)) @ fit.weights
    chance = ratio * np.exp(-0.5 * (SHIFTS / _ROUNDS_SD) ** 2)
    # each chance is spread over its step, so that quantiles do not jump
    fine = np.linspace(SHIFTS[0], SHIFTS[-1], 601)
    return weighted_quantile(fine, np.interp(fine, SHIFTS, chance), (0.05, 0.5, 0.95))

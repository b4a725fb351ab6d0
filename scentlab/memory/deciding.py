"""What a load costs and how many of the pieces sold would sweat, with the maker's own numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from scentlab.fitting.sweat import sweat_risk_draws
from scentlab.fitting.throw import throw_curve
from scentlab.results import FitError


def chance_of_sweats(risks, weights, pieces_of_pot, most):
    """Chance that more than so many pieces of some pots sweat.

    Parameters
    ----------
    risks : array (S, P), the risk of a piece of each of P pots under each of S draws.
    weights : array (S,), adding up to 1. pieces_of_pot : int, pieces of each pot.
    most : int, number of pieces.

    Returns
    -------
    float, exact but for the draws: the count over pots is a sum of binomials, whose probabilities
    come from its characteristic function (Hong 2013, "On computing the distribution function for
    the Poisson binomial distribution").

    >>> round(chance_of_sweats(np.array([[0.5, 0.5]]), np.ones(1), 1, 1), 6)
    0.25
    """
    pieces = risks.shape[1] * pieces_of_pot
    if most >= pieces:
        return 0.0
    turns = np.exp(2j * np.pi * np.arange(pieces + 1) / (pieces + 1))
    steps = np.log(1.0 + risks[..., None] * (turns - 1.0))
    each = np.exp(pieces_of_pot * steps.sum(axis=1))
    chances = np.fft.fft(weights @ each).real / (pieces + 1)
    return float(np.clip(chances[most + 1 :].sum(), 0.0, 1.0))


@dataclass(frozen=True)
class Costs:
    """The maker's own numbers; what is not given costs nothing.

    ``fragrance_per_kg`` : price of the fragrance. ``complaint`` : cost of a piece sold that sweats.
    ``weak`` : sales lost for each point of throw (of 10) below the strongest load, per piece.
    ``piece_g`` : wax of a piece, g.
    """

    piece_g: float
    fragrance_per_kg: float | None = None
    complaint: float | None = None
    weak: float | None = None

    @property
    def any(self):
        """Whether a number of the maker's was given at all."""
        return any(v is not None for v in (self.fragrance_per_kg, self.complaint, self.weak))


def weigh_loads(analysis, blend, costs, *, pieces=100, pots=4, most=2, loads=None, seed=1):
    """Cost and sweat of a batch at each load.

    Parameters
    ----------
    analysis : Analysis. blend : str. costs : Costs. pieces, pots : int, of the batch to be sold,
        the pieces spread over its pots. most : int, sweating pieces that can be borne.
    loads : % of wax; None takes those tested. seed : int, of the pots.

    Returns
    -------
    DataFrame, one row per load: load_pct, expected_sweating (pieces), chance_over (that more than
    ``most`` sweat), cost (per piece, missing without numbers of the maker).

    Raises
    ------
    FitError for pieces that do not spread evenly over the pots.
    """
    if pots < 1 or pieces % pots:
        raise FitError(f"{pieces} pieces do not spread evenly over {pots} pots; give numbers that "
                       "do")
    fit, rules = analysis.sweat, analysis.rules
    if loads is None:
        own = fit.counts[fit.counts["blend"] == blend]
        loads = sorted(own["load_pct"].round(1).unique())
    z = special.ndtri((np.random.default_rng(seed).permuted(
        np.tile(np.arange(len(fit.weights)), (pots, 1)), axis=1) + 0.5) / len(fit.weights)).T
    loads, rows = np.asarray(loads, dtype=float), []
    for load in loads:
        risks = sweat_risk_draws(fit, blend, [load] * pots, rules.limit_grade, rules.stress, z)
        rows.append((load, pieces * float(fit.weights @ risks.mean(axis=1)),
                     chance_of_sweats(risks, fit.weights, pieces // pots, most)))
    table = pd.DataFrame(rows, columns=["load_pct", "expected_sweating", "chance_over"])
    return table.assign(cost=_cost(analysis, blend, loads, table["expected_sweating"] / pieces,
                                   costs))


def _cost(analysis, blend, loads, risks, costs):
    """Expected cost of a piece at each load; missing without a number of the maker's."""
    if not costs.any:
        return np.nan
    cost = loads / 100.0 * costs.piece_g / 1000.0 * (costs.fragrance_per_kg or 0.0)
    cost = cost + (costs.complaint or 0.0) * risks.to_numpy(float)
    if costs.weak:
        if analysis.throw is None:
            raise FitError("sales lost by a weak scent need scores of throw, and there are none; "
                           "leave that number out or score some pieces")
        throw = throw_curve(analysis.throw, blend, loads)["throw"].to_numpy(float)
        cost = cost + costs.weak * (throw.max() - throw)
    return cost

"""Frost: how likely a piece frosts, by blend, load, pour temperature and age."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from scentlab.fitting.looks import (
    N_GRADES,
    count_pours,
    loads_tested,
    of_test,
    place_of,
    risk_table,
    settle_looks,
)
from scentlab.fitting.sweat import find_peak
from scentlab.frames import checked, need_whole
from scentlab.maths.graded import GradePrior, LinearModel, LinearPrior
from scentlab.maths.ordinal import count_looks, marginal_risk
from scentlab.maths.sampling import (
    K_HAT_LIMIT,
    adaptive_draws,
    hamiltonian_draws,
    quantile_error,
    summary,
)
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result, say_percent

POURED = "pour temperature"
COVARIATES = {
    "load": "per point of load (% of wax)",
    "age": "per doubling of age",
    POURED: "per 5 °C of pour temperature",
}
# Each covariate against its centre.
AWAY = {
    "load": lambda x, centre: x - centre,
    "age": lambda x, centre: np.log2(np.maximum(x, 0.5) / max(centre, 0.5)),
    POURED: lambda x, centre: (x - centre) / 5.0,
}


@dataclass(frozen=True, repr=False)
class FrostFit(Result):
    """A fitted frost model, with the attributes of a sweat fit where they mean the same.

    covariates : tuple of those that varied, of ``COVARIATES``; centres : dict of the values
    about which they are taken (load in % of wax, age in days, temperature in °C).
    waxes : tuple of waxes whose fractions give a blend its location, or () where each blend has
        its own; shares (B, q) : the fractions, or the identity.
    ages : (youngest, oldest) age in days, or () when ages are not known.
    """

    blends: tuple
    waxes: tuple
    shares: np.ndarray
    covariates: tuple
    centres: dict
    ages: tuple
    model: LinearModel
    draws: np.ndarray
    weights: np.ndarray
    draw_lot: np.ndarray
    counts: pd.DataFrame
    tested: pd.DataFrame
    notes: tuple = ()

    @property
    def table(self):
        """Posterior median, sd and 90 % limits of every coefficient, and of the pots' sd."""
        names = (*(self.waxes or self.blends), *(COVARIATES[c] for c in self.covariates))
        values = [*self.model.take(self.draws, "coefficients").T, self._pot_sd]
        rows = [(name, *summary(own, self.weights), "hidden units")
                for name, own in zip((*names, "sd between pots"), values, strict=True)]
        return pd.DataFrame(rows, columns=["parameter", "estimate", "se", "lower", "upper", "unit"])

    @property
    def _pot_sd(self):
        """Posterior draws (S,) of the sd between pots, latent units."""
        return self.model.of_score(self.draws, "sigma")[0][:, 0]

    @property
    def sentence(self):
        middle = self.centres["load"]
        parts, errors = [], []
        for blend in self.blends:
            r = frost_risk(self, blend, [middle]).iloc[0]
            errors.append(r["limits_error"])
            parts.append(
                f"{blend} {say_percent(r['risk'])} ({say_percent(r['lower'])} to "
                f"{say_percent(r['upper'])})"
            )
        return (
            f"Chance that a piece frosts over at least a twentieth of its face (grade 2 or more) "
            f"at {middle:.1f} % of wax, 90 % interval in brackets (limits give or take "
            f"{max(200 * max(errors), 1.0):.0f} points): " + "; ".join(parts) + "."
        )


@one_thread()
def fit_frost(
    grades: pd.DataFrame, fractions: pd.DataFrame | None = None, *, draws: int = 1000,
    seed: int = 1,
) -> FrostFit:
    """Fit the frost model by its posterior: location linear in wax fractions, load, pour
    temperature and age.

    Parameters
    ----------
    grades : DataFrame
        Frost looks: code, pour, pot, blend, load_pct (% of wax), stress, age_days, pour_temp_c
        (°C), grade 0 to 4. Looks at a piece on several days bound the day on which it frosted.
        Covariates that did not vary or are not known for every look are left out, with a note.
    fractions : DataFrame or None
        Wax fractions, blends as index and a column per wax; without them, or with fewer blends than
        waxes, each blend has a location of its own.
    draws, seed : int
        Number of posterior draws, and their seed.

    Returns
    -------
    FrostFit

    Raises
    ------
    FitError
        When there is nothing to fit, or a value is out of its range.

    Notes
    -----
    Proportional odds (McCullagh 1980) with pots as effects at random and weak priors.

    Examples
    --------
    >>> from scentlab.simulate import small_series
    >>> fit_frost(small_series(frost=4).frost(), draws=300).blends
    ('soft',)
    """
    need_whole(draws=draws, seed=seed)
    grades = of_test(checked(grades, "grades", "frost looks"), "frost")
    ages = pd.to_numeric(grades.get("age_days", pd.Series(np.nan, grades.index)))
    aged = ages[grades["grade"].notna() & grades["load_pct"].notna()].notna().all()
    looks, notes = settle_looks(grades, "frost", ages=bool(aged))
    blends = tuple(b for b in dict.fromkeys(grades["blend"]) if b in set(looks["blend"]))
    columns, centres, left_out = _covariates(looks)
    waxes, shares = _blending(blends, fractions)
    indicators = np.column_stack([(looks["blend"] == b).to_numpy(float) for b in blends])
    design = np.column_stack([indicators @ shares, *columns.values()])
    piece = (looks["code"].astype(str) + "\n" + looks["stress"]).to_numpy(str) if aged else None
    data = count_looks(looks["grade"].to_numpy(int), design, looks["pot"].to_numpy(str), N_GRADES,
                       piece=piece)
    scales = tuple([3.0] * shares.shape[1] + [{"load": 0.5}.get(c, 1.0) for c in columns])
    # The looks at one piece share its noise; where there are several, one may be misread.
    misread = None if data.histories is None else GradePrior.misread_median
    model = LinearModel(data, LinearPrior(coefficient_scales=scales, misread_median=misread))
    sample = adaptive_draws(
        model.log_posterior, find_peak(model, test="frost"), size=draws, seed=seed)
    if sample.k_hat > K_HAT_LIMIT:
        notes += (
            f"Importance sampling did not hold here (k-hat {sample.k_hat:.2f}, above "
            f"{K_HAT_LIMIT}), so the posterior was drawn by a Hamiltonian sampler instead.",
        )
        sample = hamiltonian_draws(model.values_and_gradients, sample, size=draws, seed=seed)
    tested, known = _tested(looks, blends), looks["age_days"].dropna()
    return FrostFit(
        blends, waxes, shares, tuple(columns), centres,
        (float(known.min()), float(known.max())) if len(known) == len(looks) else (),
        model, sample.points, sample.weights, sample.lot, count_pours(looks), tested,
        notes + left_out + _held_note(columns, centres, tested),
    )


def _blending(blends, fractions):
    """Waxes and the blends' fractions of them, where the blends can tell the waxes apart."""
    own = ((), np.eye(len(blends)))
    if fractions is None or fractions.empty or not set(blends) <= set(fractions.index):
        return own
    table = fractions.loc[list(blends)]
    table = table.loc[:, (table > 0).any()]
    shares = table.to_numpy(float)
    if np.linalg.matrix_rank(shares) < shares.shape[1]:
        return own
    return tuple(map(str, table.columns)), shares


def _tested(looks, blends):
    """Loads tested of each blend and the temperature (°C) at which it was poured, its median."""
    tested = loads_tested(looks, blends)
    temperature = pd.to_numeric(looks.get("pour_temp_c", pd.Series(np.nan, looks.index)))
    middle = temperature.groupby(looks["blend"]).median()
    return tested.assign(pour_temp_c=tested["blend"].map(middle).astype(float))


def _held_note(covariates, centres, tested):
    """At which age and pour temperature the risks of frost are told."""
    held = []
    if "age" in covariates:
        held.append(f"{centres['age']:g} days old unless the rules set an age")
    if POURED in covariates:
        each = [f"{r.pour_temp_c:g} °C ({r.blend})" for r in tested.itertuples()]
        held.append(f"poured at the temperature usual for the blend: {', '.join(each)}")
    return (f"Risks of frost are for pieces {'; '.join(held)}.",) if held else ()


def _covariates(looks):
    """Columns of what varied, against their centres; the centres; notes on what was left out."""
    missing = pd.Series(np.nan, looks.index)
    load = looks["load_pct"].to_numpy(float)
    centres, notes = {"load": float(load.mean())}, []
    columns = {"load": AWAY["load"](load, centres["load"])}
    for name, column in (("age", "age_days"), (POURED, "pour_temp_c")):
        values = pd.to_numeric(looks.get(column, missing)).to_numpy(float)
        if np.isnan(values).all():
            continue
        if np.isnan(values).any():
            notes.append(
                f"The {name} is missing for some frost inspections, so frost was fitted without it."
            )
            continue
        centres[name] = float(np.median(values))
        if np.unique(values).size > 1:
            columns[name] = AWAY[name](values, centres[name])
    return columns, centres, tuple(notes)


def frost_risk_draws(fit, blend, loads, limit_grade=2, age_days=None):
    """Posterior draws (S, L) of P(frost grade >= limit_grade) for a piece of a new pot, poured at
    the temperature usual for the blend.

    ``age_days`` outside the ages that were looked at is refused; None takes the middle age.
    """
    blend_place = place_of(fit, blend, "no frost was graded for", "graded")
    if age_days is not None and fit.ages and not fit.ages[0] <= age_days <= fit.ages[1]:
        raise FitError(
            f"frost was inspected at {fit.ages[0]:g} to {fit.ages[1]:g} days of age; nothing is "
            f"known at {age_days:g} days"
        )
    at = {
        "load": np.atleast_1d(np.asarray(loads, dtype=float)),
        "age": fit.centres.get("age") if age_days is None else age_days,
        POURED: float(fit.tested.set_index("blend").at[blend, "pour_temp_c"]),
    }
    size = fit.shares.shape[1]
    location = (fit.draws[:, :size] @ fit.shares[blend_place])[:, None]
    for place, name in enumerate(fit.covariates, start=size):
        location = location + fit.draws[:, [place]] * AWAY[name](at[name], fit.centres[name])
    tau = np.exp(fit.model.take(fit.draws, "log_gaps")[:, : limit_grade - 1]).sum(axis=1)
    return marginal_risk(location - tau[:, None], fit._pot_sd[:, None])


@one_thread()
def frost_risk(fit, blend, loads, limit_grade=2, age_days=None):
    """Chance of frost of ``limit_grade`` (1 to 4) or worse at loads (% of wax), for a new pot's
    piece.

    ``age_days`` within the ages looked at; None takes the middle one. Returns a DataFrame of
    load_pct, risk (posterior mean), lower and upper (90 % interval), and limits_error, the larger
    Monte Carlo standard error of the two. Raises FitError for a blend or an age that was not looked
    at.
    """
    risks = frost_risk_draws(fit, blend, loads, limit_grade, age_days)
    errors = [max(quantile_error(own, fit.weights, fit.draw_lot, p) for p in (0.05, 0.95))
              for own in risks.T]
    return risk_table(loads, risks, fit.weights).assign(limits_error=errors)

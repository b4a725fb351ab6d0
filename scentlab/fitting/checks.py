"""Does a sweat fit describe what was seen? Pours, pots and testers."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from scentlab.fitting.looks import N_GRADES, settle_looks, with_stress
from scentlab.fitting.reweighting import GRADES, pour_locations
from scentlab.maths.ordinal import recorded_probabilities
from scentlab.maths.threads import one_thread
from scentlab.results import Result

ODD, REPEATS = 2.0, 400


@dataclass(frozen=True, repr=False)
class SweatCheck(Result):
    """How a sweat fit compares with the looks it was made from.

    table : DataFrame, per pour and stress: pour, pot, blend, load_pct (% of wax), stress, n,
        seen (mean grade), expected, lower, upper (at least 90 % of what a pour from a new pot would
        give), chance (that such a pour lies outside; well under 10 % where grades are nearly
        certain) and odd (bool, outside).
    pots : DataFrame: pot, blend, effect (points of load, % of wax, that it
        sweats earlier), z (the effect in standard deviations
        between pots), and odd (|z| above 2).
    assessors : DataFrame: assessor, looks, mean_excess (grade above what is expected of the pour),
        se; empty when one person graded all.
    """

    table: pd.DataFrame
    pots: pd.DataFrame
    assessors: pd.DataFrame
    notes: tuple = ()

    @property
    def sentence(self):
        looks, chance = len(self.table), float(self.table["chance"].sum())
        by_chance = f"about {chance:.0f}" if chance >= 1 else "fewer than 1"
        odd = ", ".join(self.pots.loc[self.pots["odd"], "pot"])
        pots = f"pots unlike the others: {odd}" if odd else "no pot is unlike the others"
        return (
            f"{int(self.table['odd'].sum())} of {looks} inspections of a test batch fall outside "
            f"the range that the fit expects for at least 90 % of them ({by_chance} would by "
            f"chance); {pots}."
        )


@one_thread()
def check_sweat(fit, grades, *, seed=1):
    """Compare a sweat fit with the looks that it was fitted to: a :class:`SweatCheck`.

    A posterior predictive check (Rubin 1984, *Annals of Statistics* 12) by ``REPEATS`` simulated
    repetitions of the series. Raises FitError when the looks lack a column or
    any grade.
    """
    settle_looks(grades, "sweat", ages=True)
    pours, pots = _expected_pours(fit, seed), pot_effects(fit)
    assessors = _assessors(grades, pours)
    return SweatCheck(pours, pots, assessors, _odd_notes(pots, assessors))


def _expected_pours(fit, seed):
    """Predictive mean grades of each pour from new pots, beside what was seen."""
    counts = fit.counts.reset_index(drop=True)
    n = counts["n"].to_numpy(float)
    score = np.arange(N_GRADES)
    mean = _predicted(fit, counts, seed, REPEATS) @ score / n
    seen = counts[GRADES].to_numpy(float) @ score / n
    lower, upper = np.quantile(mean, [0.05, 0.95], axis=0)
    frame = counts[["pour", "pot", "blend", "load_pct", "stress", "n"]].copy()
    frame["seen"], frame["expected"] = seen, mean.mean(axis=0)
    frame["lower"], frame["upper"] = lower, upper
    # Means of a few whole grades: where nearly all are 0, hardly any pour can lie outside.
    frame["chance"] = ((mean < lower - 1e-9) | (mean > upper + 1e-9)).mean(axis=0)
    frame["odd"] = (frame["seen"] < lower - 1e-9) | (frame["seen"] > upper + 1e-9)
    return frame


def _predicted(fit, counts, seed, repeats):
    """Grades that the fit expects of pours like those of ``counts`` from new pots: numbers of
    pieces (repeats, pours, grades)."""
    rng = np.random.default_rng(seed)
    chosen = rng.choice(len(fit.weights), repeats, p=fit.weights / fit.weights.sum())
    pot, pots = pd.factorize(counts["pot"])
    named = {k: v[chosen] for k, v in fit.named.items()}
    eta, spread = (part[chosen] for part in pour_locations(fit, counts))
    effect = named["sigma"][:, None] * rng.standard_normal((repeats, len(pots)))
    eta = eta + effect[:, pot] / spread
    links = fit.draw_links[chosen]
    p = np.clip(recorded_probabilities(named["tau"], eta, named["misread"], links), 0.0, 1.0)
    p /= p.sum(-1, keepdims=True)
    n, drawn = counts["n"].to_numpy(int)[None, :], np.zeros(p.shape)
    for link in fit.links["link"]:
        drawn[links == link] = rng.multinomial(n, p[links == link])
    return drawn


def pot_effects(fit):
    """Each pot's effect at the peak of the best link, and how far it stands out."""
    model = fit.model
    sigma, z = float(model.shared(fit.point)["sigma"]), model.effects(fit.point)
    blend = fit.counts.set_index(fit.counts["pot"].astype(str))["blend"].groupby(level=0).first()
    return pd.DataFrame({
        "pot": model.data.groups, "blend": blend[model.data.groups].to_numpy(),
        "effect": sigma * z, "z": z, "odd": np.abs(z) > ODD})


def _assessors(grades, pours):
    """Mean excess of each assessor's grades over what is expected of the pour."""
    looks = with_stress(grades[grades["grade"].notna()])
    if "assessor" not in looks or looks["assessor"].nunique() < 2:
        return pd.DataFrame(columns=["assessor", "looks", "mean_excess", "se"])
    joined = looks.merge(pours[["pour", "stress", "expected"]], on=["pour", "stress"])
    joined["excess"] = joined["grade"].astype(float) - joined["expected"]
    frame = joined.groupby("assessor")["excess"].agg(["size", "mean", "sem"]).reset_index()
    return frame.set_axis(["assessor", "looks", "mean_excess", "se"], axis=1)


def _odd_notes(pots, assessors):
    notes = [f"Pot {r.pot} of {r.blend} is {r.z:+.1f} standard deviations from pots of its blend "
             "(above 0 it sweated more): check how it was poured."
             for r in pots[pots["odd"]].itertuples()]
    notes += [f"Tester {r.assessor} gives grades {abs(r.mean_excess):.1f} "
              f"{'higher' if r.mean_excess > 0 else 'lower'} than the fit expects."
              for r in assessors.itertuples()
              if abs(r.mean_excess) > max(2.5 * r.se, 0.25)]
    return tuple(notes)

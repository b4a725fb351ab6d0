"""Series with a known truth: for the demonstration data, for planning and for calibration.

A :class:`Truth` follows the fitted models but for misread grades and rogue assessors.
"""

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import integrate, optimize, special

from scentlab.materials import Blend
from scentlab.maths.threads import one_thread
from scentlab.series import BLEND_COLUMNS, Series, tidy, tidy_pours


def mean_above(middle, sd, above=lambda z: special.expit(-z)):
    """Chance of a hidden value above 0 about ``middle``, normal effects of ``sd`` in it; the noise
    of a piece lies above z with the chance ``above(z)``."""
    if sd == 0:
        return float(above(-middle))
    mean, _ = integrate.quad(
        lambda u: math.exp(-0.5 * u * u) * above(-(middle + sd * u)), -9, 9,
        points=[min(max(-middle / sd, -8.0), 8.0)],
    )
    return mean / math.sqrt(2.0 * math.pi)


@dataclass(frozen=True)
class BlendTruth:
    """One blend: capacity (load in % of wax), frost location, and its Emax throw curve.

    Throw at load L is ``throw_floor + throw_rise * L / (throw_half + L)``.
    """

    capacity: float
    frost: float = -1.0
    throw_floor: float = 0.0
    throw_rise: float = 10.0
    throw_half: float = 8.0


@dataclass(frozen=True)
class Truth:
    """What really holds.

    Parameters
    ----------
    blends : dict of a blend's name to its :class:`BlendTruth`.
    spread, heat, pot_sd : points of load (% of wax) per latent unit; shift by heat and sd of pots.
    tau, frost_tau : latent limits of the grades 1 to 4.
    misread : share of grades that are read one off; ``rogues`` testers score by chance.
    others : sds in points of throw (of 10) or g, as said below.

    sweat: latent = (load - capacity) / spread + heat * (stress is heat) + pot + noise, a grade g
    when above tau_g.

    >>> round(Truth({"soft": BlendTruth(9.0)}).load_at_risk("soft", risk=0.05), 2)
    8.07
    """

    blends: dict
    spread: float = 0.6
    tau: tuple = (0.0, 1.5, 3.0, 4.5)
    heat: float = 1.0
    pot_sd: float = 0.5
    misread: float = 0.0
    frost_tau: tuple = (0.0, 1.2, 2.4, 3.6)
    frost_per_load: float = 0.15
    frost_pot_sd: float = 0.5
    assessor_sd: float = 1.0
    scale_sd: float = 0.15
    sitting_sd: float = 0.4
    pour_sd: float = 0.3
    score_sd: float = 0.9
    rogues: int = 0
    weighing_sd_g: float = 0.05

    def hidden(self, pieces: pd.DataFrame, rng: np.random.Generator) -> np.ndarray:
        """The latent value of each sweat piece."""
        over = pieces["load_pct"].to_numpy(float) - _of(pieces, self, "capacity")
        latent = over / self.spread + self.heat * (pieces["stress"] == "heat").to_numpy()
        return latent + effects(pieces, self.pot_sd, rng) + rng.logistic(size=len(pieces))

    def sweat_risk(
        self, blend: str, load: float, limit_grade: int = 2, stress: str = "rest",
    ) -> float:
        """True chance that a piece of a new pot reaches the grade at a load (%)."""
        shift = (self.heat if stress == "heat" else 0.0) - self.tau[limit_grade - 1]
        over = load - self.blends[blend].capacity
        return mean_above(over / self.spread + shift, self.pot_sd)

    def load_at_risk(
        self, blend: str, risk: float = 0.05, limit_grade: int = 2, stress: str = "rest",
    ) -> float:
        """True load (% of wax) at which a piece of a new pot reaches the grade with that risk."""
        capacity, far = self.blends[blend].capacity, 60 * self.spread

        def excess(load):
            return self.sweat_risk(blend, load, limit_grade, stress) - risk

        return float(optimize.brentq(excess, capacity - far, capacity + far))

    def throw(self, blend: str, load: float) -> float:
        """True mean throw at a load (% of wax)."""
        b = self.blends[blend]
        return b.throw_floor + b.throw_rise * load / (b.throw_half + load)


@dataclass(frozen=True)
class Layout:
    """What is poured and scored: frames like those of a plan.

    pours: pour, pot, blend, load_pct, wax_g, poured_on. pieces: code, pour, test, stress.
    smellings: assessor, sitting, kind, position, code.
    """

    pours: pd.DataFrame
    pieces: pd.DataFrame
    smellings: pd.DataFrame
    blends: pd.DataFrame
    details: dict = field(default_factory=dict)


def even_layout(blends, loads_pct, *, pots=2, sweat=4, sweat_heat=0, frost=0, throw=0, assessors=0,
                limit_load_pct=None, wax_g=200.0):
    """Every load poured from each of ``pots`` pots per blend, so many pieces a test and pour.

    ``limit_load_pct`` (% of wax): one number for all blends, or one per blend, or None.
    """
    pours = pd.DataFrame([
        (f"{b}{k}-{i}", f"{b}{k}", b, float(x))
        for b in blends for k in range(1, pots + 1) for i, x in enumerate(loads_pct, 1)
    ], columns=["pour", "pot", "blend", "load_pct"])
    pours = pours.assign(wax_g=float(wax_g), poured_on=pd.Timestamp("2026-01-05").date())
    numbers = {("sweat", "rest"): sweat, ("sweat", "heat"): sweat_heat, ("frost", "rest"): frost,
               ("throw", "rest"): throw}
    pieces = [(p, *kind) for p in pours["pour"] for kind, n in numbers.items() for _ in range(n)]
    pieces = pd.DataFrame(pieces, columns=["pour", "test", "stress"])
    pieces.insert(0, "code", [f"{i:04d}" for i in range(len(pieces))])
    smelt = pieces.loc[pieces["test"] == "throw", ["code"]]
    people = pd.DataFrame({"assessor": [f"A{i}" for i in range(1, assessors + 1)]})
    smellings = smelt.merge(people, how="cross")
    smellings = smellings.assign(sitting="S1", kind="warm",
                                 position=smellings.groupby("assessor").cumcount() + 1)
    known = pd.DataFrame({"blend": list(blends)}).reindex(columns=list(BLEND_COLUMNS))
    known["limit_load_pct"] = np.nan if limit_load_pct is None else limit_load_pct
    return Layout(pours, pieces, smellings, known)


@one_thread()
def simulate_series(layout, truth, seed):
    """Pour and score a layout under a truth; a Series marked as invented.

    ``layout`` is made by :func:`even_layout` or :func:`layout_of_plan`; KeyError for a blend of it
    that the truth does not name.
    """
    rng = np.random.default_rng(seed)
    pours = _weigh(layout.pours, truth, rng)
    pieces = layout.pieces.merge(pours[["pour", "pot", "blend", "load_pct"]], on="pour")
    looks = pd.concat([_sweat_looks(pieces, truth, rng), _frost_looks(pieces, truth, rng)])
    scores = _throw_scores(layout.smellings, pieces, truth, rng)
    details = {"title": "simulated series", "fragrance": "invented fragrance", **layout.details}
    return Series(
        pours=pours, grades=tidy("grades", looks, pours), throws=tidy("throws", scores, pours),
        blends=layout.blends, invented=True, **details,
    )


def small_series(loads_pct=(5, 7, 9, 11), **numbers):
    """A series of one blend that is small enough for an example; ``numbers`` as of
    :func:`even_layout`."""
    layout = even_layout(["soft"], loads_pct, **{"sweat": 3, **numbers})
    return simulate_series(layout, Truth({"soft": BlendTruth(9.0)}), seed=1)


def _weigh(pours, truth, rng):
    planned = pours["load_pct"].to_numpy(dtype=float)
    weighed = pours["wax_g"] * planned / 100.0
    weighed = weighed + truth.weighing_sd_g * rng.standard_normal(len(pours))
    fragrance = np.round(np.maximum(weighed, 0.0), 1)
    return tidy_pours(pours.assign(planned_load_pct=planned, fragrance_g=fragrance))


def effects(pieces, sd, rng, of="pot"):
    """One draw per pot (or what it is of), in the order in which they first appear."""
    index, pots = pd.factorize(pieces[of])
    return (sd * rng.standard_normal(len(pots)))[index]


def _of(rows, truth, name):
    """What is true of the blend of each row, as an array."""
    known = {blend: getattr(own, name) for blend, own in truth.blends.items()}
    return rows["blend"].map(known).to_numpy(float)


def _sweat_looks(pieces, truth, rng):
    own = pieces[pieces["test"] == "sweat"].reset_index(drop=True)
    latent = truth.hidden(own, rng)
    grade = (latent[:, None] > np.asarray(truth.tau)).sum(axis=1)
    off = np.where(rng.random(len(own)) < 0.5, -1, 1) * (rng.random(len(own)) < truth.misread)
    return _looks(own, np.clip(grade + off, 0, 4))


def _frost_looks(pieces, truth, rng):
    own = pieces[pieces["test"] == "frost"].reset_index(drop=True)
    latent = _of(own, truth, "frost") + truth.frost_per_load * (own["load_pct"].to_numpy() - 10.0)
    latent = latent + effects(own, truth.frost_pot_sd, rng) + rng.logistic(size=len(own))
    return _looks(own, (latent[:, None] > np.asarray(truth.frost_tau)).sum(axis=1))


def _looks(own, grade):
    return own[["code", "pour", "test", "stress"]].assign(
        age_days=own["cure_days"] if "cure_days" in own else 14.0, assessor="A1",
        grade=pd.array(grade, dtype="Int64"),
    )


def _throw_scores(smellings, pieces, truth, rng):
    scores = smellings.merge(pieces[["code", "pour", "blend", "load_pct"]], on="code")
    true = np.array([*map(truth.throw, scores["blend"], scores["load_pct"])], dtype=float)
    scale = np.exp(effects(scores, truth.scale_sd, rng, of="assessor"))
    score = effects(scores, truth.assessor_sd, rng, of="assessor") + 5.0 + scale * (true - 5.0)
    score = score + effects(scores, truth.sitting_sd, rng, of="sitting")
    score = score + effects(scores, truth.pour_sd, rng, of="pour")
    score = score + truth.score_sd * rng.standard_normal(len(scores))
    noise = rng.uniform(0.0, 10.0, len(scores))
    score = np.where(pd.factorize(scores["assessor"])[0] < truth.rogues, noise, score)
    scores = scores.drop(columns=["blend", "load_pct"])
    score = np.clip(np.round(2.0 * score) / 2.0, 0.0, 10.0)  # in half points
    return scores.assign(throw=score, minutes=30.0, works_with_fragrance=None)


def layout_of_plan(plan):
    """The :class:`Layout` of a plan in its dict form, keeping its blends, prices and title."""
    pours = pd.DataFrame(plan["pours"])
    pours["poured_on"] = pd.to_datetime(pours["poured_on"]).dt.date
    details = {name: plan[name] for name in ("title", "piece_g", "currency")}
    details |= {"fragrance": plan["fragrance"]["name"], "plan": plan}
    blends = [Blend.from_dict(b) for b in plan["blends"]]
    known = pd.DataFrame([
        (b.name, b.composition, b.limit_load_pct, plan["fragrance"].get("limit_content_pct"),
         b.price_per_kg, plan["fragrance"].get("price_per_kg"))
        for b in blends
    ], columns=list(BLEND_COLUMNS))
    fractions = pd.DataFrame.from_dict({b.name: b.fractions for b in blends}, orient="index")
    details["fractions"] = fractions.fillna(0.0)
    return Layout(
        pours, pd.DataFrame(plan["pieces"]), pd.DataFrame(plan["smellings"]), known, details
    )

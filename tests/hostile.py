"""Truths that break the fitted models on purpose, to see what the pick does then."""

from dataclasses import dataclass, field

import numpy as np
from scipy import special

from scentlab.simulate import Truth, effects, mean_above

LATENT = {
    "logit": (lambda rng, n: rng.logistic(size=n), lambda z: special.expit(-z)),
    # Scaled to the variance of the logistic, so that spread means about the same.
    "probit": (
        lambda rng, n: rng.normal(scale=np.pi / np.sqrt(3.0), size=n),
        lambda z: special.ndtr(-z * np.sqrt(3.0) / np.pi),
    ),
    # Right-skewed: a few pieces sweat far below the others.
    "skewed": (
        lambda rng, n: np.sqrt(2.0) * (rng.gumbel(size=n) - np.euler_gamma),
        lambda z: -np.expm1(-np.exp(-(z / np.sqrt(2.0) + np.euler_gamma))),
    ),
    # The pieces of a pour all alike.
    "step": (lambda rng, n: np.zeros(n), lambda z: (np.asarray(z) < 0).astype(float)),
}


@dataclass(frozen=True)
class Hostile(Truth):
    """A truth of another ``latent`` shape, with ``spreads`` of blends that have their own, whose
    spoiled pots have their capacity moved by ``spoiled_shift`` (% of wax), pots of the worse lot,
    which every pot is with chance ``worse_lot``, by ``worse_shift``, and pours by a normal effect
    of their own (``sweat_pour_sd``, % of wax)."""

    latent: str = "logit"
    spreads: dict = field(default_factory=dict)
    spoiled_pots: int = 0
    spoiled_shift: float = -4.0
    worse_lot: float = 0.0
    worse_shift: float = -2.0
    sweat_pour_sd: float = 0.0

    def hidden(self, pieces, rng):
        capacity = {blend: own.capacity for blend, own in self.blends.items()}
        moved = pieces["pot"].map(self._moved(pieces["pot"].unique(), rng)).fillna(0.0)
        over = pieces["load_pct"].to_numpy(float) - (
            pieces["blend"].map(capacity).to_numpy(float) + moved.to_numpy(float))
        if self.sweat_pour_sd:
            over = over + effects(pieces, self.sweat_pour_sd, rng, of="pour")
        spread = pieces["blend"].map(lambda blend: self.spreads.get(blend, self.spread))
        latent = over / spread.to_numpy(float) + self.heat * (pieces["stress"] == "heat").to_numpy()
        latent = latent + effects(pieces, self.pot_sd, rng)
        return latent + LATENT[self.latent][0](rng, len(pieces))

    def _moved(self, pots, rng):
        moved = {}
        if self.worse_lot:
            moved = dict.fromkeys(pots[rng.random(len(pots)) < self.worse_lot], self.worse_shift)
        if self.spoiled_pots:
            spoiled = rng.choice(pots, self.spoiled_pots, replace=False)
            moved |= dict.fromkeys(spoiled, self.spoiled_shift)
        return moved

    def sweat_risk(self, blend, load, limit_grade=2, stress="rest"):
        """True chance that a piece of a new pot, of any lot, reaches the grade at a load (%)."""
        shift = (self.heat if stress == "heat" else 0.0) - self.tau[limit_grade - 1]
        capacity, spread = self.blends[blend].capacity, self.spreads.get(blend, self.spread)
        sd = float(np.hypot(self.pot_sd, self.sweat_pour_sd / spread))
        lots = [(1.0 - self.worse_lot, capacity)]
        if self.worse_lot:
            lots.append((self.worse_lot, capacity + self.worse_shift))
        above = LATENT[self.latent][1]
        return sum(share * mean_above((load - own) / spread + shift, sd, above)
                   for share, own in lots)

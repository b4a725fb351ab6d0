"""How often a wetter piece raises a ceiling, and by how much at most.

    python tests/calibration/monotone.py --series 200 --layout tiny
    python tests/calibration/monotone.py --series 20 --layout standard

A steeper rise of sweat is evidence of steepness, so a piece that is made wetter above the ceiling
may raise it a little; this measures how much. The posterior of each random series is drawn once;
each piece that is made one grade or more wetter weighs the same draws by the ratio of the two
likelihoods of its pot, so that no difference is noise of the draws. Where that leaves fewer than
150 effective draws the change is not counted, but told.
"""

import argparse
import time
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from scentlab.fitting.looks import settle_looks
from scentlab.fitting.sweat import find_peak, loads_at_risk, look_counts, weak_prior
from scentlab.maths.graded import CapacityModel
from scentlab.maths.ordinal import Counts, log_likelihood
from scentlab.maths.sampling import Sampler, weighted_quantile
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

LIMIT, CHANCE, LEAST, SEEN = 10.0, 0.05, 150.0, 0.1


@dataclass
class Tally:
    """Rises of ceilings (points of load), one per changed piece, grade and blend."""

    rises: list = field(default_factory=list)
    kinds: list = field(default_factory=list)
    uncounted: int = 0

    @property
    def share(self):
        """Share of the changes that raise a ceiling by more than 0.1 points."""
        return float(np.mean(np.array(self.rises) > SEEN)) if self.rises else 0.0

    @property
    def largest(self):
        return float(max(self.rises, default=0.0))

    def by_kind(self):
        """Of each kind of change: its share of all, and of it those that raise by more than 0.1."""
        names = ["whose ceiling", "load against the ceiling", "grade"]
        table = pd.DataFrame(self.kinds, columns=names).assign(rise=self.rises)
        own = table["rise"].gt(SEEN).groupby([table[n] for n in names])
        return own.agg(["size", "sum", "mean"]).round(4)


def random_looks(layout, seed):
    """Sweat looks of a random small series or of one of the standard layout."""
    rng = np.random.default_rng(seed)
    if layout == "standard":
        blends, pots, rest, heat = 3, 2, 4, 0
        loads = 6.5 + 1.5 * np.arange(6)
    else:
        blends, pots, rest = (int(rng.integers(1, n)) for n in (3, 4, 4))
        heat = rest if rng.random() < 0.4 else 0
        loads = np.sort(rng.choice(np.arange(4.0, 17.0), rng.integers(2, 5), replace=False))
    truth = Truth(
        {f"blend {b}": BlendTruth(c) for b, c in enumerate(rng.uniform(5.0, 15.0, blends))},
        spread=float(np.exp(rng.normal(np.log(0.6), 0.5))), pot_sd=float(abs(rng.normal(0, 0.8))),
    )
    planned = even_layout(list(truth.blends), loads, pots=pots, sweat=rest, sweat_heat=heat)
    return simulate_series(planned, truth, rng).sweat()


def measure(looks, tally, draws=4000, link="logit", every=1):
    """Add the changes of one piece of a series, or each so-manieth of them, to the tally."""
    looks, _ = settle_looks(looks, "sweat", ages=True)
    blends = tuple(dict.fromkeys(looks["blend"]))
    stresses = tuple(s for s in ("rest", "heat") if s in set(looks["stress"]))
    data = look_counts(looks, blends, stresses)
    model = CapacityModel(data, len(blends), weak_prior(np.full(len(blends), LIMIT)), link=link)
    sampler = Sampler(model.log_posterior, find_peak(model), 1)
    sampler.grow(draws)
    drawn = sampler.weighed()
    at_risk = loads_at_risk(model, drawn.points)
    tested = looks.groupby("blend")["load_pct"].agg(["min", "max"]).loc[list(blends)].to_numpy()
    before = _low_points(at_risk, drawn.weights, tested)
    for ratio, load, blend, lower, higher in _changes(model, drawn.points, every):
        weights = drawn.weights * np.exp(ratio - ratio[drawn.weights > 0].max())
        weights /= weights.sum()
        if 1.0 / np.sum(weights**2) < LEAST:
            tally.uncounted += 1
            continue
        after = _low_points(at_risk, weights, tested)
        given = np.maximum(before, after) >= tested[:, 0]  # else there is no ceiling either way
        tally.rises += list(np.where(given, after - before, 0.0))
        for b in range(len(blends)):
            tally.kinds.append(("own" if b == blend else "another's",
                                _place(load - before[b]), f"{lower} to {higher}"))


def _place(above):
    """Where a load lies against a ceiling, in words."""
    steps = ((0.0, "below it"), (1.5, "to 1.5 above"), (3.0, "to 3 above"))
    return next((words for most, words in steps if above <= most), "further above")


def _changes(model, points, every):
    """Log ratio (S,) of the likelihoods for every piece made wetter, cell by cell."""
    data, shared = model.data, model.shared(points)
    eta, sd = model.location(points), model.group_sd(points, shared["sigma"])
    for pot in range(len(data.starts)):
        cells = np.flatnonzero(data.cell_group == pot)

        def chance(counts, cells=cells, pot=pot):
            own = Counts(counts, np.zeros((len(cells), 1)), np.array([0]), np.array([0]))
            return log_likelihood(own, shared["tau"], eta[:, cells], sd[:, [pot]], link=model.link,
                                  misread=shared["misread"], derivatives=False).value

        before = chance(data.counts[cells])
        for cell, lower, higher, counts in list(_wetter(data.counts[cells]))[::every]:
            place = cells[cell]
            yield (chance(counts) - before, model.load[place], int(model.blends[place].argmax()),
                   lower, higher)


def _wetter(counts):
    """Cell, grade before, grade after and counts (C, K) with one piece moved up, each way."""
    for cell, grade in np.argwhere(counts > 0):
        for higher in range(grade + 1, counts.shape[1]):
            changed = counts.copy()
            changed[cell, grade] -= 1
            changed[cell, higher] += 1
            yield cell, grade, higher, changed


def _low_points(at_risk, weights, tested):
    """Each blend's lower 5 % point of the load at risk, no higher than its tested loads."""
    low = np.array([weighted_quantile(own, weights, CHANCE) for own in at_risk.T])
    return np.minimum(low, tested[:, 1])


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--series", type=int, default=100)
    parser.add_argument("--layout", choices=["tiny", "standard"], default="tiny")
    parser.add_argument("--draws", type=int, default=4000)
    parser.add_argument("--minutes", type=float, default=60.0, help="start none after so many")
    asked = parser.parse_args()
    tally, began, number = Tally(), time.monotonic(), 0
    while number < asked.series and time.monotonic() - began < 60.0 * asked.minutes:
        measure(random_looks(asked.layout, number), tally, asked.draws)
        number += 1
    print(
        f"{asked.layout}: {number} series, {len(tally.rises)} changes, {tally.uncounted} not "
        f"counted; {100 * tally.share:.2f} % raise a ceiling by more than {SEEN} points of load; "
        f"largest rises {np.sort(tally.rises)[-5:].round(2)}"
    )
    print(tally.by_kind().to_string())


if __name__ == "__main__":
    main()

"""How often a ceiling lies above the true load at risk, over simulated series.

    python tests/calibration/false_safe.py --series 200 --workers 2 --world model

Each series has 3 blends, 6 loads, 2 pots of each blend and 4 sweat pieces a pour. A ceiling above
the true load at risk is false-safe: a maker who trusts it oversaturates. By its own rules a
ceiling may be that in at most 5 % of the blends. Shortfall is how far, in points of load (% of
wax), the ceiling lies below the true load at risk.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import find_ceiling
from scentlab.choosing.rules import Rules
from scentlab.fitting.sweat import fit_sweat
from scentlab.maths.intervals import binomial_limits
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

LOADS = (6.0, 8.0, 10.0, 12.0, 14.0, 16.0)
CAPACITIES = {"soft": 9.0, "middle": 11.0, "hard": 13.0}
LIMIT = 10.0  # % of wax, where the prior of every capacity is centred

# What may be otherwise than the model supposes. ``limit`` moves the prior's centre, ``spreads``
# gives each blend its own.
WORLDS = {
    "model": {},
    "no pots": {"pot_sd": 0.0},
    "unlike pots": {"pot_sd": 1.5},
    "probit": {"latent": "probit"},
    "skewed": {"latent": "skewed"},
    "misread": {"misread": 0.1},
    "spoiled pot": {"spoiled_pots": 1},
    "wide": {"spread": 1.2},
    "sharp": {"spread": 0.25},
    "unlike spreads": {"spreads": {"soft": 0.4, "middle": 1.2, "hard": 0.4}},
    "high limit": {"limit": 17.0},
    "low limit": {"limit": 4.0},
}


@dataclass(frozen=True)
class Outcome:
    """One blend of one series: its ceiling (nan for none) and its true load at risk (% of wax)."""

    ceiling: float
    true: float
    k_hat: float

    @property
    def false_safe(self):
        return self.ceiling > self.true


def one_series(seed, world="model", pots=2, pieces=4, draws=1000):
    """Outcomes of every blend of one simulated series."""
    options = dict(WORLDS[world])
    limit, spreads = options.pop("limit", LIMIT), options.pop("spreads", {})
    truths, looks = {}, []
    groups = [list(CAPACITIES)] if not spreads else [[b] for b in CAPACITIES]
    for place, blends in enumerate(groups):
        own = {"spread": spreads[blends[0]]} if spreads else {}
        truth = Truth({b: BlendTruth(CAPACITIES[b]) for b in blends}, **options, **own)
        layout = even_layout(blends, LOADS, pots=pots, sweat=pieces)
        frame = simulate_series(layout, truth, [seed, place]).sweat()
        looks.append(frame.assign(code=f"{place}-" + frame["code"]))
        truths |= dict.fromkeys(blends, truth)
    looks = pd.concat(looks, ignore_index=True)
    fit = fit_sweat(looks, dict.fromkeys(CAPACITIES, limit), draws=draws, seed=seed)
    table = find_ceiling(fit, Rules()).table.set_index("blend")["ceiling_load_pct"]
    return [Outcome(table[b], truths[b].load_at_risk(b), fit.k_hat) for b in CAPACITIES]


def say_share(hits):
    """Share of hits with exact 95 % limits, in words.

    hits : a sequence per series; its ceilings are alike and count as one trial.
    """
    each = [float(np.mean(own)) for own in hits]
    lower, upper = binomial_limits(sum(each), len(each))
    return f"{100 * np.mean(each):.1f} % (95 % limits {100 * lower:.1f} to {100 * upper:.1f})"


def summary(outcomes):
    """Lines of text about the outcomes of many series (a list of lists)."""
    every = [o for series in outcomes for o in series]
    blends = say_share([[o.false_safe for o in s] for s in outcomes])
    series = say_share([any(o.false_safe for o in s) for s in outcomes])
    none = say_share([[np.isnan(o.ceiling) for o in s] for s in outcomes])
    short = np.array([o.true - o.ceiling for o in every if not np.isnan(o.ceiling)])
    return [
        f"{len(outcomes)} series, {len(every)} ceilings",
        f"false-safe per blend: {blends}",
        f"false-safe in a series: {series}",
        f"no tested load qualifies: {none}",
        f"shortfall of the others: median {np.median(short):.2f} points of load (% of wax), "
        f"middle half {np.quantile(short, 0.25):.2f} to {np.quantile(short, 0.75):.2f}",
        f"k-hat above 0.7 in {100 * np.mean([s[0].k_hat > 0.7 for s in outcomes]):.1f} % of series",
    ]


def run(series, workers, world, pots=2, pieces=4, draws=1000, first_seed=1):
    """Outcomes of so many series, seeds counted up from ``first_seed``."""
    job = partial(one_series, world=world, pots=pots, pieces=pieces, draws=draws)
    seeds = range(first_seed, first_seed + series)
    if workers == 1:
        return [job(seed) for seed in seeds]
    with ProcessPoolExecutor(workers) as pool:
        return list(pool.map(job, seeds, chunksize=4))


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--series", type=int, default=200, help="number of simulated series")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--world", choices=list(WORLDS), default="model", help="what really holds")
    parser.add_argument("--pots", type=int, default=2, help="pots of each blend")
    parser.add_argument("--pieces", type=int, default=4, help="sweat pieces a pour")
    parser.add_argument("--draws", type=int, default=1000, help="posterior draws a fit")
    asked = parser.parse_args()
    outcomes = run(asked.series, asked.workers, asked.world, asked.pots, asked.pieces, asked.draws)
    print(f"world: {asked.world}", *summary(outcomes), sep="\n")


if __name__ == "__main__":
    main()

"""How the pick fares in worlds that are, and are not, as the models suppose.

    python tests/calibration/worlds.py --series 1000 --workers 2 --out results

Every series has 3 blends, 6 loads (6.5 to 14 % of wax by 1.5), 2 pots of each blend, 4 sweat pieces
a pour, and one throw piece a pour smelt by 6 assessors. For each world it prints, over blends:
how often the pick, and the ceiling, lie above the true load at risk (false-safe); how often no
load qualifies; how often the 90 % interval of the capacity holds the true capacity; the median
shortfall of the ceiling from the true load at risk (points of load); and the median throw lost
against the best safe load (points on the 0-10 scale, true mean throw). Finished series are kept
in the folder, so that a run goes on where it stopped.
"""

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from scentlab.choosing.ceiling import find_ceiling
from scentlab.choosing.pick import Evidence, chosen_loads
from scentlab.choosing.rules import Rules
from scentlab.fitting.sweat import fit_sweat
from scentlab.fitting.throw import fit_throw
from scentlab.maths.intervals import binomial_limits
from scentlab.maths.sampling import weighted_quantile
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

LOADS = tuple(6.5 + 1.5 * i for i in range(6))
CAPACITIES = {"soft": 9.0, "middle": 10.5, "hard": 12.0}
LIMIT = 10.0  # % of wax, where the priors of the capacities are centred
BASE = Truth({name: BlendTruth(capacity) for name, capacity in CAPACITIES.items()})

# name: (hostile, changes of the truth, pots per blend, shift of the prior's centre)
WORLDS = {
    "the model itself, pot sd 0.5": (False, {}, 2, 0.0),
    "pots all alike (sd 0)": (False, {"pot_sd": 0.0}, 2, 0.0),
    "few pots (one a blend)": (False, {}, 1, 0.0),
    "pots very unlike (sd 1.5)": (True, {"pot_sd": 1.5}, 2, 0.0),
    "probit latent": (True, {"latent": "probit"}, 2, 0.0),
    "skewed latent": (True, {"latent": "skewed"}, 2, 0.0),
    "one rogue assessor of six": (True, {"rogues": 1}, 2, 0.0),
    "one spoiled pot of six": (True, {"spoiled_pots": 1}, 2, 0.0),
    "10 % of grades misread by one": (True, {"misread": 0.1}, 2, 0.0),
    "prior 6 points too high": (True, {}, 2, 6.0),
    "prior 6 points too low": (True, {}, 2, -6.0),
}


def one_series(seed, world, draws=1000):
    """Outcomes of the blends of one series, as plain data."""
    _, changes, pots, shift = WORLDS[world]
    truth = replace(BASE, **changes)
    layout = even_layout(list(CAPACITIES), LOADS, pots=pots, throw=1, assessors=6)
    series = simulate_series(layout, truth, seed)
    limits = dict.fromkeys(CAPACITIES, LIMIT + shift)
    sweat = fit_sweat(series.sweat(), limits, draws=draws, seed=seed)
    throw = fit_throw(series.throws, draws=draws // 2, seed=seed)
    rules = Rules()
    ceiling = find_ceiling(sweat, rules)
    picks = chosen_loads(Evidence(sweat, throw, None, series.blends), rules, ceiling)
    rows = []
    for b, (blend, choice) in enumerate(zip(sweat.blends, picks, strict=True)):
        capacity = sweat.named["capacity"][:, b]
        low, high = weighted_quantile(capacity, sweat.weights, (0.05, 0.95))
        best = min(truth.load_at_risk(blend), LOADS[-1])
        lost = float(truth.throw(blend, best) - truth.throw(blend, choice["load_pct"]))
        rows.append(
            {
                "ceiling": float(ceiling.of(blend)["ceiling_load_pct"]),
                "pick": float(choice["load_pct"]),
                "true": truth.load_at_risk(blend),
                "held": bool(low <= CAPACITIES[blend] <= high),
                "lost": lost,
                "k_hat": sweat.k_hat,
            }
        )
    return seed, rows


def run(world, series, workers, folder, draws=1000):
    """Finish ``series`` series of a world, keeping each in the folder; all rows, by series."""
    path = Path(folder) / (world.replace(" ", "-").replace("%", "pct") + ".jsonl")
    path.parent.mkdir(parents=True, exist_ok=True)
    done = {}
    if path.exists():
        done = dict(json.loads(line) for line in path.read_text().splitlines() if line.strip())
    left = [seed for seed in range(1, series + 1) if seed not in done]
    with path.open("a") as file, ProcessPoolExecutor(workers) as pool:
        for result in pool.map(partial(one_series, world=world, draws=draws), left, chunksize=2):
            file.write(json.dumps(result) + "\n")
            file.flush()
            done[result[0]] = result[1]
    return [done[seed] for seed in range(1, series + 1)]


def summary(results):
    """Figures over the series of one world: dict."""
    column = {k: np.array([[r[k] for r in s] for s in results], dtype=float) for k in results[0][0]}
    chosen = ~np.isnan(column["pick"])
    over = np.where(chosen, column["pick"] > column["true"], False)
    # Blends of one series share a fit, so a series is one trial.
    limits = binomial_limits(float(over.mean(axis=1).sum()), len(over))
    return {
        "series": len(results),
        "pick": over.mean(),
        "limits": limits,
        "ceiling": np.nan_to_num(column["ceiling"] > column["true"]).mean(),
        "none": 1.0 - chosen.mean(),
        "held": column["held"].mean(),
        "shortfall": np.nanmedian(column["true"] - column["ceiling"]),
        "lost": np.nanmedian(column["lost"]),
        "k_hat": (column["k_hat"][:, 0] > 0.7).mean(),
    }


HEADINGS = (
    "| world | series | pick false-safe | ceiling false-safe | no load qualifies | 90 % interval "
    "holds the capacity | shortfall of the ceiling | throw lost |\n"
    "| --- | --- | --- | --- | --- | --- | --- | --- |"
)


def line(world, s):
    """One row of the table."""
    lower, upper = (100 * x for x in s["limits"])
    name = ("hostile: " if WORLDS[world][0] else "honest: ") + world
    return (
        f"| {name} | {s['series']} | {100 * s['pick']:.1f} % ({lower:.1f} to {upper:.1f}) "
        f"| {100 * s['ceiling']:.1f} % | {100 * s['none']:.1f} % | {100 * s['held']:.1f} % "
        f"| {s['shortfall']:.2f} | {s['lost']:.2f} |"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--series", type=int, default=1000, help="series per world")
    parser.add_argument("--workers", type=int, default=2, help="processes")
    parser.add_argument("--world", choices=list(WORLDS), action="append", help="only this world")
    parser.add_argument("--out", default="calibration", help="folder for the finished series")
    parser.add_argument("--draws", type=int, default=1000, help="posterior draws a link")
    asked = parser.parse_args()
    print(HEADINGS, flush=True)
    for world in asked.world or WORLDS:
        results = run(world, asked.series, asked.workers, asked.out, asked.draws)
        print(line(world, summary(results)), flush=True)


if __name__ == "__main__":
    main()

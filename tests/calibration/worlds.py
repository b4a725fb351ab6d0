"""How ceiling and pick fare in worlds that are, and are not, as the models suppose.

    PYTHONPATH=tests python tests/calibration/worlds.py --series 1000 --workers 2 --out calibration

The standard series has 3 blends, 6 loads (6.5 to 14 % of wax by 1.5), 2 pots of each blend, 4
sweat pieces a pour at room temperature, and one throw piece a pour smelt by 6 assessors; what a
world has otherwise stands in ``WORLDS``. A load above the true load at risk is false-safe: a maker
who trusts it oversaturates. For each world are printed how often the pick is that, of all blends
and of the loads that were given; the ceiling, which is the pick where nobody scored throw, of those
that were given; how often no load is given; median shortfall of the safe load (points of load below
the true load at risk); median throw lost against the best safe load tested (true mean throw, 0 to
10); series with k-hat above 0.7; and how often the headline says what was not looked at. Limits are
exact 95 % ones with a series as one trial.

Finished series are kept in the folder, so that a run goes on where it stopped; --series 0 prints
the table of those that are there, --first begins with another seed.
"""

import argparse
import json
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np
from hostile import Hostile

from scentlab.choosing.ceiling import find_ceiling
from scentlab.choosing.pick import Evidence, chosen_loads
from scentlab.choosing.rests import find_rests, odd_pots_of
from scentlab.choosing.rules import Rules
from scentlab.fitting.sweat import fit_sweat
from scentlab.fitting.throw import fit_throw
from scentlab.maths.intervals import binomial_limits
from scentlab.maths.sampling import K_HAT_LIMIT
from scentlab.results import FitError
from scentlab.simulate import BlendTruth, even_layout, simulate_series

LOADS = tuple(6.5 + 1.5 * i for i in range(6))
CAPACITIES = {"soft": 9.0, "middle": 10.5, "hard": 12.0}
LIMIT = 10.0  # % of wax, where the priors of the capacities are centred
STANDARD = {"pots": 2, "sweat": 4, "throw": 1, "assessors": 6}
HONEST, HOSTILE, UNSEEN, TINY = "honest", "hostile", "not to be seen", "tiny"


@dataclass(frozen=True)
class World:
    """What is otherwise than in the standard series.

    truth : changes of :class:`Hostile`. capacities : % of wax, drawn from 8 to 13 for each series
    where None. spreads : of blends that have their own. layout : changes of ``STANDARD``.
    shift : of the prior's centre. days : age at the looks. stress : after which the true load at
    risk is asked for, and asked : what becomes of it. said : words of a headline that tell of it.
    """

    kind: str = HOSTILE
    truth: dict = field(default_factory=dict)
    capacities: dict | None = field(default_factory=lambda: dict(CAPACITIES))
    spreads: dict = field(default_factory=dict)
    loads: tuple = LOADS
    layout: dict = field(default_factory=dict)
    shift: float = 0.0
    days: float = 14.0
    stress: str = "rest"
    asked: Callable = float
    said: tuple = ()


def _tiny(pots, loads, rest, heat):
    """One blend of unknown capacity, asked after heat, throw smelt by two."""
    layout = {"pots": pots, "sweat": rest, "sweat_heat": heat, "assessors": 2}
    return World(TINY, capacities=None, loads=loads, layout=layout, stress="heat")


_OZ = 6.25  # % of wax in 1 oz per lb
_EIGHT = {f"blend {i + 1}": 8.5 + 0.5 * i for i in range(8)}

WORLDS = {
    "the model itself, pot sd 0.5": World(HONEST),
    "default plan's kind (4 at room temperature, 2 heated; after heat)": World(
        HONEST, layout={"sweat_heat": 2}, stress="heat"
    ),
    "step-like sweat, pots 0.7 points apart": World(truth={"latent": "step", "pot_sd": 0.7 / 0.6}),
    "spreads 0.3, 0.3 and 1.5": World(spreads={"soft": 0.3, "middle": 0.3, "hard": 1.5}),
    "pots all alike (sd 0)": World(HONEST, {"pot_sd": 0.0}),
    "few pots (one a blend)": World(HONEST, layout={"pots": 1}),
    "spread 1.2": World(HONEST, {"spread": 1.2}),
    "spread 0.25": World(HONEST, {"spread": 0.25}),
    "one blend stays dry beside two wet": World(
        HONEST, capacities={"soft": 9.0, "middle": 10.5, "hard": 20.0}
    ),
    "8 blends x 4 loads x 1 pot": World(
        HONEST, capacities=_EIGHT, loads=(6.5, 9.0, 11.5, 14.0),
        layout={"pots": 1},
    ),
    "pots very unlike (sd 1.5)": World(truth={"pot_sd": 1.5}),
    "pours of a pot 0.4 points apart": World(truth={"sweat_pour_sd": 0.4}),
    "probit latent": World(truth={"latent": "probit"}),
    "skewed latent": World(truth={"latent": "skewed"}),
    "one rogue assessor of six": World(truth={"rogues": 1}),
    "one spoiled pot of six": World(truth={"spoiled_pots": 1}, said=("sweated more",)),
    "10 % of grades misread by one": World(truth={"misread": 0.1}),
    "prior 6 points too high": World(shift=6.0),
    "prior 6 points too low": World(shift=-6.0),
    "no heat evidence, asked after heat": World(
        UNSEEN, stress="heat", said=("not tested in heat",)
    ),
    "looked at on day 3, capacity falls by 1.4 later": World(
        UNSEEN, days=3.0, asked=lambda load: load - 1.4, said=("up to day 3 only",)
    ),
    "a third of pots from a lot 2 points worse": World(
        UNSEEN, {"worse_lot": 1 / 3, "worse_shift": -2.0}, said=("lot", "sweated more")
    ),
    # All is simulated in the points that the scale shows: 1.04 of them are one true point.
    "scale 4 % high": World(
        UNSEEN, {"spread": 0.6 * 1.04}, {b: 1.04 * c for b, c in CAPACITIES.items()},
        asked=lambda load: load / 1.04, said=("scale",),
    ),
    "1 pot x 4 loads x 3 pieces": _tiny(1, (_OZ, 1.5 * _OZ, 2 * _OZ, 3 * _OZ), 1, 2),
    "1 pot x 2 loads x 3 pieces": _tiny(1, (_OZ, 1.5 * _OZ), 1, 2),
    "2 pots x 3 loads x 2 pieces": _tiny(2, (_OZ, 1.5 * _OZ, 2 * _OZ), 0, 2),
    "3 pots x 2 loads x 1 piece": _tiny(3, (_OZ, 1.5 * _OZ), 0, 1),
}  # fmt: skip


def simulated(world, seed):
    """The series of a world, and its truth."""
    capacities = world.capacities
    if capacities is None:
        capacities = {"soft": np.random.default_rng([seed, 11]).uniform(8.0, 13.0)}
    blends = {b: BlendTruth(c) for b, c in capacities.items()}
    truth = Hostile(blends, spreads=world.spreads, **world.truth)
    layout = even_layout(list(blends), world.loads, **{**STANDARD, **world.layout})
    layout = replace(layout, pieces=layout.pieces.assign(cure_days=world.days))
    return simulate_series(layout, truth, seed), truth


def one_series(seed, world, draws=1500):
    """Outcomes of the blends of one series, as plain data."""
    world, rules = WORLDS[world], Rules()
    series, truth = simulated(world, seed)
    limits = dict.fromkeys(truth.blends, LIMIT + world.shift)
    sweat = fit_sweat(series.sweat(), limits, draws=draws, precise=None, seed=seed)
    try:
        throw = fit_throw(series.throws, draws=draws // 2, seed=seed)
    except FitError:
        throw = None
    ceiling = find_ceiling(sweat, rules)
    picks = chosen_loads(Evidence(sweat, throw, None, series), rules, ceiling)
    odd = odd_pots_of(sweat) if "sweated more" in world.said else ()
    rests = find_rests(series, rules, ceiling.stress, odd)
    rows = []
    for choice in picks:
        blend, pick = choice["blend"], float(choice["load_pct"])
        true = float(world.asked(truth.load_at_risk(blend, stress=world.stress)))
        best = max(min(true, world.loads[-1]), pick)
        headline = rests.headline(blend).lower()
        rows.append({
            "ceiling": float(ceiling.of(blend)["ceiling_load_pct"]),
            "pick": pick,
            "true": true,
            "lost": float(truth.throw(blend, best) - truth.throw(blend, pick)),
            "k_hat": sweat.k_hat,
            "said": any(words in headline for words in world.said),
        })  # fmt: skip
    return seed, rows


def kept_series(world, folder):
    """Path of the kept series of a world, and those in it: dict of seed to rows."""
    path = Path(folder) / ("".join(c if c.isalnum() else "-" for c in world) + ".jsonl")
    lines = path.read_text().splitlines() if path.exists() else []
    return path, dict(json.loads(line) for line in lines)


def run(world, series, workers, folder, draws=1500, first=1):
    """Finish ``series`` series of a world from a seed on, keeping each in the folder; the rows of
    all there."""
    path, done = kept_series(world, folder)
    path.parent.mkdir(parents=True, exist_ok=True)
    left = [seed for seed in range(first, first + series) if seed not in done]
    if not left:
        return [done[seed] for seed in sorted(done)]
    with path.open("a") as file, ProcessPoolExecutor(workers) as pool:
        for result in pool.map(partial(one_series, world=world, draws=draws), left, chunksize=2):
            file.write(json.dumps(result) + "\n")
            file.flush()
            done[result[0]] = result[1]
    return [done[seed] for seed in sorted(done)]


def share_of(hits, among):
    """Share of hits among what counts (both bool, series x blends), and its limits.

    The blends of one series share a fit, so a series in which anything counts is one trial.
    """
    trials = int(among.any(axis=1).sum())
    if not trials:
        return np.nan, 0.0, 1.0
    share = float(hits[among].mean())
    return share, *binomial_limits(share * trials, trials)


def summary(results):
    """Figures over the series of one world: dict."""
    column = {k: np.array([[r[k] for r in s] for s in results], dtype=float) for k in results[0][0]}
    true, ceiling, pick = column["true"], column["ceiling"], column["pick"]
    every, given, short = np.ones(true.shape, bool), ~np.isnan(pick), (true - ceiling).ravel()
    short = short[~np.isnan(short)]
    return {
        "series": len(results),
        "pick": share_of(pick > true, every),
        "given": share_of(pick > true, given),
        "ceiling": share_of(ceiling > true, ~np.isnan(ceiling)),
        "none": 1.0 - given.mean(),
        "shortfall": np.median(short) if short.size else np.nan,
        "lost": np.median(column["lost"][given]) if given.any() else np.nan,
        "k_hat": (column["k_hat"][:, 0] > K_HAT_LIMIT).mean(),
        "said": column["said"].mean(),
    }


HEADINGS = (
    "| world | series | pick false-safe, of blends | of loads given | ceiling, of those given "
    "| no load | shortfall of the safe load | throw lost | k-hat > 0.7 | headline says it |\n"
    + "| --- " * 10 + "|"
)  # fmt: skip


def _say(share, lower, upper):
    if np.isnan(share):
        return "none"
    return f"{100 * share:.1f} % ({100 * lower:.1f}-{100 * upper:.1f})"


def line(world, s):
    """One row of the table."""
    said = f"{100 * s['said']:.0f} %" if WORLDS[world].said else ""
    shares = " | ".join(_say(*s[k]) for k in ("pick", "given", "ceiling"))
    return (
        f"| {WORLDS[world].kind}: {world} | {s['series']} | {shares} "
        f"| {100 * s['none']:.1f} % | {s['shortfall']:.2f} | {s['lost']:.2f} "
        f"| {100 * s['k_hat']:.1f} % | {said} |"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--series", type=int, default=1000, help="series per world; 0 for no more")
    parser.add_argument("--first", type=int, default=1, help="seed of the first")
    parser.add_argument("--workers", type=int, default=2, help="processes")
    parser.add_argument("--world", choices=list(WORLDS), action="append", help="only this world")
    parser.add_argument("--out", default="calibration", help="folder for the finished series")
    parser.add_argument("--draws", type=int, default=1500, help="posterior draws")
    asked = parser.parse_args()
    print(HEADINGS, flush=True)
    for world in asked.world or WORLDS:
        results = run(world, asked.series, asked.workers, asked.out, asked.draws, asked.first)
        if results:
            print(line(world, summary(results)), flush=True)


if __name__ == "__main__":
    main()

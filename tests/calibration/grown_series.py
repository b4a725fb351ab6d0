"""How a series that grows by the steps it proposes fares against a standard plan.

    PYTHONPATH=tests python tests/calibration/grown_series.py --series 30 --out grown.jsonl

One wax; the truth of each series is drawn anew: the half-sweat load from 6 to 20 % of wax (evenly),
the spread about 0.6, pots 0.6 points apart or so, heat moving sweat by 1 latent unit. It begins
with a quick check (4 loads of 1 to 3 oz to the pound, two heat-cycled pieces and one at room
temperature of each) and takes the steps of ``next_step``; where that says stop it is noted, and
goes on all the same, so that wax and shortfall can be compared at any size. The standard plans of
the same truth have 6 loads from 6.25 to 18.75 % and two pots, and of each load and pot so many
pieces: "standard" 4 at room temperature and 2 heat-cycled, as the standard series of ``worlds.py``;
"usual" 1 and 2, the sweat pieces of the default plan; "heated" 4 heat-cycled ones alone.

Lost is how far the load given lies below the best that could be (the true load at risk, after heat,
and no more than 18.75 %); none given counts as the whole of it. Wax is that in pieces of an ounce.
"For the same" is the wax at which the grown series, on the straight line between its steps, has
lost as little as the plan, as a share of the plan's wax; its limits are of 2,000 bootstrap samples
of series.
"""

from dataclasses import replace
from types import SimpleNamespace

import finished
import numpy as np
import pandas as pd
from hostile import Hostile

from scentlab.choosing.ceiling import find_ceiling
from scentlab.choosing.pick import Evidence, Pick
from scentlab.choosing.rules import Rules
from scentlab.fitting.sweat import fit_sweat
from scentlab.foresight.next_step import next_step
from scentlab.maths.intervals import binomial_limits
from scentlab.simulate import BlendTruth, even_layout, simulate_series
from scentlab.units import GRAMS_PER_OUNCE

WORLDS = {
    "ordinary": {},
    "step-like": {"latent": "step", "pot_sd": 0.7 / 0.6, "spread": 0.6},
    "unlike pots": {"pot_sd": 1.5},
    "skewed": {"latent": "skewed"},
    "misread": {"misread": 0.1},
}
LOADS = (6.25, 9.375, 12.5, 18.75)  # 1, 1.5, 2 and 3 oz to the pound
EVEN = tuple(6.25 + 2.5 * i for i in range(6))
STANDARD = {"standard": {"sweat": 4, "sweat_heat": 2}, "usual": {"sweat": 1, "sweat_heat": 2},
            "heated": {"sweat": 0, "sweat_heat": 4}}
TOP = LOADS[-1]


def drawn_truth(seed):
    rng = np.random.default_rng([seed, 5])
    return Hostile(
        {"wax": BlendTruth(rng.uniform(6.0, 20.0))},
        spread=float(np.exp(rng.normal(np.log(0.6), 0.4))), pot_sd=float(abs(rng.normal(0, 0.6))),
    )


def judged(looks, series, seed):
    """What ``next_step`` reads of an analysis, of all looks so far."""
    fit = fit_sweat(looks, draws=1000, precise=None, seed=seed)
    ceiling = find_ceiling(fit)
    given = ceiling.table.rename(columns={"ceiling_load_pct": "load_pct"})
    pick = Pick(given, tradeoff=None, sentences={}, rules={}, rests=None)
    return SimpleNamespace(sweat=fit, rules=Rules(), ceiling=ceiling, series=series, throw=None,
                           pick=pick, about=Evidence(fit, None, None, series).about)


def poured(truth, seed, loads, **pieces):
    """A series of further pots, its looks, with names of their own, and its wax in g."""
    series = simulate_series(even_layout(["wax"], loads, **pieces), truth, seed)
    looks, name = series.sweat(), "-".join(map(str, seed))
    looks = looks.assign(**{c: looks[c].astype(str) + f"-{name}" for c in ("code", "pour", "pot")})
    wax = (GRAMS_PER_OUNCE / (1 + looks["load_pct"] / 100)).sum()
    return series, looks, float(wax)


def given(case):
    load = case.ceiling.table["ceiling_load_pct"].iloc[0]
    return None if pd.isna(load) else float(load)


def one_series(seed, world, steps):
    truth = replace(drawn_truth(seed), **WORLDS[world])
    found = {"true": float(truth.load_at_risk("wax", stress="heat")), "grown": []}
    for place, (name, pieces) in enumerate(STANDARD.items()):
        series, looks, wax = poured(truth, [seed, 90 + place], EVEN, pots=2, **pieces)
        found[name] = {"given": given(judged(looks, series, seed)), "wax_g": wax}
    series, looks, wax = poured(truth, [seed, 1], LOADS, pots=1, sweat=1, sweat_heat=2)
    series = replace(series, piece_g=GRAMS_PER_OUNCE)
    kind, stopped, evenings = "quick check", False, 1
    for number in range(2, steps + 3):
        case = judged(looks, series, seed)
        step = next_step(case, seed=seed)
        stopped = stopped or not step.worth_it
        found["grown"].append({"given": given(case), "wax_g": wax, "evenings": evenings,
                               "step": kind, "stop": stopped})
        best = step.table.iloc[0]
        kind, evenings = best["step"], evenings + int(best["pots"])
        _, more, grams = poured(truth, [seed, number], best["loads_pct"], pots=int(best["pots"]),
                                sweat=0, sweat_heat=int(best["pieces"]))
        looks, wax = pd.concat([looks, more], ignore_index=True), wax + grams
    return found


def lost_of(true, load):
    return np.minimum(true, TOP) - np.where(np.isnan(load), 0.0, load)


def line(name, rows):
    """A line of the table, of (true, given, wax_g, evenings)."""
    true, load, wax, evenings = (np.array(x, float) for x in zip(*rows, strict=True))
    held, lost = ~np.isnan(load), lost_of(true, load)
    over = int((load[held] > true[held]).sum())
    low, high = binomial_limits(over, max(int(held.sum()), 1))
    inside = np.where(held, lost, np.inf)
    return (f"| {name} | {len(rows)} | {100 * held.mean():.0f} % | {over} of {held.sum()} "
            f"({100 * low:.1f}-{100 * high:.1f} %) | {np.median(inside):.2f} | {lost.mean():.2f} | "
            f"{wax.mean():.0f} g | {evenings.mean():.1f} |")


def table(results):
    for name in STANDARD:
        yield line(name, [(r["true"], r[name]["given"], r[name]["wax_g"], 2) for r in results])
    for place in range(max(len(r["grown"]) for r in results)):
        yield line(f"grown, {place} steps", [
            (r["true"], *(r["grown"][place][n] for n in ("given", "wax_g", "evenings")))
            for r in results])
    ends = [next((g for g in r["grown"] if g["stop"]), r["grown"][-1]) for r in results]
    yield line("grown, until it says stop", [
        (r["true"], g["given"], g["wax_g"], g["evenings"])
        for r, g in zip(results, ends, strict=True)])


def wax_for(lost, path, wax):
    """Wax at which a path of mean losses has come down to one, nan where it never does."""
    place = int(np.argmax(path <= lost))
    if path[place] > lost:
        return np.nan
    return np.interp(-lost, -path[max(place - 1, 0):place + 1], wax[max(place - 1, 0):place + 1])


def shares(results):
    """Lines of what the grown series takes for what each standard plan loses."""
    true = np.array([r["true"] for r in results])
    grown = {n: np.array([[g[n] for g in r["grown"]] for r in results], float)
             for n in ("given", "wax_g")}
    path, rng = lost_of(true[:, None], grown["given"]), np.random.default_rng(1)
    samples = [np.arange(len(true)), *rng.integers(0, len(true), (2000, len(true)))]
    for name in STANDARD:
        load, wax = (np.array([r[name][n] for r in results], float) for n in ("given", "wax_g"))
        lost = lost_of(true, load)
        found = [wax_for(lost[i].mean(), path[i].mean(axis=0), grown["wax_g"][i].mean(axis=0))
                 / wax[i].mean() for i in samples]
        low, high = np.nanquantile(found[1:], (0.025, 0.975))
        yield (f"For the same as {name}: {100 * found[0]:.0f} % of its wax "
               f"({100 * low:.0f}-{100 * high:.0f}; {np.isnan(found[1:]).sum()} samples of 2000 "
               "never come so far)")


def main():
    options = finished.parser(__doc__, "grown.jsonl", 60.0)
    options.add_argument("--world", choices=WORLDS, default="ordinary")
    options.add_argument("--series", type=int, default=24)
    options.add_argument("--steps", type=int, default=4)
    options.add_argument("--first", type=int, default=1, help="seed of the first of a new file")
    asked = options.parse_args()
    done = finished.go_on(
        asked, lambda rows: zip(range(asked.first + len(rows), asked.first + asked.series)),
        lambda seed: [one_series(seed, asked.world, asked.steps)])
    print("| plan | series | a load given | above the true load at risk | below it, median | lost, "
          "mean | wax | evenings |\n" + "| --- " * 8 + "|")
    print(*table(done), *shares(done), sep="\n")


if __name__ == "__main__":
    main()

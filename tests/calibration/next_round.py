"""How much narrower the ceilings' interval becomes by a chosen round than by an even repeat.

    python tests/calibration/next_round.py --studies 200 --workers 2

Each study has a first round (3 blends, 6 loads, 2 pots a blend, 4 sweat pieces a pour), then a
second one of --pours pours in two ways: an even repeat (every load once more from a new pot of
every blend) and the pots of ``next_round``. Both are fitted together with the first round, and the
90 % intervals of the load at risk are compared, mean over blends. The second rounds have the same
number of pours and pieces, and so the same wax.
"""

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache, partial
from types import SimpleNamespace

import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import find_ceiling
from scentlab.choosing.rules import Rules
from scentlab.fitting.sweat import fit_sweat
from scentlab.foresight.next_round import next_round
from scentlab.simulate import BlendTruth, Layout, Truth, even_layout, simulate_series

LOADS = (6.0, 8.0, 10.0, 12.0, 14.0, 16.0)
CAPACITIES = {"soft": 9.0, "middle": 11.0, "hard": 13.0}
LIMITS = dict.fromkeys(CAPACITIES, 10.0)


@dataclass(frozen=True)
class Study:
    """Of one study, mean over blends: widths after one round, an even and a chosen second one;
    the width that was expected; ceilings above the truth; shortfalls (points of load)."""

    first: float
    even: float
    chosen: float
    expected: float
    even_over: float
    chosen_over: float
    even_short: float
    chosen_short: float


def chosen_layout(found, pieces):
    """The layout of the chosen pots."""
    layout = even_layout(list(CAPACITIES), LOADS[:2], pots=1, sweat=pieces)
    pours = found.sheet(200.0)
    pours["pour"] = [f"{p}-{i}" for i, p in enumerate(pours["pot"])]
    pours["poured_on"] = pd.Timestamp("2026-02-05").date()
    rows = [(p, "sweat", "rest") for p in pours["pour"] for _ in range(pieces)]
    cast = pd.DataFrame(rows, columns=["pour", "test", "stress"])
    cast.insert(0, "code", [f"{i:04d}" for i in range(len(cast))])
    return Layout(pours, cast, layout.smellings, layout.blends)


def judged(looks, truth, draws, seed):
    """The fit of all looks and its ceiling against the true loads at risk: mean width,
    share of ceilings above the truth, mean shortfall."""
    fit = fit_sweat(looks, LIMITS, draws=draws, seed=seed)
    ceiling = find_ceiling(fit, Rules())
    table = ceiling.table
    true = np.array([truth[b] for b in table["blend"]])
    short = true - table["ceiling_load_pct"].to_numpy(float)
    width = table["load_at_risk_upper_pct"] - table["load_at_risk_lower_pct"]
    return fit, ceiling, float(width.mean()), float(np.mean(short < 0)), float(np.nanmean(short))


@cache
def true_loads():
    """True load at risk of each blend."""
    world = Truth({b: BlendTruth(c) for b, c in CAPACITIES.items()})
    return {b: world.load_at_risk(b) for b in CAPACITIES}


def together(first, second):
    """Looks of both rounds, with pots, pours and codes told apart."""
    second = second.copy()
    for name in ("code", "pour", "pot"):
        second[name] = "r2-" + second[name].astype(str)
    return pd.concat([first, second], ignore_index=True)


def one_study(seed, pours=18, loads_a_pot=1, pieces=4, draws=1000):
    """The outcome of one study."""
    world = Truth({b: BlendTruth(c) for b, c in CAPACITIES.items()})
    truth = true_loads()
    names = list(CAPACITIES)
    layout = even_layout(names, LOADS, pots=2, sweat=pieces)
    series = simulate_series(layout, world, [seed, 0])
    first = series.sweat()
    fit, ceiling, width, _, _ = judged(first, truth, draws, seed)
    again = even_layout(names, LOADS, pots=pours // (len(names) * len(LOADS)), sweat=pieces)
    even = simulate_series(again, world, [seed, 1]).sweat()
    analysis = SimpleNamespace(sweat=fit, rules=Rules(), ceiling=ceiling, series=series)
    found = next_round(analysis, pours=pours, seed=seed, loads_a_pot=loads_a_pot)
    best = simulate_series(chosen_layout(found, pieces), world, [seed, 2]).sweat()
    _, _, *of_even = judged(together(first, even), truth, draws, seed)
    _, _, *of_best = judged(together(first, best), truth, draws, seed)
    expected = float(found.gain["width_after_pct"].mean())
    return Study(width, of_even[0], of_best[0], expected, of_even[1], of_best[1], of_even[2],
                 of_best[2])


def summary(studies):
    """Lines of text."""
    get = {n: np.array([getattr(s, n) for s in studies]) for n in Study.__dataclass_fields__}
    ratio = get["chosen"].mean() / get["even"].mean()
    rng = np.random.default_rng(1)
    picks = rng.integers(len(studies), size=(2000, len(studies)))
    error = (get["chosen"][picks].mean(axis=1) / get["even"][picks].mean(axis=1)).std()
    unit = "points of load, % of wax"
    return [
        f"{len(studies)} studies",
        f"90 % width after one round {get['first'].mean():.2f}, after an even repeat "
        f"{get['even'].mean():.2f}, after the chosen round {get['chosen'].mean():.2f} "
        f"(expected {get['expected'].mean():.2f}) {unit}",
        f"narrower than the even repeat by {100 * (1 - ratio):.1f} % "
        f"(Monte Carlo error {100 * error:.1f})",
        f"narrower in {100 * np.mean(get['chosen'] < get['even']):.0f} % of studies",
        f"ceilings above the truth: even {100 * get['even_over'].mean():.1f} %, chosen "
        f"{100 * get['chosen_over'].mean():.1f} % of blends",
        f"shortfall: even {np.nanmean(get['even_short']):.2f}, chosen "
        f"{np.nanmean(get['chosen_short']):.2f} {unit}",
    ]


def run(studies, workers, **options):
    """Outcomes of so many studies, seeds counted up from 1; tells how it stands on the way."""
    found = []
    with ProcessPoolExecutor(workers) as pool:
        for study in pool.map(partial(one_study, **options), range(1, studies + 1)):
            found.append(study)
            if len(found) % 20 == 0 and len(found) < studies:
                print(*summary(found), "", sep="\n", file=sys.stderr, flush=True)
    return found


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--studies", type=int, default=200, help="number of simulated studies")
    parser.add_argument("--workers", type=int, default=1, help="processes")
    parser.add_argument("--pours", type=int, default=18, help="pours of the second round")
    parser.add_argument("--loads-a-pot", type=int, default=1, help="loads of a new pot")
    parser.add_argument("--draws", type=int, default=1000, help="posterior draws of a link")
    asked = parser.parse_args()
    studies = run(asked.studies, asked.workers, pours=asked.pours, draws=asked.draws,
                  loads_a_pot=asked.loads_a_pot)
    print(*summary(studies), sep="\n")


if __name__ == "__main__":
    main()

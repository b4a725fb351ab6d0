"""How the quick check fares, alone and grown pot by pot as it proposes.

    python tests/calibration/quick_checks.py --series 200 --pots 3 --out quick.jsonl

One wax, four loads of 1, 1.5, 2 and 3 oz to the pound, two heat-cycled pieces and one at room
temperature of each; the truth of each series is drawn anew: the half-sweat load from 6 to 20 % of
wax (evenly), the spread about 0.6, pots 0.6 points apart or so, heat moving sweat by 1 latent unit.
Told per number of pots: how often a load is given, how often it lies above the true load at risk
(5 % of the heat-cycled pieces of a new pot at grade 2; exact 95 % limits), how far below it lies in
the median, and the wax that was poured.
"""

import argparse
import json
from pathlib import Path

import numpy as np
import pandas as pd

from scentlab.choosing.analysis import analyse
from scentlab.foresight.next_round import next_round
from scentlab.maths.intervals import binomial_limits
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

LOADS = (6.25, 9.375, 12.5, 18.75)
WAX_G = 85.0  # of a load: three pieces of an ounce


def drawn_truth(seed):
    rng = np.random.default_rng([seed, 5])
    return Truth(
        {"wax": BlendTruth(rng.uniform(6.0, 20.0))},
        spread=float(np.exp(rng.normal(np.log(0.6), 0.4))), pot_sd=float(abs(rng.normal(0, 0.6))),
    )


def one_series(seed, pots):
    """A row per number of pots: load given (or missing), true load at risk, wax poured so far."""
    truth, rows, parts = drawn_truth(seed), [], []
    loads = LOADS
    for pot in range(1, pots + 1):
        layout = even_layout(["wax"], loads, pots=1, sweat=1, sweat_heat=2)
        parts.append(_renamed(simulate_series(layout, truth, [seed, pot]), pot))
        series = _together(parts)
        analysis = analyse(series, seed=1)
        given = float(analysis.pick.table["load_pct"].iloc[0])
        rows.append({"pots": pot, "given": given,
                     "true": float(truth.load_at_risk("wax", stress="heat")),
                     "wax_g": float(series.pours["wax_g"].sum() / 200.0 * WAX_G)})
        if pot < pots:
            step = next_round(analysis, pours=4, seed=1, loads_a_pot=4)
            if not step.worth_it:
                break
            loads = step.table["loads_pct"].iloc[0]
    return rows


def _renamed(series, pot):
    """The series with names that no other pot has."""
    from dataclasses import replace

    def new(frame):
        changed = {c: frame[c].astype(str) + f"-{pot}" for c in ("pour", "pot", "code")
                   if c in frame and len(frame)}
        return frame.assign(**changed)

    return replace(series, pours=new(series.pours), grades=new(series.grades))


def _together(parts):
    from dataclasses import replace

    return replace(
        parts[0], pours=pd.concat([p.pours for p in parts], ignore_index=True),
        grades=pd.concat([p.grades for p in parts], ignore_index=True),
    )


def table(results, pots):
    """Lines of the table, a series that stopped before counting as it stood."""
    for number in range(1, pots + 1):
        last = [[r for r in rows if r["pots"] <= number][-1] for rows in results]
        given = np.array([r["given"] for r in last])
        true = np.array([r["true"] for r in last])
        held = ~np.isnan(given)
        over = int((given[held] > true[held]).sum())
        low, high = binomial_limits(over, max(int(held.sum()), 1))
        short = np.median((np.minimum(true, 18.75) - given)[held]) if held.any() else np.nan
        wax = np.mean([r["wax_g"] for r in last])
        yield (f"| {number} | {len(results)} | {100 * held.mean():.0f} % | "
               f"{100 * over / max(held.sum(), 1):.1f} % ({100 * low:.1f}-{100 * high:.1f}) | "
               f"{short:.1f} | {wax:.0f} g |")


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--series", type=int, default=200)
    parser.add_argument("--pots", type=int, default=3)
    parser.add_argument("--out", default="quick.jsonl", help="file of the finished series")
    asked = parser.parse_args()
    path = Path(asked.out)
    done = [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []
    with path.open("a") as file:
        for seed in range(len(done) + 1, asked.series + 1):
            done.append(one_series(seed, asked.pots))
            file.write(json.dumps(done[-1]) + "\n")
            file.flush()
    print("| pots at most | series | a load given | above the true load at risk | below it, points "
          "| wax |\n" + "| --- " * 6 + "|")
    print(*table(done, asked.pots), sep="\n")


if __name__ == "__main__":
    main()

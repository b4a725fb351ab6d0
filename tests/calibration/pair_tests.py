"""What the pair test gets wrong and what it settles, where the truth is known.

    python tests/calibration/pair_tests.py --series 400 --out results

First the test alone: two loads that differ by a known number of points, so many pairs shared out
over testers, each with a difference of his own (sd 0.4), and a noise that is as the model supposes
(log-normal about 1.4, a factor of 1.9 either way), half of it, or twice. Printed: how often the
count reaches its number (5 % one-sided, at no difference the error of the test), how often the 90 %
interval of points holds the true difference, and how often the words are "was not smelt",
"stronger" or neither.

Then the pick: four loads of one blend in two pots, scored once a piece by one or two testers, and
after it pairs of the lowest and the highest load by the same testers. A pick is settled where a
load is sure enough (80 %) to lie no more than half a point below the best; it is right where it
truly does.
"""

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from scentlab.choosing.enough import SURE, enough_throw
from scentlab.fitting.pairs import pair_test
from scentlab.fitting.throw import fit_throw, throw_draws
from scentlab.maths.intervals import binomial_limits
from scentlab.maths.paired import NOISE, NOISE_SPREAD
from scentlab.series import PAIR_COLUMNS
from scentlab.simulate import BlendTruth, even_layout, simulate_series
from tests.calibration.throw_worlds import CURVES, Known

LOSS, SLOPE = 0.5, 0.4
LOADS = (6.0, 8.0, 10.0, 12.0)


def pairs_of(differences, each, noise, rng, low=6.0, high=9.0):
    """Pairs of two loads; ``differences`` (T,) are the testers' own, high less low."""
    rows = []
    for t, own in enumerate(differences):
        for n in range(each):
            first = bool(n % 2)  # whether the high load is smelt first
            named = own + noise * rng.standard_normal() > 0
            loads = (high, low) if first else (low, high)
            rows.append(("111", "a", "P1", "soft", loads[0], "222", "b", "P1", "soft", loads[1],
                         f"A{t + 1}", "Q1", "warm", n + 1,
                         "first" if named == first else "second"))
    return pd.DataFrame(rows, columns=list(PAIR_COLUMNS))


def alone(count, testers, points, noise, seed, base, known):
    """One pair test: what the table says. Equal counts of equal testers give equal answers, so each
    is worked out once (``known``)."""
    rng = np.random.default_rng([seed, count, testers, int(100 * points)])
    sd = NOISE * np.exp(NOISE_SPREAD * rng.standard_normal()) if noise is None else noise
    pairs = pairs_of(points + SLOPE * rng.standard_normal(testers), count // testers, sd, rng)
    named = (pairs["stronger"] == "first") == (pairs["load_pct"] == 9.0)
    key = count, tuple(sorted(named.groupby(pairs["assessor"]).sum()))
    if key not in known:
        known[key] = pair_test(replace(base, pairs=pairs), seed=len(known) + 1).table.iloc[0]
    return known[key]


def worlds_alone(series, base):
    for count, testers in ((24, 2), (24, 4), (80, 4)):
        known = {}
        for noise in (None, NOISE / 2, NOISE, 2 * NOISE):
            for points in (0.0, 0.5, 1.0, 2.0):
                found = pd.DataFrame([alone(count, testers, points, noise, s, base, known)
                                      for s in range(series)])
                shares = {
                    "reaches": found["higher"] >= found["least"],
                    "covers": found["lower"].le(points) & found["upper"].ge(points),
                    "not smelt": found["alike"] >= SURE, "stronger": found["stronger"] >= SURE,
                }
                yield {"pairs": count, "testers": testers, "points": points,
                       "noise": "as supposed" if noise is None else round(noise, 2),
                       **{n: _share(x) for n, x in shares.items()},
                       "width": round(float((found["upper"] - found["lower"]).median()), 2)}


def _share(hits):
    low, high = binomial_limits(int(hits.sum()), len(hits))
    return f"{100 * hits.mean():.1f} ({100 * low:.1f}-{100 * high:.1f})"


def settled(fit):
    loads = np.round(np.arange(LOADS[0], LOADS[-1] + 0.05, 0.1), 1)
    found = enough_throw(throw_draws(fit, "soft", loads), LOSS)
    return found.chance >= SURE, loads[found.place]


def pick(curve, testers, count, seed):
    """Whether the pick is settled and right before and after the pairs."""
    truth = Known({"soft": BlendTruth(30.0)}, curve=curve)
    layout = even_layout(["soft"], LOADS, pots=2, sweat=0, frost=0, throw=1, assessors=testers)
    throws = simulate_series(layout, truth, seed).throws
    rng = np.random.default_rng([seed, 5])
    gap = float(CURVES[curve](LOADS[-1]) - CURVES[curve](LOADS[0]))
    noise = NOISE * np.exp(NOISE_SPREAD * rng.standard_normal())
    pairs = pairs_of(gap + SLOPE * rng.standard_normal(testers), count // testers, noise, rng,
                     LOADS[0], LOADS[-1])
    all_loads = np.linspace(LOADS[0], LOADS[-1], 601)
    best, out = np.max(CURVES[curve](all_loads)), {}
    for name, given in (("scores", None), ("both", pairs), ("pairs alone", pairs)):
        used = throws.iloc[:0] if name == "pairs alone" else throws
        sure, load = settled(fit_throw(used, pairs=given, seed=seed))
        out[name] = sure, bool(best - CURVES[curve](load) <= LOSS), float(load)
    return out


def worlds_pick(series):
    for curve in ("flat", "linear", "saturating", "plateau from 8 %"):
        for testers in (1, 2):
            for count in (24, 48):
                found = [pick(curve, testers, count, s) for s in range(series)]
                open_ = [f for f in found if not f["scores"][0]]
                now = [f for f in open_ if f["both"][0]]
                yield {
                    "curve": curve, "testers": testers, "pairs": count, "series": series,
                    "open by scores": len(open_), "of these settled by pairs": len(now),
                    "of these right": sum(f["both"][1] for f in now),
                    **{f"settled, {n}": sum(f[n][0] for f in found) for n in found[0]},
                    **{f"settled and right, {n}": sum(f[n][0] and f[n][1] for f in found)
                       for n in found[0]},
                }


def main():
    parser = argparse.ArgumentParser(description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--series", type=int, default=400)
    parser.add_argument("--picks", type=int, default=60)
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    given.out.mkdir(parents=True, exist_ok=True)
    truth = Known({"soft": BlendTruth(30.0)}, curve="flat")
    base = simulate_series(even_layout(["soft"], [6.0, 9.0], sweat=1, frost=0), truth, 1)
    base = replace(base, throws=base.throws.iloc[:0])
    for name, rows in (("alone", worlds_alone(given.series, base)),
                       ("pick", worlds_pick(given.picks))):
        kept = []
        for row in rows:
            print(row, flush=True)
            kept.append(row)
        (given.out / f"pairs-{name}.json").write_text(json.dumps(kept, indent=1))


if __name__ == "__main__":
    main()

"""What the pair test gets wrong and what it settles, where the truth is known.

    python tests/calibration/pairs_held.py --series 400 --out results

First the test alone: two loads that differ by a known number of points, so many pairs shared out
over testers, each with a difference of his own (sd 0.4), and a noise that is as the model supposes
(log-normal about 1.4, a factor of 1.9 either way), half of it, or twice. One batch of each load is
compared, or four; batches and pieces of a batch differ (sd 0.3 each, or not at all), and each
tester has a piece of each batch of his own. Printed: how often the
count reaches its number (5 % one-sided, at no difference the error of the test), how often the 90 %
interval of points holds the true difference, and how often the words are "was not smelt",
"stronger" or neither.

Then the pick: four loads of one blend in two pots, scored once a piece by one or two testers, and
after it pairs, by the same testers, of the highest load and the one tested next at or below the
load that the scores ask for. Printed: in how many series a load is sure enough (80 %) to lie no
more than half a point below the best, by the scores and by both; how far the load is truly behind,
in points (median and the tenth that is worst); and the width of the 90 % interval of the gain
between the two loads.
"""

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from throw_worlds import CURVES, Known

from scentlab.choosing.enough import SURE, enough_throw
from scentlab.fitting.pairs import pair_test
from scentlab.fitting.throw import fit_throw, pair_draws, throw_draws
from scentlab.maths.intervals import binomial_limits
from scentlab.maths.paired import NOISE, NOISE_SPREAD
from scentlab.series import PAIR_COLUMNS
from scentlab.simulate import BlendTruth, even_layout, simulate_series

LOSS, SLOPE = 0.5, 0.4
LOADS = (6.0, 8.0, 10.0, 12.0)


def pairs_of(differences, each, noise, rng, low=6.0, high=9.0, batches=1, apart=0.0):
    """Pairs of two loads; ``differences`` (T,) are the testers' own, high less low; ``apart`` is
    the sd of batches and that of pieces."""
    rows, two = [], np.sqrt(2.0) * apart
    pours = two * rng.standard_normal(batches)
    pieces = two * rng.standard_normal((len(differences), batches))
    for t, own in enumerate(differences):
        for n in range(each):
            first, b = bool(n % 2), n // 2 % batches  # whether the high load is smelt first
            named = own + pours[b] + pieces[t, b] + noise * rng.standard_normal() > 0
            sides = [(f"{x:g}-{t}-{b}", f"{x:g}-{b}", f"P{b}", "soft", x) for x in (low, high)]
            rows.append((*sides[first], *sides[not first], f"A{t + 1}", "Q1", "warm", n + 1,
                         "first" if named == first else "second"))
    return pd.DataFrame(rows, columns=list(PAIR_COLUMNS))


def alone(count, testers, points, noise, batches, apart, seed, base, known):
    """One pair test: what the table says. Equal counts of equal testers give equal answers, so each
    is worked out once (``known``)."""
    rng = np.random.default_rng([seed, count, testers, int(100 * points), batches])
    sd = NOISE * np.exp(NOISE_SPREAD * rng.standard_normal()) if noise is None else noise
    pairs = pairs_of(points + SLOPE * rng.standard_normal(testers), count // testers, sd, rng,
                     batches=batches, apart=apart)
    named = (pairs["stronger"] == "first") == (pairs["load_pct"] == 9.0)
    counts = named.groupby([pairs["assessor"], pairs["pot"]]).sum().unstack()
    key = count, batches, tuple(sorted(map(tuple, counts.to_numpy())))
    if key not in known:
        known[key] = pair_test(replace(base, pairs=pairs), seed=len(known) + 1).table.iloc[0]
    return known[key]


def worlds_alone(series, base):
    worlds = [(n, t, b, a) for n, t in ((24, 2), (24, 4), (80, 4)) for b in (1, 4)
              for a in (0.3, 0.0)]
    for count, testers, batches, apart in worlds:
        known = {}
        for noise in (None, NOISE / 2, 2 * NOISE) if batches == 1 else (None,):
            for points in (0.0, 0.5, 1.0, 2.0):
                found = pd.DataFrame([
                    alone(count, testers, points, noise, batches, apart, s, base, known)
                    for s in range(series)])
                shares = {
                    "reaches": found["higher"] >= found["least"],
                    "covers": found["lower"].le(points) & found["upper"].ge(points),
                    "not smelt": found["alike"] >= SURE, "stronger": found["stronger"] >= SURE,
                }
                yield {"pairs": count, "testers": testers, "batches": batches, "apart": apart,
                       "points": points,
                       "noise": "as supposed" if noise is None else round(noise, 2),
                       **{n: _share(x) for n, x in shares.items()},
                       "width": round(float((found["upper"] - found["lower"]).median()), 2)}


def _share(hits):
    low, high = binomial_limits(int(hits.sum()), len(hits))
    return f"{100 * hits.mean():.1f} ({100 * low:.1f}-{100 * high:.1f})"


def settled(fit, curve):
    """Whether a load is sure enough, which, and how far its throw truly is behind the best."""
    loads = np.round(np.arange(LOADS[0], LOADS[-1] + 0.05, 0.1), 1)
    found = enough_throw(throw_draws(fit, "soft", loads), LOSS)
    true = CURVES[curve](loads) + 0.0 * loads
    return found.chance >= SURE, loads[found.place], float(true.max() - true[found.place])


def pick(curve, testers, count, seed):
    """What the scores say, and what they say with the pairs."""
    truth = Known({"soft": BlendTruth(30.0)}, curve=curve)
    layout = even_layout(["soft"], LOADS, pots=2, sweat=0, frost=0, throw=1, assessors=testers)
    throws = simulate_series(layout, truth, seed).throws
    scores = fit_throw(throws, seed=seed)
    before = settled(scores, curve)
    low, high = max([x for x in LOADS[:-1] if x <= before[1]] or LOADS[:1]), LOADS[-1]
    rng = np.random.default_rng([seed, 5])
    gap, share = float(CURVES[curve](high) - CURVES[curve](low)), (high - low) / np.ptp(LOADS)
    noise = NOISE * np.exp(NOISE_SPREAD * rng.standard_normal())
    pairs = pairs_of(gap + SLOPE * share * rng.standard_normal(testers), count // testers, noise,
                     rng, low, high)
    both = fit_throw(throws, pairs=pairs, seed=seed)
    widths = [np.ptp(np.quantile(pair_draws(f, "soft", high, "soft", low), [0.05, 0.95]))
              for f in (scores, both)]
    return before, settled(both, curve), widths


def worlds_pick(series):
    for curve in ("flat", "linear", "saturating", "plateau from 8 %"):
        for testers in (1, 2):
            for count in (24, 48):
                found = [pick(curve, testers, count, s) for s in range(series)]
                row = {"curve": curve, "testers": testers, "pairs": count, "series": series,
                       "open by scores": sum(not f[0][0] for f in found),
                       "of these settled": sum(f[1][0] and not f[0][0] for f in found)}
                for i, name in enumerate(("scores", "both")):
                    behind = [f[i][2] for f in found]
                    row |= {f"settled, {name}": sum(f[i][0] for f in found),
                            f"behind, {name}": np.quantile(behind, [0.5, 0.9]).round(2).tolist(),
                            f"width, {name}": round(float(np.median([f[2][i] for f in found])), 2)}
                yield row


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

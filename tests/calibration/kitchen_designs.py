"""What standard designs of one blend are expected to find: the table that the planner shows.

Each design (pots, loads, heat-cycled and rested pieces of a load) is poured on paper under eight
truths, fitted and decided by the functions of :func:`scentlab.precision`. Loads are even from 4 to
14 % of wax; half of the pieces at room temperature sweat at 8, 10, 12 or 14 %, pots differ by an sd
of 0.5 or 1.0 on the logit scale, and heat adds 1.0 to it. A load without an answer gives away all
that lies between the lowest load tested and the true load at risk.

    python tests/calibration/kitchen_designs.py --series 40 --out scentlab/planning/designs.csv
"""

import argparse
import csv
import itertools
from dataclasses import replace

import numpy as np

from scentlab.foresight.guess import guess_truth
from scentlab.foresight.precision import CEILING_OVER, NO_ANSWER, SHORTFALL, precision
from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.kitchen import even_loads
from scentlab.planning.plan import PieceNumbers, make_plan

LOW, HIGH = 4, 14
CAPACITIES, POT_SDS = (8, 10, 12, 14), (0.5, 1.0)
# pots, loads, heat-cycled pieces; one piece of each load stays at room temperature.
DESIGNS = [(p, n, h) for n, h in ((4, 2), (6, 3), (4, 4), (6, 2)) for p in (1, 2, 3, 4)]
COLUMNS = ("pots", "loads", "heated", "rested", "series", "shortfall_pct", "shortfall_se",
           "no_answer", "too_high", "given_away_pct")
BLEND = Blend("wax", {Wax("wax"): 1.0})


def plan_of(pots, loads, heated):
    return make_plan(
        "standard design", Fragrance("fragrance"), BLEND, even_loads(LOW, HIGH, loads, 0.5),
        piece_g=25,
        assessors=0, start="2026-03-02", seed=1, pots_per_blend=pots,
        pieces=PieceNumbers(1, heated, 0, 0, 0),
    )


def row_of(design, series):
    """A design over all truths, each truth counting alike."""
    plan, found = plan_of(*design), []
    for number, (capacity, sd) in enumerate(itertools.product(CAPACITIES, POT_SDS), 1):
        run = precision(plan, replace(guess_truth({"wax": capacity}), pot_sd=sd), series=series,
                        seed=number, workers=1, throw_every=0)
        short, no = run.of(SHORTFALL), run.of(NO_ANSWER)[0]
        true = run.truth["load_at_risk_pct"].iloc[0]
        answered = 0.0 if no == 1 else (1 - no) * short[0]
        found.append((*short, no, run.of(CEILING_OVER)[0], answered + no * max(0.0, true - LOW)))
    short, se, no, high, away = map(np.array, zip(*found, strict=True))
    weight = 1 - no
    return (*design, 1, series * len(found), np.nansum(weight * short) / weight.sum(),
            np.sqrt(np.nansum((weight * se) ** 2)) / weight.sum(), no.mean(), high.mean(),
            away.mean())


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--series", type=int, default=40, help="of each of the eight truths")
    parser.add_argument("--out", required=True)
    asked = parser.parse_args()
    rows = []
    for design in DESIGNS:
        rows.append(row_of(design, asked.series))
        with open(asked.out, "w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(COLUMNS)
            writer.writerows([f"{x:.3f}" if isinstance(x, float) else x for x in row]
                             for row in sorted(rows))


if __name__ == "__main__":
    main()

"""How three test batches of a new fragrance fare when a workshop's earlier series are borrowed.

    python tests/calibration/workshops.py --workshops 30 --out workshops.jsonl

Each workshop has 2 waxes and 20 fragrances (sd 1.2 points), half of their pairs poured before (own
deviation 0.5, lots 0.3, spreads and pots that vary). Then come new fragrances in a known wax: three
test batches at the loads that the memory proposes, fitted with and without it, and beside them a
full series of its own (4 loads, 2 pots). False-safe: a highest safe load above the true load at
risk. Hostile: the new fragrance 4 points lower than its like (one of the earlier ones is as well);
a wax that became 1.5 points lower halfway, unnoticed; a tester who graded half of the earlier
series leniently (limits of the grades 1.8 times as far apart), under the code of the others or one
of his own; pots of the new series twice as unlike. Limits are exact 95 % ones; finished workshops
are kept in the file.
"""

from dataclasses import replace

import finished
import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import find_ceiling
from scentlab.fitting.sweat import fit_sweat
from scentlab.maths.intervals import binomial_limits
from scentlab.memory.borrowing import fit_borrowing
from scentlab.memory.cells import fit_cells
from scentlab.memory.learning import learn
from scentlab.memory.proposing import three_loads
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

WAXES = {"soft": 9.0, "hard": 11.0}
KINDS = ("honest", "odd fragrance", "wax change", "lenient tester", "pots unlike",
         "lenient tester by code")
TAU, LENIENT = (0.0, 1.5, 3.0, 4.5), (0.0, 2.7, 5.4, 8.1)
STEPS = (-4.0, -2.0, 0.0, 2.0)  # of the loads of a full series about the middle


def truth_of(wax, capacity, rng, tau=TAU, pots=1.0):
    spread = 0.6 * np.exp(0.2 * rng.standard_normal())
    pot_sd = pots * 0.5 * np.exp(0.3 * rng.standard_normal()) / spread
    return Truth({wax: BlendTruth(capacity)}, spread=spread, pot_sd=pot_sd, tau=tau)


def pour(truth, wax, fragrance, loads, pots, seed, rest=1, heat=4):
    layout = even_layout([wax], loads, pots=pots, sweat=rest, sweat_heat=heat)
    return replace(simulate_series(layout, truth, seed), fragrance=fragrance)


def full_loads(wax):
    return tuple(WAXES[wax] - 0.5 + step for step in STEPS)


def past(kind, rng, seed):
    """The cells of the earlier series, and what was true of their fragrances."""
    fragrances = {f"F{i}": 1.2 * rng.standard_normal() for i in range(20)}
    if kind == "odd fragrance":
        fragrances["F0"] -= 4.0
    pairs = [(w, f) for w in WAXES for f in fragrances if rng.random() < 0.5]
    cells = []
    for i, place in enumerate(rng.permutation(len(pairs))):
        wax, fragrance = pairs[place]
        late = i >= len(pairs) / 2
        capacity = WAXES[wax] + fragrances[fragrance] + np.hypot(0.5, 0.3) * rng.standard_normal()
        capacity -= 1.5 * (kind == "wax change" and wax == "soft" and late)
        tau = LENIENT if kind.startswith("lenient") and late else TAU
        truth = truth_of(wax, capacity, rng, tau)
        series = pour(truth, wax, fragrance, full_loads(wax), 2, [seed, i])
        if late and kind.endswith("by code"):
            series = replace(series, grades=series.grades.assign(assessor="A2"))
        cells += fit_cells(series, f"{i} {wax} {fragrance}")
    return cells


def one_workshop(seed, kind, new):
    rng = np.random.default_rng([seed, 7])
    memory = replace(learn(past(kind, rng, seed), seed=seed), invented=True)
    for n in range(new):
        wax = "soft" if kind == "wax change" or n % 2 else "hard"
        capacity = WAXES[wax] + 1.2 * rng.standard_normal()
        capacity += np.hypot(0.5, 0.3) * rng.standard_normal()
        capacity -= 4.0 * (kind == "odd fragrance") + 1.5 * (kind == "wax change")
        truth = truth_of(wax, capacity, rng, pots=1.0 + (kind == "pots unlike"))
        loads = three_loads(memory, wax, "new", seed=seed)
        # Each batch is a pot of its own.
        series = pour(truth, wax, "new", loads, 1, [seed, 1000 + n], heat=6)
        pours = series.pours.assign(pot=series.pours["pour"])
        grades = series.grades.assign(pot=series.grades["pour"])
        series = replace(series, pours=pours, grades=grades)
        lent = fit_borrowing(memory, series, seed=seed, draws=1000, precise=0.06)
        full = fit_sweat(pour(truth, wax, "new", full_loads(wax), 2, [seed, 2000 + n]).sweat(),
                         seed=seed, draws=1000, precise=0.06)
        row = {"seed": seed, "kind": kind, "loads": list(loads), "capacity": capacity,
               "true": truth.load_at_risk(wax, stress="heat")}
        for name, fit in (("lent", lent), ("alone", lent.alone), ("full", full)):
            row[name] = float(find_ceiling(fit).table["ceiling_load_pct"].iloc[0])
        yield row


def summary(rows):
    """Lines of the table."""
    frame = pd.DataFrame(rows)
    for kind, own in frame.groupby("kind", sort=False):
        for name in ("lent", "alone", "full"):
            given = own[own[name].notna()]
            wrong = int((given[name] > given["true"]).sum())
            low, high = binomial_limits(wrong, len(own))
            short = (given["true"] - given[name]).mean()
            yield (f"| {kind} | {name} | {len(own)} | {100 * len(given) / len(own):.0f} % "
                   f"| {100 * wrong / len(own):.1f} % ({100 * low:.1f}-{100 * high:.1f}) "
                   f"| {short:.2f} |")


HEAD = ("| workshop | fit | series | answered | false-safe | below the truth, points |\n"
        + "| --- " * 6 + "|")


def main():
    options = finished.parser(__doc__, "workshops.jsonl", 600.0)
    options.add_argument("--workshops", type=int, default=30)
    options.add_argument("--new", type=int, default=4, help="new fragrances a workshop")
    options.add_argument("--kind", choices=KINDS, action="append")
    options.add_argument("--first", type=int, default=1)
    asked = options.parse_args()
    seeds = range(asked.first, asked.first + asked.workshops)
    rows = finished.go_on(asked, lambda rows: finished.not_among(rows, seeds, "kind",
                                                                 asked.kind or KINDS),
                          lambda seed, kind: one_workshop(seed, kind, asked.new))
    print(HEAD, *summary(rows), sep="\n")


if __name__ == "__main__":
    main()

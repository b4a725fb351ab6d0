"""How often a new lot is accepted, rejected or sent back for more tests, where the truth is known.

    PYTHONPATH=tests python tests/calibration/lot_checks.py --studies 200 --out lots.jsonl

Each study has an old series of one blend (capacity drawn from 8 to 12 % of wax, 5 loads, 3 pots, 2
pieces at room temperature and 4 heat-cycled of each pour) and its recommended load, at the highest
safe load or lower by a margin, as throw would hold it. Three pots of a new lot are poured at the
loads of ``lot_loads``, 6 heat-cycled pieces each, with a capacity that lies by a shift from that of
the old lot. A wrong accept is one where more than the accepted share of pieces would truly sweat at
the load. Limits are exact 95 % ones. Finished studies are kept in the file.
"""

from dataclasses import replace

import finished
import numpy as np
import pandas as pd
from hostile import Hostile

from scentlab.choosing.analysis import analyse
from scentlab.choosing.lot import ACCEPT, MORE, REJECT, check_lot, lot_loads
from scentlab.maths.intervals import binomial_limits
from scentlab.planning.lot import PIECES
from scentlab.simulate import BlendTruth, Layout, even_layout, simulate_series

LOADS = (6.5, 8.0, 9.5, 11.0, 12.5)
SHIFTS = (-3.0, -1.5, -0.75, 0.0, 1.0)
MARGINS = (0.0, 0.7)
WORLDS = {
    "the model itself": {}, "pots very unlike (sd 1.5)": {"pot_sd": 1.5},
    "10 % of grades misread by one": {"misread": 0.1}, "skewed latent": {"latent": "skewed"},
    "step-like sweat, pots 0.7 points apart": {"latent": "step", "pot_sd": 0.7 / 0.6},
    "spread 1.2": {"spread": 1.2},
}


def lot_layout(loads, pots=1):
    """Each load from a pot of its own, ``pots`` times, 6 heat-cycled pieces each."""
    base = even_layout(["soft"], LOADS[:2], pots=1)
    names = [f"N{i}" for i in range(len(loads) * pots)]
    pours = pd.DataFrame({"pour": names, "pot": names, "blend": "soft",
                          "load_pct": [float(x) for x in loads] * pots, "wax_g": 200.0,
                          "poured_on": pd.Timestamp("2026-02-05").date()})
    pieces = pd.DataFrame([(p, "sweat", "heat") for p in names for _ in range(PIECES)],
                          columns=["pour", "test", "stress"])
    pieces.insert(0, "code", [f"9{i:03d}" for i in range(len(pieces))])
    return Layout(pours, pieces, base.smellings, base.blends)


def with_lot(series, layout, truth, seed):
    """The series with the test batches of a lot B beside it."""
    lot = simulate_series(layout, truth, seed)
    return replace(series, apart=replace(lot, pours=lot.pours.assign(lot="B", finish="")))


def one_study(seed, world):
    """Rows of one study: a check for each margin and shift."""
    capacity = np.random.default_rng([seed, 5]).uniform(8.0, 12.0)
    old = Hostile({"soft": BlendTruth(capacity)}, **WORLDS[world])
    layout = even_layout(["soft"], LOADS, pots=3, sweat=2, sweat_heat=4)
    analysis = analyse(simulate_series(layout, old, [seed, 0]), seed=seed, draws=1000, precise=None)
    recommended = analysis.pick.table["load_pct"].iloc[0]
    for margin in MARGINS:
        load = round(recommended - margin, 1)
        if not load >= LOADS[0]:
            continue
        loads = lot_loads(analysis, load_pct=load)
        for i, shift in enumerate(SHIFTS):
            new = replace(old, blends={"soft": BlendTruth(capacity + shift)})
            series = with_lot(analysis.series, lot_layout(loads), new, [seed, 7, i])
            found = check_lot(replace(analysis, series=series), "B", load_pct=load)
            yield {"seed": seed, "world": world, "margin": margin, "shift": shift, "load": load,
                   "verdict": found.verdict, "over": found.chance_over,
                   "risk": new.sweat_risk("soft", load, stress="heat"),
                   "safe": found.safe_load_pct,
                   "safe_true": new.load_at_risk("soft", stress="heat")}


def summary(rows, risk=0.05):
    """Lines of the table."""
    frame = pd.DataFrame(rows)
    frame["bad"] = frame["risk"] > risk
    for (world, margin, shift), own in frame.groupby(["world", "margin", "shift"], sort=False):
        share = {v: (own["verdict"] == v).mean() for v in (ACCEPT, REJECT, MORE)}
        wrong = int(((own["verdict"] == ACCEPT) & own["bad"]).sum())
        low, high = binomial_limits(wrong, len(own))
        safe = (own["safe"] > own["safe_true"]).sum() / len(own)
        yield (f"| {world} | {margin:g} | {shift:+g} | {len(own)} "
               f"| {100 * own['bad'].mean():.0f} % | {100 * share[ACCEPT]:.0f} % "
               f"| {100 * share[MORE]:.0f} % | {100 * share[REJECT]:.0f} % "
               f"| {100 * wrong / len(own):.1f} % ({100 * low:.1f}-{100 * high:.1f}) "
               f"| {100 * safe:.1f} % |")


HEAD = ("| world | below the highest safe load | shift | studies | truly over | accept | test more "
        "| reject | wrong accept | its safe load over the truth |\n" + "| --- " * 10 + "|")


def main():
    options = finished.parser(__doc__, "lots.jsonl", 600.0)
    options.add_argument("--studies", type=int, default=200)
    options.add_argument("--world", choices=list(WORLDS), action="append")
    asked = options.parse_args()
    seeds = range(1, asked.studies + 1)
    rows = finished.go_on(asked, lambda rows: finished.not_among(rows, seeds, "world",
                                                                 asked.world or WORLDS), one_study)
    print(HEAD, *summary(rows), sep="\n")


if __name__ == "__main__":
    main()

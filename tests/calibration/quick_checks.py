"""How often a quick check answers, and how often what it recommends is over the accepted risk.

    PYTHONPATH=tests python tests/calibration/quick_checks.py --series 200 --out quick.jsonl

The truth of each check is drawn as in ``grown_series.py`` (half-sweat load from 6 to 20 % of wax),
but for what a world has otherwise. Of each load there are two heat-cycled pieces and one at room
temperature, all of one pot, judged by the functions that the command calls. What is counted is the
load of the first line, and the tested load that gets the word "recommended"; each is over the risk
where it lies above the true load at risk (5 % of the heat-cycled pieces of a new pot at grade 2).
Limits are exact 95 % ones.
"""

from dataclasses import replace

import finished
import numpy as np
from grown_series import LOADS, drawn_truth

from scentlab.choosing.analysis import analyse
from scentlab.choosing.rules import Rules
from scentlab.choosing.so_far import USE, loads_so_far
from scentlab.maths.intervals import binomial_limits
from scentlab.simulate import even_layout, simulate_series

# What is otherwise: changes of the truth, loads, and the wax maker's limit (% of wax).
WORLDS = {
    "ordinary": {},
    "two loads, 1 and 2 oz/lb": {"loads": (6.25, 12.5)},
    "6, 7, 8 and 9 %": {"loads": (6.0, 7.0, 8.0, 9.0)},
    "ordinary, a limit of 1 oz/lb set aside": {"limit": 6.25},
    "step-like, pots 0.7 points apart": {"truth": {"latent": "step", "pot_sd": 0.7 / 0.6,
                                                   "spread": 0.6}},
    "pots very unlike (sd 1.5)": {"truth": {"pot_sd": 1.5}},
    "skewed latent": {"truth": {"latent": "skewed"}},
    "10 % of grades misread by one": {"truth": {"misread": 0.1}},
    "pours of a pot 0.4 points apart": {"truth": {"sweat_pour_sd": 0.4}},
}


def one_check(seed, world):
    """What one check gives: the load, the recommended tested load (None for none), the truth."""
    truth = replace(drawn_truth(seed), **WORLDS[world].get("truth", {}))
    layout = even_layout(["wax"], WORLDS[world].get("loads", LOADS), pots=1, sweat=1, sweat_heat=2)
    series = simulate_series(layout, truth, [seed, 1])
    rules = {}
    if "limit" in WORLDS[world]:
        blends = series.blends.assign(limit_load_pct=WORLDS[world]["limit"])
        series = replace(series, blends=blends)
        rules = {"override_blends": ("wax",), "override_reason": "a trial"}
    analysis = analyse(series, Rules(**rules), seed=1, draws=1000, precise=None)
    table = loads_so_far(analysis).table
    use = table.loc[table["word"] == USE, "load_pct"]
    load = float(analysis.pick.table["load_pct"].iloc[0])
    return {"world": world, "seed": seed, "true": float(truth.load_at_risk("wax", stress="heat")),
            "given": None if np.isnan(load) else load,
            "use": None if use.empty else float(use.iloc[0]),
            "top": float(table["load_pct"].max())}


def share(over, of):
    low, high = binomial_limits(int(over), max(int(of), 1))
    return f"{over} of {of} ({100 * low:.1f}-{100 * high:.1f} %)"


def summary(rows):
    """Lines of the table, a world each."""
    for world in dict.fromkeys(r["world"] for r in rows):
        own = [r for r in rows if r["world"] == world]
        true, given, use, top = (np.array([r[n] for r in own], float)
                                 for n in ("true", "given", "use", "top"))
        held, said = ~np.isnan(given), ~np.isnan(use)
        inside = held & (true >= 9) & (true <= 13)
        short = np.minimum(true, top) - given
        yield (f"| {world} | {len(own)} | {100 * held.mean():.0f} % | "
               f"{share((given[held] > true[held]).sum(), held.sum())} | "
               f"{share((use[said] > true[said]).sum(), said.sum())} | "
               f"{np.median(short[held]) if held.any() else np.nan:.1f} | "
               f"{np.median(short[inside]) if inside.any() else np.nan:.1f} |")


HEAD = ("| world | checks | a load given | the load is over the risk | the load called recommended "
        "is over it | below the best, points | where the truth is 9 to 13 % |\n" + "| --- " * 7
        + "|")


def main():
    options = finished.parser(__doc__, "quick.jsonl", 60.0)
    options.add_argument("--series", type=int, default=200, help="checks of each world")
    options.add_argument("--world", choices=list(WORLDS), action="append")
    asked = options.parse_args()
    seeds = range(1, asked.series + 1)
    rows = finished.go_on(asked, lambda rows: finished.not_among(rows, seeds, "world",
                                                                 asked.world or WORLDS),
                          lambda seed, world: [one_check(seed, world)])
    print(HEAD, *summary(rows), sep="\n")


if __name__ == "__main__":
    main()

"""How near the load that the throw scores ask for comes to the wanted one, where throw is known.

    python tests/calibration/throw_worlds.py --series 200 --workers 2 --out results

A series has, for every blend (one unless --blends says more, all with the same truth), 6 loads x 2
pots x 2 pieces, each smelt by every tester in an order of his own, in two sessions (one piece of
each pour in each). Testers differ by 1 point (sd) and by 15 % in their use of the scale, sessions
by 0.4, pours by 0.3, the error of a score is 1; scores are rounded to the half point and held to 0
to 10. Loads are weighed to 0.05 g in 200 g of wax.

The rule: the lowest load x from the lowest tested to the highest (in steps of 0.1) for which
P(max over y of throw(y) - throw(x) <= 0.5) >= 0.8 over the draws. The wanted load is the same rule
on the truth. Printed per world: the median distance of the two with its quartiles, the goal (0.6,
and 1.0 with fewer than three testers), how much throw the load loses in the median, how often the
90 % interval of the gain from the lowest to the highest load holds the true one, and its median
width.
"""

import argparse
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from joblib import Parallel, delayed

from scentlab.fitting.throw import fit_throw, pair_draws, throw_draws
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

NARROW = tuple(np.linspace(6.0, 11.4, 6).round(2))
WIDE = tuple(np.linspace(4.0, 12.0, 6).round(2))
LOSS, SURE, STEP = 0.5, 0.8, 0.1

CURVES = {
    "flat": lambda x: 5.0 + 0.0 * x,
    "linear": lambda x: 3.5 + 0.5 * (x - 6.0),
    "emax": lambda x: 10.0 * x / (8.0 + x),
    "saturating": lambda x: 7.0 - 4.0 * np.exp((6.0 - np.asarray(x)) / 1.3),
    "plateau from 8 %": lambda x: 4.0 + np.minimum(x, 8.0) - 6.0,
    "peak at 8.5 %": lambda x: 7.5 - 1.8 * ((x - 8.5) / 2.5) ** 2,
}


@dataclass(frozen=True)
class Known(Truth):
    """A truth whose throw follows one of ``CURVES`` in every blend."""

    curve: str = "flat"

    def throw(self, blend, load):
        return CURVES[self.curve](load)


@dataclass(frozen=True)
class World:
    """A curve, the loads tested, how many testers, and how many of them score against it."""

    curve: str
    loads: tuple
    testers: int
    opposed: int = 0

    @property
    def name(self):
        against = f", {self.opposed} opposed" if self.opposed else ""
        loads = f"{self.loads[0]:g}-{self.loads[-1]:g} %"
        return f"{self.curve}, {loads}, {self.testers} testers{against}"

    @property
    def goal(self):
        return 0.6 if self.testers > 2 else 1.0


WORLDS = [
    World(curve, loads, testers)
    for testers in (6, 2, 1)
    for curve in CURVES
    for loads in ((NARROW, WIDE) if curve.startswith("peak") else (NARROW,))
] + [World(c, NARROW, 6, 1) for c in ("linear", "saturating", "plateau from 8 %")]
COVERAGE = [World("emax", NARROW, testers) for testers in (1, 2, 3, 6)]


def scores_of(world, seed, blends=1):
    """The throw scores of one series."""
    names = [f"blend {i + 1}" for i in range(blends)]
    truth = Known({n: BlendTruth(20.0) for n in names}, score_sd=1.0, curve=world.curve)
    layout = even_layout(names, world.loads, sweat=0, throw=2, assessors=world.testers)
    rng = np.random.default_rng([seed, 7])
    smellings = layout.smellings
    pieces = layout.pieces.set_index("code")["pour"]
    second = smellings["code"].map(pieces.groupby(pieces).cumcount())
    smellings["sitting"] = "S" + (second + 1).astype(str)
    smellings["position"] = (
        smellings.assign(order=rng.random(len(smellings)))
        .groupby(["assessor", "sitting"])["order"].rank().astype(int)
    )  # fmt: skip
    throws = simulate_series(layout, truth, seed).throws
    against = throws["assessor"].isin([f"A{i + 1}" for i in range(world.opposed)])
    return throws.assign(throw=throws["throw"].where(~against, 10.0 - throws["throw"]))


def asked_load(loads, throw):
    """The lowest load by the rule from draws (D, L), or from one true curve (1, L)."""
    lost = throw.max(axis=1, keepdims=True) - throw
    enough = (lost <= LOSS + 1e-9).mean(axis=0) >= SURE
    return float(loads[np.argmax(enough)]) if enough.any() else float(loads[-1])


def one_series(world, seed, blends=1, draws=2000):
    """Outcomes of the blends of one series."""
    fit = fit_throw(scores_of(world, seed, blends), draws=draws, seed=seed)
    loads = np.arange(world.loads[0], world.loads[-1] + 1e-9, STEP)
    true = CURVES[world.curve](loads)
    wanted = asked_load(loads, true[None])
    rows = []
    for blend in fit.blends:
        asked = asked_load(loads, throw_draws(fit, blend, loads))
        ends = [world.loads[0], world.loads[-1]]
        low, high = np.quantile(pair_draws(fit, blend, ends[1], blend, ends[0]), [0.05, 0.95])
        gain = float(np.diff(CURVES[world.curve](np.array(ends)))[0])
        rows.append(
            {
                "asked": asked,
                "wanted": wanted,
                "lost": float(true.max() - CURVES[world.curve](asked)),
                "held": bool(low <= gain <= high),
                "width": float(high - low),
            }
        )
    return rows


def summary(rows):
    """Figures of one world: dict."""
    value = {k: np.array([r[k] for r in rows], dtype=float) for k in rows[0]}
    away = np.abs(value["asked"] - value["wanted"])
    low, middle, high = np.quantile(away, [0.25, 0.5, 0.75])
    return {
        "series": len(rows), "wanted": value["wanted"][0], "asked": np.median(value["asked"]),
        "distance": middle, "lower": low, "upper": high, "lost": np.median(value["lost"]),
        "held": value["held"].mean(), "width": np.median(value["width"]),
    }  # fmt: skip


HEADINGS = (
    "| world | answers | wanted | asked for (median) | distance (quartiles) | goal | throw lost | "
    "90 % interval holds the gain | its width |\n" + "| --- " * 9 + "|"
)


def line(world, s):
    """One row of the table."""
    met = "met" if s["distance"] <= world.goal + 1e-9 else "MISSED"
    return (
        f"| {world.name} | {s['series']} | {s['wanted']:.1f} | {s['asked']:.1f} "
        f"| {s['distance']:.2f} ({s['lower']:.1f} to {s['upper']:.1f}) | {world.goal} {met} "
        f"| {s['lost']:.2f} | {100 * s['held']:.0f} % | {s['width']:.1f} |"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--series", type=int, default=200, help="series per world")
    parser.add_argument("--workers", type=int, default=2, help="processes")
    parser.add_argument("--blends", type=int, default=1, help="blends of a series, all alike")
    parser.add_argument("--world", action="append", help="only worlds whose name holds this")
    parser.add_argument("--coverage", action="store_true", help="1, 2, 3 and 6 testers, emax")
    parser.add_argument("--out", help="folder for the outcomes as JSON")
    asked = parser.parse_args()
    print(HEADINGS, flush=True)
    for world in COVERAGE if asked.coverage else WORLDS:
        if asked.world and not any(w in world.name for w in asked.world):
            continue
        found = Parallel(asked.workers)(
            delayed(one_series)(world, seed, asked.blends) for seed in range(1, asked.series + 1)
        )
        rows = [row for series in found for row in series]
        print(line(world, summary(rows)), flush=True)
        if asked.out:
            path = Path(asked.out) / f"{world.name.replace(' ', '-')}.json"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(json.dumps(rows))


if __name__ == "__main__":
    main()

"""What is to be expected of a plan, of several plans, and of the next round."""

import numpy as np

from scentlab.foresight.precision import CEILING_OVER, NO_ANSWER, SHORTFALL, SPREAD
from scentlab.sharing.pictures import drawing
from scentlab.sharing.pictures.drawing import INK, QUIET, RULED, SWEAT, THROW

COSTS = {
    "wax_g": "wax, g", "fragrance_g": "fragrance, g", "days": "days, first pour to last inspection",
    "money": "money", "panel_hours": "panel, hours of all testers",
}


def draw_precision(precision, ax=None):
    """Per blend: the true load at risk as guessed, and where the answer would be found."""
    table = precision.truth
    blends, true = list(table["blend"]), table["load_at_risk_pct"].to_numpy(float)
    short, spread = (
        np.array([precision.of(m, b)[0] for b in blends], dtype=float) for m in (SHORTFALL, SPREAD)
    )
    found, arm = true - short, 1.645 * np.nan_to_num(spread)
    label = "highest safe load, mean and 90 % range"
    ax = drawing.rows(
        ax, blends, None, [(None, found - arm, found + arm, {"color": SWEAT, "lw": 2.2})], [
            (label, found, "^", {"color": SWEAT}),
            ("true load at the limit risk, as guessed", true, "|", {"ms": 20, "mew": 2}),
        ], each=0.62)
    for y, blend in enumerate(blends):
        over, none = (_chance(precision, m, blend) for m in (CEILING_OVER, NO_ANSWER))
        ax.annotate(
            f"too high {over}, no answer {none}", (0.0, y + 0.36), fontsize=8, color=INK,
            xycoords=("axes fraction", "data"), va="center",
        )
    drawing.load_axis(ax, np.concatenate([true, true + 0.5, found - arm, found + arm]))
    return drawing.finish(
        ax, f"Where the answer would be found ({precision.series} simulated series)")


def _chance(precision, measure, blend):
    """A chance with its exact 90 % limits."""
    lower, upper = precision.limits(measure, blend)
    share = precision.of(measure, blend)[0]
    return f"{100 * share:.0f} ({100 * lower:.0f} to {100 * upper:.0f}) %"


def draw_comparison(comparison, ax=None, against="wax_g"):
    """How far each plan stays below the true load at risk, over one thing that it takes."""
    if against not in COSTS:
        raise ValueError(f"against is {against!r}; give one of {', '.join(COSTS)}")
    table, ax = comparison.table, drawing.new_axes(ax)
    for row, (hue, _, marker) in zip(table.itertuples(), drawing.looks(table["plan"]), strict=True):
        ax.errorbar(
            getattr(row, against), row.shortfall_pct, 2 * np.nan_to_num(row.shortfall_pct_se),
            fmt=marker, color=hue, ecolor=QUIET, elinewidth=1.2, ms=8, zorder=3,
            label=f"{drawing.short(row.plan, 28)}\n(no answer in {100 * row.p_none:.0f} % of "
                  "blends)",
        )
    ax.plot([], [], color=QUIET, lw=1.2, label="± 2 Monte Carlo errors")
    ax.margins(x=0.15)
    ax.set_ylim(0, None)
    drawing.plain_frame(ax)
    money = against == "money" and comparison.currency
    drawing.label(ax, f"money, {comparison.currency}" if money else COSTS[against],
                  "highest safe load below the true\nload at risk, points of load")
    return drawing.finish(ax, "Shortfall of each plan")


def draw_next_round(found, ax=None):
    """Per blend: the loads of the next round, a mark a test batch, pots side by side."""
    blends = list(dict.fromkeys([*found.gain["blend"], *found.table["blend"]]))
    joined = any(len(x) > 1 for x in found.table["loads_pct"])
    label = "a test batch; " + ("those of one pot are joined" if joined else "each of its own pot")
    ax = drawing.rows(ax, blends, each=0.75)
    stacked, loads = {}, []
    for row in found.table.itertuples():
        y = blends.index(row.blend)
        rise = max((stacked.get((y, x), 0) for x in row.loads_pct), default=0)
        ax.plot(row.loads_pct, [y + 0.22 - 0.1 * rise] * len(row.loads_pct), "-o", color=THROW,
                ms=5, lw=1.2 if joined else 0, zorder=3, label=label)
        stacked |= {(y, x): rise + 1 for x in row.loads_pct}
        loads += row.loads_pct
    for row in found.gain.itertuples():
        ax.annotate(
            f"90 % interval {row.width_now_pct:.1f} to {row.width_after_pct:.1f} points",
            (1.0, blends.index(row.blend) - 0.42), xycoords=("axes fraction", "data"), ha="right",
            va="center", fontsize=8, color=INK,
        )
    ax.grid(axis="x", color=RULED, lw=0.6, zorder=0.5)
    drawing.load_axis(ax, loads)
    return drawing.finish(
        ax, f"The next round: {found.pours} test batches from {len(found.table)} new pots")

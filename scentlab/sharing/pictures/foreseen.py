"""What is to be expected of a plan before wax is melted."""

import numpy as np

from scentlab.foresight.precision import CEILING_OVER, NO_ANSWER, SHORTFALL, SPREAD
from scentlab.sharing.pictures import drawing
from scentlab.sharing.pictures.drawing import INK, SWEAT


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

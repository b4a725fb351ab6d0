"""Loads evenly spaced, for the button that writes them into the form."""

import numpy as np

from scentlab.planning.refusal import need, need_above_zero, need_whole


def even_loads(low, high, number, step=0.5):
    """Loads evenly spaced from low to high, rounded to ``step`` (all in % of wax)."""
    need_whole(number, "number of loads", 2, 40, "loads", field="number")
    need_above_zero(low, "the lowest load", 40, "% of wax", field="lowest")
    need_above_zero(high, "the highest load", 40, "% of wax", field="highest")
    loads = sorted({round(float(x), 6) for x in np.round(np.linspace(low, high, number) / step)
                    * step if x > 0})
    need(low < high and len(loads) > 1,
         f"{low:g} to {high:g} % of wax in steps of {step:g} leaves one load",
         "give a higher second one, or a smaller step", field="highest", value=high)
    return tuple(loads)

"""What a number of pots can find: power for differences of blends and of loads."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from scentlab.maths.power import split_plot
from scentlab.planning.refusal import count_of, need_above_zero, need_number, need_whole
from scentlab.results import Result, say_percent


@dataclass(frozen=True, repr=False)
class SeriesPower(Result):
    """Power by number of pots of each blend; ``table``: pots, blends, loads (chances)."""

    table: pd.DataFrame
    n_blends: int
    n_loads: int
    blend_difference: float
    load_difference: float
    unit: str
    alpha: float
    notes: tuple = field(default=())

    @property
    def sentence(self):
        row = self.table.iloc[0]
        blends = ("" if np.isnan(row["blends"]) else
                  f"{say_percent(row['blends'])} for a difference of {self.blend_difference:g} "
                  f"{self.unit} between the outermost blends and ")
        return (
            f"{int(row['pots'])} pots of each of {count_of(self.n_blends, 'blend')} and "
            f"{self.n_loads} loads give a power of {blends}{say_percent(row['loads'])} for a "
            f"difference of {self.load_difference:g} {self.unit} between the outermost loads."
        )


def series_power(
    n_blends, n_loads, pots, *, blend_difference, load_difference, pot_sd, piece_sd,
    unit="points of throw", alpha=0.05, more_pots=(3, 4, 6, 8),
):
    """Power of a split plot whose effects are evenly spread between their outermost values.

    Parameters
    ----------
    n_blends, n_loads, pots : blends, loads of each pot, pots of each blend (two or more).
    blend_difference, load_difference : between the outermost blends and loads, in ``unit``.
    pot_sd : sd of pots of one blend; piece_sd : sd of the mean of a pour about its pot.
    more_pots : numbers of pots to show beside the planned one.

    Returns
    -------
    SeriesPower
    """
    need_whole(n_blends, "n_blends", 1, 50, "blends")
    need_whole(n_loads, "n_loads", 2, 40, "loads")
    need_whole(pots, "pots of each blend", 2, 50, "pots")
    need_number(pot_sd, "pot_sd", 0, 1e6, unit)
    need_above_zero(piece_sd, "piece_sd", 1e6, unit)
    blends = np.linspace(-0.5, 0.5, n_blends) * blend_difference if n_blends > 1 else [0.0]
    loads = np.linspace(-0.5, 0.5, n_loads) * load_difference
    rows = [(n, *split_plot(blends, loads, n, pot_sd, piece_sd, alpha))
            for n in dict.fromkeys([pots, *more_pots])]
    notes = ("Pots, not pieces, repeat a blend: more pieces of a pot hardly help to compare "
             "blends.",)
    return SeriesPower(pd.DataFrame(rows, columns=["pots", "blends", "loads"]), n_blends, n_loads,
                       float(blend_difference), float(load_difference), unit, alpha, notes)

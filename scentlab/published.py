"""Published experiments that travel with the kit, and the kit's numbers beside theirs.

The measurements and the printed results are in ``data/published``; its README says where each
comes from, and whether a result was read in a source or computed by other software.
"""

import html
from dataclasses import dataclass

import pandas as pd

from scentlab.results import Result
from scentlab.workshop import published_folder

NUMBERS_NAME = "numbers.csv"
_CELL = '<td style="text-align:left">'


def published_data(name):
    """The measurements of a published experiment: wine, benchmark, steel_bars or stagnant.

    Raises
    ------
    ValueError for a name that is not among them.

    >>> published_data("wine").columns.tolist()
    ['rating', 'temp', 'contact', 'assessor']
    """
    names = published_names()
    if name in names:
        return pd.read_csv(published_folder() / f"{name}.csv")
    raise ValueError(f"no published experiment is called {name!r}; there are {', '.join(names)}")


def published_names():
    """The names of the published experiments."""
    return sorted(p.stem for p in published_folder().glob("*.csv") if p.name != NUMBERS_NAME)


@dataclass(frozen=True, repr=False)
class SideBySide(Result):
    """Published results and the kit's.

    ``table`` has a row per result: quantity, published (as it is printed), here, difference,
    within (how far the kit may lie from it), agrees, known (how the published number is known).
    """

    data: str
    table: pd.DataFrame
    notes: tuple = ()

    @property
    def agrees(self):
        """Whether every number lies as near as it must."""
        return bool(self.table["agrees"].all())

    @property
    def sentence(self):
        apart = list(self.table.loc[~self.table["agrees"], "quantity"])
        words = f"{len(self.table) - len(apart)} of {len(self.table)} published numbers are met"
        return words + (f"; NOT met: {', '.join(apart)}." if apart else ".")

    def _repr_html_(self):
        rows = "".join(
            f"<tr>{_CELL}{html.escape(r.quantity)}<br><small>{html.escape(r.known)}</small></td>"
            # Two digits more than the printed one, so that a small difference shows.
            f"<td>{r.published}</td><td>{r.here:.{len(r.published.partition('.')[2]) + 2}f}</td>"
            f"<td>{_plain(r.difference)} ({_plain(r.within)}){'' if r.agrees else ' NOT met'}</td>"
            "</tr>"
            for r in self.table.itertuples()
        )
        return (
            f"<p><strong>{html.escape(self.sentence)}</strong></p><table><tr><th>quantity</th>"
            f"<th>published</th><th>here</th><th>difference (may be)</th></tr>{rows}</table>"
        )


def _plain(value):
    return "0" if abs(value) < 1e-10 else f"{value:.1g}" if abs(value) < 1e-3 else f"{value:.4f}"


def side_by_side(name, found):
    """The published results of an experiment beside those found with the kit.

    Parameters
    ----------
    name : the experiment, as in :func:`published_data`.
    found : mapping of quantity to the number found; must hold exactly the published quantities.

    Returns
    -------
    SideBySide

    Raises
    ------
    ValueError for another name, or quantities that are missing or not published.
    """
    numbers = pd.read_csv(published_folder() / NUMBERS_NAME, dtype={"published": str})
    own = numbers[numbers["data"] == name].drop(columns="data").reset_index(drop=True)
    missing = [q for q in own["quantity"] if q not in found]
    unknown = [q for q in found if q not in set(own["quantity"])]
    if missing or unknown:
        raise ValueError(
            f"the published results of {name} want other quantities; missing: "
            f"{'; '.join(missing) or 'none'}; not published: {'; '.join(unknown) or 'none'}"
        )
    own.insert(2, "here", [float(found[q]) for q in own["quantity"]])
    own.insert(3, "difference", own["here"] - own["published"].astype(float))
    own.insert(5, "agrees", own["difference"].abs() <= own["within"])
    return SideBySide(name, own)

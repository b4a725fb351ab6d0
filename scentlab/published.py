"""Published experiments that travel with the kit, and the kit's numbers beside theirs.

The measurements and the printed results stand in ``data/published``; its README tells where each
comes from, and whether a result was read in a source or computed by other software.
"""

import html
from dataclasses import dataclass

import pandas as pd

from scentlab.results import Result
from scentlab.workshop import published_folder

NUMBERS_NAME = "numbers.csv"


def published_data(name):
    """The measurements of a published experiment: wine, benchmark, steel_bars or stagnant.

    Raises
    ------
    ValueError for a name that is not among them.

    >>> published_data("wine").columns.tolist()
    ['rating', 'temp', 'contact', 'assessor']
    """
    return pd.read_csv(published_folder() / f"{_known(name)}.csv")


def published_names():
    """The names of the published experiments."""
    return sorted(p.stem for p in published_folder().glob("*.csv") if p.name != NUMBERS_NAME)


def _known(name):
    names = published_names()
    if name in names:
        return name
    raise ValueError(f"no published experiment is called {name!r}; there are {', '.join(names)}")


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
        rows = "".join(_row(row) for row in self.table.itertuples())
        heads = "".join(f"<th>{h}</th>" for h in ("published", "here", "difference (may be)"))
        return (
            f"<p><strong>{html.escape(self.sentence)}</strong></p><table><thead><tr>"
            f'<th style="text-align:left">quantity</th>{heads}</tr></thead><tbody>{rows}</tbody>'
            "</table>"
        )


def _row(row):
    """A result as a table row; the number that misses stands out in words, not only in place."""
    miss = "" if row.agrees else " NOT met"
    cells = (
        row.published, _as_printed(row.here, row.published),
        f"{_plain(row.difference)} ({_plain(row.within)}){miss}",
    )
    return (
        f'<tr><td style="text-align:left">{html.escape(row.quantity)}<br>'
        f'<span style="opacity:0.75">{html.escape(row.known)}</span></td>'
        + "".join(f"<td>{cell}</td>" for cell in cells) + "</tr>"
    )


def _as_printed(value, printed):
    """A number with two digits more than the printed one, so that a small difference shows."""
    return f"{value:.{len(printed.partition('.')[2]) + 2}f}"


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
    own = numbers[numbers["data"] == _known(name)].drop(columns="data").reset_index(drop=True)
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

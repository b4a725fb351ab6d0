"""Tidy frames, checked once where they come in: into a fit, or into a series.

Names, choices and ranges are those of the columns in :mod:`scentlab.schema`. What a fit cannot use
is refused in words, for a grade out of its range would pass for another one.
"""

from dataclasses import replace
from numbers import Integral

import numpy as np
import pandas as pd

from scentlab.results import FitError
from scentlab.schema import MOST_LOAD_PCT, TABLES, Column, Problem

# A frame, what it is called, and what it cannot do without.
_OF_POUR = ("code", "pour", "pot", "blend", "load_pct")
_NAMES = ("code", "pour", "pot", "blend")
_WORDS = {"grades": "grades", "throws": "throw scores", "warmings": "checks on the warmer",
          "pairs": "pairs"}
NEEDED = {
    "grades": (*_OF_POUR, "stress", "grade"),
    "throws": (*_OF_POUR, "assessor", "sitting", "kind", "throw"),
    "warmings": ("code", "pot", "blend", "load_pct", "hours"),
    "pairs": (*_OF_POUR, "second", *(f"second_{n}" for n in _OF_POUR[1:]), "assessor", "kind",
              "stronger"),
}
_LOAD = Column("load_pct", "number", "load", "% of wax", 0.0, MOST_LOAD_PCT, required=False)
# Loads that all lie below the highest one as a share are shares themselves.
_SHARES = MOST_LOAD_PCT / 100.0


def need_whole(*, draws, seed):
    """A FitError unless the draws and the seed of a fit are whole numbers that can be."""
    for name, value, least in (("draws", draws, 1), ("seed", seed, 0)):
        whole = isinstance(value, Integral) and not isinstance(value, bool)
        if not whole or value < least:
            raise FitError(f"{name} is {value!r}; give a whole number of {least} or more")


def _columns(name):
    """The columns of a frame that hold numbers or choices, and those that name something. Fits take
    the order of smelling, and who works with the fragrance, however they are written."""
    own = {c.name: replace(c, required=False) for c in TABLES[name].columns if c.kind in (
        "number", "integer", "choice") and c.name not in ("position", "works_with_fragrance")}
    named = _NAMES + ("assessor",) * (name in ("throws", "pairs"))
    loads = [_LOAD]
    if name == "grades":
        own["pour_temp_c"] = replace(TABLES["pours"]["pour_temp_c"], required=False)
    if name == "pairs":
        loads.append(replace(_LOAD, name="second_load_pct"))
        named += ("second", *(f"second_{n}" for n in _NAMES[1:]))
    return (*own.values(), *loads), named


_COLUMNS = {name: _columns(name) for name in _WORDS}
_COLUMNS |= {"heats": ((), ()), "pours": ((_LOAD,), ()),
             "blends": (tuple(replace(TABLES["pours"][name], required=False)
                              for name in ("limit_load_pct", "limit_content_pct")), ())}


def checked(rows, name, words="", needed=None):
    """A tidy frame as fits take it: numbers are numbers, and all within their range.

    ``words`` are what its rows are called; ``needed`` are the columns that it cannot do without,
    None those of a fit. What is missing stays missing. FitError with the column, the row (by its
    index), the value, what was expected and what to do.
    """
    words = words or _WORDS.get(name, name)
    if not isinstance(rows, pd.DataFrame):
        raise FitError(f"the {words} are a {type(rows).__name__}; give them as a DataFrame, like "
                       "those of a series")
    if not rows.columns.is_unique:
        twice = rows.columns[rows.columns.duplicated()][0]
        raise FitError(f"the {words} have the column {twice} twice; remove one")
    missing = sorted(set(NEEDED[name] if needed is None else needed) - set(rows.columns))
    if missing:
        raise FitError(f"the {words} lack the columns {', '.join(missing)}")
    columns, named = _COLUMNS[name]
    read = {c.name: _read(rows[c.name], c, words) for c in columns if c.name in rows}
    read = {name: kept for name, kept in read.items() if kept is not None}
    rows = rows.assign(**read) if read else rows
    if "load_pct" in rows:
        check_loads(rows["load_pct"], words)
        for column in (n for n in named if n in rows and rows[n].hasnans):
            _refuse(rows[column], rows[column].isna() & rows["load_pct"].notna(), words, "a name",
                    "Fill it in, or leave the row out.")
    key = [name for name in TABLES["throws"].key if name in rows]
    if name == "throws" and key:
        _refuse(rows[key[0]], rows.duplicated(key), words,
                f"each combination of {', '.join(key)} once",
                "The row repeats another: remove one.")
    return rows


def _read(values, column, words):
    """The values of a column as numbers where they are kept otherwise; None as they are."""
    if column.kind != "choice" and values.dtype.kind in "iuf":  # all at once, for it is quicker
        numbers = values.to_numpy(float, na_value=np.nan)
        wrong = (numbers < column.lower) | (numbers > column.upper)
        if not (wrong | (column.kind == "integer") & (np.floor(numbers) < numbers)).any():
            return None
    keys = list(zip(map(type, values), values, strict=True))  # True is another than 1
    found = {key: _taken(key[1], column) for key in set(keys)}
    wrong = [found[key][1] for key in keys]
    if any(wrong):
        _refuse(values, [w is not None for w in wrong], words, *next(filter(None, wrong)))
    return None if column.kind == "choice" else np.array([found[k][0] for k in keys], float)


def _taken(value, column):
    """A value as a fit takes it, and what is wrong with it."""
    kept, wrong = column.check(bool(value) if isinstance(value, np.bool_) else value)
    if column.kind == "choice" and kept not in (None, value):
        wrong = column.expected, f"Write {kept}."
    return kept, wrong


def _refuse(values, wrong, words, expected, remedy):
    """A FitError of the first value that is wrong, if one is."""
    if np.any(wrong):
        place = int(np.argmax(wrong))
        index, value = values.index[place], values.iloc[place]
        value = "" if pd.isna(value) else str(value)
        raise FitError(str(Problem(words, index, values.name, value, expected, remedy)))


def known_blends(blends, seen):
    """Refuse a blend of what was seen (a dict of frames) that is not among the blends: its limit
    would be lost."""
    known = blends["blend"]
    _refuse(known, known.duplicated(), "blends", "each blend once", "Leave one of them out.")
    for name, rows in seen.items() if len(known) else ():
        _refuse(rows["blend"], rows["blend"].notna() & ~rows["blend"].isin(known), _WORDS[name],
                f"one of the blends {', '.join(map(str, known))}",
                "Write it as there, or add it to the blends.")


def one_of_one(rows, words):
    """Refuse a name that stands for two: a piece is of one pour, a pour of one pot, a pot of one
    blend, and a fit knows them by their names alone."""
    for name, of, said in (("code", "pour", "test batch"), ("pour", "pot", "pot"),
                           ("pot", "blend", "blend")):
        known = rows[[name, of]].astype(object).drop_duplicates()
        again = known[known[name].duplicated()]
        _refuse(rows[name], rows[name].isin(again[name]), words,
                f"a name within one {said}", f"Put the name of the {said} before it.")


def check_loads(loads, words):
    """Refuse loads that were given as shares: with them all of a series is a hundredth."""
    most = loads.max()
    if 0.0 < most <= _SHARES:
        _refuse(loads, loads == most, words,
                "g of fragrance per 100 g of wax, such as 9 for 9 %",
                f"No load is over {_SHARES:g}, so they look like shares of 1: multiply the column "
                "by 100.")

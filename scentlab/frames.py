"""Tidy frames, checked once where they come in: into a fit, or into a series.

Names, choices and ranges are those of the columns in :mod:`scentlab.schema`. What a fit cannot use
is refused in words, for a grade out of its range would pass for another one.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from scentlab.results import FitError
from scentlab.schema import MOST_LOAD_PCT, TABLES, Column, Problem
from scentlab.text import count_of

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


def checked(rows, name, words="", needed=True):
    """A tidy frame as fits take it: numbers are numbers, and all within their range.

    ``words`` are what its rows are called; ``needed`` asks for the columns that a fit cannot do
    without. What is missing stays missing. FitError with the column, the row (by its index), the
    value, what was expected and what to do.
    """
    words = words or _WORDS[name]
    if not isinstance(rows, pd.DataFrame):
        raise FitError(f"the {words} are a {type(rows).__name__}; give a pandas DataFrame, such as "
                       "read_series(store) has")
    missing = sorted(set(NEEDED[name]) - set(rows.columns)) if needed else ()
    if missing:
        raise FitError(f"the {words} lack the columns {', '.join(missing)}")
    columns, named = _COLUMNS[name]
    read = {}
    for column in columns:
        if column.name in rows:
            kept = _read(rows[column.name], column, words)
            if kept is not None:
                read[column.name] = kept
    rows = rows.assign(**read) if read else rows
    _check_loads(rows, words)
    _check_names(rows, named, words)
    if name == "throws":
        _check_twice(rows, words)
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
    wrong = np.array([found[key][1] is not None for key in keys], bool)
    if wrong.any():
        place = int(np.argmax(wrong))
        _refuse(values, place, column, words, *found[keys[place]][1], wrong.sum())
    return None if column.kind == "choice" else np.array([found[k][0] for k in keys], float)


def _taken(value, column):
    """A value as a fit takes it, and what is wrong with it."""
    kept, wrong = column.check(value)
    if column.kind == "choice":
        return kept, wrong if kept in (None, value) else (column.expected, f"Write {kept}.")
    if isinstance(value, (bool, np.bool_)):
        remedy = "Say which number yes and which number no is, and put these in"
        remedy += ": 2 for yes and 0 for no, say." if column.name == "grade" else "."
        wrong = column.expected, remedy
    return kept, wrong


def _refuse(values, place, column, words, expected, remedy, number=1):
    found = Problem(words, values.index[place], column.name, str(values.iloc[place]), expected,
                    remedy)
    more = "" if number == 1 else f" So with {count_of(number - 1, 'more row')}."
    raise FitError(f"{found}{more}")


def _check_loads(rows, words):
    """Refuse loads that were given as shares: with them all of a series is a hundredth."""
    if "load_pct" in rows:
        loads = rows["load_pct"].to_numpy(float, na_value=np.nan)
        if len(loads) and 0.0 < np.nan_to_num(loads).max() <= _SHARES:
            _refuse(rows["load_pct"], int(np.nanargmax(loads)), _LOAD, words,
                    "g of fragrance per 100 g of wax, such as 9 for 9 %",
                    f"No load is over {_SHARES:g}, as if all were shares of 1: multiply the column "
                    "by 100.")


def _check_names(rows, named, words):
    """Refuse rows with a load and without the name of a piece, pot, blend or, of a score, of who
    gave it."""
    if "load_pct" not in rows:
        return
    for name in named:
        if name in rows and rows[name].hasnans:
            lost = (rows[name].isna() & rows["load_pct"].notna()).to_numpy()
            if lost.any():
                column = next(c for t in ("pairs", "throws", "pours", "pieces")
                              for c in TABLES[t].columns if c.name == name.removeprefix("second_"))
                _refuse(rows[name].astype(object).where(rows[name].notna(), ""),
                        int(np.argmax(lost)), replace(column, name=name), words,
                        column.meaning, "Fill it in, or leave the row out.", lost.sum())


def _check_twice(rows, words):
    key = [name for name in TABLES["throws"].key if name in rows]
    twice = rows.duplicated(key).to_numpy()
    if twice.any():
        _refuse(rows[key[0]], int(np.argmax(twice)), TABLES["throws"][key[0]], words,
                f"each combination of {', '.join(key)} once",
                "The row repeats another: leave one of them out.", twice.sum())

"""The tables of a store, made of the columns of :mod:`scentlab.schema`.

A file holds one row per look, a store one row per grade: a look at sweat and frost is two grades.
"""

import datetime as dt
import math
import re

import pandas as pd

from scentlab import schema
from scentlab.schema import Column, Problem, Table
from scentlab.text import alike, kept

PIECES = Table(
    "pieces",
    "one row per piece: the pour it was cast from and the test it is for",
    (
        schema.PIECES["code"],
        schema.PIECES["pour"],
        Column("test", "choice", "what the piece is for", choices=schema.TESTS, required=False),
        schema.PIECES["stress"],
    ),
    key=("code",),
)

GRADES = Table(
    "grades",
    "one row per sweat or frost grade that an assessor gave to a piece",
    (
        schema.PIECES["code"],
        Column("test", "choice", "what was graded", choices=("sweat", "frost")),
        schema.PIECES["stress"],
        schema.PIECES["age_days"],
        schema.PIECES["assessor"],
        Column("grade", "integer", "0 the best ... 4 the worst", "grade", 0, 4),
    ),
    key=("code", "test", "stress", "age_days", "assessor"),
)

BLEEDS, WARMINGS = schema.BLEEDS, schema.WARMINGS
RECORDS = {t.name: t for t in (schema.POURS, PIECES, GRADES, schema.THROWS, BLEEDS, WARMINGS)}
SCORES = ("grades", "throws", "bleeds", "warmings")


def warming_words(row):
    """A check on the warmer in words.

    >>> warming_words({"hours": 4.0, "weight_g": 24.31, "assessor": None, "throw": None})
    'after 4 h on the warmer: 24.31 g'
    """
    seen = [] if row["weight_g"] is None else [f"{row['weight_g']:g} g"]
    seen += [] if row["throw"] is None else [f"throw {row['throw']:g} of 10"]
    who = f" by {row['assessor']}" if row["assessor"] else ""
    return f"after {row['hours']:g} h on the warmer: {', '.join(seen)}{who}"


def check_row(table, row):
    """A row as the store keeps it, or a :class:`scentlab.schema.DataError` with every problem.

    ``row`` is a mapping of column names to values (numbers, text, dates, or text of them);
    an absent optional value becomes None.
    """
    problems, clean = [], {}
    for name in row:
        if name not in table.names:
            problems.append(Problem(
                table.name, None, str(name), str(name),
                "one of the columns " + ", ".join(table.names), "Rename or leave out the column.",
            ))
    for column in table.columns:
        value, good = _check_value(row.get(column.name), column)
        clean[column.name] = value
        if not good:
            problems.append(_problem(table, column, row.get(column.name)))
    if table.one_of and not problems and all(clean[n] is None for n in table.one_of):
        expected, remedy = schema.one_of_words(table)
        problems.append(Problem(table.name, None, table.one_of[0], "", expected, remedy))
    if problems:
        raise schema.DataError(problems)
    return clean


def _problem(table, column, value):
    shown = "" if _missing(value) else str(value)
    remedy = "Correct the value" + ("." if column.required else " or leave it out.")
    if shown == "":
        remedy = "Give the value."
    elif column.kind in ("number", "integer") and re.fullmatch(r"-?\d+,\d+", shown):
        remedy = schema.with_a_point(shown)
    elif column.kind == "text" and (column.unfit(kept(shown)) or [""])[0] == schema.SEEN:
        return Problem(table.name, None, column.name, shown, *column.unfit(kept(shown)))
    elif column.kind == "date" and _as_date(value) is not None:
        return Problem(table.name, None, column.name, shown, *schema.plausible_day())
    return Problem(table.name, None, column.name, shown, column.expected, remedy)


def _missing(value):
    if isinstance(value, str):
        return value.strip() == ""
    if isinstance(value, (int, float)):
        return value != value
    return value is None or bool(pd.isna(value))


def _check_value(value, column):
    """The value to store and whether it is good."""
    if _missing(value):
        return None, not column.required
    clean = _CHECKS[column.kind](value, column)
    return clean, clean is not None


def _check_number(value, column):
    if isinstance(value, bool):
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    below = column.lower is not None and number < column.lower
    above = column.upper is not None and number > column.upper
    if not math.isfinite(number) or below or above:
        return None
    if column.kind == "integer":
        return int(number) if number == int(number) else None
    return number


def _check_date(value, column):
    day = _as_date(value)
    return day if day is not None and schema.EARLIEST <= day <= schema.LATEST else None


def _as_date(value):
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    text = str(value).strip()
    try:
        return dt.date.fromisoformat(text) if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text) else None
    except ValueError:
        return None


def _check_choice(value, column):
    if isinstance(value, bool) and column.choices == schema.YES_NO:
        return "yes" if value else "no"
    word = alike(value)
    return word if word in column.choices else None


def _check_text(value, column):
    text = kept(value)
    return None if isinstance(value, bytes) or column.unfit(text) else text


_CHECKS = {
    "number": _check_number, "integer": _check_number, "date": _check_date,
    "choice": _check_choice, "text": _check_text,
}

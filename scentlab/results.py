"""What every result offers: a table, a sentence and notes.

A result is a frozen dataclass at full precision; digits are cut only where it is shown.
"""

import html
from typing import Any, ClassVar

import numpy as np
import pandas as pd


class FitError(RuntimeError):
    """A fit that gives no answer.

    Parameters
    ----------
    message : str, what was missing and what to look at.

    >>> raise FitError("no piece was graded; grade some first")
    Traceback (most recent call last):
    scentlab.results.FitError: no piece was graded; grade some first
    """


def wanted(value, has, what):
    """The value, or a TypeError that says what was wanted and what makes one."""
    if not hasattr(value, has):
        raise TypeError(f"this takes {what}; you gave a {type(value).__name__}")
    return value


def an_analysis(value):
    return wanted(value, "ceiling", "an Analysis, as scentlab.analyse(series) makes it")


class Result:
    """Base of all results; subclasses are frozen dataclasses with ``table`` and ``sentence``.

    ``notes`` is a tuple of sentences that say every "answered, but".

    >>> from scentlab.choosing.so_far import LoadsSoFar
    >>> issubclass(LoadsSoFar, Result)
    True
    """

    notes: tuple = ()
    __dataclass_fields__: ClassVar[dict[str, Any]]

    def __init_subclass__(cls):  # a result is itself alone: two tables are not equal or unequal
        cls.__eq__, cls.__hash__ = object.__eq__, object.__hash__

    def __repr__(self):
        return f"<{type(self).__name__}: {self.sentence}>"

    def _repr_html_(self):
        notes = "".join(f"<li>{html.escape(n)}</li>" for n in self.notes)
        return (
            f"<p><strong>{html.escape(self.sentence)}</strong></p>"
            f"{shown(self.table).to_html(index=False, border=0)}"
            + (f"<ul>{notes}</ul>" if notes else "")
        )


def shown(table, digits=3):
    """A table for reading: numbers cut to so many significant digits, headings and names of rows
    in words, and an empty cell where a value is missing."""
    view = table.copy()
    for name in view.columns.intersection(["parameter", "unit"]):
        view[name] = view[name].map(in_trade_words)
    for name in view.columns:
        if pd.api.types.is_float_dtype(view[name]):
            view[name] = [
                "" if pd.isna(v) else "beyond those tested" if np.isinf(v) else
                f"{v:.{digits}g}" if abs(v) < 1000 else f"{v:.0f}"
                for v in view[name]
            ]
        elif pd.api.types.is_integer_dtype(view[name]) and view[name].isna().any():
            view[name] = ["" if pd.isna(v) else str(v) for v in view[name]]
    return view.rename(columns=heading)


# Words of code and columns, and what a maker calls the same.
_TRADE = {
    "capacity": "half-sweat load", "assessors'": "testers’", "assessor": "tester",
    "sitting": "session", "pours of a pot": "test batches", "of a pour": "of a test batch",
    "warm throw": "hot throw",
}


def in_trade_words(text):
    """The name of a row or a unit in the words of the trade.

    >>> in_trade_words("capacity of soft"), in_trade_words("sd between assessors")
    ('half-sweat load of soft', 'sd between testers')
    """
    for ours, theirs in _TRADE.items():
        text = text.replace(ours, theirs)
    return text


# What every fit calls by a short name: limits are those of intervals that hold 90 %.
_SHORT = {"se": "standard error", "lower": "90 % interval, lower", "upper": "90 % interval, upper"}
_POINTS = ("change", "width", "shift", "shortfall", "spread", "error", "gain")


def heading(column):
    """The name of a column as a heading: words, which interval, and what a per cent is of.

    >>> heading("could_pct"), heading("gain_pct")
    ('could, %', 'gain, points of load (% of wax)')
    >>> heading("load_at_risk_lower_pct"), heading("limit_content_pct"), heading("mean_excess")
    ('load at risk, 90 % interval, lower, % of wax', 'limit content, % of total', 'mean excess')
    """
    words = str(column).removesuffix("_pct").split("_")
    name, last = " ".join(words), words[-1]
    if last in _SHORT:
        name = ", ".join(filter(None, [" ".join(words[:-1]), _SHORT[last]]))
    return f"{name}, {_basis(words)}" if str(column).endswith("_pct") else name


def _basis(words):
    """What a column in per cent is counted in, by the words of its name."""
    if "content" in words or "contents" in words:
        return "% of total"
    if "share" in words or "could" in words:  # of the pieces
        return "%"
    return "points of load (% of wax)" if set(_POINTS) & set(words) else "% of wax"


def say_percent(probability, digits=0):
    """A probability in words that never claims none or all: "under 1 %"."""
    return say_chance(probability, 10.0 ** (-digits - 2), digits)


def say_rule(share):
    """A risk or confidence that somebody set, as it was set: rounded it would be another rule.

    >>> say_rule(0.025), say_rule(0.005), say_rule(0.975), say_rule(0.07)
    ('2.5 %', '0.5 %', '97.5 %', '7 %')
    """
    return f"{100 * share:g} %"


def say_chance(chance, least, digits=1):
    """A chance counted from draws: what is nearer to none or all than ``least`` is not told.

    >>> say_chance(0.006, 0.01), say_chance(0.021, 0.01), say_chance(1.0, 0.01)
    ('under 1.0 %', '2.1 %', 'over 99.0 %')
    >>> say_chance(0.0001, 0.0004), say_chance(1.0, 0.0004)
    ('under 0.1 %', 'over 99.9 %')
    """
    least = max(least, 10.0 ** (-digits - 2))
    bound = f"{100 * least:.{digits}f}"
    if chance < least:
        return f"under {bound} %"
    if chance > 1.0 - least:
        return f"over {100 - float(bound):.{digits}f} %"
    return f"{100 * chance:.{digits}f} %"


def say_odds(chance, least):
    """A small chance as one in so many, a larger one in per cent; none finer than ``least``.

    >>> say_odds(0.002, 0.01), say_odds(0.024, 0.01), say_odds(0.052, 0.01), say_odds(0.3, 0.01)
    ('less than 1 chance in 100', 'about 1 chance in 40', 'about 1 chance in 15', 'about 30 %')
    >>> say_odds(0.998, 0.01)
    'over 99 %'
    """
    if chance < least:
        return f"less than 1 chance in {_rounded(1.0 / least)}"
    if chance < 0.1:
        return f"about 1 chance in {_rounded(1.0 / chance)}"
    if chance > 0.99:
        return "over 99 %"
    return f"about {say_percent(chance)}"


def _rounded(number):
    """A whole number of one digit and noughts (or 15, 150 ...), at most as large: 100, not 137."""
    whole = int(number * (1.0 + 1e-9))
    size = 10 ** (len(str(whole)) - 1)
    size = size // 2 if 15 * size <= 10 * whole < 20 * size and size > 1 else size
    return whole // size * size

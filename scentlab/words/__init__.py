"""Sentences and numbers that a person reads, written from the fields of results.

Digits are cut here and nowhere earlier. A number keeps its unit and its load basis.
"""

import math

from scentlab.choosing.rules import THROW_WORDS as THROW_WORDS
from scentlab.results import say_chance, say_percent
from scentlab.schema import STRESS_WORDS as STRESS_WORDS
from scentlab.text import count_of as count  # noqa: F401
from scentlab.units import (
    content_from_load,
    in_digits,
    say_load,
    say_load_oz,
    say_ounces_per_pound,
    shown,
    sold_load,
)

MISSING = "–"


def is_missing(value):
    """Whether a cell holds nothing that can be shown.

    >>> is_missing(None), is_missing(float("nan")), is_missing(0), is_missing("")
    (True, True, False, True)
    """
    if value is None or (isinstance(value, str) and not value.strip()):
        return True
    try:
        return math.isnan(value)
    except TypeError:
        # pandas has a missing value of its own that is no number.
        return str(value) in ("<NA>", "NaT")


def say_number(value, digits=2):
    """A number with so many decimals, a dash when it is missing.

    >>> say_number(3.14159), say_number(None), say_number(float("nan"))
    ('3.14', '–', '–')
    """
    return MISSING if is_missing(value) else f"{float(value):.{digits}f}"


def say_share(value, digits=1):
    """A probability or share in per cent, a dash when it is missing.

    >>> say_share(0.0321), say_share(float("nan"))
    ('3.2 %', '–')
    """
    return MISSING if is_missing(value) else say_percent(float(value), digits)


def say_over(chance, least):
    """The chance that a risk is over the accepted one, no finer than its draws can show.

    >>> say_over(0.006, 0.01), say_over(float("nan"), 0.01)
    ('under 1.0 %', '–')
    """
    return MISSING if is_missing(chance) else say_chance(float(chance), least)


def say_both(load_pct):
    """A load in both bases, a dash when it is missing.

    >>> say_both(8.0), say_both(float("nan"))
    ('8.0 % of wax (7.4 % of total)', '–')
    """
    return MISSING if is_missing(load_pct) else say_load(float(load_pct))


def say_range(lower, upper, say=say_number):
    """An interval in words, a dash when an end is missing.

    >>> say_range(1.0, 2.5)
    '1.00 to 2.50'
    """
    if is_missing(lower) or is_missing(upper):
        return MISSING
    return f"{say(lower)} to {say(upper)}"


class Loads(str):
    """A load in words, with its ``oz`` and ``content``; a distance has ``wax`` and ``oz``, which a
    page shows in turn."""

    wax: str
    oz: str
    content: str


def say_loads(load_pct, sold=False):
    """A load as workshops say it, with its words in other bases.

    >>> load = say_loads(6.25)
    >>> load, load.oz, load.content
    ('6.25 % (1 oz/lb)', '1 oz/lb', '5.9 % of the finished piece')
    """
    if is_missing(load_pct):
        return MISSING
    said = Loads(say_load_oz(float(load_pct), sold))
    said.oz = say_ounces_per_pound(float(load_pct), sold)
    content = content_from_load(sold_load(load_pct) if sold else load_pct)
    said.content = f"{in_digits(content, 1, sold)} % of the finished piece"
    return said


def say_gap(points, end=""):
    """How far a limit lies above a load, in the maker's unit, with the mark that follows.

    >>> say_gap(2.2), say_gap(2.2).oz, say_gap(-1.0)
    ('2.2 points higher', '0.35 oz/lb higher', '1.0 points lower')
    """
    if abs(points) < 0.05:
        return Loads(f"the same{end}")
    size, way = abs(float(points)), "higher" if points > 0 else "lower"
    wax, oz = f"{size:.1f} points {way}{end}", f"{say_ounces_per_pound(size)} {way}{end}"
    said = Loads(oz if shown().weight == "oz" else wax)
    said.wax, said.oz = wax, oz
    return said

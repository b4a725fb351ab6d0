"""Sentences and numbers that a person reads, written from the fields of results.

Digits are cut here and nowhere earlier. A number keeps its unit and its load basis.
"""

from scentlab.choosing.rules import THROW_WORDS as THROW_WORDS
from scentlab.results import say_chance, say_percent
from scentlab.schema import STRESS_WORDS as STRESS_WORDS
from scentlab.schema import is_missing as is_missing
from scentlab.text import count_of as count  # noqa: F401
from scentlab.units import (
    content_from_load,
    in_digits,
    say_load,
    say_load_oz,
    say_ounces_per_pound,
    sold_load,
)

MISSING = "–"


def or_missing(say):
    """What says a value, with a dash for one that is missing.

    >>> say_number(3.14159), say_share(0.0321), say_over(0.006, 0.01), say_both(None)
    ('3.14', '3.2 %', 'under 1.0 %', '–')
    """
    return lambda value, *how: MISSING if is_missing(value) else say(float(value), *how)


say_number = or_missing(lambda value, digits=2: f"{value:.{digits}f}")
say_share = or_missing(lambda share, digits=1: say_percent(share, digits))
say_over = or_missing(say_chance)  # a chance, no finer than its draws can show
say_both = or_missing(say_load)  # a load in both bases


def say_range(lower, upper, say=say_number):
    """An interval in words, a dash when an end is missing."""
    return MISSING if is_missing(lower) or is_missing(upper) else f"{say(lower)} to {say(upper)}"


class Loads(str):
    """A load in words, with its ``oz`` and ``content``; where one basis is said alone, with ``wax``
    and ``oz``, which a page shows in turn."""

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
    content = content_from_load(sold_load(load_pct, sold))
    said.content = f"{in_digits(content, 1, sold)} % of the finished piece"
    return said

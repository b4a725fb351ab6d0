"""How an impossible plan is refused: what was expected, what came, what to do."""

import math
from numbers import Integral, Real


class PlanError(ValueError):
    """A plan that cannot be carried out. The message says what came and the remedy."""


def count_of(number, word):
    """A number with its word, such as '1 pot' or '3 pots'."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def need_number(value, what, lower, upper, unit):
    """The value as it is, or a :class:`PlanError` unless it is a number within the bounds."""
    if isinstance(value, bool) or not isinstance(value, Real) or not lower <= value <= upper:
        raise PlanError(
            f"{what} is {value!r}; give a number from {lower:g} to {upper:g}{_unit(unit)}"
        )
    return value


def need_whole(value, what, lower, upper, unit=""):
    """The value as an int, or a :class:`PlanError` unless it is a whole number in the bounds."""
    if isinstance(value, bool) or not isinstance(value, Integral) or not lower <= value <= upper:
        raise PlanError(
            f"{what} is {value!r}; give a whole number from {lower} to {upper}{_unit(unit)}"
        )
    return int(value)


def need_above_zero(value, what, upper, unit):
    """The value as a float, or a :class:`PlanError` unless above zero and up to ``upper``."""
    number = isinstance(value, Real) and not isinstance(value, bool)
    if not number or not math.isfinite(value) or not 0 < value <= upper:
        raise PlanError(
            f"{what} is {value!r}; give a number above 0 and up to {upper:g}{_unit(unit)}"
        )
    return float(value)


def _unit(unit):
    return f" {unit}" if unit else ""

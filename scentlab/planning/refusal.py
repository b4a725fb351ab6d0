"""How an impossible plan is refused: what was expected, what came, what to do."""

from numbers import Integral, Real

from scentlab.files import table_beside
from scentlab.materials import Refusal
from scentlab.text import count_of as count_of


class PlanError(Refusal):
    """A plan that cannot be carried out; ``field`` names the argument of :func:`make_plan` that is
    to be mended, after a dot that of its rules ("sittings.each")."""


def need(holds, problem, remedy="", *, field="", value=None):
    """Nothing where a condition holds, else a :class:`PlanError` of these words."""
    if not holds:
        raise PlanError(problem, remedy, field=field, value=value)


def need_number(value, what, lower, upper, unit="", *, field=""):
    """The value as it is, or a :class:`PlanError` unless it is a number within the bounds; of these
    three functions ``field`` is the name in the code where ``what`` says it in words."""
    _check(value, Real, lambda v: lower <= v <= upper, what,
           f"a number from {lower:g} to {upper:g} {unit}", field)
    return value


def need_whole(value, what, lower, upper, unit="", *, field=""):
    """The value as an int, or a :class:`PlanError` unless it is a whole number in the bounds."""
    _check(value, Integral, lambda v: lower <= v <= upper, what,
           f"a whole number from {lower} to {upper} {unit}", field)
    return int(value)


def need_above_zero(value, what, upper, unit="", *, field=""):
    """The value as a float, or a :class:`PlanError` unless above zero and up to ``upper``."""
    _check(value, Real, lambda v: 0 < v <= upper, what,
           f"a number above 0 and up to {upper:g} {unit}", field)
    return float(value)


_CHECKS = {"number": need_number, "whole": need_whole, "above 0": need_above_zero}
_BOUNDS = table_beside(__file__, "bounds.toml")


def need_fields(rule):
    """A :class:`PlanError` unless all fields are within their bounds of ``bounds.toml``; one whose
    default is None may be None."""
    for name, (what, kind, *bounds) in _BOUNDS[type(rule).__name__].items():
        value = getattr(rule, name)
        if value is not None or getattr(type(rule), name, 0) is not None:
            _CHECKS[kind](value, what, *bounds, field=name)


def _check(value, kind, within, what, expected, field):
    if isinstance(value, bool) or not isinstance(value, kind) or not within(value):
        raise PlanError(f"{what} is {value!r}", field=field or what, value=value,
                        expected=expected.strip())

"""The rules of a pick, apart from the data: what risk, how sure, how much throw is given up."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from scentlab.materials import Refusal
from scentlab.results import say_rule
from scentlab.schema import MOST_LOAD_PCT, STRESS_WORDS, STRESSES, THROW_KINDS, THROW_WORDS
from scentlab.text import spelling
from scentlab.units import say_load_oz

MOST_AGE_DAYS = 3650  # ten years; beyond it an age is a slip
LEAST_LOSS, MOST_LOSS = 0.1, 5.0  # points of throw, of 10
_STRESS_WORDS = {None: "under the harshest storage tested", **STRESS_WORDS}
_SHARES = {"risk": (0.001, 0.5), "confidence": (0.5, 0.99)}
_CHOICES = {"limit_grade": (1, 2, 3, 4), "frost_limit_grade": (1, 2, 3, 4),
            "throw_kind": THROW_KINDS[::-1], "stress": STRESSES}
_GONE = {
    "throw_share": "the share of throw to keep (throw_share) is no rule any more and was left out; "
    "throw_loss, in points, took its place",
}


@dataclass(frozen=True)
class Rules:
    """What a pick must keep to.

    Parameters
    ----------
    risk : highest chance that a piece of a new pot reaches ``limit_grade`` of sweat.
    confidence : how sure the ceiling must be of that.
    limit_grade : sweat grade that must not be reached (1 to 4).
    frost_limit_grade : frost grade whose chance is reported (1 to 4).
    throw_loss : points of throw (of 10) that the load may lie below the best throw to be had under
        the ceiling and the limits.
    throw_kind : warm or cold.
    stress : rest or heat; None takes the harshest tested.
    ship_age_days : age at which the pieces are sold or used up: sweat is answered for at the first
        inspection then or later, and the answer says where there is none (None takes the oldest);
        frost is told at it (None takes the middle age seen).
    override_blends : blends whose wax maker's limit is set aside, and ``override_reason``, the
        reason in writing, without which it is not: one text for all of them, or a dict of blend
        to reason (kept as pairs, or as one text where all are the same).
    today_load_pct : the load poured today (% of wax), to tell what the pick saves: one number for
        all blends, or a dict of blend to load (kept as pairs); None tells nothing. The pick does
        not depend on it.

    Raises
    ------
    Refusal, a ValueError with ``field``, ``value`` and ``remedy``, for a rule that cannot be.

    >>> Rules(risk=0.10).confidence
    0.95
    """

    risk: float = 0.05
    confidence: float = 0.95
    limit_grade: int = 2
    frost_limit_grade: int = 2
    throw_loss: float = 0.5
    throw_kind: str = "warm"
    stress: str | None = None
    ship_age_days: float | None = None
    override_blends: tuple = ()
    override_reason: str | dict | tuple = ""
    today_load_pct: float | dict | tuple | None = None

    def __post_init__(self):
        for name, (low, high) in _SHARES.items():
            value = getattr(self, name)
            _need(low <= value <= high, name, value, f"{value:g} ({100 * value:g} %)",
                  f"a share from {low:g} to {high:g} ({100 * low:g} to {100 * high:g} %)")
        loss, age = self.throw_loss, self.ship_age_days
        _need(LEAST_LOSS <= loss <= MOST_LOSS, "throw_loss", loss, f"{loss:g}",
              f"{LEAST_LOSS:g} to {MOST_LOSS:g} points of throw (of 10)")
        for name, options in _CHOICES.items():
            value = getattr(self, name)
            what = "a grade from 1 to 4" if name.endswith("grade") else " or ".join(options)
            _need(value in options or (name == "stress" and value is None), name, value,
                  repr(value), what)
        _need(age is None or 0 <= age <= MOST_AGE_DAYS, "ship_age_days", age, f"{age or 0:g}",
              f"a number of days from 0 to {MOST_AGE_DAYS}")
        blends = tuple(self.override_blends)
        for name, value in (
            ("override_blends", blends),
            ("override_reason", _settled_reasons(self.override_reason, blends)),
            ("today_load_pct", _settled_loads(self.today_load_pct)),
        ):
            object.__setattr__(self, name, value)

    @property
    def sentence(self) -> str:
        """The rules in words, each number with its unit."""
        age, by = "the middle age seen", ""
        if self.ship_age_days is not None:
            age = f"{self.ship_age_days:g} day{'s' * (self.ship_age_days != 1)} of age"
            by = f", by the first inspection at day {self.ship_age_days:g} or later"
        words = (
            f"at most {say_rule(self.risk)} of the pieces of new pots at sweat grade "
            f"{self.limit_grade} or more {_STRESS_WORDS[self.stress]}, {say_rule(self.confidence)} "
            f"sure{by}; at most {self.throw_loss:g} "
            f"point{'s' * (self.throw_loss != 1)} (of 10) of "
            f"{THROW_WORDS[self.throw_kind]} throw given up; frost of grade "
            f"{self.frost_limit_grade} or more at {age}"
        )
        if self.override_blends:
            aside = f"{', '.join(self.override_blends)} ({self.override_reason})"
            if not isinstance(self.override_reason, str):
                aside = ", ".join(f"{blend} ({reason})" for blend, reason in self.override_reason)
            words += f"; the wax maker's limit is set aside for {aside}"
        today = self.today_load_pct
        if isinstance(today, tuple):
            words += "; today's load is " + ", ".join(
                f"{say_load_oz(load)} of {blend}" for blend, load in today)
        elif today is not None:
            words += f"; today's load is {say_load_oz(today)}"
        return f"{words}."

    @classmethod
    def from_stored(cls, given: Mapping[str, Any]) -> tuple[Rules, tuple[str, ...]]:
        """Rules of a dict that was stored, and notes on rules in it that are gone.

        Raises ValueError for a rule that no version knew, and where the rules cannot be.
        """
        known = {name: value for name, value in given.items() if name not in _GONE}
        unknown = sorted(set(known) - set(cls.__dataclass_fields__))
        if unknown:
            raise ValueError(f"it has {', '.join(unknown)}, which this version does not know")
        return cls(**known), tuple(_GONE[name] for name in given if name in _GONE)

    @property
    def reasons(self) -> dict[str, str]:
        """The reason in writing of each blend whose wax maker's limit is set aside, as a dict."""
        if isinstance(self.override_reason, str):
            return dict.fromkeys(self.override_blends, self.override_reason)
        return dict(self.override_reason)

    @property
    def reason_words(self) -> str:
        """The reasons as one text, with the blends where they are not the same for all."""
        if isinstance(self.override_reason, str):
            return self.override_reason
        return "; ".join(f"{blend}: {reason}" for blend, reason in self.override_reason)

    def spelt(self, blends: Iterable[str]) -> Rules:
        """The rules with the names of blends in the spelling of these, where only the look differs.
        """
        spell, reason, today = spelling(blends), self.override_reason, self.today_load_pct
        return replace(
            self, override_blends=tuple(map(spell, self.override_blends)),
            override_reason=reason if isinstance(reason, str) else
            {spell(blend): why for blend, why in reason},
            today_load_pct={spell(blend): load for blend, load in today}
            if isinstance(today, tuple) else today,
        )

    def today_of(self, blend: str) -> float | None:
        """Today's load of a blend (% of wax), or None when it was not told."""
        if isinstance(self.today_load_pct, tuple | dict):
            return dict(self.today_load_pct).get(blend)
        return self.today_load_pct


def _need(holds, field, value, found, expected):
    if not holds:
        raise Refusal(f"{field} is {found}", field=field, value=value, expected=expected)


def _settled_reasons(given, blends):
    """One text for all blends, or pairs of blend and reason in the order of the blends.

    A blend without a reason is refused. A reason of a blend whose limit holds says nothing and is
    left out; the same reason for all is one text.
    """
    each = dict.fromkeys(blends, given)
    if isinstance(given, (dict, tuple, list)):
        given = dict(given)
        each = {blend: given.get(blend, "") for blend in blends}
        given = ""
    for reason in each.values() or [given]:
        _need(isinstance(reason, str), "override_reason", reason, repr(reason),
              "the reason in words")
    missing = [blend for blend, reason in each.items() if not reason.strip()]
    if missing:
        one = f"one for {', '.join(missing)} too"
        raise Refusal(
            "a wax maker's limit is set aside only with a reason in writing",
            f"give {'override_reason' if len(missing) == len(each) else one}",
            field="override_reason", value=each,
        )
    if len(set(each.values())) > 1:
        return tuple(each.items())
    return next(iter(each.values()), given)


def _settled_loads(today):
    """A load for all blends as a number, loads of blends as pairs, None as it is."""
    if isinstance(today, (dict, tuple, list)):
        return tuple((str(b), _settled_load(x, f" of {b}")) for b, x in dict(today).items()) or None
    return None if today is None else _settled_load(today, "")


def _settled_load(load, whose):
    try:
        value = float(load)
    except (TypeError, ValueError):
        value = -1.0
    if not 0.0 <= value <= MOST_LOAD_PCT:
        raise Refusal(
            f"today's load{whose} is {load!r}", field="today_load_pct", value=load,
            expected=f"a number from 0 to {MOST_LOAD_PCT:g}, in g of fragrance per 100 g of wax",
        )
    return value

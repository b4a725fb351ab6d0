"""The rules of a pick, apart from the data: what risk, how sure, how much throw is given up."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from scentlab.materials import Refusal
from scentlab.results import say_rule
from scentlab.schema import (
    MOST_LOAD_PCT,
    STRESS_WORDS,
    STRESSES,
    THROW_KINDS,
    THROW_WORDS,
    Column,
)
from scentlab.text import spelling
from scentlab.units import say_load_oz

_STRESS_WORDS = {None: "under the harshest storage tested", **STRESS_WORDS}
_COLUMNS = (
    Column("risk", "number", "risk", "0.1 to 50 %", 0.001, 0.5),
    Column("confidence", "number", "confidence", "50 to 99 %", 0.5, 0.99),
    Column("limit_grade", "integer", "grade", "", 1, 4),
    Column("frost_limit_grade", "integer", "grade", "", 1, 4),
    Column("throw_loss", "number", "throw to give up", "points of throw, of 10", 0.1, 5.0),
    Column("throw_kind", "choice", "throw", choices=THROW_KINDS[::-1]),
    Column("stress", "choice", "storage", choices=STRESSES, required=False),
    Column("ship_age_days", "number", "age at sale", "days", 0, 3650, required=False),
    Column("today_load_pct", "number", "today's load", "g of fragrance per 100 g of wax", 0,
           MOST_LOAD_PCT, required=False),
)


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
    throw_kind : warm (hot), jar or cold.
    stress : rest or heat; None takes the harshest tested.
    ship_age_days : age at which the pieces are sold or used up: sweat is answered for at the first
        inspection then or later, and the answer says where there is none (None takes the oldest);
        frost is told at it (None takes the middle age seen).
    override_blends : blends whose wax maker's limit is set aside, and ``override_reason``, the
        reason in writing, without which it is not.
    today_load_pct : the load poured today (% of wax), to tell what the pick saves; None tells
        nothing. The pick does not depend on it.

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
    override_reason: str = ""
    today_load_pct: float | None = None

    def __post_init__(self):
        for column in _COLUMNS:
            value = getattr(self, column.name)
            # A rule that is not set is None: NaN or an empty text is a slip.
            required = column.required or value is not None
            found, wrong = replace(column, required=required).check(value)
            if wrong:
                raise Refusal(f"{column.name} is {value!r}", field=column.name, value=value,
                              expected=wrong[0])
            object.__setattr__(self, column.name, found)
        blends, reason = self.override_blends, self.override_reason
        object.__setattr__(
            self, "override_blends", (blends,) if isinstance(blends, str) else tuple(blends))
        if not isinstance(reason, str) or self.override_blends and not reason.strip():
            raise Refusal("setting a wax maker's limit aside needs a written reason",
                          f"give override_reason, not {reason!r}", field="override_reason",
                          value=reason)

    @property
    def sentence(self) -> str:
        """The rules in words, each number with its unit."""
        age, by = "at the middle age seen", ""
        if self.ship_age_days is not None:
            age = f"on day {self.ship_age_days:g}"
            by = f", by the first inspection {age} or later"
        words = (
            f"at most {say_rule(self.risk)} of the pieces from new pots at sweat grade "
            f"{self.limit_grade} or more {_STRESS_WORDS[self.stress]}, {say_rule(self.confidence)} "
            f"sure{by}; at most {self.throw_loss:g} of 10 points of "
            f"{THROW_WORDS[self.throw_kind]} throw given up; frost of grade "
            f"{self.frost_limit_grade} or more {age}"
        )
        if self.override_blends:
            words += ("; the wax maker's limit is set aside for "
                      f"{', '.join(self.override_blends)} ({self.override_reason})")
        if self.today_load_pct is not None:
            words += f"; today's load is {say_load_oz(self.today_load_pct)}"
        return f"{words}."

    def spelt(self, blends: Iterable[str]) -> Rules:
        """The rules with the names of blends in the spelling of these, where only the look differs.
        """
        return replace(self, override_blends=tuple(map(spelling(blends), self.override_blends)))

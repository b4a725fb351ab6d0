"""The rules of a pick, apart from the data: what risk, how sure, how much throw is given up."""

from dataclasses import dataclass

from scentlab.schema import MOST_LOAD_PCT, STRESSES, THROW_KINDS
from scentlab.units import say_load

MOST_AGE_DAYS = 3650  # ten years; beyond it an age is a slip
LEAST_LOSS, MOST_LOSS = 0.1, 5.0  # points of throw, of 10
THROW_WORDS = {"warm": "hot", "cold": "cold"}
_GONE = {
    "throw_share": "the share of throw to keep (throw_share) is no rule any more and was left out; "
    "throw_loss, in points, took its place",
}


@dataclass(frozen=True)
class Rules:
    """What a pick must keep to.

    Attributes
    ----------
    risk : highest chance that a piece of a new pot reaches ``limit_grade`` of sweat.
    confidence : how sure the ceiling must be of that.
    limit_grade : sweat grade that must not be reached (1 to 4).
    frost_limit_grade : frost grade whose chance is reported (1 to 4).
    throw_loss : points of throw (of 10) that the pick may lie below the best throw to be had under
        the ceiling and the limits.
    throw_kind : warm or cold. stress : rest or heat; None takes the harshest tested.
    ship_age_days : age at which the pieces are sold or used up: sweat is answered for at it, and
        where that is later than the oldest inspection (which None takes) the answer says so;
        frost is told at it (None takes the middle age seen).
    override_blends : blends whose wax maker's limit is set aside, and ``override_reason``, the
        reason in writing, without which it is not: one text for all of them, or a dict of blend
        to reason (kept as pairs, or as one text where all are the same).
    today_load_pct : the load poured today (% of wax), to tell what the pick saves: one number for
        all blends, or a dict of blend to load (kept as pairs); None tells nothing. The pick does
        not depend on it.

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
    override_reason: str | tuple = ""
    today_load_pct: float | tuple | None = None

    def __post_init__(self):
        for name, low, high in (
            ("risk", 0.001, 0.5),
            ("confidence", 0.5, 0.99),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise ValueError(
                    f"{name} is {value:g} ({100 * value:g} %); give a share from {low:g} to "
                    f"{high:g} ({100 * low:g} to {100 * high:g} %)"
                )
        if not LEAST_LOSS <= self.throw_loss <= MOST_LOSS:
            raise ValueError(
                f"throw_loss is {self.throw_loss:g}; give {LEAST_LOSS:g} to {MOST_LOSS:g} points "
                "of throw (of 10)"
            )
        for name in ("limit_grade", "frost_limit_grade"):
            if getattr(self, name) not in (1, 2, 3, 4):
                raise ValueError(f"{name} is {getattr(self, name)}; give a grade from 1 to 4")
        if self.throw_kind not in THROW_KINDS:
            raise ValueError(f"throw_kind is {self.throw_kind!r}; give warm or cold")
        if self.stress is not None and self.stress not in STRESSES:
            raise ValueError(f"stress is {self.stress!r}; give rest or heat")
        age = self.ship_age_days
        if age is not None and not 0 <= age <= MOST_AGE_DAYS:
            raise ValueError(
                f"ship_age_days is {age:g}; give a number of days from 0 to {MOST_AGE_DAYS}"
            )
        object.__setattr__(self, "override_blends", tuple(self.override_blends))
        object.__setattr__(
            self, "override_reason", _settled_reasons(self.override_reason, self.override_blends)
        )
        object.__setattr__(self, "today_load_pct", _settled_loads(self.today_load_pct))

    @property
    def sentence(self):
        """The rules in words, each number with its unit."""
        stress = {
            None: "under the harshest storage tested", "rest": "at room temperature",
            "heat": "heat-cycled",
        }[self.stress]
        age = "the middle age seen"
        if self.ship_age_days is not None:
            age = f"{self.ship_age_days:g} days of age"
        words = (
            f"at most {100 * self.risk:g} % of the pieces of a new pot at sweat grade "
            f"{self.limit_grade} or more {stress}, {100 * self.confidence:g} % sure; at most "
            f"{self.throw_loss:g} points (of 10) of {THROW_WORDS[self.throw_kind]} throw given up; "
            f"frost of grade {self.frost_limit_grade} or more at {age}"
        )
        if self.override_blends:
            words += f"; the wax maker's limit is set aside for {self._set_aside_words()}"
        return f"{words}{_today_words(self.today_load_pct)}."

    @classmethod
    def from_stored(cls, given):
        """Rules of a dict that was stored, and notes on rules in it that are gone.

        Raises ValueError for a rule that no version knew, and where the rules cannot be.
        """
        unknown = sorted(set(given) - set(cls.__dataclass_fields__) - set(_GONE))
        if unknown:
            raise ValueError(f"it has {', '.join(unknown)}, which this version does not know")
        notes = tuple(_GONE[name] for name in given if name in _GONE)
        known = {name: value for name, value in given.items() if name not in _GONE}
        return cls(**known), notes

    def _set_aside_words(self):
        if isinstance(self.override_reason, str):
            return f"{', '.join(self.override_blends)} ({self.override_reason})"
        return ", ".join(f"{blend} ({reason})" for blend, reason in self.override_reason)

    @property
    def reasons(self):
        """The reason in writing of each blend whose wax maker's limit is set aside, as a dict."""
        if isinstance(self.override_reason, str):
            return dict.fromkeys(self.override_blends, self.override_reason)
        return dict(self.override_reason)

    @property
    def reason_words(self):
        """The reasons as one text, with the blends where they are not the same for all."""
        if isinstance(self.override_reason, str):
            return self.override_reason
        return "; ".join(f"{blend}: {reason}" for blend, reason in self.override_reason)

    def today_of(self, blend):
        """Today's load of a blend (% of wax), or None when it was not told."""
        if isinstance(self.today_load_pct, tuple):
            return dict(self.today_load_pct).get(blend)
        return self.today_load_pct


def _today_words(today):
    if today is None:
        return ""
    if not isinstance(today, tuple):
        return f"; today's load is {say_load(today)}"
    return "; today's load is " + ", ".join(f"{say_load(load)} of {b}" for b, load in today)


def _settled_reasons(given, blends):
    """One text for all blends, or pairs of blend and reason in the order of the blends.

    A blend without a reason is refused. A reason of a blend whose limit holds says nothing and is
    left out; the same reason for all is one text.
    """
    if not isinstance(given, (dict, tuple, list)):
        _need_reasons(dict.fromkeys(blends, given) or {"": given}, blends)
        return given
    told = dict(given.items() if isinstance(given, dict) else given)
    reasons = {blend: told.get(blend, "") for blend in blends}
    _need_reasons(reasons, blends)
    if len(set(reasons.values())) <= 1:
        return next(iter(reasons.values()), "")
    return tuple(reasons.items())


def _need_reasons(reasons, blends):
    for reason in reasons.values():
        if not isinstance(reason, str):
            raise ValueError(f"override_reason is {reason!r}; give the reason in words")
    missing = [blend for blend in blends if not reasons[blend].strip()]
    if missing:
        whole = len(missing) == len(reasons)
        raise ValueError(
            "a wax maker's limit is set aside only with a reason in writing; give "
            + ("override_reason" if whole else f"one for {', '.join(missing)} too")
        )


def _settled_loads(today):
    """A load for all blends as a number, loads of blends as pairs, None as it is."""
    if today is None:
        return None
    if isinstance(today, (dict, tuple, list)):
        pairs = today.items() if isinstance(today, dict) else today
        return tuple((str(b), _settled_load(x, f" of {b}")) for b, x in pairs) or None
    return _settled_load(today, "")


def _settled_load(load, whose):
    try:
        value = float(load)
    except (TypeError, ValueError):
        value = -1.0
    if not 0.0 <= value <= MOST_LOAD_PCT:
        raise ValueError(
            f"today's load{whose} is {load!r}; give a number from 0 to {MOST_LOAD_PCT:g}, in g of "
            "fragrance per 100 g of wax"
        )
    return value

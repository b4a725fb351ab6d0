"""The rules of a pick, apart from the data: what risk, what confidence, how much throw."""

from dataclasses import dataclass

from scentlab.schema import STRESSES, THROW_KINDS


@dataclass(frozen=True)
class Rules:
    """What a pick must keep to.

    Attributes
    ----------
    risk : highest chance that a piece of a new pot reaches ``limit_grade`` of sweat.
    confidence : how sure the ceiling must be of that.
    limit_grade : sweat grade that must not be reached (1 to 4).
    frost_limit_grade : frost grade whose chance is reported (1 to 4).
    throw_share : share of the throw to be gained under the ceiling that the pick must keep.
    throw_kind : warm or cold. stress : rest or heat; None takes the harshest tested.
    ship_age_days : age at which the pieces are sold, for frost; None takes the middle age seen.
    override_blends : blends whose wax maker's limit is set aside, and ``override_reason``, the
        reason in writing, without which it is not.

    >>> Rules(risk=0.10).confidence
    0.95
    """

    risk: float = 0.05
    confidence: float = 0.95
    limit_grade: int = 2
    frost_limit_grade: int = 2
    throw_share: float = 0.90
    throw_kind: str = "warm"
    stress: str | None = None
    ship_age_days: float | None = None
    override_blends: tuple = ()
    override_reason: str = ""

    def __post_init__(self):
        for name, low, high in (
            ("risk", 0.001, 0.5),
            ("confidence", 0.5, 0.99),
            ("throw_share", 0.1, 1.0),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise ValueError(f"{name} is {value:g}; give a share from {low:g} to {high:g}")
        for name in ("limit_grade", "frost_limit_grade"):
            if getattr(self, name) not in (1, 2, 3, 4):
                raise ValueError(f"{name} is {getattr(self, name)}; give a grade from 1 to 4")
        if self.throw_kind not in THROW_KINDS:
            raise ValueError(f"throw_kind is {self.throw_kind!r}; give warm or cold")
        if self.stress is not None and self.stress not in STRESSES:
            raise ValueError(f"stress is {self.stress!r}; give rest or heat")
        object.__setattr__(self, "override_blends", tuple(self.override_blends))
        if self.override_blends and not self.override_reason.strip():
            raise ValueError(
                "a wax maker's limit is set aside only with a reason in writing; give "
                "override_reason"
            )

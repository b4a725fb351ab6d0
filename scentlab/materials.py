"""What goes into the pot: waxes, fragrances and blends, with their limits.

A limit that is not known is None, never a guess. A wax maker's limit is a load (g per 100 g of
wax); a fragrance's regulatory limit is a content (g in 100 g of finished product).
"""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass, fields
from typing import Any

from scentlab.schema import TABLES
from scentlab.text import twins, unseen
from scentlab.units import load_from_content, say_one_temperature


class Worded(Exception):
    """What is wrong and what to do about it.

    ``field`` is the name of what is to be changed, ``value`` what came for it, ``problem`` what is
    wrong with it and ``remedy`` what to do, in words; the message is problem and remedy together.
    ``expected`` is what the value must be, where it alone is wrong; the remedy is to give that.
    """

    def __init__(self, problem, remedy="", *, field="", value=None, expected=""):
        remedy = remedy or (f"give {expected}" if expected else "")
        super().__init__(f"{problem}; {remedy}" if remedy else problem)
        self.problem, self.remedy, self.field, self.value = problem, remedy, field, value
        self.expected = expected


class Refusal(Worded, ValueError):
    """Something that cannot be: what came, and the remedy."""


class MaterialError(Refusal):
    """A wax, fragrance or blend that cannot be."""


_DOES = {"melt_temp_c": "melting at", "add_temp_c": "adding fragrance at",
         "pour_temp_c": "pouring at"}


@dataclass(frozen=True)
class Wax:
    """A wax with its lot and what its maker's sheet says.

    Parameters
    ----------
    name : str, of 1 to 80 characters.
    lot : str
    limit_load_pct, recommended_load_pct : float or None, the maker's highest and recommended load,
        g per 100 g of wax; the second is shown beside an answer and holds nothing down.
    melt_temp_c, add_temp_c, pour_temp_c, max_temp_c : float or None, °C, where it melts, takes
        fragrance, is poured, and must not be exceeded.
    price_per_kg : float or None

    Raises
    ------
    MaterialError for a name or number that cannot be, or a temperature above the maximum.

    >>> Wax("soft wax", limit_load_pct=10, add_temp_c=80, max_temp_c=93).limit_load_pct
    10
    """

    name: str
    lot: str = ""
    limit_load_pct: float | None = None
    melt_temp_c: float | None = None
    add_temp_c: float | None = None
    pour_temp_c: float | None = None
    max_temp_c: float | None = None
    price_per_kg: float | None = None
    recommended_load_pct: float | None = None

    def __post_init__(self):
        _settle(self, "wax")
        for field in ("melt_temp_c", "add_temp_c", "pour_temp_c"):
            value = getattr(self, field)
            if None not in (value, self.max_temp_c) and value > self.max_temp_c:
                raise MaterialError(
                    f"wax {self.name}: {_DOES[field]} {say_one_temperature(value)} is above the "
                    f"wax maker's maximum of {say_one_temperature(self.max_temp_c)}",
                    "lower it or correct the maximum",
                    field=field, value=value,
                )


@dataclass(frozen=True)
class Fragrance:
    """A fragrance with its lot, flash point, regulatory limit and density.

    Parameters
    ----------
    name, lot : str
    flash_point_c : float or None, closed cup, °C.
    limit_content_pct : float or None, regulatory limit, g in 100 g of finished product.
    density_g_per_ml : float or None
    price_per_kg : float or None
    allergens : tuple of str

    Raises
    ------
    MaterialError for a name or number that cannot be.

    >>> round(Fragrance("cedar", limit_content_pct=12).limit_load_pct, 2)
    13.64
    """

    name: str
    lot: str = ""
    flash_point_c: float | None = None
    limit_content_pct: float | None = None
    density_g_per_ml: float | None = None
    price_per_kg: float | None = None
    allergens: tuple = ()

    def __post_init__(self):
        _settle(self, "fragrance")
        object.__setattr__(self, "allergens", tuple(self.allergens))

    @property
    def limit_load_pct(self) -> float | None:
        """The regulatory limit on wax basis (g per 100 g of wax); None when there is none."""
        if self.limit_content_pct is None or self.limit_content_pct >= 100:
            return None
        return load_from_content(self.limit_content_pct)


@dataclass(frozen=True)
class Blend:
    """A named wax blend.

    Parameters
    ----------
    name : str
    parts : dict of :class:`Wax` to fraction by weight, or pairs of them; fractions add up to 1.
    own_limit_load_pct : float or None, g per 100 g of wax. Without a limit of its own a blend takes
        the lowest limit of its waxes: no wax maker vouches for more.

    Raises
    ------
    MaterialError for fractions that do not add up, or waxes whose temperatures do not agree.

    >>> soft, hard = Wax("soft", limit_load_pct=10), Wax("hard", limit_load_pct=6)
    >>> Blend("mix", ((soft, 0.7), (hard, 0.3))).limit_load_pct
    6
    """

    name: str
    parts: Any  # pairs, whichever way they were given
    own_limit_load_pct: float | None = None

    def __post_init__(self):
        _settle(self, "blend")
        parts = self.parts.items() if isinstance(self.parts, dict) else self.parts
        object.__setattr__(self, "parts", tuple((w, float(f)) for w, f in parts))
        self._check_fractions()
        add, most = self.add_temp_c, self.max_temp_c
        if None not in (add, most) and add > most:
            raise MaterialError(
                f"blend {self.name}: one wax asks for fragrance at {say_one_temperature(add)}, "
                f"another must stay below {say_one_temperature(most)}",
                "choose waxes whose sheets agree, or correct the temperatures",
                field="add_temp_c", value=add,
            )

    def _check_fractions(self):
        shares = [fraction for _, fraction in self.parts]
        if not all(0 < share <= 1 for share in shares) or not abs(sum(shares) - 1) <= 1e-6:
            said = ", ".join(f"{share:g}" for share in shares) or "none"
            raise MaterialError(
                f"blend {self.name}: the fractions are {said}",
                "give fractions by weight that add up to 1, such as 0.7 and 0.3", field="parts",
                value=shares)
        if twins(wax.name for wax, _ in self.parts):
            raise MaterialError(f"blend {self.name} names a wax twice", "add up its fractions",
                                field="parts")

    @property
    def fractions(self) -> dict[str, float]:
        """Fraction by weight per wax name."""
        return {wax.name: fraction for wax, fraction in self.parts}

    @property
    def limit_load_pct(self) -> float | None:
        """Highest load by the makers' sheets (g per 100 g of wax); None when unknown."""
        if self.own_limit_load_pct is not None:
            return self.own_limit_load_pct
        known = self._known("limit_load_pct")
        return min(known) if len(known) == len(self.parts) else None

    @property
    def melt_temp_c(self) -> float | None:
        """Highest melting point of the waxes, °C; None when none is known."""
        return max(self._known("melt_temp_c"), default=None)

    @property
    def add_temp_c(self) -> float | None:
        """Highest temperature at which a wax takes the fragrance, °C; None when none is known."""
        return max(self._known("add_temp_c"), default=None)

    @property
    def pour_temp_c(self) -> float | None:
        """Highest pour temperature of the waxes, °C; None when none is known."""
        return max(self._known("pour_temp_c"), default=None)

    @property
    def max_temp_c(self) -> float | None:
        """Lowest maximum of the waxes, °C; None when none is known."""
        return min(self._known("max_temp_c"), default=None)

    @property
    def price_per_kg(self) -> float | None:
        """Price of a kilogram of the blend; None when a wax has none."""
        if len(self._known("price_per_kg")) < len(self.parts):
            return None
        return sum(w.price_per_kg * f for w, f in self.parts)

    def _known(self, field):
        values = (getattr(wax, field) for wax, _ in self.parts)
        return [value for value in values if value is not None]

    @property
    def composition(self) -> str:
        """The blend in words, such as '70 % soft wax, 30 % hard wax'."""
        return ", ".join(f"{100 * f:g} % {w.name}" for w, f in self.parts)

    def to_dict(self) -> dict:
        """The blend as plain data; :meth:`from_dict` is its inverse."""
        return {
            "name": self.name,
            "parts": [{"wax": asdict(w), "fraction": f} for w, f in self.parts],
            "own_limit_load_pct": self.own_limit_load_pct,
        }

    @classmethod
    def from_dict(cls, data: dict) -> Blend:
        """A blend from the data of :meth:`to_dict`."""
        parts = tuple((Wax(**p["wax"]), p["fraction"]) for p in data["parts"])
        return cls(data["name"], parts, data.get("own_limit_load_pct"))


def say_lot(lot):
    """A lot in words, with "lot" said once: many makers print it as a part of the number.

    >>> say_lot("M-1"), say_lot("lot M-1"), say_lot("LOT-7"), say_lot("lotus 3")
    ('lot M-1', 'lot M-1', 'LOT-7', 'lot lotus 3')
    """
    return lot if re.search(r"\blot\b", lot, re.IGNORECASE) else f"lot {lot}"


# The columns of the numbers of a material; None is allowed everywhere.
_NUMBERS = {c.name: c for c in TABLES["shelf"].columns if c.kind == "number"}
_NUMBERS["own_limit_load_pct"] = _NUMBERS["limit_load_pct"]


def _settle(material, kind):
    """Keep the name as it is kept, and refuse a name or a number that cannot be."""
    name, wrong = TABLES["shelf"]["name"].check(material.name)
    if wrong:
        raise MaterialError(f"a {kind} is called {material.name!r}", field="name",
                            value=material.name, expected=wrong[0])
    object.__setattr__(material, "name", name)
    if isinstance(lot := getattr(material, "lot", None), str):
        # A lot is often pasted, and who opens a package refuses a sign that cannot be seen.
        object.__setattr__(material, "lot", "".join(sign for sign in lot if not unseen(sign)))
    for field in (f.name for f in fields(material) if f.name in _NUMBERS):
        value, known = getattr(material, field), _NUMBERS[field]
        if not (value is None or isinstance(value, (int, float))
                and known.lower <= value <= known.upper):
            raise MaterialError(
                f"{kind} {material.name}: {field} is {value!r}", field=field, value=value,
                expected=f"a number from {known.lower:g} to {known.upper:g} {known.unit}",
            )

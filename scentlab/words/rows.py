"""The rows of a fit: name, value, unit, limits, and what it means at the bench (``rows.toml``).

The names are made of the fit's own blends, storage, times and sources of spread, so each row is
looked up by its whole name. The tables of the fits keep the names that a statistician looks for.
"""

from dataclasses import dataclass

from scentlab.files import table_beside
from scentlab.fitting.throw_life import arm_words
from scentlab.maths.curves import SHAPES
from scentlab.results import in_trade_words
from scentlab.schema import STRESS_WORDS

_KEPT = table_beside(__file__, "rows.toml")
ROWS = tuple((r["name"], r["kind"], r["meaning"]) for r in _KEPT["rows"])


@dataclass(frozen=True)
class Row:
    """A row of a fit: ``kind`` and ``meaning`` in words, value and 90 % limits in ``unit``."""

    name: str
    kind: str
    value: float
    unit: str
    lower: float
    upper: float
    meaning: str


def rows_of(fit):
    """The rows of a fit's table with what each means; none where it has no parameters.

    A row that has no words here keeps its name, and says nothing rather than something wrong.
    """
    if "parameter" not in fit.table:
        return []
    known, found = _names_of(fit), []
    for r in fit.table.itertuples():
        name = in_trade_words(r.parameter)
        kind, meaning = known.get(r.parameter, (name, ""))
        found.append(Row(name=name, kind=kind, value=r.estimate, unit=in_trade_words(r.unit),
                         lower=r.lower, upper=r.upper, meaning=meaning))
    return found


def meanings(fit):
    """What the rows of a fit mean, each kind once; an sd or the hidden scale at the end."""
    rows = rows_of(fit)
    found = {row.kind: row.meaning for row in rows}
    if any(kind.startswith("sd ") for kind in found):
        found["sd"] = _KEPT["last"]["sd"]
    if any("hidden" in row.unit for row in rows):
        found["hidden unit"] = _KEPT["last"]["hidden unit"]
    return list(found.items())


def shape_meaning(shape):
    """What a shape of the throw curve says of each further point of load.

    >>> shape_meaning("linear")
    'each further point of load adds the same'
    """
    return _KEPT["shapes"].get(shape) or SHAPES[shape].formula


def _names_of(fit):
    """Kind and meaning by the whole name of a row, from the fields of the fit."""
    common = {
        "storage": STRESS_WORDS.get(next(iter(getattr(fit, "stresses", ())), "rest")),
        "kind": getattr(fit, "kind", ""),
        "low": _one(getattr(fit, "lowest_pct", None)),
        "high": _one(getattr(fit, "highest_pct", None)),
    }
    fills = [{}]
    for field, name in (("blends", "blend"), ("stresses", "stress"), ("waxes", "wax")):
        fills += [{name: value} for value in getattr(fit, field, ())]
    fills += [{"grade": grade} for grade in range(2, 5)]
    if hasattr(fit, "arms"):
        fills += [
            {"arm": arm_words(a), "first": f"{a['first_h']:g}", "last": f"{a['longest_h']:g}"}
            for _, a in fit.arms.iterrows()
        ]
    found = {}
    for name, kind, meaning in ROWS:
        for fill in fills:
            try:
                found.setdefault(name.format(**fill, **common),
                                 (kind, meaning.format(**fill, **common)))
            except KeyError:  # this name is made of another field
                continue
    return found


def _one(load):
    return "" if load is None else f"{load:.1f}"

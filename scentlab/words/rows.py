"""The rows of a fit: name, value, unit, limits, and what it means at the bench (``rows.toml``).

The names are made of the fit's own blends, storage, times and sources of spread, so each row is
looked up by its whole name. The tables of the fits keep the names that a statistician looks for.
"""

from scentlab.files import table_beside
from scentlab.fitting.throw_life import arm_words
from scentlab.results import in_trade_words
from scentlab.schema import STRESS_WORDS

_KEPT = table_beside(__file__, "rows.toml")
# What a shape of the throw curve says of each further point of load.
SHAPE_WORDS = _KEPT["shapes"]
ROWS = tuple((r["name"], r["kind"], r["meaning"]) for r in _KEPT["rows"])


def meanings(fit):
    """What the rows of a fit mean, each kind once; an sd or the hidden scale at the end.

    A row that has no words here keeps its name, and says nothing rather than something wrong.
    """
    if "parameter" not in fit.table:
        return []
    known, names = _names_of(fit), fit.table["parameter"]
    found = dict(known.get(name, (in_trade_words(name), "")) for name in names)
    if any(kind.startswith("sd ") for kind in found):
        found["sd"] = _KEPT["last"]["sd"]
    if fit.table["unit"].str.contains("hidden").any():
        found["hidden unit"] = _KEPT["last"]["hidden unit"]
    return list(found.items())


def _names_of(fit):
    """Kind and meaning by the whole name of a row, from the fields of the fit."""
    common = {
        "storage": STRESS_WORDS.get(next(iter(getattr(fit, "stresses", ())), "rest")),
        "kind": getattr(fit, "kind", ""),
        **{end: "" if (load := getattr(fit, f"{end}est_pct", None)) is None else f"{load:.1f}"
           for end in ("low", "high")},
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

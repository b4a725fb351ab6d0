"""The rows of a fit: name, value, unit, limits, and what it means at the bench (``rows.toml``).

The names are made of the fit's own blends, storage, times and sources of spread. The tables of the
fits keep the names that a statistician looks for.
"""

import re

from scentlab.files import table_beside
from scentlab.results import in_trade_words
from scentlab.schema import STRESS_WORDS

_KEPT = table_beside(__file__, "rows.toml")
# What a shape of the throw curve says of each further point of load.
SHAPE_WORDS = _KEPT["shapes"]
_ROWS = [(re.compile(re.sub(r"\\{\w+\\}", "(.+)", re.escape(row["name"]))), row)
         for row in _KEPT["rows"]]


def meanings(fit):
    """What the rows of a fit mean, each kind once; an sd or the hidden scale at the end.

    A row that has no words here keeps its name, and says nothing rather than something wrong.
    """
    if "parameter" not in fit.table:
        return []
    found = dict(_meaning(name, fit) for name in fit.table["parameter"])
    if any(kind.startswith("sd ") for kind in found):
        found["sd"] = _KEPT["last"]["sd"]
    if fit.table["unit"].str.contains("hidden").any():
        found["hidden unit"] = _KEPT["last"]["hidden unit"]
    return list(found.items())


def _meaning(name, fit):
    """Kind and meaning of a row."""
    about = {"storage": STRESS_WORDS.get(next(iter(getattr(fit, "stresses", ())), "rest")),
             "low": getattr(fit, "lowest_pct", 0.0), "high": getattr(fit, "highest_pct", 0.0)}
    own = {*getattr(fit, "blends", ()), *getattr(fit, "waxes", ())}
    for pattern, row in _ROWS:
        seen = pattern.fullmatch("a wax or a blend" if name in own else name)
        if seen and (row["name"].count("{blend}") == 0 or own & {*seen.groups()}):
            return row["kind"], row["meaning"].format_map(about)
    return in_trade_words(name), ""

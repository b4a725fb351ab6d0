"""The rows of a fit: name, value, unit, limits, and what it means at the bench.

The names are made of the fit's own blends, storage, times and sources of spread, so each row is
looked up by its whole name. The tables of the fits keep the names that a statistician looks for.
"""

from dataclasses import dataclass

from scentlab.fitting.over_time import arm_words
from scentlab.maths.curves import SHAPES
from scentlab.words import STRESS_WORDS

LATENT = (
    "hidden unit",
    "A step on the hidden scale of how wet or how frosted a piece is. A grade is a coarse reading "
    "of it.",
)
SD = ("sd", "A standard deviation: two of three differences are smaller. Its limits are given "
      "where the fit has them.")
_ACROSS = "How far a tester gives more or less of the whole change than another."
# Name in the fit's table, kind of row as a reader sees it, what it means. Words in braces come
# from the fit: its blends, stresses, grades, waxes, and arms (blend and load on the warmer).
ROWS = (
    ("capacity of {blend}", "half-sweat load",
     "Half of the pieces of a typical pot, {storage}, show some sweat at this load (grade 1 or "
     "more). A blend with a higher one holds more fragrance."),
    ("spread of {blend}", "spread",
     "With a small spread a blend turns from dry to wet within little load."),
    ("effect of {stress}", "effect of heat",
     "How much sooner heated pieces sweat. Times the spread of a blend it is points of load."),
    ("threshold of grade {grade}", "threshold of a grade",
     "How far above the half-sweat load half of the pieces reach that grade. Times the spread of "
     "a blend it is points of load."),
    ("sd between blends", "sd between blends",
     "How far blends differ, beyond what their waxes explain."),
    ("misread grades", "misread grades", "The share of grades taken for slips of the pen or eye."),
    ("capacity lost as the age doubles", "half-sweat load lost as the age doubles",
     "How many points of load earlier pieces sweat once they are twice as old."),
    ("capacity of {blend} by bleed", "half-sweat load by bleed",
     "The load at which the oil in the blotter begins to rise."),
    ("bleed below it, {blend}", "bleed below it", "What a blotter takes up below that load."),
    ("rise beyond it, {blend}", "rise beyond it",
     "How much more it takes up for each point of load above it."),
    ("sd of a pour", "sd of a test batch", "How far the mean of a test batch strays by itself."),
    *((name, "name of a wax or blend",
       "Its own leaning to frost at the middle of the loads, ages and temperatures tested. At 0 "
       "half of its pieces show some frost (grade 1 or more), above 0 more, below 0 fewer.")
      for name in ("{wax}", "{blend}")),
    *((name, "per point, doubling or 5 °C",
       "What that much more does to frost: above 0 more of it, below 0 less. Where the limits "
       "hold 0, the scores leave open which.")
      for name in ("per point of load (% of wax)", "per doubling of age",
                   "per 5 °C of pour temperature")),
    ("{kind} throw of {blend} at the lowest load", "throw at the lowest load",
     "The panel’s mean score at {low} % of wax."),
    ("{kind} throw of {blend} gain to the highest", "gain to the highest",
     "The points of throw added from {low} to {high} % of wax."),
    *((f"throw at {{{when}}} h, {{arm}}", "throw at an hour",
       "The panel’s mean score after that time.") for when in ("first", "last")),
    ("hours until half of the first, {arm}", "hours until half of the first",
     "When the throw has fallen to half of the first check."),
    ("weight lost in {last} h, {arm}", "weight lost", "What a piece lost on the warmer by then."),
    ("fragrance gone in {last} h, {arm}", "fragrance gone",
     "The same as a share of the fragrance in the piece."),
    ("sd between assessors", "sd between testers",
     "How much higher or lower one tester scores than another, whatever is smelt."),
    ("sd between assessors' scales, over the whole rise", "sd between testers’ scales", _ACROSS),
    ("sd between assessors' falls, over the whole time", "sd between testers’ scales", _ACROSS),
    ("sd between assessors in a blend", "sd between testers in a blend",
     "How much a tester scores one blend apart from the others, as by taste."),
    ("sd between sittings", "sd between sessions",
     "How much higher or lower a whole session scores, as by room or day."),
    *((f"sd between pots{more}", "sd between pots",
       "How much one melt of a blend differs from the next, as by temperature and stirring.")
      for more in ("", ", over the whole time")),
    ("sd between pours of a pot", "sd between test batches",
     "How much test batches of one pot differ beyond their loads."),
    *((f"sd between pieces{more}", "sd between pieces",
       "How much pieces differ that should be alike.")
      for more in ("", " of a pour", " of a pot, over the whole time")),
    ("sd between pieces at their start", "sd of the first weighing",
     "How far the first weighing of a piece is off, which is in all its losses."),
    ("sd between checks of a piece", "sd between checks",
     "How much a piece strays at one check, for all who smell it then."),
    *((f"sd of a single {what}", "sd of one reading",
       "How far the same tester or scale would be off at the same piece again.")
      for what in ("score", "weighing")),
)
# Words of code and columns, and what a maker calls the same.
_TRADE = (
    ("capacity", "half-sweat load"), ("assessors'", "testers’"), ("assessor", "tester"),
    ("sitting", "session"), ("pours of a pot", "test batches"), ("of a pour", "of a test batch"),
    ("warm throw", "hot throw"), ("latent unit", "hidden unit"),
)
_SHAPES = {
    "linear": "each further point of load adds the same",
    "logarithmic": "each doubling of the load adds the same",
    "power": "each further point adds less the nearer the bend is to 0, the same at 1, more above",
    "emax": "levels off: the bend is the load, in % of wax, that gives half of the most that "
            "fragrance could add",
}


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
        found[SD[0]] = SD[1]
    if any("hidden" in row.unit for row in rows):
        found[LATENT[0]] = LATENT[1]
    return list(found.items())


def in_trade_words(text):
    """The name of a row or a unit in the words of the trade.

    >>> in_trade_words("capacity of soft"), in_trade_words("sd between assessors")
    ('half-sweat load of soft', 'sd between testers')
    """
    for ours, theirs in _TRADE:
        text = text.replace(ours, theirs)
    return text


def shape_meaning(shape):
    """What a shape of the throw curve says of each further point of load.

    >>> shape_meaning("linear")
    'each further point of load adds the same'
    """
    return _SHAPES.get(shape) or SHAPES[shape].formula


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

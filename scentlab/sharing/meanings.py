"""What the rows of a fit's table mean at the bench, one sentence for each kind of row.

The tables keep the names that a statistician looks for; these sentences stand below them.
"""

import re

from scentlab.maths.curves import SHAPES

LATENT = (
    "latent unit",
    "A step on the hidden scale of how wet or how frosted a piece is, of which a grade is a "
    "coarse reading.",
)
_STRESS = {"rest": "at room temperature", "heat": "heat-cycled"}

# Kinds of rows in the order in which they are tried; {…} is filled from the fit.
_KINDS = (
    (r"capacity of .+ by bleed$", "capacity by bleed",
     "The load at which the oil in the blotter begins to rise."),
    (r"bleed below it,", "bleed below it", "What a blotter takes up below that load."),
    (r"rise beyond it,", "rise beyond it",
     "How much more it takes up for each point of load above it."),
    (r"sd of a pour$", "sd of a pour",
     "How far the mean of a pour strays by itself, two times of three."),
    (r"capacity lost as the age doubles$", "capacity lost as the age doubles",
     "How many points of load earlier pieces sweat once they are twice as old."),
    (r"capacity of ", "capacity",
     "The load at which half of the pieces of a typical pot, {stress}, show any sweat (grade 1 or "
     "more). A blend with a higher one holds more fragrance."),
    (r"spread of ", "spread",
     "How many points of load go with one latent unit: with a small one a blend turns from dry to "
     "wet within little load."),
    (r"effect of ", "effect of heat",
     "How much sooner stressed pieces sweat. Times the spread of a blend it is points of load."),
    (r"threshold of grade ", "threshold of a grade",
     "How far above the capacity half of the pieces reach that grade. Times the spread of a blend "
     "it is points of load."),
    (r"sd between blends$", "sd between blends",
     "How far the capacities of blends lie apart, beyond what their waxes explain."),
    (r"misread grades$", "misread grades",
     "The share of grades that are taken for slips of reading or writing."),
    (r"per point of load|per doubling of age|per 5 °C", "per point, doubling or 5 °C",
     "What that much more does to frost: above 0 more of it, below 0 less. Where the interval "
     "holds 0, the scores leave open which."),
    (r".+ throw of .+ at the lowest load$", "throw at the lowest load",
     "The panel’s mean score at {low} % of wax."),
    (r".+ throw of .+ gain to the highest$", "gain to the highest",
     "The points of throw that are added from {low} to {high} % of wax."),
    (r"throw at .+ h, ", "throw at so many hours", "The panel’s mean score after that time."),
    (r"hours until half of the first,", "hours until half of the first",
     "When the throw has fallen to half of what it was at the first check."),
    (r"weight lost in ", "weight lost", "What a piece lost on the warmer by that time."),
    (r"fragrance gone in ", "fragrance gone",
     "The same as a share of the fragrance that was in the piece."),
    (r"sd between assessors$", "sd between assessors",
     "How much higher or lower one assessor scores than another, whatever is smelt."),
    (r"sd between assessors' scales|sd between assessors' falls", "sd between assessors’ scales",
     "How much more or less of the whole change one assessor gives than another."),
    (r"sd between assessors in a blend$", "sd between assessors in a blend",
     "How much an assessor scores one blend apart from the others, as by taste."),
    (r"sd between sittings$", "sd between sittings",
     "How much higher or lower a whole sitting scores, as by room or day."),
    (r"sd between pots", "sd between pots",
     "How much one melt of a blend differs from the next, as by temperature and stirring."),
    (r"sd between pours of a pot$", "sd between pours",
     "How much pours of one pot differ beyond their loads."),
    (r"sd between pieces", "sd between pieces", "How much pieces differ that should be alike."),
    (r"sd between checks of a piece$", "sd between checks",
     "How much a piece strays at one check, for all who smell it then."),
    (r"sd of a single (score|weighing)$", "sd of a single score or weighing",
     "How far the same assessor or scale would be off at the same piece again."),
)
# What a fit calls by the name of a wax or blend alone: only frost does.
_FROST = (
    "name of a wax or blend",
    "Its own leaning to frost at the middle of the loads, ages and temperatures of the series: at "
    "0 half of its pieces show some frost (grade 1 or more), above 0 more, below 0 fewer.",
)
SD = ("sd", "A standard deviation: two of three differences are smaller. Its limits are given "
      "where the fit has them.")
_SHAPES = {
    "linear": "each further point of load adds the same",
    "logarithmic": "each doubling of the load adds the same",
    "power": "each further point adds less the nearer the bend is to 0, the same at 1, more above",
    "emax": "levels off: the bend is the load, in % of wax, that gives half of the most that "
            "fragrance could add",
}


def row_meanings(fit):
    """What the rows of ``fit.table`` mean, as (kind of row, sentence) in the order of the rows.

    An sd or a latent unit is explained once, at the end. A table that is not one of parameters
    has none.
    """
    table = fit.table
    if "parameter" not in table:
        return []
    filled = {
        "stress": _STRESS.get(next(iter(getattr(fit, "stresses", ())), ""), "at room temperature"),
        "low": _one(getattr(fit, "lowest_pct", None)),
        "high": _one(getattr(fit, "highest_pct", None)),
    }
    found = {}
    for parameter in table["parameter"]:
        name, words = kind_of_row(parameter)
        found[name] = words.format_map(filled)
    if table["parameter"].str.startswith("sd ").any():
        found[SD[0]] = SD[1]
    if table["unit"].str.contains("latent").any():
        found[LATENT[0]] = LATENT[1]
    return list(found.items())


def kind_of_row(parameter):
    """The kind of a row and what it means, by the row's name.

    >>> kind_of_row("threshold of grade 2")[0]
    'threshold of a grade'
    """
    for pattern, name, words in _KINDS:
        if re.match(pattern, parameter):
            return name, words
    return _FROST


def shape_meaning(shape):
    """What a shape of the throw curve says of each further point of load.

    >>> shape_meaning("linear")
    'each further point of load adds the same'
    """
    return _SHAPES.get(shape) or SHAPES[shape].formula


def _one(load):
    return "" if load is None else f"{load:.1f}"

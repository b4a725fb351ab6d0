"""The tables of a store, made of the columns of :mod:`scentlab.schema`.

A file holds one row per look, a store one row per grade: a look at sweat and frost is two grades.
"""

from scentlab.schema import HEATS, TABLES, THROW_WORDS
from scentlab.units import say_one_temperature, say_weighed

RECORDS = {TABLES[name].name: TABLES[name] for name in (
    "pours", "stored_pieces", "grades", "throws", "bleeds", "warmings", "heats", "pairs", "photos",
    "unpoured")}
GRADES = RECORDS["grades"]
SCORES = ("grades", "throws", "bleeds", "warmings", "pairs", "photos")  # what is of a piece


def warming_words(row):
    """A check on the warmer in words.

    >>> warming_words({"hours": 4.0, "weight_g": 24.31, "assessor": None, "throw": None})
    'after 4 h on the warmer: 24.31 g'
    """
    seen = [] if row["weight_g"] is None else [say_weighed(row["weight_g"])]
    seen += [] if row["throw"] is None else [f"throw {row['throw']:g} of 10"]
    who = f" by {row['assessor']}" if row["assessor"] else ""
    return f"after {row['hours']:g} h on the warmer: {', '.join(seen)}{who}"


def heat_problem(row):
    """What is wrong with a heat cycle beyond the bounds of its columns, or nothing."""
    low, high = (say_one_temperature(row[name]) for name in ("low_c", "high_c"))
    return (f"the coldest, {low}, is above the hottest, {high}; check both"
            if HEATS.falling(row) else "")


def pair_words(row):
    return (f"pieces {row['first']} and {row['second']}, stronger {THROW_WORDS[row['kind']]} "
            f"throw: {row[row['stronger']]}")


def photo_words(row):
    """A photo in words, which are those of its piece alone: no pour, no load.

    >>> photo_words({"code": "417", "test": "sweat", "age_days": 7.0})
    'photo of piece 417, sweat, day 7'
    """
    test = f", {row['test']}" if row.get("test") else ""
    age = "" if row.get("age_days") is None else f", day {row['age_days']:g}"
    return f"photo of piece {row['code']}{test}{age}"

"""What the memory of a workshop says, in sentences."""

from __future__ import annotations

from functools import partial

import pandas as pd

from scentlab.choosing.sensitivity import ALONE
from scentlab.memory.proposing import least_limit, three_loads
from scentlab.memory.testers import CLEAR, DRIFT, GRADES, LEVEL, REPEATS, SCALE
from scentlab.schema import THROW_WORDS
from scentlab.text import capital, in_sentences
from scentlab.units import say_load_oz, say_percent_of_wax, say_points

NO_SAFE_LOAD = ("An expected load is not a safe load: pour test batches before selling.")


def known_sentences(memory):
    """What the earlier series have in common, and how much loads differ."""
    rows = memory.table.set_index("parameter")
    sds = {name: rows.loc[f"sd of {name}"] for name in ("fragrances", "lots and days")}
    yield memory.sentence
    for name, row in sds.items():
        yield (f"Half-sweat loads of {name} differ by about "
               f"{say_points(row['estimate'])} ({say_points(row['lower'], alone=True)} to "
               f"{say_points(row['upper'], alone=True)}).")


def odd_sentences(memory):
    """Series that disagree with the others, each once, kindly."""
    for (series, wax, fragrance), own in memory.odd.groupby(["series", "wax", "fragrance"],
                                                            sort=False):
        what = ", ".join(own["what"])
        yield in_sentences([
            f"{series} ({wax}, {fragrance}) differs from the others: {what}",
            f"Check whether its wax, lot, heat or testers were different, or leave it out with "
            f"--leave-out {series}"])


def said_of_testers(memory):
    """A list of sentences on testers who differ clearly from the others, kindly and by code; empty
    where nothing can be compared."""
    found = [*_graders(memory), *_scorers(memory.testers)]
    compared = memory.testers is not None or memory.graders
    return found or ["No tester clearly differs from the others."] * bool(compared)


def _graders(memory):
    for tester in memory.graders:
        (load, gaps), (load_sd, gaps_sd) = memory.of_grader(tester)
        if abs(load) > CLEAR * load_sd:
            yield (f"{tester} sees sweat {'later' if load > 0 else 'sooner'} than the others, by "
                   f"about {say_points(abs(load))} "
                   f"{_range(load, load_sd, partial(say_points, alone=True))}.")
        if abs(gaps) > CLEAR * gaps_sd:
            yield (f"{tester} spreads grades {'further apart' if gaps > 0 else 'closer'} than the "
                   f"others, by about {100 * abs(gaps):.0f} % {_range(100 * gaps, 100 * gaps_sd)}.")


def _range(value, sd, say="{:.1f}".format):
    low, high = sorted(abs(value + z * sd) for z in (-1.645, 1.645))
    return f"({say(low)} to {say(high)})"


_CLEAR = {
    LEVEL: ("{} scores {} about {} lower than the others {}. The fits allow for it.",
            "{} scores {} about {} higher than the others {}. The fits allow for it."),
    SCALE: ("{} uses less of the scale for {}, by about {} {}. The fits allow for it.",
            "{} uses more of the scale for {}, by about {} {}. The fits allow for it."),
    DRIFT: ("{} scores {} lower from year to year, by about {} against the others {}. The piece "
            "that opens each session helps against it.",
            "{} scores {} higher from year to year, by about {} against the others {}. The piece "
            "that opens each session helps against it."),
    REPEATS: ("{} repeats {} closely, within {} {}; {} is usual.",
              "{} repeats {} within {} {}, where {} is usual. More pieces of one batch make these "
              "scores surer."),
}


def _scorers(testers):
    table = () if testers is None else testers.table[testers.table["clear"]].itertuples()
    for row in table:
        what = "sweat" if row.measure == GRADES else f"{THROW_WORDS[row.measure]} throw"
        low, high = sorted((abs(row.lower), abs(row.upper)))
        yield _CLEAR[row.what][row.estimate > row.usual].format(
            row.tester, what, f"{abs(row.estimate):.1f} {row.unit}", f"({low:.1f} to {high:.1f})",
            f"{row.usual:.1f}")


def next_sentence(rows):
    """Which pairs teach most, the best first."""
    first, *others = [f"{row.fragrance} in {row.wax}" for row in rows.itertuples()]
    return in_sentences([f"To learn the most from one more series, pour {first}",
                         *([f"Next best: {', then '.join(others)}"] * bool(others))])


def new_sentences(memory, shelf, wax, fragrance):
    """Three test batches of a new fragrance, within the limits on the shelf of the workshop."""
    limit, limit_words = least_limit(shelf, wax, fragrance)
    loads = three_loads(memory, wax, fragrance, limit)
    known = "" if wax in memory.waxes else f"No earlier series used {wax}: this is a rough guess. "
    yield (f"{known}Pour {fragrance} in {wax} as three test batches, each from its own pot: "
           f"{', '.join(map(say_load_oz, loads))}.")
    yield limit_words
    yield "From each, cast 6 pieces to heat-cycle and 1 to keep at room temperature."
    yield NO_SAFE_LOAD


def beside_alone(analysis):
    """The answer with and without what was borrowed; what that was stands in the notes."""
    table = analysis.sensitivity
    alone = table[table["assumption"] == ALONE].set_index("blend")["ceiling_load_pct"]
    for row in analysis.ceiling.table.itertuples():
        yield capital(f"{row.blend}: highest safe load {_said(row.ceiling_load_pct)}; "
                      f"with nothing borrowed {_said(alone[row.blend])}.")


def _said(load):
    return "none known" if pd.isna(load) else say_percent_of_wax(load, sold=True)

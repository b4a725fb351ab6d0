"""What is known of the load of a batch: the recommended one, or one that the maker types."""

from dataclasses import dataclass

import pandas as pd

from scentlab.choosing.ceiling import NEAR_PCT, chances_over
from scentlab.choosing.finish import compare_finish, sweated_as_sold
from scentlab.choosing.headline import highest_safe
from scentlab.choosing.rests import Rests, by_day, find_rests
from scentlab.results import FitError, say_odds, say_rule
from scentlab.schema import MOST_LOAD_PCT
from scentlab.text import capital, spelling
from scentlab.units import say_load_oz


@dataclass(frozen=True)
class KnownLoad:
    """A load (g per 100 g of wax) of a blend, whether it is the recommended one, what is known of
    it in sentences, what that rests on, and of pieces as sold a sentence, empty where none were
    graded, and whether they sweated at this load or less."""

    blend: str
    load_pct: float
    recommended: bool
    words: tuple
    rests: Rests
    as_sold: str = ""
    sold_sweats: bool = False


def known_load(analysis, blend=None, load_pct=None):
    """The recommended load of a blend (None: the first of the pick), or what is known of one that
    the maker typed, g per 100 g of wax. FitError for a blend that is not there, and where no load
    is recommended and none was typed."""
    names = list(analysis.pick.table["blend"])
    blend = spelling(names)(names[0] if blend is None else blend)
    row = analysis.pick.of(blend)
    chosen = row["load_pct"]
    if load_pct is not None and not 0 < load_pct <= MOST_LOAD_PCT:
        raise FitError(f"a load of {load_pct:g} % of wax is not possible; type one up to "
                       f"{MOST_LOAD_PCT:g} %")
    if load_pct is None and pd.isna(chosen):
        raise FitError(f"no load of {blend} is recommended ({row['reason']}); type a load to get a "
                       "sheet anyway, with what is known of that load")
    safe = "Highest safe load: none found."
    if not pd.isna(row["ceiling_load_pct"]):
        found = analysis.ceiling.of(blend)
        day = by_day(analysis.sweat, analysis.rules)
        safe = f"{capital(highest_safe(row, found, analysis, say_load_oz, day))}."
    rests = analysis.rests
    said, recommended = [safe], load_pct in (None, chosen)
    load = float(chosen if recommended else load_pct)
    if not recommended:
        rests = find_rests(analysis.series, analysis.rules, analysis.ceiling.stress,
                           analysis.odd_pots, {blend: load_pct}, analysis.sweat.harshest)
        advised = "none" if pd.isna(chosen) else say_load_oz(chosen, sold=True)
        said = ["You typed this load; it is not the recommended one.", f"Recommended: {advised}.",
                safe, _tested(analysis, blend, load_pct)]
    said = tuple(filter(None, (*said, rests.headline(blend))))
    return KnownLoad(
        blend, load, recommended, said, rests,
        compare_finish(analysis.series, analysis.rules, blend, analysis.ceiling.stress),
        sweated_as_sold(analysis.series, analysis.rules, blend, load) != "")


def _tested(analysis, blend, load):
    """What the tests say of a load: nothing above the highest that was tested."""
    found, rules = analysis.ceiling.of(blend), analysis.rules
    low, high = found["lowest_tested_pct"], found["highest_tested_pct"]
    if pd.isna(high):
        return f"No piece was inspected {analysis.rests.stress}, so nothing is known."
    if load > high + NEAR_PCT:
        return f"Nothing was tested above {say_load_oz(high)}, so nothing is known of this load."
    over, = chances_over(analysis.sweat, blend, [load], rules)
    odds = capital(say_odds(over, analysis.pick.table["least_told"].min()))
    below = f" The lowest load tested was {say_load_oz(low)}." if load < low - NEAR_PCT else ""
    return (f"{odds} that more than {say_rule(rules.risk)} of pieces from new pots would sweat"
            f"{by_day(analysis.sweat, rules)}.{below}")

"""Each load that was tested, in one of three words: sweated, dry so far, recommended."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from scentlab.choosing.analysis import Analysis
from scentlab.choosing.ceiling import DRY as CEILING_DRY
from scentlab.choosing.ceiling import NEAR_PCT, OPEN_ABOVE
from scentlab.choosing.headline import pair_sentences, use_words
from scentlab.choosing.rests import by_day
from scentlab.choosing.rules import THROW_WORDS
from scentlab.fitting.looks import by_load, reached
from scentlab.maths.intervals import binomial_limits
from scentlab.results import Result, an_analysis, say_rule
from scentlab.schema import SWEAT_GRADES
from scentlab.text import count_of, in_sentences
from scentlab.units import say_load_oz

SWEATED, DRY, USE = "sweated", "dry so far", "recommended"
CONFIDENCE = 0.95  # of the exact bound on the share that could still sweat
BOUND = (
    "What could still sweat is the exact one-sided 95 % bound for the pieces of that load alone, "
    "taken as independent. Pieces from one pot are not."
)


@dataclass(frozen=True, repr=False)
class LoadsSoFar(Result):
    """What is known of each tested load of one blend.

    blend : str.
    table : DataFrame, the lowest load first: load_pct (% of wax), pieces, sweated (pieces that
        reached the limit grade), could_pct (exact upper 95 % bound on the share of pieces that
        would, of these pieces alone) and word (sweated, dry so far or recommended).
    load_pct : the recommended load (% of wax), missing where there is none.
    answer : str, the recommended load in words. stress : how the pieces were kept, in words.
    limit_words : the grade from which a piece counts as sweated, in words.
    """

    blend: str
    table: pd.DataFrame
    load_pct: float
    answer: str
    stress: str
    limit_words: str
    notes: tuple = ()

    @property
    def lines(self) -> tuple:
        """The answer, and what each load showed, in words."""
        return (self.answer,) if self.table.empty else (self.answer, self._seen())

    @property
    def sentence(self) -> str:
        return " ".join(self.lines)

    def _seen(self):
        rows = [f"{say_load_oz(r.load_pct)}, {r.sweated} of {r.pieces}{self._mark(r)}"
                for r in self.table.itertuples()]
        said = [f"Pieces {self.stress} that sweated, {self.limit_words}, at loads as weighed: "
                + "; ".join(rows)]
        dry = self.table[self.table["sweated"] == 0]
        if len(dry):
            least = dry.loc[dry["could_pct"].idxmax()]
            said.append(f"{count_of(least['pieces'], 'dry piece')} alone could still mean up to "
                        f"{least['could_pct']:.0f} % sweating ({say_rule(CONFIDENCE)} sure); the "
                        "load to use weighs all pieces together")
        if (self.table["word"] != SWEATED).all():
            top = self.table["load_pct"].iloc[-1]
            said.append(f"nothing sweated, so nothing can be said above {say_load_oz(top)}, the "
                        "highest tested")
        return in_sentences(said)

    def _mark(self, row):
        """What is said of a load that sweated and is not within the load to use."""
        other = ", but pieces kept the other way sweated" * (not row.sweated)
        over = not row.load_pct <= self.load_pct + NEAR_PCT / 2
        return f"{other}{', not for sale' * over}" if row.word == SWEATED else ""


def loads_so_far(analysis: Analysis, blend: str | None = None) -> LoadsSoFar:
    """What the pieces of one blend showed at each load.

    Parameters
    ----------
    analysis : Analysis
    blend : str, its name; None takes the first of the pick's table.

    Returns
    -------
    LoadsSoFar. The load recommended is the highest tested one that the pick admits; the exact
    bound (Clopper & Pearson 1934) knows the pieces of that load alone.

    >>> from scentlab.choosing.analysis import analyse
    >>> from scentlab.simulate import small_series
    >>> list(loads_so_far(analyse(small_series(), draws=100, precise=None)).table["pieces"])
    [6, 6, 6, 6]
    """
    rules = an_analysis(analysis).rules
    blend = blend if blend is not None else analysis.pick.table["blend"].iloc[0]
    chosen = analysis.pick.of(blend)["load_pct"]
    fit, stress = analysis.sweat, analysis.ceiling.stress
    own = fit.counts[(fit.counts["blend"] == blend) & (fit.counts["stress"] == stress)]
    table = by_load(own, rules.limit_grade, NEAR_PCT)[["load_pct", "pieces", "sweated"]]
    table["could_pct"] = [
        100.0 * float(binomial_limits(r.sweated, r.pieces, 2.0 * CONFIDENCE - 1.0)[1])
        for r in table.itertuples()]
    counts = fit.counts[(fit.counts["blend"] == blend) & (fit.counts["stress"] != stress)]
    odd = counts[reached(counts, rules.limit_grade) > 0]
    table["word"] = np.where(
        (table["sweated"] > 0) | (table["load_pct"] >= odd["load_pct"].min() - NEAR_PCT / 2),
        SWEATED, DRY)
    admitted = table.index[table["load_pct"] <= chosen + NEAR_PCT / 2] if chosen > 0 else []
    if len(admitted) and table.at[admitted[-1], "word"] == DRY:
        table.loc[admitted[-1], "word"] = USE
    words = f"grade {rules.limit_grade} ({SWEAT_GRADES[rules.limit_grade]}) or worse"
    return LoadsSoFar(blend, table, chosen, _answer(analysis, blend),
                      analysis.rests.stress, words, (BOUND,))


def recommended_by_maker(series, blend):
    """The load that the wax maker recommends (% of wax) by the plan; the lowest of the waxes of a
    blend, None where one of them is not on record."""
    loads = [wax.get("recommended_load_pct") for wax in series.waxes(blend)]
    return None if not loads or None in loads else min(loads)


def lowest_sweated(analysis, blend):
    """The lowest load (% of wax, as weighed) at which a piece of the blend reached the limit
    grade, however it was kept and also where it counts in no answer (other lots, as sold); missing
    where none did."""
    series, found = analysis.series, analysis.sweat.counts
    looks = [found.loc[reached(found, analysis.rules.limit_grade) > 0, ["blend", "load_pct"]]]
    if series.apart is not None:
        other = series.apart.sweat()
        wet = pd.to_numeric(other["grade"]) >= analysis.rules.limit_grade
        looks.append(other.loc[wet.fillna(False).astype(bool), ["blend", "load_pct"]])
    looks = pd.concat(looks, ignore_index=True)
    return float(looks.loc[looks["blend"] == blend, "load_pct"].min())


def _meanwhile(analysis, blend, limit, wet):
    """What to keep to where no load is shown to be safe: never a load at which, or below which, a
    piece sweated. ``wet`` is the lowest that did."""
    if not (pd.isna(limit) or _sweats(limit, wet)):
        yield f"until then, stay within the wax maker's limit, {say_load_oz(limit)}"
    elif not pd.isna(wet):
        tested = analysis.sweat.counts
        tested = tested.loc[tested["blend"] == blend, "load_pct"]
        yield (f"until then, stay below {say_load_oz(wet)}, the lowest load that sweated"
               if (tested < wet - NEAR_PCT).any() else
               f"the lowest load tested, {say_load_oz(wet)}, sweated")


def _sheet(usual, wet):
    """What the wax maker's sheet says, and that pieces sweated at that load or less."""
    if usual is not None:
        said = f"the wax maker's sheet says {say_load_oz(usual)}"
        yield said + (f", but pieces sweated at {say_load_oz(wet)}" if _sweats(usual, wet) else "")


def _sweats(load, wet):
    """Whether a load is one that sweated (weighed loads differ a little) or lies above it."""
    return bool(load > wet - NEAR_PCT)


def _answer(analysis, blend):
    """The load in a few short sentences; where there is none, what to pour meanwhile."""
    row = analysis.pick.of(blend)
    sure = f"{say_rule(analysis.rules.confidence)} sure"
    usual, wet = recommended_by_maker(analysis.series, blend), lowest_sweated(analysis, blend)
    if row["load_pct"] > 0:
        low = say_rule(analysis.rules.risk)
        found = analysis.ceiling.of(blend)
        said = [*use_words(row, found, analysis),
                f"at most {low} of pieces from new pots would sweat"
                f"{by_day(analysis.sweat, analysis.rules)} ({sure})"]
        if found["state"] in (CEILING_DRY, OPEN_ABOVE):
            said.append("no piece sets an upper bound, so it rests on what is usual for wax")
        said += _sheet(usual, wet if wet > row["load_pct"] else np.nan)
    else:
        said = [f"{blend}: no load is shown to be safe yet ({sure})",
                *_sheet(usual, wet), *_meanwhile(analysis, blend, row["limit_load_pct"], wet)]
    said += pair_sentences(blend, analysis, analysis.rules)
    said += _without_throw(analysis, row)
    said.append(analysis.rests.headline(blend).removesuffix("."))
    return in_sentences(said)


def _without_throw(analysis, row):
    """That throw of the kind that decides, or why its scores, cannot tell of less fragrance."""
    kind = analysis.rules.throw_kind
    throws = analysis.series.throws
    if not ((throws["blend"] == row["blend"]) & (throws["kind"] == kind)).any():
        yield f"nobody scored {THROW_WORDS[kind]} throw, so less may smell just as strong"
    elif row["load_pct"] > 0 and pd.isna(row["throw_chance"]):
        yield row["reason"]

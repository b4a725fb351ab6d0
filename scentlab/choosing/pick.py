"""The pick: per blend the lowest load that smells nearly as strong as the best under its limits."""

from dataclasses import asdict, dataclass, field, replace

import numpy as np
import pandas as pd

from scentlab.choosing.ceiling import NONE, at_sale, find_ceiling
from scentlab.choosing.enough import enough_throw, enough_words
from scentlab.choosing.finish import compare_finish
from scentlab.choosing.headline import CEILING, REGULATORY, WAX_LIMIT, headline
from scentlab.choosing.measures import Evidence, measure, scored, trade_off
from scentlab.choosing.ranking import order_chances, rank, throw_at_picks
from scentlab.choosing.rests import Rests, find_rests
from scentlab.choosing.rules import THROW_WORDS, Rules
from scentlab.choosing.saving import LEFT_OUT
from scentlab.choosing.waits import what_to_test
from scentlab.fitting.throw import throw_draws
from scentlab.materials import say_lot
from scentlab.maths.threads import one_thread
from scentlab.results import FitError, Result, say_rule
from scentlab.series import stress_words
from scentlab.text import count_of
from scentlab.units import is_typed, load_from_content, say_load_oz, say_percent_of_wax

__all__ = ["Evidence", "Pick", "Rules", "caps", "choose_load", "chosen_loads"]

STEP = 0.1
THROW_TESTED = "the highest load whose throw was scored"
_ALLOWS = {
    CEILING: "as high as sweat allows", WAX_LIMIT: "as high as the wax maker's limit allows",
    REGULATORY: "as high as the regulatory limit allows", THROW_TESTED: THROW_TESTED,
}

_FRONT = [
    "rank", "blend", "load_pct", "content_pct", "ceiling_load_pct", "limit_load_pct", "held_by",
    "throw", "throw_lower", "throw_upper", "throw_behind", "throw_chance", "p_strongest",
]


@dataclass(frozen=True, repr=False)
class Pick(Result):
    """The load chosen per blend, with its reasons.

    table : DataFrame in rank order: rank, blend, load_pct, content_pct, ceiling_load_pct,
        limit_load_pct, held_by, throw, throw_lower, throw_upper, throw_behind (mean points of
        throw below the best to be had), throw_chance (that it is no more than the accepted loss),
        p_strongest (chance that no other blend's pick throws more), sweat_risk, sweat_lower,
        sweat_upper, p_over, frost_risk, frost_lower, frost_upper, cost_per_piece, pieces_below,
        stressed_below, wet_below, stressed_wet (pieces seen at the load or less, how many of them
        under the stress that decides, and how many of all and of these reached the limit grade),
        dry_bound (share, missing where sweat was seen), least_told (smallest p_over that the draws
        tell), saving_per_1000 (against today's load of the rules; missing without one, negative
        when the pick costs more), reason. Loads in % of wax, risks as shares, 90 % limits. A blend
        without a pick has load_pct missing and the reason why.
    tradeoff : DataFrame of the same measures at every load tested.
    sentences : dict of a few short sentences per blend.
    rules : dict of the rules.
    orders : DataFrame, order of the blends by throw and its chance, over all blends at once.
    rests : Rests, what the answer rests on. throw_least : the smallest
        chance that the draws of throw tell.
    """

    table: pd.DataFrame
    tradeoff: pd.DataFrame
    sentences: dict
    rules: dict
    rests: Rests
    notes: tuple = ()
    orders: pd.DataFrame = field(default_factory=lambda: order_chances(np.empty((0, 0)), ()))
    throw_least: float = 0.01

    def of(self, blend):
        """The row of one blend. Raises FitError for one that is not there."""
        rows = self.table.set_index("blend", drop=False)
        if blend not in rows.index:
            raise FitError(f"there is no answer for a blend {blend!r}, only for "
                           + ", ".join(rows.index))
        return rows.loc[blend]

    @property
    def sentence(self):
        first = self.table.iloc[0]
        if pd.isna(first["load_pct"]):
            return "No load can be given for any blend. " + " ".join(self.sentences.values())
        return self.sentences[first["blend"]]


@one_thread()
def choose_load(evidence, rules=None, ceiling=None, *, brief=False):
    """Choose a load per blend and rank the blends. FitError where the rules name a blend that was
    not fitted.

    The load is the lowest that lies, with a chance of 80 %, no more than ``rules.throw_loss``
    points below the best throw under the ceiling and the limits: a rule of non-inferiority.
    ``brief`` leaves out the measures of ``tradeoff``, which are most work.
    """
    rules = rules or Rules()
    _need_blends(evidence, rules)
    ceiling = ceiling or find_ceiling(evidence.sweat, rules)
    evidence = replace(evidence, sweat=at_sale(evidence.sweat, rules))
    measured = measure(chosen_loads(evidence, rules, ceiling), evidence, rules, ceiling)
    draws, blends = throw_at_picks(evidence.throw, measured)
    ranked = rank(measured, draws, blends, rules.throw_loss)
    rest = [c for c in ranked if c not in _FRONT and c != "reason"]
    table = ranked[[*_FRONT, *rest, "reason"]]
    rests = find_rests(evidence.series, rules, ceiling.stress, evidence.odd_pots,
                       dict(ceiling.table[["blend", "ceiling_load_pct"]].to_numpy()),
                       evidence.sweat.harshest)
    sentences = {
        r["blend"]: headline(r, rules, evidence, ceiling, rests) for _, r in table.iterrows()
    }
    return Pick(
        table=table, sentences=sentences, rules=asdict(rules),
        tradeoff=trade_off(evidence, rules, ceiling, brief),
        notes=(*_notes(evidence, rules, table), *_lots_apart(evidence.series), *filter(None, (
            words for blend in evidence.sweat.blends for words in (
                compare_finish(evidence.series, rules, blend, ceiling.stress),
                what_to_test(evidence.series, ceiling, blend, rules.stress))))),
        orders=order_chances(draws, blends), rests=rests,
        throw_least=max(0.01, 3.0 / len(draws)) if len(draws) else 0.01,
    )


def caps(blend, evidence, rules, ceiling):
    """What a load of the blend may not pass: dict of reason to load (% of wax)."""
    known, tested = evidence.about(blend), scored(evidence.throw, blend)
    content = known["limit_content_pct"]
    found = {
        CEILING: ceiling.of(blend)["ceiling_load_pct"],
        WAX_LIMIT: np.nan if blend in rules.override_blends else known["limit_load_pct"],
        REGULATORY: load_from_content(content) if content < 100 else np.nan,
        THROW_TESTED: tested[1] if tested else np.nan,
    }
    return {reason: float(load) for reason, load in found.items() if not np.isnan(load)}


def chosen_loads(evidence, rules, ceiling):
    """The load chosen for each blend without its measures, as :func:`choose_load` chooses it: dicts
    of blend, load_pct (missing when none qualifies), held_by, throw_behind, throw_chance and
    reason."""
    none = {"load_pct": np.nan, "held_by": "", "throw_behind": np.nan, "throw_chance": np.nan}
    return [
        {"blend": blend, **none, **_choose(blend, evidence, rules, ceiling)}
        for blend in evidence.sweat.blends
    ]


def _choose(blend, evidence, rules, ceiling):
    """What is known of the load of one blend, and why it is that."""
    row, storage = ceiling.of(blend), stress_words(ceiling.stress)
    lowest = row["lowest_tested_pct"]
    if pd.isna(lowest):
        return {"reason": f"no load can be given: no piece was inspected {storage}"}
    if row["state"] == NONE:
        return {"reason": "no load is shown to be safe yet: none tested keeps the risk of sweat "
                          f"grade {rules.limit_grade} under {say_rule(rules.risk)}"}
    limits = caps(blend, evidence, rules, ceiling)
    held_by = min(limits, key=limits.get)
    top = _highest_within(limits[held_by])
    # A pour is weighed to a few hundredths of a point; that much below counts as tested.
    if top < lowest - 0.05:
        limit = say_load_oz(limits[held_by], sold=True)
        return {"held_by": held_by, "reason": (
            f"no tested load is low enough: {held_by} is {limit} and the lowest load tested is "
            f"{say_load_oz(lowest)}"
        )}
    return {"held_by": held_by,
            **_with_throw(blend, evidence, rules, float(lowest), top, _ALLOWS[held_by])}


def loads_between(lowest, limit):
    """The loads (% of wax) that may be chosen from the lowest tested up to a limit."""
    return _steps(float(lowest), _highest_within(limit))


def _highest_within(limit):
    """The highest load that a limit admits: itself where somebody typed it, else whole steps."""
    if is_typed(limit):
        return float(np.round(limit, 6))
    return float(np.round(np.floor(limit / STEP + 1e-9) * STEP, 6))


def _with_throw(blend, evidence, rules, lowest, top, allows):
    """The load, how far its throw is behind the best up to ``top``, and why it is that."""
    throw = f"{THROW_WORDS[rules.throw_kind].capitalize()} throw"
    tested, without = scored(evidence.throw, blend), ""
    bottom = max(lowest, tested[0]) if tested else lowest
    if not tested:
        without = f"{throw} was not scored"
        if evidence.throw is None and evidence.no_throw:
            without = f"There is no fit of {throw.lower()}"
    elif bottom > lowest + STEP / 2 and top < bottom:
        without = f"{throw} was only scored from {say_percent_of_wax(bottom)} up"
    if without:
        return {"load_pct": top, "reason": f"{without}, so this is {allows}"}
    loads = _steps(bottom, top)
    found = enough_throw(throw_draws(evidence.throw, blend, loads), rules.throw_loss)
    reason = enough_words(found, loads, evidence.throw.kind, rules.throw_loss)
    if len(loads) == 1:
        reason = f"It is the lowest load tested, and {allows}"
    elif found.place == len(loads) - 1:
        reason += f". It is {allows}"
    return {
        "load_pct": float(np.round(loads[found.place], 6)), "throw_behind": found.behind,
        "throw_chance": found.chance, "reason": reason,
    }


def _steps(bottom, top):
    """The loads to choose from: whole steps from the lowest that was weighed, and the top."""
    first = np.ceil(bottom / STEP - 1e-9) * STEP
    return np.unique(np.round([*np.arange(first, top - STEP / 10, STEP), top], 6))


def _notes(evidence, rules, table):
    yield from (f"No piece of {blend} has a sweat grade yet, so it has no load."
                for blend in evidence.series.blends["blend"] if blend not in evidence.sweat.blends)
    if evidence.throw is None:
        yield ((evidence.no_throw or "No throw was scored:")
               + " the answer cannot say whether less fragrance smells as strong.")
    if evidence.frost is None:
        yield (evidence.no_frost or "No frost was graded:") + " the answer ignores frost."
    elif not evidence.frost_known_at(rules.ship_age_days):
        seen = " to ".join(dict.fromkeys(f"{age:g}" for age in evidence.frost.ages))
        yield (f"Frost was inspected only on day {seen}. Nothing is known of day "
               f"{rules.ship_age_days:g}, so the answer ignores frost.")
    for blend in evidence.sweat.blends:
        if np.isnan(evidence.about(blend)["limit_content_pct"]):
            yield (f"No regulatory limit of the fragrance is known for {blend}: look it up before "
                   "selling.")
    if rules.override_blends:
        yield (f"The wax maker's limit was set aside for {', '.join(rules.override_blends)}. "
               f"Reason given: {rules.override_reason}")
    for blend in table[table["load_pct"] > table["limit_load_pct"]]["blend"]:
        yield (f"The recommended load of {blend} is above the wax maker's limit: for testing only, "
               "not for sale, until the maker agrees.")
    if rules.today_load_pct is not None:
        yield LEFT_OUT


def _lots_apart(series):
    """The test batches that a lot keeps out of the answer: in files it may be a lot that nobody
    meant to check."""
    lots = [] if series.apart is None else [lot for lot in series.apart.pours.get("lot", ()) if lot]
    return tuple(f"Counted only in the check of {say_lot(lot)}: "
                 f"{count_of(lots.count(lot), 'test batch')}."
                 for lot in dict.fromkeys(lots))


def _need_blends(evidence, rules):
    unknown = [b for b in rules.override_blends if b not in evidence.sweat.blends]
    if unknown:
        raise FitError(f"there is no blend {', '.join(unknown)}; the limit can be set aside for "
                       + ", ".join(evidence.sweat.blends))

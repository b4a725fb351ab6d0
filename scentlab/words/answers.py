"""What an analysis says beside its numbers: order of the blends, notes, how it was done.

The same words are in the report, in the terminal and in the supplier's summary.
"""

import re

import numpy as np

from scentlab.choosing.ceiling import DRY, OPEN_ABOVE
from scentlab.choosing.ranking import order_words
from scentlab.choosing.rests import absent_words, by_day, lots_of
from scentlab.choosing.saving import saving_words
from scentlab.choosing.so_far import recommended_by_maker
from scentlab.fitting.looks import reached
from scentlab.materials import say_lot
from scentlab.results import say_rule
from scentlab.schema import WARMTH
from scentlab.text import capital
from scentlab.units import (
    content_from_load,
    in_maker_units,
    load_from_content,
    say_load_oz,
)
from scentlab.words import (
    MISSING,
    THROW_WORDS,
    count,
    is_missing,
    say_both,
    say_loads,
    say_number,
    say_range,
)

SAME_PCT = 0.1  # points of load within which a load was poured itself


def ranking_words(analysis):
    """What the blends are ranked by; "" for one blend."""
    return "" if len(_picked(analysis)) < 2 else (
        f"Ranked by strongest {THROW_WORDS[analysis.rules.throw_kind]} throw, ties by less frost, "
        "then lower cost, where known.")


def ranking_sentences(analysis):
    """How the blends are ranked and what of the order is not settled."""
    return [w for w in (ranking_words(analysis), *order_words(analysis.pick)) if w]


def pick_notes(analysis):
    """What bears on the answer, each once: notes of the pick and of the fits behind it."""
    results = (analysis.pick, analysis.ceiling, analysis.sweat)
    return tuple(dict.fromkeys(note for result in results for note in result.notes))


def _picked(analysis):
    table = analysis.pick.table
    return table[table["load_pct"].notna()]


# ---- the first page ----------------------------------------------------------------------------


def headline(analysis, without=None):
    """The answer in figures, as the first page shows it; None without a load.

    ``without`` : of a Diagnosis, the table of loads without each pot. The facts are pairs of a name
    and its parts, words and loads.
    """
    best = analysis.pick.table.iloc[0]
    if is_missing(best["load_pct"]):
        return None
    rests = analysis.rests
    return {
        "blend": best["blend"],
        "load": say_loads(best["load_pct"], sold=True),
        "warning": rests.headline(best["blend"]),
        "facts": list(facts_of(analysis, best, without)),
    }


def facts_of(analysis, best, without=None):
    """What is known of the load of a row of the pick, as pairs of a name and its parts."""
    rules, series, blend = analysis.rules, analysis.series, best["blend"]
    state, safe = analysis.ceiling.of(blend)["state"], best["ceiling_load_pct"]
    yield "Highest safe load", (
        "at least " if state in (OPEN_ABOVE, DRY) else "", say_loads(safe, sold=True),
        _lowest_without(without, blend, safe),
        f": {say_rule(rules.confidence)} sure at most {say_rule(rules.risk)} of new pieces "
        f"sweat (grade {rules.limit_grade}+), "
        f"{storage_words(analysis)}{by_day(analysis.sweat, rules)}",
        _kept_otherwise(analysis, blend, safe))
    yield "Wax maker", tuple(_limit_words(series, best))
    legal = _regulatory_load(series.blends, blend)
    if legal is None:
        yield "Regulatory limit", ("unknown",)
    elif legal < np.inf and not best["limit_load_pct"] <= legal:
        said = _say_legal(legal)
        yield "Regulatory limit", ("", said, f", {said.content}")
    throw = THROW_WORDS[rules.throw_kind]
    if is_missing(best["throw"]):
        yield "Why this load", (f"{best['reason']}.",)
    else:
        limits = say_range(best["throw_lower"], best["throw_upper"], lambda v: f"{v:.1f}")
        why = best["reason"].split(". ")[0].replace(f" of {throw} throw", "")
        why = why.removeprefix("Going on to ").replace("less than", "under")
        yield f"{throw.capitalize()} throw", (
            f"{say_number(best['throw'], 1)} of 10 (90 %: {limits}). {why}.",)
    if rules.today_load_pct is not None:
        words = saving_words(best["saving_per_1000"], rules.today_load_pct, series.currency)
        yield "Cost of wax and fragrance", (f"{capital(words)}.",)
    if said := "; ".join(_without_load(analysis)):
        yield "No load for", (f"{said}.",)
    yield "Lots", (_lot_words(series, blend),)
    yield "Not tested", (", ".join(_not_tested(analysis, blend, best["load_pct"])) + ".",)


def _without_load(analysis):
    """The blends beside the best for which no load is given, and why."""
    why = dict(analysis.pick.table[["blend", "reason"]].to_numpy())
    given = set(_picked(analysis)["blend"])
    return [f"{blend} ({why.get(blend, 'no sweat grade yet').split(':')[0]})"
            for blend in analysis.series.blends["blend"] if blend not in given]


def _lowest_without(without, blend, safe):
    """The lowest of the highest safe loads without one of the pots, where it is lower."""
    if without is None or is_missing(safe) or (without["blend"] == blend).sum() < 2:
        return ""
    lowest = without.loc[without["blend"] == blend, "ceiling_load_pct"].fillna(0).min()
    said, whole = (say_load_oz(load, sold=True) for load in (min(lowest, safe), safe))
    return "" if said == whole else f", {said if lowest else 'none'} without one pot"


def _kept_otherwise(analysis, blend, safe):
    """How many pieces kept otherwise than those that decide sweated up to the highest safe load."""
    other, kept = (("heat", "heat-cycled") if analysis.ceiling.stress == "rest" else
                   ("rest", "room temperature"))
    own = analysis.sweat.counts
    own = own[(own["blend"] == blend) & (own["stress"] == other) & (own["load_pct"] <= safe)]
    wet = reached(own, analysis.rules.limit_grade).sum()
    return f"; {kept}: {wet} of {own['n'].sum()} below it" if len(own) else ""


def _limit_words(series, best):
    """The wax maker's maximum, for which wax of the blend, and what he advises."""
    limit, usual = best["limit_load_pct"], recommended_by_maker(series, best["blend"])
    yield "maximum "
    yield "unknown" if is_missing(limit) else say_loads(limit)
    waxes = series.waxes(best["blend"])
    names = [wax["name"] for wax in waxes if wax.get("limit_load_pct") == limit]
    yield f" for {' and '.join(names)}" if len(waxes) > 1 and names else ""
    yield ", set aside: testing only, not for sale" if best["load_pct"] > limit else ""
    yield "" if usual is None else f"; recommended {say_loads(usual)}"


def _lot_words(series, blend):
    known = lots_of(series, blend)
    if not any(known.values()):
        return "not recorded"
    return "; ".join(f"{name} {_bare(lots) or absent_words(series, name)}"
                     for name, lots in known.items()) + "."


def _bare(lots):
    """Lots without the words that stand before them already: above all of an invented series."""
    return ", ".join(re.sub(r"(?i)\b(lots?|invented)\b[\s.:#_-]*", "", lot) for lot in sorted(lots))


def materials_asked(series):
    """Waxes and fragrance, each with the lots that were tested and with these in words."""
    known = lots_of(series)
    scent = known.pop("fragrance")
    known = [*sorted(known.items()), (series.fragrance or "fragrance", scent)]
    return [(name, sorted(lots), _bare(lots)) for name, lots in known]


def _not_tested(analysis, blend, load):
    """What nobody looked at, of what a buyer of the wax would ask, as short words."""
    series, stress = analysis.series, analysis.ceiling.stress
    counts = analysis.sweat.counts[analysis.sweat.counts["blend"] == blend]
    poured = counts.loc[counts["stress"] == stress, "load_pct"]
    if (poured - load).abs().min() > SAME_PCT:
        yield "this load"
    found = dict(
        analysis.rests.of(blend)[["name", "value"]].to_numpy())
    if (age := found.get("seen up to", "")).startswith("day "):
        yield f"after {age.partition(' (')[0]}"
    yield "other lots"
    if "heat" not in set(counts["stress"]):
        yield "heat"
    yield from (f"{THROW_WORDS[kind]} throw" for kind in ("warm", "cold")
                if kind not in set(series.throws["kind"]))
    if analysis.frost is None:
        yield "frost"
    if series.sweat()["assessor"].nunique() == 1:
        yield "second grader"


def regulatory_limit(blends, blend):
    """The fragrance's limit in both bases; a dash when none is known."""
    legal = _regulatory_load(blends, blend)
    if legal is None:
        return MISSING
    if legal == np.inf:
        return "none below 100 % of total"
    said = _say_legal(legal)
    return f"{said}, {said.content}"


def _say_legal(legal):
    """The fragrance's limit as a load, down, for who weighs by it must not pass it, with the
    content that it is."""
    said = say_loads(legal, sold=True)
    said.content = f"{content_from_load(legal):.4g} % of the finished piece"
    return said


def _regulatory_load(blends, blend):
    """The fragrance's limit as a load, infinite where it allows all; None when none is known."""
    content = blends.loc[blends["blend"] == blend, "limit_content_pct"]
    if content.empty or is_missing(content.iloc[0]):
        return None
    return load_from_content(content.iloc[0]) if content.iloc[0] < 100 else np.inf


def storage_words(analysis):
    """How the pieces that decide were kept, with the heat cycle where the plan has one."""
    return analysis.rests.stress


# ---- how it was done ---------------------------------------------------------------------------


def tested_facts(series):
    """What was tested, as pairs of name and words: materials with their lots and limits."""
    about = (series.plan or {}).get("fragrance") or {}
    yield "Fragrance", _with_lot(series.fragrance or "not on record", about.get("lot"))
    lots = {wax["name"]: wax.get("lot") for wax in series.waxes()}
    if lots:
        yield "Waxes", "; ".join(_with_lot(name, lot) for name, lot in lots.items())
    for row in series.blends.to_dict("records"):
        limit = say_both(row["limit_load_pct"])
        known = "no limit known" if limit == MISSING else f"wax maker's limit {limit}"
        made_of = "" if is_missing(row["composition"]) else f"{row['composition']}; "
        yield row["blend"], made_of + known


def _with_lot(name, lot):
    """A material with its lot, or without a word of it where none is on record."""
    return f"{name}, {say_lot(lot)}" if lot and lot.strip() else name


def method_sentences(series):
    """How it was done, as sentences with the numbers that were recorded."""
    pours, sweat, throws = series.pours, series.sweat(), series.throws
    loads, days = pours["load_pct"], sorted(str(day)[:10] for day in pours["poured_on"].dropna())
    poured = f", poured on {' to '.join(dict.fromkeys((days[0], days[-1])))}" if days else ""
    yield (f"{count(pours['pot'].nunique(), 'pot')}, {count(len(pours), 'test batch')} from "
           f"{say_both(loads.min())} to {say_both(loads.max())}{poured}.")
    inspected = ((test, looks["code"].nunique()) for test, looks in (
        ("sweat", sweat), ("frost", series.frost())))
    seen = " and ".join(f"{count(number, 'piece')} for {test}" for test, number in inspected
                        if number)
    yield f"{seen or 'No piece'} inspected by blind code, by {_people(series.grades)}."
    if len(throws):
        yield (f"{count(len(throws), 'throw score')} in "
               f"{count(throws['sitting'].nunique(), 'session')}, by {_people(throws)}.")
    recorded = {column.meaning: recorded_words(pours, column) for column in WARMTH}
    known = [*recorded.values(), _span(sweat["age_days"], "pieces inspected at an age of {} days")]
    if words := ", ".join(filter(None, known)):
        yield f"{capital(words)}."
    if lost := [name for name, words in recorded.items() if not words]:
        yield f"Not recorded: {', '.join(lost)}."


def _people(rows):
    """Who scored, by code; of many their number."""
    codes = sorted(set(rows["assessor"].dropna()))
    said = ", ".join(codes) if len(codes) <= 8 else count(len(codes), "tester")
    return said or "testers not recorded"


def recorded_words(pours, column):
    """The range of a column of pours with what it is called; empty when it was not recorded."""
    return in_maker_units(_span(pours[column.name], f"{column.called} {{}} {column.unit}"))


def _span(values, words):
    """The range of a recorded column; nothing when it was not."""
    values = values.dropna()
    if values.empty:
        return ""
    low, high = f"{values.min():g}", f"{values.max():g}"
    return words.format(low if low == high else f"{low} to {high}")

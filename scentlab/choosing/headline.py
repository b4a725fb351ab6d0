"""The answer for one blend in short sentences, the load and what it rests on first."""

import pandas as pd

from scentlab.choosing.ceiling import DRY, OPEN_ABOVE
from scentlab.choosing.rests import by_day, seen_until
from scentlab.choosing.rules import THROW_WORDS
from scentlab.choosing.saving import saving_words
from scentlab.results import say_odds, say_percent, say_rule
from scentlab.text import count_of, in_sentences
from scentlab.units import load_from_content, say_load_oz, say_percent_of_wax

CEILING, WAX_LIMIT, REGULATORY = "the ceiling", "the wax maker's limit", "the regulatory limit"


def headline(row, rules, evidence, ceiling, rests):
    """The answer for one blend: the load, the highest safe load, what is missing, and why it is
    that load."""
    found = ceiling.of(row["blend"])
    # That nothing was inspected so is the reason itself.
    told = ("storage",) if pd.isna(found["lowest_tested_pct"]) else ()
    warning = rests.headline(row["blend"], told).removesuffix(".")
    if pd.isna(row["load_pct"]):
        return in_sentences(filter(None, [f"{row['blend']}: {row['reason']}", warning]))
    odds = say_odds(row["p_over"], row["least_told"])
    said = [
        *use_words(row, found, evidence), warning, row["reason"],
        *pair_sentences(row["blend"], evidence, rules),
        _seen_words(row, rules, rests, seen_until(
            evidence.series, row["blend"], ceiling.stress, rules, row["load_pct"])),
        f"{odds} that more than {say_rule(rules.risk)} of pieces from new pots would sweat"
        f"{by_day(evidence.sweat, rules)}",
    ]
    if not pd.isna(row["dry_bound"]):
        said.append("No piece sweated at any load. The dry pieces at this load or above still "
                    f"leave a risk of up to {say_percent(row['dry_bound'])} (95 % sure); the rest "
                    "is assumed")
    if not pd.isna(row["throw"]):
        said.append(f"{THROW_WORDS[rules.throw_kind]} throw {row['throw']:.1f} of 10 "
                    f"(90 %: {row['throw_lower']:.1f} to {row['throw_upper']:.1f})")
    if rules.today_load_pct is not None:
        said.append(saving_words(row["saving_per_1000"], rules.today_load_pct,
                                 evidence.series.currency))
    return in_sentences(said)


def pair_sentences(blend, evidence, rules):
    """What the pairs of a blend showed: those of the kind of throw that decides, or else the
    others; none without pairs."""
    pairs = evidence.pairs
    if pairs is None or pairs.loss != rules.throw_loss:
        return ()
    return pairs.words(blend, rules.throw_kind) or pairs.words(blend)


def use_words(row, found, evidence):
    """The load of a blend and its highest safe load, the first two sentences of its answer."""
    return [f"{row['blend']}: use {say_load_oz(row['load_pct'], sold=True)}",
            highest_safe(row, found, evidence)]


def highest_safe(row, found, evidence, say=say_percent_of_wax, day=""):
    """The ceiling in words, as ``say`` says loads, and the limit that holds the loads below it;
    ``day`` is until when it holds."""
    high, words = say(row["ceiling_load_pct"], sold=True), ""
    if found["state"] in (OPEN_ABOVE, DRY):
        words = "at least "
        if row["ceiling_load_pct"] >= found["highest_tested_pct"] - 0.05:
            high = f"{high}; nothing higher was tested"
    limits = {WAX_LIMIT: row["limit_load_pct"]}
    if row["held_by"] == REGULATORY:
        content = evidence.about(row["blend"])["limit_content_pct"]
        limits[REGULATORY] = load_from_content(content)
    limit = limits.get(row["held_by"])
    held = "" if limit is None else f", but {row['held_by']} is {say_load_oz(limit, sold=True)}"
    return f"highest safe load{day}: {words}{high}{held}"


def _seen_words(row, rules, rests, until):
    """How many of the pieces that decide sweated at the load or below, and until when."""
    if not row["stressed_below"]:
        return ""
    until = until and f", seen up to {until}"
    said = (
        f"{row['stressed_wet'] or 'None'} of {count_of(row['stressed_below'], 'piece')} "
        f"{rests.stress} sweated "
        f"(grade {rules.limit_grade} or more) at the "
        f"loads tested up to {say_percent_of_wax(row['load_pct'], sold=True)}{until}"
    )
    others = row["pieces_below"] - row["stressed_below"]
    wet = row["wet_below"] - row["stressed_wet"]
    return f"{said}; {wet} of the {others} others did" if wet else said

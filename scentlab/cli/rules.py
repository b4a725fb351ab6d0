"""The options of a choice, made from the fields of Rules once, and the rules they give."""

import argparse
import dataclasses

from scentlab.cli.frame import GROUPS, CannotDo, options, options_for, understood
from scentlab.text import spelling

# The option of each field of Rules.
_TABLE = {
    "risk": "--risk-pct PERCENT: most pieces that may sweat, in % (5)",
    "confidence": "--confidence-pct PERCENT: how sure of that, in % (95)",
    "limit_grade": "--limit-grade 1|2|3|4: sweat grade that is a fault (2)",
    "frost_limit_grade": "--frost-limit-grade 1|2|3|4: frost grade that is a fault (2)",
    "throw_loss": "--throw-loss POINTS: points of throw (of 10) to give up (0.5)",
    "throw_kind": "--throw-kind warm|jar|cold: throw to choose by; warm is hot throw (warm)",
    "stress": "--stress rest|heat: room temperature or heat-cycled (the harshest)",
    "ship_age_days": "--ship-age-days DAYS: age at which pieces are sold (as seen)",
    "override_blends": "--override-blend BLEND...: set this blend's wax maker's limit aside",
    "override_reason": "--override-reason [BLEND=]TEXT...: why, printed in the report",
    "today_load_pct": "--today-load-pct [BLEND=]LOAD...: load poured today, in % of wax",
}
FIELDS = tuple(_TABLE)
# What an answer may propose instead.
PROPOSED = ("risk", "confidence", "limit_grade", "frost_limit_grade", "throw_loss")


def rule_options(fields=FIELDS, shown=True):
    """The options of these fields of Rules; those that are not shown are taken all the same."""
    found = options_for({field: _TABLE[field] for field in fields})
    found += options("@seed") * (fields == FIELDS)
    return found if shown else [(n, {**m, "help": argparse.SUPPRESS}) for n, m in found]


GROUPS |= {"rules": rule_options(shown=False), "all-rules": rule_options(),
           "proposed": rule_options(PROPOSED)}


def given_rules(arguments, fields=FIELDS):
    """The fields of Rules that options gave, as they were typed."""
    given = {name: getattr(arguments, name) for name in fields}
    return {name: value / 100 if name in ("risk", "confidence") else value
            for name, value in given.items() if value not in (None, [])}


def read_rules(arguments, folder=None, announce=print):
    """The rules of the options; where none is given, those kept in the folder, else the usual."""
    from scentlab.choosing.kept import rules_here

    given = given_rules(arguments)
    if "override_blends" in given and "override_reason" not in given:
        raise CannotDo(
            "--override-blend passes over a wax maker's limit, which needs a reason in writing: "
            'add --override-reason "..."'
        )
    try:
        found = rules_here(folder)
        if "override_reason" in given:
            blends = given.get("override_blends") or found.rules.override_blends
            given["override_reason"] = _by_blend(
                "--override-reason", given["override_reason"], blends,
                "one reason for all blends, or one as BLEND=TEXT for each of "
                + (", ".join(blends) or "the blends of --override-blend"),
            )
        if "today_load_pct" in given:
            given["today_load_pct"] = _by_blend(
                "--today-load-pct", given["today_load_pct"], None,
                'one load for all blends, or one as BLEND=LOAD for each, such as "soft=12"',
            )
        rules = dataclasses.replace(found.rules, **given)
    except ValueError as error:
        raise CannotDo(f"{error} (the options ending in -pct are in percent)") from error
    if found.kept:
        but = f", but for {', '.join(given)} of the options" if given else ""
        announce(f"Rules: kept in {found.path}{but}: {rules.sentence}")
        for note in found.notes:
            announce(f"Note: {note}.")
    return rules


def _by_blend(name, given, blends, form):
    """One value for all blends, or a dict of the values of those that are named.

    With ``blends`` only these can be named: a reason may hold an equals sign.
    """
    pairs = [text.partition("=") if blends is not None else text.rpartition("=") for text in given]
    spell = spelling(blends or ())
    named = [bool(equals) and (spell(blend) in blends if blends is not None else bool(blend))
             for blend, equals, _ in pairs]
    if len(given) == 1 and not named[0]:
        return given[0]
    for text, is_named in zip(given, named, strict=True):
        understood(is_named or None, text, name, form)
    return {spell(blend): value.strip() for blend, _, value in pairs}

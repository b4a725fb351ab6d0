"""The rules that the options of a choice give."""

import dataclasses

from scentlab.choosing.kept import rules_here
from scentlab.cli.frame import FIELDS, CannotDo, understood
from scentlab.text import spelling


def given_rules(arguments, fields=tuple(FIELDS["rules"])):
    """The fields of Rules that options gave, as they were typed."""
    given = {name: getattr(arguments, name) for name in fields}
    return {name: value / 100 if name in ("risk", "confidence") else value
            for name, value in given.items() if value not in (None, [])}


def read_rules(arguments, folder=None, announce=print):
    """The rules of the options; where none is given, those kept in the folder, else the usual."""
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

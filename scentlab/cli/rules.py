"""The rules that the options of a choice give."""

import dataclasses

from scentlab.choosing.kept import rules_here
from scentlab.cli.frame import FIELDS, CannotDo


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
            "--override-blend sets a wax maker's limit aside, which needs a written reason: "
            'add --override-reason "..."'
        )
    try:
        found = rules_here(folder)
        rules = dataclasses.replace(found.rules, **given)
    except ValueError as error:
        raise CannotDo(f"{error} (the options ending in -pct are in percent)") from error
    if found.kept:
        but = f", except {', '.join(given)} from the options" if given else ""
        announce(f"Rules: kept in {found.path}{but}: {rules.sentence}")
    return rules


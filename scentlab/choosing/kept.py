"""The rules that are kept in a series folder, so that every notebook and command follows them."""

import dataclasses
import json
from dataclasses import dataclass
from pathlib import Path

from scentlab.choosing.rules import Rules
from scentlab.files import write_whole

RULES_NAME = "rules.json"


@dataclass(frozen=True)
class RulesHere:
    """The rules of a folder, and whether they are ``kept`` there or the usual ones."""

    rules: Rules
    path: Path
    kept: bool


def rules_here(folder="."):
    """The rules kept in a series folder, or the usual ones where none are, or there is no folder.
    ValueError when the file holds no rules that can be; nothing is guessed then."""
    path = Path(folder or ".") / RULES_NAME
    if folder is None or not path.is_file():
        return RulesHere(Rules(), path, kept=False)
    try:
        given = json.loads(path.read_text(encoding="utf-8"))["rules"]
        if unknown := sorted(set(given) - set(Rules.__dataclass_fields__)):
            raise ValueError(f"it has {', '.join(unknown)}, which this version does not know")
        return RulesHere(Rules(**given), path, kept=True)
    except (ValueError, TypeError, KeyError, AttributeError) as problem:
        raise ValueError(
            f"the rules in {path} cannot be used ({problem}); take the file out of the folder and "
            "set the rules again on the answer page"
        ) from problem


def keep_rules(rules, folder="."):
    """Keep rules in a series folder, whole or not at all; returns the path of the file."""
    path = Path(folder) / RULES_NAME
    if not path.parent.is_dir():
        raise FileNotFoundError(f"{path.parent}: no such folder to keep the rules in")
    text = json.dumps({"rules": dataclasses.asdict(rules)}, indent=1, ensure_ascii=False) + "\n"
    return write_whole(path, text)

"""A supplier's answer to a share package: lot data, another risk, other limits, in a small file.

The supplier opens the package, makes an :class:`Answer` and sends its file back. The maker reads
it beside the own series: :func:`weigh_answer` shows both picks side by side. An answer changes
nothing in the maker's records.
"""

import contextlib
import dataclasses
import json
import re
import textwrap
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from scentlab.choosing.pick import choose_load
from scentlab.materials import say_lot
from scentlab.results import Result, say_rule
from scentlab.series import shape_problem
from scentlab.sharing.guard import SharingError, need
from scentlab.sharing.pages import RULE_WORDS, place_for, to_json, write_whole
from scentlab.units import say_load
from scentlab.words import is_missing

FORMAT = 2
FORMATS = (1, 2)  # in the first one answers stood in the note, and no unit and no day was told
KIND = "answer to a share package"
MOST_BYTES = 200_000
_RULES = {name: said["answer"] for name, said in RULE_WORDS.items() if "answer" in said}
_SHARES = ("risk", "confidence")
_SHOWN = {"load_pct": "recommended load", "ceiling_load_pct": "highest safe load",
          "limit_load_pct": "wax maker's limit"}
_HEX = re.compile(r"[0-9a-f]{64}")
LOT = ("material", "lot", "what", "value", "unit")
_SHAPE = {
    **dict.fromkeys(("package!", "sender!", "note", "answered_on"), "a text"),
    "lots": [dict.fromkeys((*(f"{name}!" for name in LOT[:4]), "unit"), "a text")],
    "answers": [dict.fromkeys(("question!", "answer!"), "a text")],
    "rules": dict.fromkeys(_RULES, "a number"), "limits": {},
}
_MOST = {"note": 2000, "answered_on": 10, "question": 1000, "answer": 1000}  # characters; else 200
_MAY_BE_EMPTY = ("sender", "note", "answered_on", "unit")


@dataclass(frozen=True)
class Answer:
    """What a supplier sends back to the ``package`` of that fingerprint.

    ``lots`` are dicts of what is known of a lot: material, lot, what, value and unit, which may be
    missing. ``rules`` is a counter-proposal: any of risk, confidence, limit_grade,
    frost_limit_grade, throw_loss; ``limits`` is by blend another highest load, % of wax.
    ``answers`` are dicts of question and answer, ``answered_on`` is YYYY-MM-DD, or empty.
    """

    package: str
    sender: str
    lots: tuple = ()
    rules: dict = dataclasses.field(default_factory=dict)
    limits: dict = dataclasses.field(default_factory=dict)
    note: str = ""
    answers: tuple = ()
    answered_on: str = ""

    def __post_init__(self):
        given = {**vars(self), "lots": list(self.lots), "answers": list(self.answers)}
        problem = shape_problem(given, _SHAPE | {"limits": dict.fromkeys(self.limits, "a number")})
        need(not problem, f"the answer is not valid: {problem}")
        for said in (given, *self.lots, *self.answers):
            for name, text in said.items():
                _need_length(name, text)
        need(_HEX.fullmatch(self.package),
             "an answer names its package by the fingerprint of open_package()")
        for name in ("lots", "answers"):
            object.__setattr__(self, name, tuple(given[name]))
        for name in self.rules:
            need(name in _RULES,
                 f"a counter-proposal cannot set {name!r}; it can set {', '.join(_RULES)}")
        for blend, load in self.limits.items():
            need(0.1 <= load <= 40,
                 f"the limit of {blend} is {load!r}; give a load from 0.1 to 40 % of wax")

    def write(self, path):
        """Write the answer as a small JSON file, whole or not at all, and return the path."""
        data = {"kind": KIND, "format": FORMAT, **dataclasses.asdict(self)}
        return write_whole(place_for(path, "the answer"), to_json(data))


def _need_length(name, text):
    most = _MOST.get(name, 200)
    if isinstance(text, str):
        need(len(text) <= most, f"{name} is not a text of at most {most} characters")
        need(text.strip() or name in _MAY_BE_EMPTY,
             f"{name} is {text!r}; give a text of 1 to {most} characters")


def read_answer(path):
    """Read an answer's file. Raises SharingError when it is none, damaged or newer."""
    path = Path(path)
    need(path.is_file() and path.stat().st_size <= MOST_BYTES,
         f"{path.name} is not a file of at most {MOST_BYTES // 1000} kB")
    try:
        data = json.loads(path.read_bytes().decode("utf-8-sig"))  # of an editor that saved it again
        if not isinstance(data, dict) or data.pop("kind", None) != KIND:
            raise ValueError("it is not an answer to a share package")
        version = data.pop("format", None)
    except (ValueError, RecursionError) as problem:
        raise SharingError(f"{path.name} cannot be read ({problem}); ask for it again") from None
    need(version in FORMATS,
         f"{path.name} has format {version!r}, this version reads {FORMAT}: update scentlab "
         "or ask for it again")
    try:
        return Answer(**data)
    except (TypeError, AttributeError) as problem:
        raise SharingError(f"{path.name} is damaged ({problem}); ask for it again") from None


def answers_in(*folders):
    """The paths of the answers that lie in folders, by name; other JSON files are passed over."""
    found = []
    for path in sorted(p for folder in folders for p in Path(folder).glob("*.json")):
        with contextlib.suppress(SharingError):
            read_answer(path)
            found.append(path)
    return found


@dataclass(frozen=True, repr=False)
class Weighed(Result):
    """Own loads beside those of a counter-proposal: ``table``, a row a blend."""

    answer: Answer
    table: pd.DataFrame
    notes: tuple = ()

    @property
    def sender(self):
        return _one_line(self.answer.sender)

    @property
    def sentence(self):
        row = self.table.iloc[0]
        return (
            f"{self.sender}: for {row['blend']} the own recommended load is "
            f"{_say(row['own_load_pct'])}, by the counter-proposal "
            f"{_say(row['proposed_load_pct'])}."
        )

    @property
    def lines(self):
        """The answer in lines of text: what it says, then the loads of each blend."""
        yield f"{self.sender} answers: {'; '.join(self.proposed) or 'no other rules'}."
        # Set in, so that no text of the answer is taken for a line of the kit's.
        yield from (textwrap.fill(_one_line(words), 100, initial_indent="* ",
                                  subsequent_indent="  ") for words in self.notes)
        for row in self.table.to_dict("records"):
            yield f"{row['blend']}:"
            for name, words in _SHOWN.items():
                own, other = (_say(row[f"{who}_{name}"], name) for who in ("own", "proposed"))
                yield f"  {words:<18} own {own}, by the answer {other}"

    @property
    def proposed(self):
        """What the answer would change, in words."""
        rules = [
            f"{words} {say_rule(value) if name in _SHARES else f'{value:g}'}"
            for name, words in _RULES.items() if (value := self.answer.rules.get(name)) is not None
        ]
        limits = [f"highest load of {b} {say_load(x)}" for b, x in self.answer.limits.items()]
        return tuple(rules + limits)


def weigh_answer(analysis, answer, package=None):
    """Own loads beside those of a supplier's counter-proposal.

    The fits stay as they are: another limit caps the load, and is not taken as a belief about where
    the wax begins to sweat. SharingError when the answer belongs to another ``package`` than that
    of this fingerprint, or speaks of an unknown blend.
    """
    need(package in (None, answer.package),
         "this answer belongs to another package; check which one you sent")
    blends = analysis.series.blends
    for name in answer.limits:
        need(name in set(blends["blend"]), f"the answer sets a limit for {name!r}; the series has "
             f"{', '.join(blends['blend'])}")
    limits = blends["blend"].map(answer.limits).fillna(blends["limit_load_pct"])
    series = dataclasses.replace(analysis.series, blends=blends.assign(limit_load_pct=limits))
    try:
        rules = dataclasses.replace(analysis.rules, **answer.rules)
    except (TypeError, ValueError) as problem:
        raise SharingError(f"the counter-proposal is not valid: {problem}") from problem
    proposal = choose_load(dataclasses.replace(analysis, series=series), rules)
    own, other = (pick.table.set_index("blend")[list(_SHOWN)] for pick in (analysis.pick, proposal))
    notes = [f"Answered on {answer.answered_on}."] * bool(answer.answered_on)
    notes += [f"{reply['question']} {reply['answer']}" for reply in answer.answers]
    for fact in answer.lots:
        material, lot, what, value, unit = (fact.get(name) or "" for name in LOT)
        notes.append(f"{material}, {say_lot(lot)}: {what} {value} {unit}".rstrip() + ".")
    notes += [answer.note] * bool(answer.note)
    table = own.add_prefix("own_").join(other.add_prefix("proposed_")).reset_index()
    return Weighed(answer, table, tuple(notes))


def _one_line(text):
    return " ".join(text.split())


def _say(load, name="load_pct"):
    return "none" if is_missing(load) else say_load(load, sold=name != "limit_load_pct")

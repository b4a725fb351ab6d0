"""A supplier's answer to a share package: lot data, another risk, other limits, in a small file.

The supplier opens the package, makes an :class:`Answer` and sends its file back. The maker reads
it beside the own series: :func:`weigh_answer` shows both picks side by side. An answer changes
nothing in the maker's records.
"""

import dataclasses
import html
import json
import re
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from scentlab.choosing.pick import choose_load
from scentlab.materials import say_lot
from scentlab.results import say_percent
from scentlab.sharing.guard import SharingError
from scentlab.sharing.package import to_json
from scentlab.sharing.pages import place_for, write_whole
from scentlab.units import say_load

FORMAT = 1
KIND = "answer to a share package"
MOST_BYTES = 200_000
_RULES = {
    "risk": "risk",
    "confidence": "confidence",
    "limit_grade": "sweat grade that counts",
    "frost_limit_grade": "frost grade that counts",
    "throw_loss": "points of throw given up",
}
_SHARES = ("risk", "confidence")
_SHOWN = {"load_pct": "pick", "ceiling_load_pct": "ceiling", "limit_load_pct": "wax maker's limit"}
_HEX = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True)
class LotFact:
    """Something the supplier knows of a lot, such as LotFact("hard wax", "L7", "oil", "0.4 %")."""

    material: str
    lot: str
    what: str
    value: str

    def __post_init__(self):
        for field in dataclasses.fields(self):
            value = getattr(self, field.name)
            if not isinstance(value, str) or not value.strip() or len(value) > 200:
                raise SharingError(
                    f"{field.name} of a lot is {value!r}; give a text of 1 to 200 characters"
                )


@dataclass(frozen=True)
class Answer:
    """What a supplier sends back.

    Attributes
    ----------
    package : str, fingerprint of the package that is answered.
    sender : str, who answers, as they want to be named.
    lots : tuple of LotFact.
    rules : dict, a counter-proposal: any of risk, confidence, limit_grade, frost_limit_grade,
        throw_loss.
    limits : dict of blend name to another highest load, % of wax.
    note : str.
    """

    package: str
    sender: str
    lots: tuple = ()
    rules: dict = dataclasses.field(default_factory=dict)
    limits: dict = dataclasses.field(default_factory=dict)
    note: str = ""

    def __post_init__(self):
        object.__setattr__(self, "lots", tuple(self.lots))
        if not isinstance(self.package, str) or not _HEX.fullmatch(self.package):
            raise SharingError("an answer names its package by the fingerprint of open_package()")
        for name, value, most in (("sender", self.sender, 200), ("note", self.note, 2000)):
            if not isinstance(value, str) or len(value) > most:
                raise SharingError(f"{name} is no text of at most {most} characters")
        if not all(isinstance(fact, LotFact) for fact in self.lots):
            raise SharingError("lots hold LotFact(material, lot, what, value) and nothing else")
        _check_rules(self.rules)
        _check_limits(self.limits)

    def write(self, path):
        """Write the answer as a small JSON file, whole or not at all, and return the path."""
        path = place_for(path, "the answer")
        data = {"kind": KIND, "format": FORMAT, **dataclasses.asdict(self)}
        write_whole(path, to_json(data))
        return path


def _check_rules(rules):
    unknown = sorted(set(rules) - set(_RULES))
    if unknown:
        raise SharingError(
            f"a counter-proposal cannot set {unknown[0]!r}; it can set {', '.join(_RULES)}"
        )
    for name, value in rules.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise SharingError(f"{name} of the counter-proposal is {value!r}; give a number")


def _check_limits(limits):
    for blend, load in limits.items():
        number = isinstance(load, int | float) and not isinstance(load, bool)
        if not number or not 0.1 <= load <= 40:
            raise SharingError(
                f"the limit of {blend} is {load!r}; give a load from 0.1 to 40 % of wax"
            )


def read_answer(path):
    """Read an answer's file. Raises SharingError when it is none, damaged or newer."""
    path = Path(path)
    if not path.is_file() or path.stat().st_size > MOST_BYTES:
        raise SharingError(f"{path.name} is no file of at most {MOST_BYTES // 1000} kB")
    try:
        data = json.loads(path.read_bytes().decode("utf-8"))
        if not isinstance(data, dict) or data.pop("kind", None) != KIND:
            raise ValueError("it is not the answer to a share package")
        version = data.pop("format", None)
    except (ValueError, RecursionError) as problem:
        raise SharingError(f"{path.name} cannot be read ({problem}); ask for it again") from None
    if version != FORMAT:
        raise SharingError(
            f"{path.name} has format {version!r}, this version reads {FORMAT}: update scentlab "
            "or ask for it again"
        )
    try:
        lots = tuple(LotFact(**fact) for fact in data.pop("lots", ()))
        return Answer(**data, lots=lots)
    except (TypeError, AttributeError) as problem:
        raise SharingError(f"{path.name} is damaged ({problem}); ask for it again") from None


def answers_in(*folders):
    """The paths of the answers that lie in folders, by name; other JSON files are passed over."""
    found = []
    for path in sorted(p for folder in folders for p in Path(folder).glob("*.json")):
        try:
            read_answer(path)
        except SharingError:
            continue
        found.append(path)
    return found


@dataclass(frozen=True, repr=False)
class Weighed:
    """Own picks beside a counter-proposal: ``table`` per blend, ``proposal`` the Pick it gives."""

    answer: Answer
    proposal: object
    table: pd.DataFrame
    notes: tuple = ()

    @property
    def sentence(self):
        row = self.table.iloc[0]
        return (
            f"{self.answer.sender}: for {row['blend']} the own pick is "
            f"{_say(row['own_load_pct'])}, by the counter-proposal "
            f"{_say(row['proposed_load_pct'])}."
        )

    @property
    def lines(self):
        """The answer in lines of text: what it says, then pick and ceiling of each blend."""
        lines = [f"{self.answer.sender} answers: {'; '.join(self.proposed) or 'no other rules'}."]
        lines += [f"* {words}" for words in self.notes]
        for row in self.table.to_dict("records"):
            lines.append(f"{row['blend']}:")
            for name, words in _SHOWN.items():
                own, other = (row[f"{who}_{name}"] for who in ("own", "proposed"))
                lines.append(f"  {words:<18} own {_say(own)}, by the answer {_say(other)}")
        return lines

    @property
    def proposed(self):
        """What the answer would change, in words."""
        rules = [
            f"{words} {say_percent(value, 1) if name in _SHARES else f'{value:g}'}"
            for name, words in _RULES.items() if (value := self.answer.rules.get(name)) is not None
        ]
        limits = [f"highest load of {b} {say_load(x)}" for b, x in self.answer.limits.items()]
        return tuple(rules + limits)

    def __repr__(self):
        return f"<Weighed: {self.sentence}>"

    def _repr_html_(self):
        said = [f"Proposed: {words}." for words in self.proposed] + list(self.notes)
        table = pd.DataFrame({"blend": self.table["blend"]} | {
            f"{words}, {who}": self.table[f"{key}_{name}"].map(_say)
            for name, words in _SHOWN.items()
            for key, who in (("own", "own"), ("proposed", "by the answer"))
        })
        return (
            f"<p><strong>{html.escape(self.sentence)}</strong></p>"
            + "".join(f"<p>{html.escape(words)}</p>" for words in said)
            + table.to_html(index=False, border=0)
        )


def weigh_answer(analysis, answer, package=None):
    """Own picks beside those of a supplier's counter-proposal.

    The fits stay as they are: another limit caps the pick, and is not taken as a belief about where
    the wax begins to sweat.

    Parameters
    ----------
    analysis : Analysis, the maker's own.
    answer : Answer
    package : fingerprint of the package that was sent, to see that the answer belongs to it.

    Raises
    ------
    SharingError when the answer belongs to another package or speaks of an unknown blend.
    """
    if package is not None and package != answer.package:
        raise SharingError("this answer belongs to another package; look which one was sent")
    blends = analysis.series.blends
    for name in answer.limits:
        if name not in set(blends["blend"]):
            raise SharingError(
                f"the answer sets a limit for {name!r}; the series has {', '.join(blends['blend'])}"
            )
    limits = [answer.limits.get(b, v) for b, v in zip(blends["blend"], blends["limit_load_pct"],
                                                      strict=True)]
    evidence = dataclasses.replace(
        analysis.evidence, blends=blends.assign(limit_load_pct=limits)
    )
    try:
        rules = dataclasses.replace(analysis.rules, **answer.rules)
    except (TypeError, ValueError) as problem:
        raise SharingError(f"the counter-proposal cannot be: {problem}") from problem
    proposal = choose_load(evidence, rules)
    notes = tuple(
        f"{fact.material}, {say_lot(fact.lot)}: {fact.what} {fact.value}." for fact in answer.lots
    )
    notes += (answer.note,) if answer.note else ()
    return Weighed(answer, proposal, _side_by_side(analysis.pick, proposal), notes)


def _side_by_side(own, proposal):
    names = ["rank", "load_pct", "ceiling_load_pct", "limit_load_pct", "throw", "sweat_risk"]
    left = own.table[["blend", *names]]
    right = proposal.table[["blend", *names]]
    left = left.rename(columns={n: f"own_{n}" for n in names})
    right = right.rename(columns={n: f"proposed_{n}" for n in names})
    table = left.merge(right, on="blend", how="left", validate="one_to_one")
    return table[["blend", *[f"{who}_{n}" for n in names for who in ("own", "proposed")]]]


def _say(load):
    return "none" if pd.isna(load) else say_load(load)

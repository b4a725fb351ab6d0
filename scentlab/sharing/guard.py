"""The guard of what is to stay at home: it finds a hidden name however it is written.

A name is found without regard to case, accents and signs that cannot be seen, split by other
signs, and inside longer words. A find that is a word of its own is hidden or refused; one inside
another word ('figure' for the fragrance Fig) may be nothing, and is shown for a decision.
"""

import ast
import functools
import html
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from scentlab.text import alike, gathered, searchable

STAND_IN = "[not shared]"
# A sign that is a word or a syllable (Chinese, Japanese, Korean): no space parts it from the next.
SIGN = "[\u3041-\u9fff\uac00-\ud7a3\uf900-\ufaff\U00020000-\U0003ffff]"
TELLING = re.compile(rf"[^\W\d_]{{3}}|{SIGN}")
_GAP = "[ -]{0,2}"  # signs and spaces that may split a name
_ESCAPED = re.compile(r"\\u([0-9a-fA-F]{4})|%([0-9a-fA-F]{2})")
_PICTURE = re.compile(r"data:image/jpeg;base64,[A-Za-z0-9+/=]+")
_TAG = re.compile(r"<[^!][^>]*>")
_HASH = re.compile(r"sha256:[0-9a-f]{64}|\b[0-9a-f]{64}\b")


class SharingError(ValueError):
    """A package that cannot be made or read. The message says what to change."""


def need(good, words, error=SharingError):
    """An error of these words, unless all is well."""
    if not good:
        raise error(words)


class UndecidedError(SharingError):
    """Words that may give a hidden name away; ``undecided`` lists them. ``finds`` are the word,
    where it stands, and what it holds."""

    def __init__(self, finds, why="these words may give away what you want hidden"):
        places = gathered((found[::2], found[1]) for found in finds)
        self.undecided = tuple(dict.fromkeys(shown for shown, _ in places))
        lines = [f"  {shown!r} in {', '.join(dict.fromkeys(where))} {holds}".rstrip()
                 for (shown, holds), where in places.items()]
        super().__init__("\n".join([
            f"{why}. For each, say that it may stay (--may-stay WORD, or tap it in the form) or "
            "hide it too (--also-hide WORD, or tap it). A blend, wax, pour or file that gives it "
            "away needs another name:", *lines,
        ]))


class Hit(NamedTuple):
    word: str
    shown: str
    whole: bool

    def found_in(self, place):
        """As :class:`UndecidedError` lists it."""
        return self.shown, place, f"holds {self.word!r}"


@dataclass(frozen=True)
class Guard:
    """What is to be found: ``names`` also inside words, ``texts`` (notes, codes) as they are, but
    no words that ``may_stay``."""

    names: tuple = ()
    texts: tuple = ()
    may_stay: tuple = ()

    @functools.cached_property
    def _patterns(self):
        found = [(name, _pattern(name, _GAP), True) for name in self.names]
        found += [(text, _pattern(text, ""), False) for text in self.texts]
        return [(word, pattern, inside and bool(TELLING.search(word)))
                for word, pattern, inside in found if pattern]

    def hits(self, text):
        return tuple(dict.fromkeys(hit for hit, _, _ in self._spans(text)))

    def _spans(self, text):
        if not self._patterns:
            return
        plain, places = searchable(text)
        stay = {alike(word) for word in self.may_stay}
        for word, pattern, inside in self._patterns:
            for found in pattern.finditer(plain):
                start, end = _to_the_ends(plain, *found.span())
                whole = (start, end) == found.span()
                if not whole and not (inside and _is_told(found[0], plain, found.span())):
                    continue
                first, last = places[start], places[end - 1] + 1
                if alike(text[first:last]) not in stay:
                    yield Hit(word, text[first:last], whole), first, last

    def scrubbed(self, value):
        """A text, or a list of texts, without what is a word of its own."""
        if isinstance(value, list):
            return [self.scrubbed(v) for v in value]
        if not isinstance(value, str):
            return value
        spans = sorted((first, last) for hit, first, last in self._spans(value) if hit.whole)
        out, done = [], 0
        for first, last in spans:
            if last > done:
                out += [value[done:first], STAND_IN] if first >= done else []
                done = last
        return "".join([*out, value[done:]])

    def refuse(self, texts):
        """Raise UndecidedError when one of some (place, text) holds what is to stay hidden."""
        finds = [hit.found_in(place) for place, text in texts for hit in self.hits(text)]
        if finds:
            raise UndecidedError(finds)

    def told_by(self, text):
        """The finds in a file's text that are no words of the kit's own."""
        return [hit for hit in self.hits(text) if not _is_ours(hit)]


def holds(text, word):
    """Whether a text holds another as words of their own."""
    return bool(Guard(texts=(word,)).hits(text))


def _pattern(word, gap):
    """The signs of a word one after the other; for a text its words with any signs between."""
    runs = re.findall(r"[^ -]+", searchable(word)[0])
    joined = gap.join("".join(runs)) if gap else "[ -]+".join(map(re.escape, runs))
    return re.compile(joined) if runs else None


def _to_the_ends(plain, start, end):
    while start and plain[start - 1].isalnum():
        start -= 1
    while end < len(plain) and plain[end].isalnum():
        end += 1
    return start, end


def _is_told(found, plain, span):
    """Whether a find within longer words can be meant: in one piece, or from a word's begin or end
    ('cedar-wood', but not 'spice dark' for Cedar)."""
    if found.isalnum():
        return True
    start, end = _to_the_ends(plain, *span)
    return " " not in found and (start == span[0] or end == span[1])


# ---- the files of a package ---------------------------------------------------------------------


def readings(data):
    """The text of a file as a reader may see it: entities and escapes made plain, once with and
    once without what marks it up, which may stand between two words or within one.

    Pictures are those of :mod:`scentlab.sharing.photos`: pixels alone, which hold no words.
    """
    text = _HASH.sub(" ", _PICTURE.sub(" ", data.decode("utf-8", "replace")))
    text = _ESCAPED.sub(lambda m: chr(int(m[1] or m[2], 16)), html.unescape(text))
    return "\n".join([text, _TAG.sub("", text) if "<" in text else ""])


def _is_ours(hit):
    """Whether a find stands in what every package holds, whatever the series."""
    return holds(_fixed_text(), hit.word) if hit.whole else alike(hit.shown) in _kit_words()


@functools.cache
def _fixed_text():
    """Templates and descriptions of columns: a fragrance may be called by a word of them."""
    from scentlab.sharing import parts
    from scentlab.sharing.pages import fixed_text

    schemas = [parts.table_schema(part) for part in parts.PARTS.values()]
    return fixed_text() + json.dumps(schemas)


@functools.cache
def _kit_words():
    """Every word of the kit's own sentences, names and templates; examples are none of them."""
    texts = {_fixed_text(), (_KIT / "columns.toml").read_text(encoding="utf-8")}
    for path in _sources():
        nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
        texts |= {node.value for node in nodes
                  if isinstance(node, ast.Constant) and isinstance(node.value, str)}
        texts -= {node.body[0].value.value for node in nodes
                  if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
                  and ast.get_docstring(node) is not None}
        texts |= {n.arg for n in nodes if isinstance(n, ast.arg | ast.keyword) and n.arg}
    return {word for text in texts for word in re.findall(r"[^\W\d_]+", searchable(text)[0])}


# Folders whose words do not reach a package: forms, commands, guides and the demo.
_KIT = Path(__file__).parents[1]
_SILENT = {"recording", "forms", "screens", "lab", "panel", "cli", "guide", "notebooks", "data"}


def _sources():
    return [path for path in _KIT.rglob("*.py")
            if not _SILENT & {*path.relative_to(_KIT).parts}
            and not path.name.startswith(("cli", "guard", "published"))]

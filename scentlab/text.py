"""Text as people type it: kept, compared, searched, shown and written into tables in one way.

Kept text is NFC without spaces at its ends, so that what was typed stays as it was typed. Two
names are one when they are alike under NFKC, in upper or lower case, with any run of spaces,
whichever of the dashes, and in whichever of the Latin, Greek and Cyrillic letters that look the
same. Signs that cannot be seen (control, zero-width, bidirectional, blank letters) are in no name.

Sources: Unicode Standard Annex 15 (normalisation) and Technical Report 36, 2.2 and 2.10
(look-alikes, signs without a look).
"""

import functools
import re
import unicodedata
import zlib

# Default-ignorable or blank signs whose category is that of a letter, a mark or a symbol.
_BLANK = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u180b\u180c\u180d\u2800\u3164\uffa0")
_UNSEEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
_LOOKS = str.maketrans(
    # Cyrillic and Greek, after case folding, then dashes and apostrophes.
    "авекмнорстухіјѕԁѵ" "αβεζηικμνορτυχϲ" "‐‑‒–—―−" "’‘ʼ`´",
    "abekmhopctyxijsdv" "abezhikmvoptyxc" + 7 * "-" + 5 * "'",
)
_SPACES = re.compile(r"\s+")
# A spreadsheet takes a cell that begins so for a formula; some take the wide signs too.
_FORMULA = re.compile(r"\s*[=+\-@\t\r'＝＋－＠]")
_DISARMED = re.compile(r"'(?=\s*[=+\-@\t\r'＝＋－＠])")


def kept(text):
    """Text as it is kept: NFC, without spaces at its ends."""
    text = str(text).strip()
    return text if text.isascii() else unicodedata.normalize("NFC", text).strip()


def capital(words):
    """Words with a capital at their beginning; the rest stays as it is."""
    return words[:1].upper() + words[1:]


def count_of(number, word):
    """A number with its word.

    >>> count_of(1, "pot"), count_of(3, "pot"), count_of(3, "test batch")
    ('1 pot', '3 pots', '3 test batches')
    """
    return f"{number:.0f} {word}{'' if number == 1 else 'es' if word.endswith('ch') else 's'}"


def gathered(pairs):
    """The values of pairs by their key, in the order in which they come."""
    found = {}
    for key, value in pairs:
        found.setdefault(key, []).append(value)
    return found


def in_sentences(parts):
    """Parts as sentences, those that are empty left out and the first as it begins.

    >>> in_sentences(["soft: use 9 %", "", "one pot"])
    'soft: use 9 %. One pot.'
    """
    first, *rest = filter(None, parts)
    return ". ".join([first, *map(capital, rest)]) + "."


def unseen(text, lines=False):
    """The signs of a text that nobody can see, as U+ numbers; ``lines`` lets tab and line end be.

    >>> unseen("so\\u200bft\\x1b"), unseen("a\\nb", lines=True)
    (('U+200B', 'U+001B'), ())
    """
    if text.isascii() and text.isprintable():
        return ()
    return tuple(dict.fromkeys(
        f"U+{ord(c):04X}" for c in text
        if _is_unseen(c) and not (lines and c in "\n\r\t")
    ))


def _is_unseen(sign):
    return not " " <= sign <= "~" and (
        sign in _BLANK or unicodedata.category(sign) in _UNSEEN
    )


def alike(text):
    """What a name is compared by: equal for names that differ only in look.

    >>> alike("Soft  Wax ") == alike("soft wax"), alike("P01-1") == alike("p01\\u20111")
    (True, True)
    >>> alike("soft") == alike("s\\u043eft"), alike("soft") == alike("firm")
    (True, False)
    """
    text = str(text)
    if text.isascii():
        return " ".join(text.lower().replace("`", "'").split())
    folded = unicodedata.normalize("NFKC", text).casefold()
    folded = unicodedata.normalize("NFKC", folded).translate(_LOOKS)
    return _SPACES.sub(" ", folded).strip()


def twins(names):
    """Pairs of different or equal names that are one, each with the first of its kind.

    >>> twins(["soft", "firm", "Soft "])
    [('soft', 'Soft ')]
    """
    first, found = {}, []
    for name in names:
        if alike(name) in first:
            found.append((first[alike(name)], name))
        else:
            first[alike(name)] = name
    return found


def spelling(known, given=()):
    """A function that gives a name the spelling in which it is known, or was first given.

    >>> spell = spelling(["P01-1", "soft"], ["Firm", "firm"])
    >>> spell("p01-1"), spell("Soft "), spell("firm"), spell(" new ")
    ('P01-1', 'soft', 'Firm', 'new')
    """
    exact, first = set(known), {}
    for name in (*known, *given):
        first.setdefault(alike(name), name)
    return lambda name: name if name in exact else first.get(alike(name), kept(name))


def visible(text):
    """Text that can be printed anywhere: what cannot be seen is written as an escape.

    >>> print(visible("red\\x1b[31m \\u202eabc"))
    red\\x1b[31m \\u202eabc
    """
    if text.isascii() and text.isprintable():
        return text
    # A return alone goes back over the line; before a line end it is part of that.
    return "\r\n".join("".join(
        c if c in "\n\t" or not _is_unseen(c) else c.encode("unicode_escape").decode("ascii")
        for c in line
    ) for line in text.split("\r\n"))


def searchable(text):
    """Text for a search and, per sign of it, the place in the original.

    Letters and digits without case, accent or look; a space for spaces, a dash for any other
    sign; nothing for what cannot be seen.

    >>> searchable("Ce\\u0301\\u00addre_v2")[0]
    'cedre-v2'
    """
    signs, places = [], []
    for place, sign in enumerate(text):
        plain = _plain(sign)
        signs.append(plain)
        places.extend([place] * len(plain))
    return "".join(signs), places


@functools.cache
def _plain(sign):
    if sign in " \t\n\r\u00a0" or unicodedata.category(sign) == "Zs":
        return " "
    if _is_unseen(sign):
        return ""
    apart = unicodedata.normalize("NFKD", sign).casefold()
    apart = unicodedata.normalize("NFKD", apart).translate(_LOOKS)
    found = "".join(c for c in apart if c.isalnum())
    if found:
        return found
    return "" if unicodedata.combining(sign) or unicodedata.category(sign) == "Mn" else "-"


def disarmed(cell):
    """A cell that no spreadsheet runs: an apostrophe before what would begin a formula.

    >>> disarmed("=1+1"), armed(disarmed("=1+1")), disarmed("8 %")
    ("'=1+1", '=1+1', '8 %')
    """
    return f"'{cell}" if _FORMULA.match(cell) else cell


def armed(cell):
    """The inverse of :func:`disarmed`."""
    return _DISARMED.sub("", cell, count=1) if cell.startswith("'") else cell


def seed_of(*words):
    """A seed of chance that follows from what something is about."""
    return zlib.crc32(" ".join(map(str, words)).encode())

"""HTML from a notebook made harmless: known elements only, no script, nothing from the network."""

import html
import re
from html.parser import HTMLParser

ELEMENTS = frozenset(
    "a b blockquote br caption code col colgroup dd del details div dl dt em figcaption figure h1 "
    "h2 h3 h4 h5 h6 hr i img li ol p pre s small span strong style sub summary sup table tbody td "
    "tfoot th thead tr u ul".split()
)
ATTRIBUTES = frozenset(
    "alt class colspan id lang open role rowspan scope start style title width height".split()
)
VOID = frozenset("br col hr img".split())
# Whatever stands within these is no text of the page.
DROPPED = frozenset("script template iframe object svg math title head noscript".split())
ROWS = frozenset("tr p li dt dd h1 h2 h3 h4 h5 h6 caption div br summary figcaption pre".split())
_PICTURE = re.compile(r"data:image/(png|jpeg|gif);base64,[A-Za-z0-9+/=\s]+")
_OUTWARD = re.compile(r"url\s*\(|@import|expression\s*\(|\\", re.IGNORECASE)


def clean_html(text):
    """HTML with known elements and attributes only; headings one step lower.

    A link keeps its text and loses its target, unless that is on the page.

    >>> clean_html('<h1 onclick="x()">A<script>x()</script> <a href="http://b.example">b</a></h1>')
    '<h2>A <a>b</a></h2>'
    """
    cleaner = _Cleaner()
    cleaner.feed(text)
    cleaner.close()
    return "".join(cleaner.out) + "".join(f"</{name}>" for name in reversed(cleaner.open))


def words_of(text):
    """The words of HTML, one line per row of a table, paragraph or line of text.

    >>> words_of("<tr><td>417</td><td>P01</td></tr><p>b</p>")
    ['417 P01', 'b']
    """
    parts, pre = [], False
    for piece in re.split(r"(<[^>]*>)", text):
        if piece.startswith("<"):
            name = re.match(r"</?\s*([a-z0-9]*)", piece)[1]
            pre = pre if name != "pre" else not piece.startswith("</")
            parts.append("\n" if name in ROWS else " ")
        else:
            # Lines of the source are lines of the page in preformatted text alone.
            piece = piece if pre else " ".join(piece.split("\n"))
            parts.append(html.unescape(piece))
    lines = (" ".join(line.split()) for line in "".join(parts).split("\n"))
    return [line for line in lines if line]


class _Cleaner(HTMLParser):
    """Writes what is known and closes what was left open."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.out, self.open, self.skipping = [], [], []

    def handle_starttag(self, tag, attributes):
        anchor = tag == "a" and "anchor-link" in (dict(attributes).get("class") or "").split()
        if self.skipping or tag in DROPPED or anchor:
            if tag not in VOID:
                self.skipping.append(tag)
            return
        if tag not in ELEMENTS:
            return
        kept = _kept(tag, attributes)
        if tag == "img" and "src=" not in kept:
            return
        name = _lower(tag)
        self.out.append(f"<{name}{kept}>")
        if tag not in VOID:
            self.open.append(name)

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag):
        if self.skipping:
            if tag in self.skipping:
                del self.skipping[len(self.skipping) - 1 - self.skipping[::-1].index(tag):]
            return
        name = _lower(tag)
        if name in self.open:
            while True:
                last = self.open.pop()
                self.out.append(f"</{last}>")
                if last == name:
                    break

    def handle_data(self, data):
        if self.skipping:
            return
        if self.open and self.open[-1] == "style":
            # The text of a style is not escaped in HTML, and must neither end it nor reach out.
            self.out.append("" if _OUTWARD.search(data) or "<" in data else data)
            return
        self.out.append(html.escape(data, quote=False))


def _lower(tag):
    """A heading one step lower: the page has a heading of its own."""
    return f"h{min(int(tag[1]) + 1, 6)}" if re.fullmatch(r"h[1-6]", tag) else tag


def _kept(tag, attributes):
    parts = []
    for name, value in attributes:
        value = value or ""
        if name in ATTRIBUTES or name.startswith("aria-"):
            good = name != "style" or not _OUTWARD.search(value)
        elif tag == "a" and name == "href":
            good = value.startswith("#")
        else:
            good = tag == "img" and name == "src" and bool(_PICTURE.fullmatch(value))
        if good:
            parts.append(f' {name}="{html.escape(value)}"')
    return "".join(parts)

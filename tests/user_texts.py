"""Everything that a maker reads, gathered from the sources."""

import ast
import json
import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]


def texts():
    """Pairs of place and text: strings with three spaces or more, pages, notebooks, README."""
    kit = (ROOT / "scentlab").rglob
    for path in sorted(kit("*.py")):
        for line, text in strings(path.read_text(encoding="utf-8")):
            yield f"{path.relative_to(ROOT)}:{line}", text
    for path in sorted((*kit("*.j2"), *kit("*.html"))):
        yield str(path.relative_to(ROOT)), plain(path.read_text(encoding="utf-8"))
    for path in sorted(kit("commands.toml")):
        for part in tomllib.loads(path.read_text(encoding="utf-8")).values():
            for page in part.values():
                said = [page] if isinstance(page, str) else map(str, page.values())
                yield str(path.relative_to(ROOT)), "\n".join(said)
    for path in sorted((*kit("*.toml"), *kit("*.js"))):
        for text in re.findall(_QUOTED[path.suffix], path.read_text(encoding="utf-8")):
            yield str(path.relative_to(ROOT)), text
    for path in sorted((ROOT / "notebooks").glob("*.ipynb")):
        yield from _cells(path)
    yield "README.md", (ROOT / "README.md").read_text(encoding="utf-8")


# What is said in tables of fields and in scripts of pages.
_QUOTED = {
    ".toml": r'(?:title|what|kind|meaning|label|example|words|takes|needs|source|remedy|'
             r'beside|answer) = "([^"]*)"',
    ".js": r"[\"'`]([^\"'`\n]* [^\"'`\n]* [^\"'`\n]*)[\"'`]",
}


def _cells(path):
    for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
        source = "".join(cell["source"])
        said = [(0, source)] if cell["cell_type"] == "markdown" else strings(source)
        for _, text in said:
            yield f"{path.relative_to(ROOT)}, cell {cell.get('id')}", text


def strings(source):
    """Line and text of every string with three spaces or more that is no docstring."""
    tree = ast.parse(source)
    docs = {
        id(n.body[0].value) for n in ast.walk(tree)
        if isinstance(n, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and n.body and isinstance(n.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            if id(node) not in docs and node.value.count(" ") >= 3:
                yield node.lineno, node.value


def plain(page):
    """The words of a template or page, without styles, marks and pieces of a program."""
    page = re.sub(r"(?s)<style>.*?</style>|<script>.*?</script>|\{#.*?#\}", " ", page)
    page = re.sub(r"\{%.*?%\}|\{\{.*?\}\}", " ", page)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", page))


def prose(path):
    """The sentences of a page in Markdown or of a template; tables, code and labels left out."""
    text = (ROOT / path).read_text(encoding="utf-8")
    if path.endswith(".j2"):
        text = re.sub(r"\{%.*?%\}", "", text)
        blocks = re.findall(r"(?s)<(?:p|li)\b[^>]*>(.*?)</(?:p|li)>", text)
        blocks = [re.sub(r"<[^>]*>", "", re.sub(r"\{\{.*?\}\}", "5", b)) for b in blocks]
    else:
        blocks = re.split(r"\n\s*\n", re.sub(r"(?s)```.*?```", "", text))
        blocks = [b for b in blocks if not re.match(r"\s*(\||#|!| {4})", b)]
        blocks = [re.sub(r"[`*]|\[([^\]]*)\]\([^)]*\)", lambda m: m[1] or "", b) for b in blocks]
    blocks = (" ".join(re.sub(r"(?m)^\s*- ", "", b).split()) for b in blocks)
    return [b for b in blocks if len(b.split()) > 5]

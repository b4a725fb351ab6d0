"""Notebooks as one page to read: run from top to bottom, without code, without the network.

:func:`run_notebooks` runs the notebooks of a folder and keeps what they showed; the page holds
their texts, tables and pictures, cleaned to plain HTML. Forms are left out, for they need a
kernel, and so are code and warnings. Nothing is written before ``write``.
"""

import asyncio
import datetime as dt
import html
import os
import re
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import nbclient
import nbformat
import pandas as pd
from nbclient.exceptions import CellExecutionError
from nbconvert.filters.markdown_mistune import markdown2html_mistune

import scentlab
from scentlab.sharing.cleaning import clean_html, words_of
from scentlab.sharing.guard import SharingError, UndecidedError, holds, readings
from scentlab.sharing.pages import place_for, render, write_whole
from scentlab.sharing.shown import Shown

TIMEOUT_S = 600
FORM = "application/vnd.jupyter.widget-view+json"
# A cell with the first tag is neither run nor shown: it writes files or opens other series. The
# second is the one by which Jupyter's own exporters run a cell and leave it out.
STAYS_HOME, NOT_SHOWN = "stays-home", "remove-cell"
FORM_WORDS = "A form stands here in the notebook; it needs a running kernel and is left out."
_DATA = re.compile(r"data:image/\w+;base64,[A-Za-z0-9+/=]+")
_TITLE = re.compile(r"title=(?:\{'left': )?'([^'\n]+)'")


@dataclass(frozen=True, repr=False)
class NotebookPage(Shown):
    """A page as it would be written: look at it, then ``write`` it.

    Attributes
    ----------
    html : str, the whole page, without any reference to the network.
    table : DataFrame, one row per notebook: notebook, texts, tables, pictures, forms_left_out,
        code_cells_hidden.
    notices : tuple of sentences, what is held back.
    """

    html: str
    table: pd.DataFrame
    notices: tuple = field(default=())

    @property
    def sentence(self):
        total = self.table.sum(numeric_only=True)
        size = len(self.html.encode("utf-8")) / 1000
        return (
            f"One page of {_number(len(self.table), 'notebook')} ({size:.0f} kB) with "
            f"{_number(total['texts'], 'text')}, {_number(total['tables'], 'table')} and "
            f"{_number(total['pictures'], 'picture')}; left out: "
            f"{_number(total['code_cells_hidden'], 'code cell')} and "
            f"{_number(total['forms_left_out'], 'form')}."
        )

    def write(self, path):
        """Write the page to ``path``, whole or not at all, and return the path."""
        path = Path(path)
        if path.suffix.lower() not in (".html", ".htm"):
            raise SharingError(f"{path.name} is a web page; give it a name that ends in .html")
        write_whole(place_for(path, "the page"), self.html.encode("utf-8"))
        return path


def run_notebooks(folder, names, *, title, invented=False, held=None, key=()):
    """Run notebooks of a folder and make one page of what they show.

    Parameters
    ----------
    folder : folder of a series; the notebooks run in it and may write there.
    names : file names of notebooks in it, in the order to show.
    title : str, of the page. invented : bool, whether its data are made up.
    held : Held of :func:`scentlab.sharing.redaction.redact`, if anything is held back.
    key : pairs of blind code and pour of the pieces that are not scored yet.

    Returns
    -------
    NotebookPage

    Raises
    ------
    SharingError when a notebook is missing or fails, when something hidden would stand on the
    page, or when the page would tell the pour of a piece that is still to be scored.
    """
    folder = Path(folder)
    parts = [_section(_run(folder, name), name, folder) for name in names]
    for part in parts:
        _check(part, held, key)
    notices = held.notices if held is not None else ()
    page = render(
        "notebooks.html.j2", title=title, invented=invented, notices=notices,
        made_on=dt.date.today().isoformat(), version=scentlab.__version__, notebooks=parts,
    )
    return NotebookPage(page, _count(parts), tuple(notices))


def _run(folder, name):
    """The notebook, run from top to bottom by a kernel of this very environment."""
    path = folder / name
    if not path.is_file():
        there = ", ".join(sorted(p.name for p in folder.glob("*.ipynb"))) or "none"
        raise SharingError(f"{name} is no notebook of this series; there are {there}")
    notebook = nbformat.read(path, as_version=4)
    notebook.cells = [
        c for c in notebook.cells if STAYS_HOME not in c.metadata.get("tags", ())
    ]
    client = nbclient.NotebookClient(
        notebook, timeout=TIMEOUT_S, kernel_name="python3",
        resources={"metadata": {"path": str(folder)}},
    )
    here = str(Path(scentlab.__file__).parents[1])
    known = os.pathsep.join([here, *filter(None, [os.environ.get("PYTHONPATH")])])
    try:
        # A kernel that shows a form has a loop of its own running; another thread has none.
        with ThreadPoolExecutor(1) as thread:
            thread.submit(
                lambda: asyncio.run(client.async_execute(env={**os.environ, "PYTHONPATH": known}))
            ).result()
    except CellExecutionError as error:
        why = _without_folder(f"{error.ename}: {error.evalue}", folder)
        raise SharingError(f"{name} does not run to its end ({why}); mend it first") from None
    return notebook


def _number(number, what):
    return f"{number} {what}{'' if number == 1 else 's'}"


def _section(notebook, name, folder):
    """What a notebook shows, as blocks of a kind and clean HTML."""
    blocks, code, forms = [], 0, 0
    for cell in notebook.cells:
        if NOT_SHOWN in cell.metadata.get("tags", ()):
            continue
        if cell.cell_type == "markdown":
            blocks.append(("text", _markdown(cell.source)))
        elif cell.cell_type == "code":
            code += 1
            for output in cell.outputs:
                kind, shown_as = _output(output, folder)
                forms += kind == "form"
                blocks += [(kind, shown_as)] if shown_as else []
    return {"name": name, "blocks": blocks, "code": code, "forms": forms}


def _markdown(source):
    return clean_html(markdown2html_mistune(source))


def _output(output, folder):
    """Kind (text, table, picture, form) and clean HTML of one output; HTML empty when left out."""
    if output.output_type == "stream":
        # Warnings name files of this machine and tell a reader nothing.
        text = output.text if output.name == "stdout" else ""
        return "text", _as_text(text, folder)
    data = output.get("data", {})
    if FORM in data:
        return "form", f'<p class="quiet">{FORM_WORDS}</p>'
    if "text/html" in data:
        found = clean_html(_without_folder(data["text/html"], folder))
        return ("table" if "<table" in found else "text"), _in_boxes(found)
    if "text/markdown" in data:
        return "text", _markdown(_without_folder(data["text/markdown"], folder))
    if "image/png" in data:
        return "picture", _picture(data)
    return "text", _as_text(data.get("text/plain", ""), folder)


def _as_text(text, folder):
    text = _without_folder(text, folder).strip()
    return f"<pre>{html.escape(text)}</pre>" if text else ""


def _without_folder(text, folder):
    """Text that does not tell where on this machine the notebooks ran."""
    for place in dict.fromkeys((str(folder.resolve()), str(folder))):
        text = text.replace(f"{place}{os.sep}", "").replace(place, "its folder")
    return text


def _in_boxes(found):
    """Tables in boxes of their own, which scroll where the page is narrow."""
    box = '<div class="wide" tabindex="0" role="group" aria-label="Table"><table'
    return found.replace("<table", box).replace("</table>", "</table></div>")


def _picture(data):
    title = _TITLE.search(data.get("text/plain", ""))
    words = html.escape(f"Picture: {title[1]}" if title else "Picture of the cell above")
    source = "".join(data["image/png"].split())
    return f'<figure><img src="data:image/png;base64,{source}" alt="{words}"></figure>'


def _count(parts):
    rows = [
        (
            part["name"], *(sum(kind == k for k, _ in part["blocks"])
                            for kind in ("text", "table", "picture")),
            part["forms"], part["code"],
        )
        for part in parts
    ]
    return pd.DataFrame(rows, columns=[
        "notebook", "texts", "tables", "pictures", "forms_left_out", "code_cells_hidden",
    ])


def _check(part, held, key):
    """Nothing that is held back, and no key to pieces that are still to be scored."""
    text = "\n".join(found for _, found in part["blocks"])
    told = [] if held is None else held.guard.told_by(readings(text.encode("utf-8")))
    if told:
        raise UndecidedError([(hit, part["name"]) for hit in told])
    text = _DATA.sub("", text)
    for line in words_of(text):
        for code, pour in key:
            if holds(line, code) and holds(line, pour):
                raise SharingError(
                    f"{part['name']} tells that piece {code} is of pour {pour}, and the piece is "
                    "not scored yet; leave that notebook out until it is"
                )

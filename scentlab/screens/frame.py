"""What the pages share: the head that names the series, parts that open, links between pages."""

import html
import os
from pathlib import Path

import ipywidgets as w

from scentlab.forms.fields import note, show_if
from scentlab.forms.frame import STYLE, Form, as_widget, note_of
from scentlab.workshop import PAGES, ROOT_VARIABLE, series_here

CSS = (Path(__file__).parent / "page.css").read_text(encoding="utf-8")
WORKING = note("flag", "Working ...")


class Page(w.VBox):
    """A page: its head, then its parts from top to bottom.

    Parameters
    ----------
    name : of the page, a key of ``workshop.PAGES``. bench : Bench, or None without a series.
    parts : widgets, or what a cell would show.
    """

    def __init__(self, name, bench=None, parts=()):
        super().__init__()
        self.bench, self._head = bench, w.HTML(f"{STYLE}<style>{CSS}</style>{_head_html(name, bench)}")
        self.add_class("scent-page")
        self.fill(parts)

    def fill(self, parts):
        """Put parts in the place of those that are there."""
        self.children = [self._head, *(as_widget(part, "") for part in parts)]


class Fold(w.VBox):
    """A part that is shut at first, and made when it is first opened.

    Parameters
    ----------
    title : of its button. name : for the browser, of letters and dashes.
    make : callable() -> what a cell would show, or a list of that. words : read out for a picture.
    """

    def __init__(self, title, make, name, words=""):
        super().__init__()
        self._title, self._make, self._words, self._made = title, make, words or title, False
        self.body = w.VBox()
        head = Form()
        self.button = head._button("", f"fold-{name}", lambda: self.turn(not self.is_open))
        head._lay_out(self.button)
        self.children = [head, self.body]
        self.turn(False)

    @property
    def is_open(self):
        return self.body.layout.display != "none"

    def turn(self, to_open):
        """Open it or shut it."""
        show_if(to_open, self.body)
        self.button.description = f"{'▾' if to_open else '▸'} {self._title}"
        self.button.tooltip = f"{self._title}: {'close' if to_open else 'open'}"
        if to_open and not self._made:
            self._made = True
            self.body.children = [w.HTML(STYLE + WORKING)]
            self.body.children = shown(self._make, self._words)


def shown(make, words=""):
    """What ``make()`` gives as widgets, or the reason why there is nothing to see.

    What one part cannot show must not keep the others from showing theirs.
    """
    try:
        found = make()
    except Exception as error:  # in a callback it would reach nobody
        return [w.HTML(STYLE + note_of(error))]
    found = found if isinstance(found, (list, tuple)) else [found]
    return [as_widget(thing, words) for thing in found]


def bench_of(folder, *needs):
    """The series in a folder, or a copy of the demo where it lacks what a page needs."""
    return series_here(*needs, folder=folder or ".")


def heading(words):
    return w.HTML(f"<h3>{html.escape(words)}</h3>")


def _head_html(name, bench):
    if bench is None:
        return f"<h2>{html.escape(PAGES[name])}</h2>"
    steps = "".join(
        f'<li>{link_html(page, words, bench.folder, here=page == name)}</li>'
        for page, words in PAGES.items()
    )
    title = html.escape(bench.store.about()["title"] or bench.folder.name)
    box = bench._repr_html_() if bench.demo else ""
    return (f'<nav aria-label="pages of this series"><ol class="scent-way">{steps}</ol></nav>'
            f"<h2>{title}</h2>{box}")


def link_html(page, words, folder, here=False):
    """A link to a page of the kit for the series in a folder.

    In the lab that the kit has started it opens there; elsewhere it names the notebook.
    """
    words = html.escape(words)
    if here:
        return f'<b aria-current="page">{words}</b>'
    root, place = os.environ.get(ROOT_VARIABLE), f"{page}.ipynb"
    if root:
        inside = Path(os.path.relpath(Path(folder).resolve(), root)).as_posix()
        place = place if inside == "." else f"{inside}/{place}"
    return f'<a href="{page}.ipynb" data-scentlab-page="{html.escape(place)}">{words}</a>'

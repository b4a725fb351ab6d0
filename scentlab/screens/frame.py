"""What the pages share: the head that names the series, parts that open, links between pages."""

import datetime as dt
import html
from pathlib import Path

import ipywidgets as w

from scentlab.amounts import units_here
from scentlab.files import PAGES, page_links
from scentlab.forms.fields import Section, note, show_if
from scentlab.forms.frame import STYLE, Form, as_widget, as_widgets
from scentlab.units import show_in
from scentlab.workshop import series_here

CSS, CAUTIONS = ((Path(__file__).parent / name).read_text(encoding="utf-8")
                 for name in ("page.css", "cautions.html"))
LEFT = "Scoring progress"  # the fold of what waits
WORKING = note("flag", "Working ...")


class Page(w.VBox):
    """A page: its head, then its parts from top to bottom.

    ``name`` is a key of ``files.PAGES``; ``build(page)`` gives the parts: widgets, or what a
    cell would show, once more by the button that brings the page up to date; it may set ``look``,
    which brings up to date what changes elsewhere and is called when the page is seen again. A
    page without it says then that the record changed since, or the day, and how to renew it.
    """

    look = None

    def __init__(self, name, build, bench=None):
        super().__init__()
        self.bench, self._build = bench, build
        self._head = w.HTML(f"{STYLE}<style>{CSS}</style>{_head_html(name, bench)}")
        foot = Form()
        self.again = foot._button("Update this page", "again", self.renew)
        foot._lay_out(self.again, foot.message)
        foot.on_seen = self._seen
        self._foot, self.changed = foot, Form()
        at_top = self.changed._button(self.again.description, "renew", self._renew)
        self.changed._lay_out(self.changed.message, at_top)
        foot.slow, self.changed.slow = ("again",), ("renew",)  # what fits takes seconds
        self.add_class("scent-page")
        self.renew()

    def renew(self):
        """Make all parts anew, from what is stored now."""
        if self.bench is not None and not self.bench.demo:
            show_in(units_here(self.bench.folder)[0])
        self._made, self._made_at = self._record(), dt.datetime.now()
        parts = [as_widget(part, "") for part in self._build(self)]
        show_if(False, self.changed)
        self.children = [self._head, self.changed, *parts, self._foot]

    def _record(self):
        """What tells whether somebody else has stored anything, or another day has come."""
        own = self.bench is not None and not self.bench.demo
        return own and self.bench.store.entries_of_others(), dt.date.today()

    def _seen(self):
        if self.look:
            self.look()
        elif self._record() != self._made:
            self.changed.message.value = note("flag", (
                "The record or the day has changed since this page was made, "
                f"{self._made_at:%H:%M} on {self._made_at:%Y-%m-%d}: it shows what was stored by "
                "then."))
            show_if(True, self.changed)

    def _renew(self):
        self.changed.message.value = WORKING
        self.renew()


class Fold(Section):
    """A part that is shut at first, and made when it is first opened.

    ``make()`` gives what a cell would show, or a list of that; ``words`` are read out for a
    picture.
    """

    def __init__(self, title, make, name, words=""):
        self._make, self._spoken, self._made, self._head = make, words or title, False, Form()
        super().__init__(title, (), name)
        self._head._lay_out(self.fold)
        self.children = [self._head, self.body]

    def turn(self, to_open):
        super().turn(to_open)
        self._head._refresh()  # what screen readers say
        if to_open and not self._made:
            self._made = True
            self.renew()

    def renew(self):
        """Make anew what it shows, if it was opened before."""
        if self._made:
            self.body.children = [w.HTML(STYLE + WORKING)]
            self.body.children = as_widgets(self._make, self._spoken)


def cautions_fold():
    return Fold("Before the heat is on", lambda: w.HTML(CAUTIONS), "cautions")


def bench_of(folder, *needs):
    """The series in a folder, or a copy of the demo where it lacks what a page needs; its units
    are shown from now on."""
    show_in(units_here(folder or ".")[0])
    return series_here(*needs, folder=folder or ".")


def leave_to_do(store, table, rows):
    """Take rows out of the demo, so that a form has something to show."""
    for entry in rows["entry_id"]:
        store.void(table, entry, "taken out to show the form")


def _head_html(name, bench):
    if bench is None:
        return f"<h2>{html.escape(PAGES[name])}</h2>"
    steps = "".join(f"<li>{link}</li>" for link in page_links(bench.folder, name))
    title = html.escape(bench.store.about()["title"] or bench.folder.name)
    box = bench._repr_html_() if bench.demo else ""
    return (f'<nav aria-label="pages of this series"><ol class="scent-way">{steps}</ol></nav>'
            f"<h2>{title}</h2>{box}")

"""The first page: a workshop's series with what is due today, or how far one series is."""

import datetime as dt
import html
import re
from functools import lru_cache, partial
from itertools import count
from pathlib import Path

import ipywidgets as w

from scentlab.amounts import units_here
from scentlab.files import PAGES, file_link, link_html
from scentlab.forms.fields import Field, note, show_if, text_column
from scentlab.forms.frame import Form, clock_of, listed
from scentlab.forms.shelf import ShelfForm
from scentlab.forms.units import UnitsForm
from scentlab.guide.stages import STAGES, see_stages
from scentlab.recording.progress import score_words, waits_long
from scentlab.recording.shelf import SHELF_NAME, gather
from scentlab.recording.store import FILE_NAME, Store, StoreError
from scentlab.screens.frame import LEFT, Fold, Page, bench_of, cautions_fold
from scentlab.text import count_of
from scentlab.units import show_in
from scentlab.workshop import EXPORTS_NAME, begin_series, is_quick, make_demo_series, series_in

DEMO_NAME = "demo-series"
_MARKS = {"done": "✓", "now": "▶", "later": "○"}


def start_page(folder: str | Path | None = None, today: dt.date | None = None) -> Page:
    """The page on which the work begins.

    Parameters
    ----------
    folder : of a workshop (a folder of series) or of a series; None takes that of the notebook.
    today : date; None takes the machine's day.

    Returns
    -------
    Page, a widget.

    >>> start_page().bench is None
    True
    """
    folder = Path(folder or ".").resolve()
    own = (folder / FILE_NAME).is_file()
    return Page("start", partial(_series if own else _workshop, folder=folder, today=today),
                bench_of(folder) if own else None)


def _series(page, folder, today):
    store, told = page.bench.store, w.HTML()

    def look():
        stages = see_stages(store, folder, today or dt.date.today())
        told.value = stages_html(stages, folder) + due_html(stages.progress, store, folder)

    page.look = look
    look()
    return [told, cautions_fold(), units_fold(folder, page)]


def units_fold(folder, page):
    """The choice of units for a folder; what is on the page follows at once."""
    before = getattr(page, "units", None)
    page.units = Fold(f"Units: {units_here(folder)[0].words}",
                      lambda: UnitsForm(folder, page.renew), "units")
    page.units.turn(before is not None and before.is_open)  # two choices are made there
    return page.units


def _workshop(page, folder, today):
    show_in(units_here(folder)[0])
    page.new = NewSeries(folder, page.renew)
    new = Fold("A new series", lambda: page.new, "new")
    cards, learnt = w.HTML(), _learnt(folder)
    drawn = lru_cache(500)(lambda place, day, *written: card_html(place, day))

    def card(place):
        """Made anew when what it is made of was written to, or on another day."""
        return drawn(place, today or dt.date.today(), *map(_written_at, (
            place / FILE_NAME, place / f"{FILE_NAME}-wal", place / EXPORTS_NAME)))

    def look():
        found = "".join(map(card, series_in(folder)))
        cards.value = (f'<div class="scent-cards">{found}</div>' if found else
                       "<p>No series here yet.</p>")
        show_if(found, learnt)
        return found

    page.look = look
    new.turn(not look())
    quick = Fold("A quick check: one pot, one evening",
                 lambda: _quick(folder, today, look), "quick")
    return [cards, quick, new,
            Fold("The shelf: waxes, fragrances, blends, testers, recipes",
                 lambda: shelf_parts(folder), "shelf"),
            learnt, cautions_fold(), units_fold(folder, page)]


def _written_at(path):
    """When a file was written last, or anything put into a folder; 0 where there is none."""
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


# What fits and draws is imported when a part is opened: the page is there a second sooner.


def _quick(folder, today, look):
    from scentlab.forms.quick import quick_page

    check = quick_page(_free_name(folder, f"quick-{today or dt.date.today()}"), today)
    check.observe(lambda _: look(), "children")  # begun, or a step further
    return check


def _learnt(folder):
    def parts():
        from scentlab.screens.learnt import learnt_parts

        return learnt_parts(folder, fold.body)

    fold = Fold("What this workshop has learnt", parts, "learnt")
    return fold


def shelf_parts(folder):
    """What is on the shelf of a workshop, and the form to put something there."""
    from scentlab.words.tables import shelf_lines

    said = w.HTML()

    def look():
        lines = listed(shelf_lines(gather(folder)))
        link = file_link(folder / SHELF_NAME, "its file")
        said.value = (f"{lines}<p>A change adds a row to {link}, which opens in any spreadsheet; "
                      "old rows stay.</p>" if lines else
                      "<p>Nothing here yet: what you plan in a series is added automatically.</p>")

    look()
    return [said, ShelfForm(folder, look)]


def _free_name(folder, name):
    """A folder that is not there yet."""
    tries = (folder / (name if n == 1 else f"{name}-{n}") for n in count(1))
    return next(place for place in tries if not place.exists())


class NewSeries(Form):
    """Make the folder of a new series, or of the invented demo.

    ``folder`` is the workshop; ``on_made`` is called when a series was made.
    """

    def __init__(self, folder, on_made):
        super().__init__()
        self._folder, self._on_made = folder, on_made
        self.title = Field("title", text_column("title", "title"),
                           example="Cedar in two soft waxes")
        self.make = self._button("Start the series", "make", self._make, saves=True)
        self.demo = self._button("See the invented demo", "demo", self._demo, saves=True)
        self._lay_out(self.title, self.make, self.demo, self.message)

    def _make(self):
        name = "-".join(re.findall(r"\w+", self.title.text.lower()))
        if not name:
            raise ValueError("The series has no name yet: type a title.")
        begin_series(_free_name(self._folder, name), self.title.text)
        self._made()

    def _demo(self):
        place = self._folder / DEMO_NAME
        if not (place / FILE_NAME).is_file():
            make_demo_series(place)
        self._made()

    def _made(self):
        self._say("saved", f"Made at {clock_of()}.")
        self._on_made()


def card_html(place, today):
    """A series as a card: title, how far it is, what is due, and a link to each page."""
    name = html.escape(place.name)
    try:
        store = Store.open(place)
        stages = see_stages(store, place, today)
    except StoreError as error:
        return f'<article class="scent-series"><h3>{name}</h3>{note("error", error)}</article>'
    states = list(stages.table["state"])
    page = "share" if "now" not in states else list(PAGES)[1 + states.index("now")]
    words = PAGES[page]
    if is_quick(store.plan()):
        page, words = "quick", "Quick check"
    # Two checks of one wax and fragrance have one title.
    folder = "" if stages.title == place.name else f"<p>Folder {name}</p>"
    links = " ".join(link_html(name, words, place) for name, words in PAGES.items()
                     if name != "start")
    return (
        f'<article class="scent-series"><h3>{html.escape(stages.title)}</h3>{folder}'
        f'<p role="img" aria-label="{states.count("done")} of {len(states)} stages done">'
        f"{' '.join(map(_MARKS.get, states))}</p><p>{html.escape(stages.told)}</p>"
        f"{due_html(stages.progress, store, place)}"
        f'<p class="scent-go">{link_html(page, f"Go on: {words}", place)}</p>'
        f"<p>{links}</p></article>"
    )


def stages_html(stages, folder):
    cards = []
    for stage, row in zip(STAGES, stages.table.itertuples(), strict=True):
        page = stage.notebook.removesuffix(".ipynb")
        cards.append(
            f'<article class="scent-series scent-{row.state}">'
            f"<h3>{link_html(page, stage.title, folder)}</h3>"
            f"<p><b>{_MARKS[row.state]} {row.state}</b>: {html.escape(row.told)}</p>"
            f"<p>{html.escape(stage.what)}. Time: {html.escape(stage.takes)}. "
            f"Needed: {html.escape(stage.needs)}.</p></article>")
    told = html.escape(stages.told)
    return f'<p><b>{told}</b></p><div class="scent-cards">{"".join(cards)}</div>'


def due_html(progress, store, folder):
    """What is due today, a line each with the link to where it is done."""
    today, rows = progress.today, []
    now, later = score_words(store, today)
    due = progress.pours[progress.pours["planned_on"].map(
        lambda day: day is not None and day <= today)]
    if len(due):
        rows.append(link_html("pour", f"{count_of(len(due), 'test batch')} to pour", folder))
    if now:
        rows.append(link_html("score", now, folder))
    if waits_long(store, today):
        rows.append(f"Lost a piece or cancelled a session? Say so on page Score, {LEFT}.")
    said = f"Due: {'<br>'.join(rows)}" if rows else "Nothing is due today."
    return f"<p>{said}</p>" + (f"<p>Next: {later}.</p>" if later else "")

"""The photos of a series beside load and grade, each of which can be chosen for the report."""

import html

import ipywidgets as w

from scentlab.forms.fields import Tick
from scentlab.forms.photo import photo_html
from scentlab.recording.photos import choose_photo, photos_of
from scentlab.schema import GRADE_WORDS
from scentlab.units import say_load_oz

NONE = ("No photo was taken yet. Take one while you grade, on the phone or on the page for scores, "
        "or bring in a file with: scentlab photo.")
WHICH = "The report shows the ticked ones of pieces at and above the recommended load."


def photo_parts(analysis, bench):
    """The photos that stand, by blend and load, each with its words and a tick for the report."""
    photos = photos_of(bench.store)
    if not photos:
        return NONE
    known = _origins(analysis.series, bench.store)
    photos.sort(key=lambda p: (*known.get(p.code, ("", 0.0)), p.code, p.age_days or 0.0))
    return [w.HTML(f"<p>{WHICH}</p>"), w.Box(
        [_Figure(p, told_words(p, known.get(p.code), analysis.series), bench.store)
         for p in photos],
        layout=w.Layout(flex_flow="row wrap", grid_gap="12px"))]


def told_words(photo, origin, series):
    """A photo in words, its load and grade too: for a page that is not for who scores."""
    where = f"{origin[0]}, {say_load_oz(origin[1])}: " if origin else ""
    return f"{where}{photo.words}{_grade_words(photo, series.grades)}"


def _origins(series, store):
    """Blend and load (% of wax) by code."""
    pours = series.pours.set_index("pour")[["blend", "load_pct"]]
    return {code: tuple(pours.loc[pour]) for code, pour in store.distinct(
        "pieces", ("code", "pour")) if pour in pours.index}


def _grade_words(photo, grades):
    """What was graded of the piece on the day of its photo, '' where nothing was."""
    seen = grades[(grades["code"] == photo.code) & (grades["test"] == photo.test)]
    if photo.age_days is not None:
        seen = seen[(seen["age_days"].astype(float) - photo.age_days).abs() < 1.0]
    found = sorted({int(grade) for grade in seen["grade"]})
    return "".join(f"; {photo.test} grade {grade} ({GRADE_WORDS[photo.test][grade]})"
                   for grade in found)


class _Figure(w.VBox):
    """A photo with its words and the tick that chooses it."""

    def __init__(self, photo, words, store):
        super().__init__(layout=w.Layout(width="260px"))
        self._entry, self._store = photo.entry_id, store
        self.tick = Tick("In the report", f"photo-{photo.code}-{photo.sha256[:8]}", self._choose)
        self.tick.tooltip = f"In the report: {photo.words}"
        self.tick.set(photo.chosen)
        self.children = [w.HTML(photo_html(photo, words)),
                         w.HTML(f"<p>{html.escape(words)}</p>"), self.tick]

    def _choose(self):
        self._entry = choose_photo(self._store, self._entry, self.tick.on).entry_id

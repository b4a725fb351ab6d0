"""The photos of a series beside load and grade, each of which can be chosen for the report."""

import ipywidgets as w

from scentlab.forms.fields import Tick
from scentlab.forms.frame import Form, as_widget
from scentlab.forms.photo import photo_html
from scentlab.recording.photos import choose_photo, photos_of
from scentlab.schema import GRADE_WORDS
from scentlab.units import say_load_oz

NONE = ("No photos yet. Take one while you grade, on the phone or on page Score, or add a file "
        "with: scentlab photo.")
WHICH = "The report shows ticked photos of pieces at and above the recommended load."


def photo_parts(analysis, bench):
    """The photos that stand, by blend and load, each with its words and a tick for the report."""
    photos = photos_of(bench.store)
    if not photos:
        return NONE
    pours = analysis.series.pours.set_index("pour")[["blend", "load_pct"]]
    known = {code: tuple(pours.loc[pour]) for code, pour in bench.store.distinct(
        "pieces", ("code", "pour")) if pour in pours.index}
    photos.sort(key=lambda p: (*known.get(p.code, ("", 0.0)), p.code, p.age_days or 0.0))
    return PhotosForm(
        photos, lambda p: told_words(p, known.get(p.code), analysis.series), bench.store)


def told_words(photo, origin, series):
    """A photo in words, its load and grade too: for a page that is not for who scores."""
    where = f"{origin[0]}, {say_load_oz(origin[1])}: " if origin else ""
    return f"{where}{photo.words}{_grade_words(photo, series.grades)}"


def _grade_words(photo, grades):
    """What was graded of the piece on the day of its photo, '' where nothing was."""
    seen = grades[(grades["code"] == photo.code) & (grades["test"] == photo.test)]
    if photo.age_days is not None:
        seen = seen[(seen["age_days"].astype(float) - photo.age_days).abs() < 1.0]
    found = sorted({int(grade) for grade in seen["grade"]})
    return "".join(f"; {photo.test} grade {grade} ({GRADE_WORDS[photo.test][grade]})"
                   for grade in found)


class PhotosForm(Form):
    """Photos with their words and a tick each, which chooses one for the report."""

    def __init__(self, photos, words, store):
        super().__init__()
        self._store, self._entries = store, {}
        self.figures = w.Box([self._figure(p, words(p)) for p in photos],
                             layout=w.Layout(flex_flow="row wrap", grid_gap="12px"))
        self._lay_out(w.HTML(f"<p>{WHICH}</p>"), self.message, self.figures)

    def _figure(self, photo, words):
        tick = Tick("In the report", f"photo-{photo.code}-{photo.sha256[:8]}",
                    lambda: self._guarded(lambda: self._choose(tick)))
        tick.tooltip = f"In the report: {photo.words}"
        tick.set(photo.chosen)
        self._entries[tick] = photo.entry_id
        return w.VBox([w.HTML(photo_html(photo, words)), as_widget(words, ""),
                       tick], layout=w.Layout(width="260px"))

    def _choose(self, tick):
        try:
            self._entries[tick] = choose_photo(self._store, self._entries[tick], tick.on).entry_id
        except Exception:
            tick.set(not tick.on)  # it shows what is stored
            raise
        self.message.value = ""

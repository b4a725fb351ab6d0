"""Photos beside the grade: those of the piece that is shown, and a field to add one."""

import html

import ipywidgets as w

from scentlab.forms.fields import note, show_if
from scentlab.recording.store import RefusedError
from scentlab.sharing.photos import small


def photo_html(photo, words):
    """A photo, made small, with its words; in its place what is wrong with it."""
    try:
        source = small(photo.read())
    except RefusedError as error:
        return note("error", error)
    return (f'<img src="{source}" alt="{html.escape(words)}" '
            'style="max-width:100%;height:120px;border-radius:6px">')


class PhotoStrip(w.VBox):
    """The photos of a piece, by its blind code alone, and a field to add one.

    ``of(code)`` gives those to show, with ``words`` and ``read()``; ``add(data)`` takes a file.
    """

    def __init__(self, of, add):
        self._of, self._add, self.pictures = of, add, w.HTML()
        self.pick = w.FileUpload(
            accept="image/jpeg,image/png,image/webp", multiple=False,
            description="Photo of this piece", layout=w.Layout(width="auto"),
            tooltip="Photo of this piece: choose a file, or take one",
        )
        self.pick.observe(self._picked, "value")
        super().__init__([self.pictures, self.pick])

    def show(self, code):
        """Show the photos of a piece; None where no piece is left."""
        show_if(code, self)
        self.pictures.value = " ".join(
            photo_html(photo, photo.words) for photo in (self._of(code) if code else ()))

    def _picked(self, change):
        if change["new"]:
            data = bytes(change["new"][0]["content"])
            self.pick.value = ()  # the same file can be chosen again
            self._add(data)

"""Photos beside the grade: those of the piece that is shown, and a field to add one."""

import html

import ipywidgets as w

from scentlab.forms.fields import in_a_row, make_button, note, show_if
from scentlab.forms.frame import clock_of
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
    """The photos of the piece that is shown, by its blind code alone, and a field to add one.

    Parameters
    ----------
    of : callable(code) -> the photos to show, which have ``words`` and ``read()``.
    add : callable(bytes of a file) -> receipt, of the piece that is shown.
    undo : callable(receipt) that voids it.
    """

    def __init__(self, of, add, undo):
        super().__init__()
        self._of, self._add, self._undo, self._code, self._last = of, add, undo, None, None
        self.pick = w.FileUpload(
            accept="image/jpeg,image/png,image/webp", multiple=False,
            description="Photo of this piece", layout=w.Layout(width="auto"),
            tooltip="Photo of this piece: choose a file, or take one",
        )
        self.pick.observe(self._picked, "value")
        self.undo = make_button("Undo this photo", "photo-undo")
        self.undo.on_click(lambda _: self._guarded(self._undo_last))
        self.pictures, self.said = w.HTML(), w.HTML()
        self.children = [self.pictures, in_a_row([self.pick, self.undo]), self.said]

    def show(self, code):
        """Show the photos of a piece; None where no piece is left."""
        if code != self._code:
            self._last, self.said.value = None, ""
        self._code = code
        show_if(code is not None, self)
        show_if(self._last is not None, self.undo)
        self.pictures.value = " ".join(
            photo_html(photo, photo.words) for photo in (self._of(code) if code else ()))

    def _picked(self, change):
        if change["new"]:
            data = bytes(change["new"][0]["content"])
            self.pick.value = ()  # the same file can be chosen again
            self._guarded(lambda: self._keep(data))

    def _keep(self, data):
        self._last = self._add(data)
        self.show(self._code)
        self.said.value = note("saved", f"Saved at {clock_of(self._last)}: photo of piece "
                                        f"{self._code}.")

    def _undo_last(self):
        self._undo(self._last)
        self._last = None
        self.show(self._code)
        self.said.value = note("saved", f"Undone: the photo of piece {self._code}. It stays in "
                                        "the history as void.")

    def _guarded(self, action):
        """Run a callback; show what went wrong, for nobody else would."""
        try:
            action()
        except Exception as error:
            self.said.value = note("error", f"NOT SAVED. {error}")

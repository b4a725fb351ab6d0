"""Choose a blend by a tap; what stands below is shown for it."""

import base64
import html

import ipywidgets as w

from scentlab.recording.form_parts import STYLE, Form, in_a_row, make_button, note, one_of


class BlendForm(Form):
    """One button for each blend; the first is chosen at the start.

    Parameters
    ----------
    blends : names of the blends.

    ``blend`` is the one that was chosen. :meth:`show` gives a place in which something is shown
    for it.
    """

    def __init__(self, blends):
        super().__init__(None, None)
        self._places = []
        self.blends = {b: make_button(str(b), f"blend-{i}") for i, b in enumerate(blends)}
        for blend, button in self.blends.items():
            button.on_click(lambda _, b=blend: self._guarded(lambda: self.choose(b)))
        self._lay_out(
            w.HTML("<h3>Which blend? Tap it.</h3>"), in_a_row(self.blends.values()), self.message
        )
        self.choose(next(iter(self.blends)))

    def choose(self, blend):
        """Choose a blend, as a tap does."""
        one_of(blend, self.blends, "blend")
        self.blend = blend
        self.browser.pressed = [f"blend-{list(self.blends).index(blend)}"]
        for place, make, words in self._places:
            self._fill(place, make, words)
        self._say("saved", f"Shown for {blend}.")

    def show(self, make, words):
        """A place that shows ``make(blend)``: a picture, a table or a text. ``words`` say what it
        is, for those who cannot see it."""
        place = w.VBox()
        self._places.append((place, make, words))
        self._fill(place, make, words)
        return place

    def _fill(self, place, make, words):
        # What one place cannot show must not keep the others from showing theirs.
        try:
            place.children = [as_widget(make(self.blend), f"{words}: {self.blend}")]
        except Exception as error:
            place.children = [w.HTML(STYLE + note("error", str(error)))]


def as_widget(thing, words):
    """What a cell would show, as a widget; ``words`` are read out in place of a picture."""
    if hasattr(thing, "_repr_png_"):
        data = base64.b64encode(thing._repr_png_()).decode("ascii")
        return w.HTML(
            f'<img src="data:image/png;base64,{data}" alt="{html.escape(words)}" '
            'style="max-width:100%;height:auto">'
        )
    if hasattr(thing, "_repr_html_"):
        return w.HTML(f'<div style="overflow-x:auto">{thing._repr_html_()}</div>')
    return w.HTML(f"<p>{html.escape(str(thing))}</p>")

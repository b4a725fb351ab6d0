"""Choose one of several by a tap: who scores, a blend, an answer. What is shown for it follows."""

import ipywidgets as w

from scentlab.forms.fields import Chooser, note
from scentlab.forms.frame import Form, as_widgets


class ChooseForm(Form):
    """One button for each option; what is shown below is made anew for the one that is chosen.

    ``options`` is a list, or a dict of option to words; or a callable() that gives one, with a
    button that looks again. ``name`` is what an option is called, ``said`` what is said of a
    choice, and with ``begin`` the first is chosen at the start. ``chosen`` is the one that is; None
    before.
    """

    def __init__(self, title, options, name="option", said="Shown for {}.", begin=False):
        super().__init__()
        self._options = options if callable(options) else lambda: options
        self._said, self._places = said, []
        self._chooser = Chooser(name, (), lambda value: self._guarded(lambda: self._show(value)))
        self.look = self._button("Look again", "look-again", self.find)
        self._lay_out(w.HTML(f"<h3>{title}</h3>"), self._chooser,
                      *([self.look] if callable(options) else []), self.message)
        self.find()
        self.message.value = "" if self.options else note("flag", f"No {name} here yet.")
        if begin and self.options:
            self.choose(next(iter(self.options)))

    @property
    def options(self):
        return self._chooser.buttons

    @property
    def chosen(self):
        return self._chooser.value

    def find(self):
        self._chooser.offer(self._options())
        for place, *_ in self._places if self.chosen is None else ():
            place.children = self._nothing()
        self._say("flag", "Tap one." if self.options else f"No {self._chooser.name} here yet.")
        self._refresh()

    def choose(self, option):
        """Choose one, as a tap does; once more to see what has changed."""
        self._chooser.choose(option)

    def show(self, make, words=""):
        """A place that shows ``make(option)``, which the words name for who cannot see it."""
        place = w.VBox(self._nothing())
        self._places.append((place, make, words))
        if self.chosen is not None:
            self._fill(*self._places[-1])
        return place

    def _nothing(self):
        return [w.HTML("<p>Choose above first.</p>")] if self.options else []

    def _show(self, option):
        for place in self._places:
            self._fill(*place)
        self._say("saved", self._said.format(getattr(option, "name", option)))

    def _fill(self, place, make, words):
        place.children = as_widgets(lambda: make(self.chosen), f"{words}: {self.chosen}")

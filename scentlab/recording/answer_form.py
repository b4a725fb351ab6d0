"""Answers that came back: choose one by a tap, see it beside the own picks."""

import ipywidgets as w

from scentlab.recording.blend_form import as_widget
from scentlab.recording.form_parts import Form, make_button, stacked


class AnswerForm(Form):
    """A button for each answer that lies in the folder; a tap shows it.

    Parameters
    ----------
    find : callable -> the paths of the answers there are.
    weigh : callable(path) -> what is shown for it, an object with ``_repr_html_``.

    ``weighed`` is what was shown last, None before. What ``weigh`` raises is said in the form.
    """

    def __init__(self, find, weigh):
        super().__init__(None, None)
        self._find, self._weigh, self.weighed = find, weigh, None
        self.answers, self._buttons = {}, w.VBox()
        self.look = make_button("Look for answers again", "look-again")
        self.look.on_click(lambda _: self._guarded(self.find))
        self.place = w.VBox()
        self._lay_out(
            w.HTML("<h3>Answers in this folder</h3>"), self._buttons, self.look, self.message,
            self.place,
        )
        self.find()

    def find(self):
        """Look which answers there are, as a tap on the button does."""
        paths = {path.name: path for path in self._find()}
        self.answers = {
            name: make_button(f"Show {name}", f"answer-{i}") for i, name in enumerate(sorted(paths))
        }
        for name, button in self.answers.items():
            button.on_click(lambda _, path=paths[name]: self._guarded(lambda: self.show(path)))
        self._buttons.children = [stacked(self.answers.values())] if self.answers else []
        self._name_controls()
        found = "Tap an answer." if self.answers else "No answer lies here yet."
        self._say("saved" if self.answers else "flag", found)

    def show(self, path):
        """Show one answer beside the own picks."""
        self.place.children = []
        try:
            self.weighed = self._weigh(path)
        except Exception as error:
            self._say("error", f"{path.name} cannot be shown: {error}")
            return
        self.place.children = [as_widget(self.weighed, f"Answer {path.name}")]
        self._say("saved", f"{path.name} is shown below; nothing of the series was changed.")

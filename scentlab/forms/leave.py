"""What is planned and will not come: a piece that is lost, a session never held, a tester."""

import ipywidgets as w

from scentlab.forms.fields import Field, in_a_row, text_column
from scentlab.forms.frame import Form
from scentlab.text import capital


class LeaveForm(Form):
    """Say that a piece, session or tester will not come, with the reason, or that it will after
    all. ``on_leave(name, reason, key)`` stores it, ``on_take(name)`` takes it back and says how it
    stands then; ``said()`` is all that will not come, in words."""

    def __init__(self, on_leave, on_take, said):
        super().__init__()
        self._on_leave, self._on_take, self._said = on_leave, on_take, said
        self.name = Field("gone", text_column("gone", "Code of the piece, session or tester"),
                          example="such as 417, S02 or A2")
        self.reason = Field("gone-reason", text_column("gone-reason", "Why"))
        self.save = self._button("It will not come", "gone", self._leave, saves=True)
        self.back = self._button("It will come after all", "back", self._take, saves=True)
        self._lay_out(w.HTML("<h3>Lost or cancelled?</h3><p>Nothing waits for it any longer; what "
                             "was scored stays.</p>"),
                      self.name, self.reason, in_a_row([self.save, self.back]), self.message)
        if words := said():
            self._say("flag", f"{capital(words)}.")

    def _leave(self):
        self._on_leave(self.name.text, self.reason.text, self._key)
        self._done(self._said())

    def _take(self):
        self._done(self._on_take(self.name.text))

    def _done(self, words):
        self.name.value = self.reason.value = ""
        self._say("saved", f"{capital(words)}.")

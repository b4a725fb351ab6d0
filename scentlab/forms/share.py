"""Choose what stays at home, look at what would leave, write it: what was seen is written."""

import ipywidgets as w

from scentlab.forms.fields import Tick, in_a_row, stacked
from scentlab.forms.frame import Form

WORDS = {
    "hide_fragrance": "Hide the fragrance's name and data (its regulatory limit is still shared)",
    "hide_costs": "Hide the costs",
    "hide_notes": "Hide the notes",
    "renumber_assessors": "Give the testers new codes",
}


class ShareForm(Form):
    """Choose what stays at home, look at what would leave, write it: what was seen is written.

    ``preview(choices)`` gives what would leave, to be shown, and ``write(it)`` the path; the
    choices are a dict with hide_fragrance, hide_costs, hide_notes, renumber_assessors and leave_out
    (blends), and, once it was refused with an error that has words ``undecided``, may_stay and
    also_hide (words). ``written`` is the path of the last package, None before.
    """

    slow = ("look", "write")

    def __init__(self, preview, write, blends=()):
        super().__init__()
        self._preview, self._write, self._seen = preview, write, None
        self.written, self.undecided = None, {}
        self.choices = {name: self._tick(words, name) for name, words in WORDS.items()}
        self.leave_out = {blend: self._tick(f"Leave out {blend}", f"leave-out-{place}")
                          for place, blend in enumerate(blends)}
        self.look = self._button("Show what would leave", "look", self._show_leaving)
        self.write = self._button("Write the package", "write", self._write_now, saves=True)
        self.leaving, self._asked = w.HTML(), stacked()
        self._lay_out(
            w.HTML("<h3>What stays at home</h3>"), stacked(self.choices.values()),
            in_a_row(self.leave_out.values()), self._asked, self.look, self.leaving, self.write,
            self.message,
        )
        self._changed()

    def _tick(self, words, name):
        return Tick(words, name, lambda: self._guarded(self._changed))

    def chosen(self):
        names = {name: tick.on for name, tick in self.choices.items()}
        decided = {
            kind: tuple(word for word, asked in self.undecided.items() if asked[kind].on)
            for kind in ("may_stay", "also_hide")
        }
        return {**names, "leave_out": tuple(b for b, tick in self.leave_out.items() if tick.on),
                **{k: words for k, words in decided.items() if words}}

    def _ask_about(self, words):
        """Two buttons for each word that may tell what is hidden."""
        for word in words:
            place = len(self.undecided)
            self.undecided.setdefault(word, {
                "may_stay": self._tick(f"“{word}” may stay", f"may-stay-{place}"),
                "also_hide": self._tick(f"Hide “{word}” too", f"also-hide-{place}"),
            })
        self._asked.children = [in_a_row(asked.values()) for asked in self.undecided.values()]

    def _changed(self):
        """What was looked at is not what would leave now."""
        self._seen, self.leaving.value, self.write.disabled = None, "", True
        self._say("flag", "You can only write a package you have seen: tap “Show what would leave” "
                          "first.")

    def _show_leaving(self):
        self._changed()
        self._say("flag", "Working: gathering what would leave. This may take half a minute.")
        try:
            seen = self._preview(self.chosen())
        except ValueError as error:
            self._ask_about(getattr(error, "undecided", ()))
            raise
        self._seen, self.leaving.value = seen, seen._repr_html_()
        self.write.disabled = False
        self._say("flag", "Nothing is written yet: read this, then write the package.")

    def _write_now(self):
        if self._seen is None:
            raise ValueError("See what would leave first.")
        self._say("flag", "Working: writing the package.")
        self.written = self._write(self._seen)
        self._say("saved", f"Written: {self.written}. Nothing is sent: mail it yourself.")

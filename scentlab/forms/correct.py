"""A form to mend what is stored wrong: find the piece or pour, choose the entry, say why."""

import ipywidgets as w

from scentlab.forms.fields import Field, in_a_row, note, shown, stacked, text_column
from scentlab.forms.frame import Form, heading
from scentlab.recording.correcting import said_of, say_now
from scentlab.recording.records import RECORDS

LABELS = {"piece": "Blind code of the piece", "pour": "Name of the test batch"}


class CorrectForm(Form):
    """Correct an entry, or make it void, with a reason; the old one stays in the history.

    ``find(name)`` gives the entries of a ``what``, "piece" (by its blind code) or "pour", with
    ``table``, ``entry_id``, ``words`` and ``values``. ``on_mend(table, entry_id, changes, reason,
    key)`` corrects one, ``on_void(table, entry_id, reason, key)`` takes it out and
    says how its test batch stands then, '' for a score.
    """

    def __init__(self, find, on_mend, on_void, what="piece"):
        super().__init__()
        self._find, self._on_mend, self._on_void, self._entries = find, on_mend, on_void, {}
        self._back = "." if what == "piece" else (
            "; use the cards above to mark what will not be poured, or take that back.")
        self.name = Field("name", text_column("name", LABELS[what]),
                          example="such as 417" if what == "piece" else "")
        self.show = self._button("Show what is stored", "show", self._show_entries)
        self.reason = Field("reason", text_column("reason", "Why it is changed (required)"))
        self.save = self._button("Save the correction", "save", self._mend, saves=True)
        self.drop = self._button("Make this entry void", "void", self._drop, saves=True)
        self.chooser = self._chooser_of("entry", (), self._edit)
        self.fields, self._editor = {}, stacked()
        self._lay_out(heading(f"Correct an entry of a {what}"), self.name, self.show,
                      self.chooser, self._editor, self.message)

    @property
    def _entry(self):
        return self._entries.get(self.chooser.value)

    def _offer(self, entries=()):
        self._entries = {(e.table, e.entry_id): e for e in entries}
        self.chooser.mark(None)
        self.chooser.offer({at: f"{e.words} (entry {e.entry_id})"
                             for at, e in self._entries.items()})
        self.fields, self._editor.children = {}, []

    def _show_entries(self):
        self._offer()
        self._offer(self._find(self.name.value))
        self._say("flag", "Choose the wrong entry.")

    def _edit(self):
        entry, self.message.value = self._entry, ""
        self.fields = {name: Field(f"new-{name}", column, _label(column), usual=shown(value))
                       for name, value in entry.values.items()
                       for column in [RECORDS[entry.table][name]]}
        title = note("flag", f"Entry {entry.entry_id}: {entry.words}. Change what is wrong.")
        self._editor.children = [w.HTML(title), *self.fields.values(), self.reason,
                                 in_a_row([self.save, self.drop])]

    def _mend(self):
        entry = self._chosen()
        changed = {n: f for n, f in self.fields.items() if f.text != f.usual}
        if not changed:
            raise ValueError("Nothing changed yet: change a field, or make the entry void.")
        # An empty text is for the store to judge.
        changes = {n: f.read() if f.text else "" for n, f in changed.items()}
        self._on_mend(entry.table, entry.entry_id, changes, self.reason.value, self._key)
        now = say_now(entry.table, changes)
        self._done(" ".join([f"Corrected: {entry.words}; now {now}. The old entry stays in the "
                             "history.", *said_of(changes, entry.values | changes)]))

    def _drop(self):
        entry = self._chosen()
        stands = self._on_void(entry.table, entry.entry_id, self.reason.value, self._key)
        stands = stands and f" {stands}{self._back}"
        self._done(f"Void: {entry.words}. It stays in the history with the reason.{stands}")

    def _chosen(self):
        if self._entry is None:
            raise ValueError("Show what is stored and choose the entry first.")
        return self._entry

    def _done(self, words):
        self.name.value = self.reason.value = ""
        self._offer()
        self._say("saved", words)


def _label(column):
    return f"{column.name.capitalize()}, {column.lower:g} to {column.upper:g}" if (
        column.name in ("grade", "throw")) else ""

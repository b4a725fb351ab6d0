"""A form to mend what is stored wrong: find the piece or pour, choose the entry, say why."""

import ipywidgets as w

from scentlab.recording.form_parts import (
    FoldedForm,
    in_a_row,
    make_button,
    need_day,
    note,
    plainly,
    stacked,
    text_field,
    typed_number,
)
from scentlab.recording.records import RECORDS


class CorrectForm(FoldedForm):
    """Correct an entry, or make it void, with a reason; the old one stays in the history.

    Parameters
    ----------
    find : callable(name) -> entries with ``table``, ``entry_id``, ``words`` and ``values``, where
        name is the blind code of a piece or the name of a pour.
    on_mend : callable(table, entry_id, changes, reason, key) -> receipt.
    on_void : callable(table, entry_id, reason, key) -> receipt.
    what : "piece" or "pour", for the words.
    """

    LABELS = {"piece": "Blind code of the piece", "pour": "Name of the pour"}

    def __init__(self, find, on_mend, on_void, what="piece"):
        self._find, self._on_mend, self._on_void = find, on_mend, on_void
        self.name = text_field("name", self.LABELS[what], "such as 417" if what == "piece" else "")
        self.show = make_button("Show what is stored", "show")
        self.show.on_click(lambda _: self._guarded(self._show_entries))
        self.reason = text_field("reason", "Why it is changed (needed)")
        self.save = make_button("Save the correction", "save", saves=True)
        self.save.on_click(lambda _: self._guarded(self._mend))
        self.drop = make_button("Make this entry void", "void", saves=True)
        self.drop.on_click(lambda _: self._guarded(self._drop))
        self._entry, self.entries, self.fields = None, {}, {}
        self._list, self._edit = stacked([]), stacked([])
        super().__init__(
            f"Correct an entry of a {what}", [self.name, self.show, self._list, self._edit]
        )

    def _show_entries(self):
        self._choose(None)
        self.entries = {}
        for entry in self._find(self.name.value):
            name = f"entry-{entry.table}-{entry.entry_id}"
            button = make_button(f"{entry.words} (entry {entry.entry_id})", name)
            button.on_click(lambda _, e=entry: self._guarded(lambda: self._choose(e)))
            self.entries[(entry.table, entry.entry_id)] = button
        self._list.children = list(self.entries.values())
        self._name_controls()
        self._say("flag", "Choose the entry that is wrong.")

    def _choose(self, entry):
        """Show what can be mended of an entry, filled with what is stored."""
        self._entry, self.fields = entry, {}
        self.message.value = ""
        self.browser.pressed = []
        if entry is None:
            self._list.children = self._edit.children = []
            return
        for name, value in entry.values.items():
            field = text_field(f"new-{name}", _label(plainly(RECORDS[entry.table][name])))
            field.value = _shown(value)
            self.fields[name] = field
        title = note("flag", f"Entry {entry.entry_id}: {entry.words}. Change what is wrong.")
        self._edit.children = [
            w.HTML(title), *self.fields.values(), self.reason,
            in_a_row([self.save, self.drop]),
        ]
        self.browser.pressed = [f"entry-{entry.table}-{entry.entry_id}"]
        self._name_controls()

    def _mend(self):
        entry = self._chosen()
        changes = {n: f.value.strip() for n, f in self.fields.items()
                   if f.value.strip() != _shown(entry.values[n])}
        if not changes:
            raise ValueError("Nothing is changed yet: change a field, or make the entry void.")
        changes = {n: _pointed(t, RECORDS[entry.table][n]) for n, t in changes.items()}
        self._on_mend(entry.table, entry.entry_id, changes, self.reason.value, self._key)
        columns = RECORDS[entry.table]
        told = ", ".join(f"{plainly(columns[n]).meaning} {v}" for n, v in changes.items())
        self._done(f"Corrected: {entry.words}; now {told}. The old entry stays in the history.")

    def _drop(self):
        entry = self._chosen()
        self._on_void(entry.table, entry.entry_id, self.reason.value, self._key)
        self._done(f"Void: {entry.words}. It stays in the history with the reason.")

    def _chosen(self):
        if self._entry is None:
            raise ValueError("Show what is stored and choose the entry first.")
        return self._entry

    def _done(self, words):
        self._renew_key()
        self.name.value = self.reason.value = ""
        self._choose(None)
        self._say("saved", words)


def _label(column):
    words = column.meaning[0].upper() + column.meaning[1:]
    if column.name in ("grade", "throw"):
        return f"{words}, {column.lower:g} to {column.upper:g}"
    return f"{words}, {column.unit}" if column.unit else words


def _shown(value):
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)


def _pointed(text, column):
    """A decimal comma or a day with dots, as the other forms take it; the store checks the rest."""
    if column.kind == "date" and text:
        return need_day(text, column.meaning).isoformat()
    return typed_number(text, plainly(column)) if column.kind == "number" and text else text

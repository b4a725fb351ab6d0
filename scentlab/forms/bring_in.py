"""A form to bring in CSV or XLSX files: pick, look at the matching, choose units, try, import."""

import html
import shutil
import tempfile
import weakref
from pathlib import Path

import ipywidgets as w

from scentlab.forms.fields import Field, Tick, in_a_row, note, show_if, stacked, text_column
from scentlab.forms.frame import Form, heading, listed
from scentlab.recording.matching import From, Source, headings_of, plain_headings, unit_in, units_of
from scentlab.recording.sheets import read_sheet
from scentlab.recording.spreadsheets import sheet_names
from scentlab.schema import IMPORT_TABLES, DataError
from scentlab.text import capital

_NOT_THERE = "(not in the file)"
_CHOOSE = "(choose)"
_MOST_LISTED = 100
_BEYOND = ("Also accept what the kept plan lacks (other test batches, pieces, testers, sessions) "
           "and weights or days that look like slips")
_DECIMALS = {".": "decimal point, as in 9.5", ",": "decimal comma, as in 9,5"}
_LABELS = {
    "pours": "Pours, with what was weighed", "pieces": "Pieces, with sweat and frost grades",
    "throws": "Throw scores", "warmings": "Checks of pieces left on the warmer",
    "pairs": "Pairs: which of two pieces is stronger",
    "heats": "Heat cycles, as a max-min thermometer showed them",
    "unpoured": "Test batches that will not be poured, and why",
}


class FileMatch(w.VBox):
    """One file of one table: which heading is which column, and the units of the file."""

    def __init__(self, table, on_change):
        super().__init__()
        self.table, self._on_change, self.path, label = table, on_change, None, _LABELS[table.name]
        self.pick = w.FileUpload(
            accept=".csv,.txt,.tsv,.xlsx", multiple=False, description="Choose the file",
            tooltip=f"{label}: choose the file", layout=w.Layout(width="auto"),
        )
        self.pick.add_class(f"scent-pick-{table.name}")
        self.said, self.headings, self.units = w.HTML(), {}, {}
        self._head = [w.HTML(f"<b>{label}</b>"), self.pick, self.said]
        self.children = self._head

    def _list(self, name, label, options, usual, on_choose, spoken=""):
        options = options if isinstance(options, dict) else {text: text for text in options}
        field = Field(f"{self.table.name}-{name}", text_column(name, label), label,
                      options=options, usual=usual)
        field.call(label, spoken)
        field.box.observe(lambda _: on_choose(), "value")
        return field

    def take(self, path):
        """Take a file and propose what matches; that it cannot be read is said. Of a file that was
        mended and is chosen again, what was chosen holds."""
        path, label = Path(path), _LABELS[self.table.name]
        before = self.source() if self.path and self.path.name == path.name else Source(path)
        self.path, names = path, sheet_names(path)
        usual = before.sheet if before.sheet in names else next(iter(names), "")
        self.sheet = self._list("sheet", "Sheet", names, usual, self._match,
                                f"{label}: Sheet") if names else None
        words = "Numbers are written with"
        self.decimal = self._list("decimal", words, _DECIMALS, before.decimal, self._on_change,
                                  f"{label}: {words}")
        self._match(before.columns)

    def forget(self):
        self.path, self.said.value, self.children = None, "", self._head
        self._on_change()

    def source(self):
        units = {name: None if box.value == _CHOOSE else box.value
                 for name, box in self.units.items()}
        columns = {name: From(box.value, units.get(name))
                   for name, box in self.headings.items() if box.value != _NOT_THERE}
        return Source(self.path, columns, self.sheet and self.sheet.value, self.decimal.value)

    def _match(self, before=()):
        self.headings, self.units, lines = {}, {}, []
        sheet = self.sheet and self.sheet.value
        try:
            found = read_sheet(self.path, self.table, sheet)
            plain, headings = plain_headings(found), headings_of(found)
            if before and {origin.heading for origin in before.values()} <= set(headings):
                plain = {name: origin.heading for name, origin in before.items()}
            else:
                before = {}
            lines = [self.decimal, *(self._line(column, plain.get(column.name), headings, before)
                                     for column in self.table.columns)]
            self.said.value = note(
                "flag", f"{self.path.name}: check each line and choose the file's units. Lines "
                        "with a star are required.",
            )
        except DataError as error:
            self.said.value = note("error", error)
        several = [self.sheet] if self.sheet and len(self.sheet.options) > 1 else []
        self.children = [*self._head, *several, *lines]
        self._on_change()

    def _line(self, column, heading, headings, before):
        name, words, star = column.name, capital(column.meaning), " *" if column.required else ""
        if (self.table.name, name) == ("pieces", "pour"):
            star = " (* if no plan is kept)"
        box = self.headings[name] = self._list(name, words + star, [_NOT_THERE, *headings],
                                               heading or _NOT_THERE,
                                               lambda: self._rematched(name))
        choices = units_of(column)
        if not choices:
            return box
        what = "written as" if column.kind == "date" else "in"
        # A column that bears its own name says its unit by that name.
        usual = unit_in(heading or "", column) or (choices[0] if heading == name else _CHOOSE)
        usual = before[name].unit or _CHOOSE if name in before else usual
        self.units[name] = self._list(f"{name}-unit", f"… {what}", [_CHOOSE, *choices], usual,
                                      self._on_change, f"{words}: {what}")
        show_if(box.value != _NOT_THERE, self.units[name])
        return stacked([box, self.units[name]])

    def _rematched(self, name):
        """A unit is asked for only where there is a column."""
        if name in self.units:
            show_if(self.headings[name].value != _NOT_THERE, self.units[name])
        self._on_change()


class ImportForm(Form):
    """Bring in files with any headings and units: all of them or nothing.

    ``check(given)`` is :func:`scentlab.dry_run` of a series; ``on_import(tried)`` stores what it
    returned and gives the rows by table. ``tried`` is None when something was changed after it.
    """

    slow = ("check",)

    def __init__(self, check, on_import):
        super().__init__()
        self._check_files, self._on_import, self.tried = check, on_import, None
        self._place = tempfile.mkdtemp(prefix="scentlab-import-")
        weakref.finalize(self, shutil.rmtree, self._place, True)
        self.files = {t.name: FileMatch(t, self._changed) for t in IMPORT_TABLES}
        self.beyond_plan = Tick(_BEYOND, "beyond-plan", lambda: self._guarded(self._changed))
        self.check = self._button("Check the files (nothing is stored)", "check", self._check)
        self.store = self._button("Import all", "import", self._import, saves=True)
        self.result = w.HTML()
        self.result.add_class("scent-result")
        self._lay_out(heading("Import CSV or XLSX files"), *self.files.values(), self.beyond_plan,
                      self.check, self.result, in_a_row([self.store]), self.message)
        for name, file in self.files.items():
            file.pick.observe(lambda _, n=name: self._guarded(lambda: self._take(n)), "value")
        self._changed()

    def _take(self, name):
        picked = self.files[name].pick.value
        if not picked:
            return
        folder = Path(self._place) / name
        folder.mkdir(exist_ok=True)
        path = folder / Path(picked[0]["name"]).name
        path.write_bytes(bytes(picked[0]["content"]))
        self.files[name].take(path)

    def _changed(self):
        """What was checked is not what would be imported now."""
        self.tried, self.result.value, self.store.disabled = None, "", True
        self._refresh()
        self.check.disabled = not any(f.path for f in self.files.values())
        self._say("flag", "Choose a file before checking." if self.check.disabled
                  else "Check the files first; once everything passes, you can import them.")

    def _check(self):
        self._changed()
        sources = {n: f.source() for n, f in self.files.items() if f.path}
        if not sources:
            raise ValueError("Choose a file first.")
        beyond = {"beyond_plan": True} if self.beyond_plan.on else {}
        self.tried = self._check_files(sources | beyond)
        rest = [f"{n}: {', '.join(h)}" for n, h in self.tried.left_out.items()]
        out = note("flag", "Columns left out: " + "; ".join(rest) + ".") if rest else ""
        self.result.value = out + _listed(self.tried)
        self.store.disabled = not self.tried.ready
        words = "Everything passes. Nothing is stored yet: import when you are ready."
        if not self.tried.ready:
            words = "Nothing is stored. Correct the file or the matching, then check again."
        self._say("flag", words)

    def _import(self):
        if self.tried is None or not self.tried.ready:
            raise ValueError("Check the files first.")
        counts = self._on_import(self.tried)
        self.beyond_plan.set(False)  # it was said of these files, not of the next ones
        for file in self.files.values():
            file.forget()
        stored = ", ".join(f"{number} {table}" for table, number in counts.items() if number)
        self._say("saved", f"Stored: {stored}. Update the page to see them." if stored
                  else "It was all stored already; nothing was added.")


def _listed(tried):
    """Every problem as a sentence of its own, which wraps on a small screen as a table does not."""
    found = [str(problem) for problem in tried.problems[:_MOST_LISTED]]
    if len(tried.problems) > _MOST_LISTED:
        found.append(f"... and {len(tried.problems) - _MOST_LISTED} more")
    return f"<p><b>{html.escape(tried.sentence)}</b></p>{listed(found, 'ol', 'scent-list')}"

"""A form to bring in CSV or XLSX files: pick, look at the matching, choose units, try, import."""

import html
import shutil
import tempfile
import weakref
from pathlib import Path

import ipywidgets as w

from scentlab.recording.form_parts import FoldedForm, in_a_row, make_button, note, stacked
from scentlab.recording.matching import From, Source, left_out, suggest_columns, workbook_sheets
from scentlab.schema import IMPORT_TABLES, DataError

_NOT_THERE = "(not in the file)"
_CHOOSE = "(choose)"
_MOST_LISTED = 100
_BEYOND = "Take what the kept plan does not have too: other pours, pieces, assessors, sittings"
_DECIMALS = (("decimal point, as 9.5", "."), ("decimal comma, as 9,5", ","))
_LABELS = {
    "pours": "Pours, with what was weighed", "pieces": "Pieces, with sweat and frost grades",
    "throws": "Throw scores", "warmings": "Checks of pieces left on the warmer",
}


class FileMatch(w.VBox):
    """One file of one table: which heading is which column, and the units of the file."""

    def __init__(self, table, on_change):
        super().__init__()
        self.table, self._on_change, self.path = table, on_change, None
        self.pick = w.FileUpload(
            accept=".csv,.txt,.tsv,.xlsx", multiple=False, description="Choose the file",
            tooltip=f"{_LABELS[table.name]}: choose the file", layout=w.Layout(width="auto"),
        )
        self.pick.add_class(f"scent-pick-{table.name}")
        self.said, self.sheet = w.HTML(), _choice(f"{table.name}-sheet", "Sheet", [])
        self.decimal = _choice(f"{table.name}-decimal", "Numbers are written with", _DECIMALS)
        for box in (self.sheet, self.decimal):
            box.tooltip = f"{_LABELS[table.name]}: {box.description}"
        self.headings, self.units = {}, {}
        self.sheet.observe(lambda _: self._match(), "value")
        self.decimal.observe(lambda _: on_change(), "value")
        self.children = [w.HTML(f"<b>{_LABELS[table.name]}</b>"), self.pick, self.said]

    def take(self, path):
        """Take a file and propose what matches; a file that cannot be read is told."""
        self.path = Path(path)
        names = workbook_sheets(self.path)
        self.sheet.options = names
        self._match()

    def forget(self):
        self.path, self.said.value = None, ""
        self.headings, self.units = {}, {}
        self.children = self.children[:3]
        self._on_change()

    def source(self):
        """The file with its matching, as it stands."""
        columns = {
            name: From(box.value, self._unit(name))
            for name, box in self.headings.items() if box.value != _NOT_THERE
        }
        return Source(self.path, columns, self.sheet.value, self.decimal.value)

    def _unit(self, name):
        box = self.units.get(name)
        return None if box is None or box.value == _CHOOSE else box.value

    def _match(self):
        self.headings, self.units = {}, {}
        self.children = self.children[:3]
        try:
            proposed = suggest_columns(self.path, self.table.name, self.sheet.value)
        except DataError as error:
            self.said.value = note("error", str(error))
            self.children = [*self.children, *self._sheet_choice()]
            self._on_change()
            return
        lines = [self._line(row, proposed.attrs["headings"])
                 for row in proposed.to_dict("records")]
        self.said.value = note(
            "flag", f"{self.path.name}: look at each line, and choose the units of the file. "
            "Lines with a star must be there.",
        )
        self.children = [*self.children, *self._sheet_choice(), self.decimal, *lines]
        self._on_change()

    def _sheet_choice(self):
        return [self.sheet] if len(self.sheet.options) > 1 else []

    def _line(self, row, headings):
        name, column = row["column"], self.table[row["column"]]
        words = column.meaning[0].upper() + column.meaning[1:]
        star = " *" if row["required"] == "yes" else ""
        if (self.table.name, name) == ("pieces", "pour"):
            star = " (* where no plan is kept)"
        box = _choice(f"{self.table.name}-{name}", words + star, [_NOT_THERE, *headings])
        box.value = row["heading"] or _NOT_THERE
        self.headings[name] = box
        if row["units"]:
            choices = row["units"].split(", ")
            what = "written as" if column.kind == "date" else "in"
            unit = _choice(f"{self.table.name}-{name}-unit", f"… {what}", [_CHOOSE, *choices])
            unit.tooltip = f"{words}: {what}"
            # A column that bears its own name says its unit by that name.
            unit.value = row["unit"] or (choices[0] if row["heading"] == name else _CHOOSE)
            unit.observe(lambda _: self._on_change(), "value")
            self.units[name] = unit
        box.observe(lambda _: self._rematched(name), "value")
        self._show_unit(name)
        return stacked([box, self.units[name]]) if row["units"] else box

    def _rematched(self, name):
        self._show_unit(name)
        self._on_change()

    def _show_unit(self, name):
        """A unit is asked for only where there is a column."""
        if name in self.units:
            there = self.headings[name].value != _NOT_THERE
            self.units[name].layout.display = "" if there else "none"


class ImportForm(FoldedForm):
    """Bring in files with any headings and units: all of them or nothing.

    Parameters
    ----------
    check : callable(given) -> :class:`scentlab.recording.matching.DryRun`, with given a dict of
        table name to :class:`scentlab.recording.matching.Source`, and ``beyond_plan`` (True) when
        that is ticked, as :func:`scentlab.dry_run` takes them; it stores nothing.
    on_import : callable(tried) -> dict of table name to the number of rows that were stored.

    ``tried`` is the last dry run, None when something was changed after it.
    """

    def __init__(self, check, on_import):
        self._check_files, self._on_import, self.tried = check, on_import, None
        self._place = tempfile.mkdtemp(prefix="scentlab-import-")
        weakref.finalize(self, shutil.rmtree, self._place, True)
        self.files = {t.name: FileMatch(t, self._changed) for t in IMPORT_TABLES}
        self.beyond_plan, self._beyond = make_button("", "beyond-plan"), False
        self.beyond_plan.on_click(lambda _: self._guarded(self._turn_beyond))
        self._tell_beyond()
        self.check = make_button("Check the files (nothing is stored)", "check")
        self.check.on_click(lambda _: self._guarded(self._check))
        self.store = make_button("Import all", "import", saves=True)
        self.store.on_click(lambda _: self._guarded(self._import))
        self.result = w.HTML()
        self.result.add_class("scent-result")
        super().__init__(
            "Import CSV or XLSX files",
            [*self.files.values(), self.beyond_plan, self.check, self.result,
             in_a_row([self.store])],
        )
        for name, file in self.files.items():
            file.pick.observe(lambda _, n=name: self._guarded(lambda: self._take(n)), "value")
        self._changed()

    def _heard(self, content):
        # A check takes longer than the browser waits; it stores nothing.
        if content.get("press") == "check":
            self.browser.send({"ack": str(content.get("key", ""))})
        super()._heard(content)

    def _turn_beyond(self):
        self._beyond = not self._beyond
        self._tell_beyond()
        self._changed()
        self.browser.pressed = ["beyond-plan"] if self._beyond else []

    def _tell_beyond(self):
        self.beyond_plan.description = f"{'☑' if self._beyond else '☐'} {_BEYOND}"
        self.beyond_plan.tooltip = _BEYOND

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
        self.message.value = ""
        self._name_controls()
        self.check.disabled = not any(f.path for f in self.files.values())

    def _check(self):
        self._changed()
        sources = {n: f.source() for n, f in self.files.items() if f.path}
        if not sources:
            raise ValueError("Choose a file first.")
        beyond = {"beyond_plan": True} if self._beyond else {}
        self.tried = self._check_files(sources | beyond)
        rest = [f"{n}: {', '.join(h)}" for n, h in left_out(sources).items()]
        told = note("flag", "Columns that stay out: " + "; ".join(rest) + ".") if rest else ""
        self.result.value = told + _listed(self.tried)
        self.store.disabled = not self.tried.ready
        words = "All is in order. Nothing is stored yet: import all, when it is right."
        if not self.tried.ready:
            words = "Nothing is stored. Mend the file or the matching, and check again."
        self._say("flag", words)

    def _import(self):
        if self.tried is None or not self.tried.ready:
            raise ValueError("Check the files first.")
        counts = self._on_import(self.tried)
        for file in self.files.values():
            file.forget()
        if self._beyond:  # it was said of these files, not of the next ones
            self._turn_beyond()
        told = ", ".join(f"{number} {table}" for table, number in counts.items() if number)
        self._say("saved", f"Stored: {told}. Run the notebook from the top to see them.")


def _listed(tried):
    """Every problem as a sentence of its own, which wraps on a small screen as a table does not."""
    told = [str(problem) for problem in tried.problems[:_MOST_LISTED]]
    if len(tried.problems) > _MOST_LISTED:
        told.append(f"... and {len(tried.problems) - _MOST_LISTED} more")
    lines = "".join(f"<li>{html.escape(words)}</li>" for words in told)
    listed = f'<ol class="scent-list">{lines}</ol>' if lines else ""
    return f"<p><b>{html.escape(tried.sentence)}</b></p>{listed}"


def _choice(name, label, options):
    box = w.Dropdown(
        description=label, options=options, layout=w.Layout(width="100%"),
        style={"description_width": "45%"},
    )
    box.add_class(f"scent-field-{name}")
    return box

"""Cells of an XLSX sheet as text, as a CSV file would hold them.

What a spreadsheet hides is told by sheet and cell, not guessed: rows and columns that are not
shown, cells under a merge, a formula whose value was never stored, a percent format that shows 9 %
for 0.09, an error value. The sheet is looked through once, within the limits, before it is read.
"""

import datetime as dt
import re
import warnings
import zipfile
from xml.parsers import expat

MOST_BYTES = 20_000_000
MOST_UNPACKED_BYTES = 100_000_000
MOST_ROWS = 200_000
MOST_COLUMNS = 200
MOST_CELLS = 2_000_000
TOO_LARGE = "Take out what does not belong to the series, or split the file."
_MOST_TOLD = 5  # cells of one kind that are named
_NO_DEFINITIONS = "it defines entities, which no workbook needs"


def sheet_names(path):
    """Names of the sheets of a workbook. Raises ValueError when it is none."""
    book = _open(path)
    try:
        return list(book.sheetnames)
    finally:
        book.close()


def sheet_cells(path, sheet, findings):
    """Rows of text cells of a sheet (the only one when ``sheet`` is None), or None.

    What is wrong goes to the :class:`scentlab.schema.Findings`.
    """
    try:
        book = _open(path)
    except ValueError as error:
        findings.add(None, "", None, f"an XLSX workbook ({error})", "Save it again as XLSX.")
        return None
    try:
        found = _pick(book, sheet, findings)
        seen = None if found is None else _look_through(path, found)
        if seen is None or seen.tell(found.title, findings):
            return None
        return _texts(found, seen, findings)
    except Exception as error:  # a broken sheet part can fail anywhere within the reader
        findings.add(
            None, "", None, f"a sheet that can be read ({type(error).__name__}: {error})",
            "Open it in a spreadsheet and save it again as XLSX.",
        )
        return None
    finally:
        book.close()


def _open(path):
    from openpyxl import load_workbook

    with open(path, "rb") as raw:
        start = raw.read(8)
    if start.startswith(b"\xd0\xcf\x11\xe0"):
        raise ValueError("it is an old XLS file or locked by a password")
    try:
        with zipfile.ZipFile(path) as packed:
            sizes = [part.file_size for part in packed.infolist()]
        if sum(sizes) > MOST_UNPACKED_BYTES:
            raise ValueError(f"it is larger than {MOST_UNPACKED_BYTES / 1e6:.0f} MB unpacked")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styles that the reader does not know
            return load_workbook(path, read_only=True, data_only=True)
    except ValueError:
        raise
    except Exception as error:
        raise ValueError(f"{type(error).__name__}: {error}") from error


def _pick(book, sheet, findings):
    names = [s.title for s in book.worksheets]
    if sheet is None and len(names) == 1:
        return book.worksheets[0]
    if sheet in names:
        return book[sheet]
    found = None if sheet is None else sheet
    findings.add(
        None, "", found, "the name of one of its sheets: " + ", ".join(names),
        "Say which sheet to read.",
    )
    return None


class _TooLarge(Exception):
    """The sheet passes a limit; the message is the limit."""


class _Seen:
    """What stands in the XML of a sheet: how far it reaches, and what a reader would not see."""

    def __init__(self):
        self.rows = self.columns = 0
        self.hidden_rows, self.hidden_columns = [], []
        self.merged, self.without_value = [], []
        self.too_large = None
        self._ranges, self._cell, self._row_hidden = [], "", False
        self._row = self._column = 0
        self._formula = self._filled = self._in_value = False

    def start(self, name, given):
        name = name.rpartition(":")[2]
        if name == "col" and given.get("hidden") in ("1", "true"):
            self._ranges.append((int(given["min"]), int(given["max"])))
        elif name == "row":
            self._row_hidden = given.get("hidden") in ("1", "true")
            self._row, self._column = int(given.get("r", self._row + 1)), 0
        elif name == "c":
            self._begin_cell(given)
        elif name == "f":
            self._formula = True
        elif name in ("v", "t"):
            self._in_value = True
        elif name == "mergeCell":
            self.merged.append(given.get("ref", ""))

    def _begin_cell(self, given):
        # A cell may leave its place open: it follows the one before.
        place = re.fullmatch(r"([A-Z]{1,3})(\d{1,7})", given.get("r", ""))
        self._column = _number(place[1]) if place else self._column + 1
        self._row = int(place[2]) if place else self._row
        self._cell = f"{_letters(self._column)}{self._row}"
        # A formula that gives an empty text has no words in its value.
        self._formula, self._filled = False, given.get("t") == "str"

    def words(self, text):
        self._filled = self._filled or (self._in_value and text.strip() != "")

    def end(self, name):
        name = name.rpartition(":")[2]
        if name in ("v", "t"):
            self._in_value = False
        elif name == "c":
            if self._formula and not self._filled:
                self.without_value.append(self._cell)
            if self._filled:
                self._count()

    def _count(self):
        self.rows, self.columns = max(self.rows, self._row), max(self.columns, self._column)
        for found, most, what in ((self.rows, MOST_ROWS, "rows"),
                                  (self.columns, MOST_COLUMNS, "columns"),
                                  (self.rows * self.columns, MOST_CELLS, "cells")):
            if found > most:
                self.too_large = (self._row, f"{most} {what}")
                raise _TooLarge
        if self._row_hidden:
            self.hidden_rows.append(f"row {self._row}")
        if any(low <= self._column <= high for low, high in self._ranges):
            self.hidden_columns.append(f"column {_letters(self._column)}")

    def tell(self, title, findings):
        """Whether something is wrong, which goes to the findings."""
        if self.too_large:
            row, most = self.too_large
            findings.add(row, "", f"{title}!{self._cell}", f"a sheet of at most {most}", TOO_LARGE)
        for cells, expected, remedy in (
            (self.without_value, "a formula with its value stored",
             "Open the file in a spreadsheet and save it, or write the value itself."),
            (self.merged, "cells that are not merged",
             "Unmerge them and fill in every cell: those under a merge are empty."),
            (self.hidden_rows, "rows that are shown",
             "Clear the filter and show all rows, or delete the hidden ones: they would be "
             "stored too."),
            (self.hidden_columns, "columns that are shown",
             "Show the column, or delete it: it would be read too."),
        ):
            cells = list(dict.fromkeys(cells))
            if cells:
                row = re.search(r"\d+", cells[0])
                more = len(cells) - _MOST_TOLD
                findings.add(
                    None if row is None else int(row[0]), "",
                    f"{title}!{', '.join(cells[:_MOST_TOLD])}"
                    + (f" and {more} more" if more > 0 else ""), expected, remedy,
                )
        return bool(findings.problems)


def _number(letters):
    """The number of a column.

    >>> _number("A"), _number("XFD")
    (1, 16384)
    """
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - 64
    return number


def _letters(number):
    """The letters of a column.

    >>> _letters(1), _letters(16384)
    ('A', 'XFD')
    """
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def _look_through(path, sheet):
    """The :class:`_Seen` of a sheet, up to the first limit that it passes."""
    seen, parser = _Seen(), expat.ParserCreate()
    parser.StartElementHandler, parser.EndElementHandler = seen.start, seen.end
    parser.CharacterDataHandler = seen.words
    parser.StartDoctypeDeclHandler = _refuse_definitions
    part = sheet._worksheet_path.lstrip("/")
    with zipfile.ZipFile(path) as packed, packed.open(part) as xml:
        try:
            parser.ParseFile(xml)
        except _TooLarge:
            pass
    return seen


def _refuse_definitions(*_):
    raise ValueError(_NO_DEFINITIONS)


def _texts(sheet, seen, findings):
    # The size that a file claims for a sheet may be wrong: what there is was counted.
    if not seen.rows:
        return []
    sheet.reset_dimensions()
    rows = [
        [_text(cell, number, findings) for cell in cells]
        for number, cells in enumerate(
            sheet.iter_rows(max_row=seen.rows, max_col=seen.columns), start=1
        )
    ]
    width = len(rows[0]) if rows else 0
    # A row ends at its last filled cell: the empty ones behind it are there all the same.
    return [row + [""] * (width - len(row)) for row in rows]


def _text(cell, row, findings):
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, (int, float)):
        if "%" in (cell.number_format or ""):
            findings.add(
                row, "", f"{value:g} shown as {100 * value:g} %",
                "a number without a percent format",
                "Give the cell a number format and write the percentage itself, such as 9.",
            )
        return repr(value)
    if isinstance(value, dt.datetime):
        midnight = value.time() == dt.time()
        return value.date().isoformat() if midnight else value.isoformat(sep=" ")
    return value.isoformat() if isinstance(value, (dt.date, dt.time)) else str(value)

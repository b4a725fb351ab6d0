"""A CSV file, or a sheet of a workbook, as text cells within limits, or the problem with it."""

import csv
import io
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from scentlab.recording import spreadsheets
from scentlab.schema import Findings, Table
from scentlab.text import armed

SEPARATORS = (",", ";", "\t")


@dataclass(frozen=True)
class Sheet:
    """A file as text: a frame of cells and, per row, the number a spreadsheet shows.

    ``given`` holds per column that was converted the cells as they stand in the file, with their
    unit; ``filled`` the rows of pieces whose pour the file left to the plan; ``problems`` what is
    wrong with rows that are left out, or cells.
    """

    file: str
    table: Table
    text: pd.DataFrame
    rows: tuple
    given: dict = field(default_factory=dict)
    filled: frozenset = frozenset()
    problems: tuple = ()

    def cells(self, name):
        """The stripped texts of a column by their rows; none when it is not there once."""
        once = list(self.text.columns).count(name) == 1
        cells = [str(cell).strip() for cell in self.text[name]] if once else []
        return pd.Series(cells, self.rows if once else (), dtype=object)


def read_sheet(path, table, sheet=None, decimal="."):
    """A CSV file, or a sheet of an XLSX workbook, as text; DataError where it cannot be read."""
    path = Path(path)
    findings = Findings(path.name)
    try:
        with path.open("rb") as file:  # a pipe or a device has no end: the limit holds for all
            raw = file.read(spreadsheets.MOST_BYTES + 1)
    except OSError as error:
        findings.fail(None, "", None, f"a file of {table.name} ({error.strerror})",
                      "Check the file's name and place.")
    _need_less(findings, None, len(raw), spreadsheets.MOST_BYTES,
               f"{spreadsheets.MOST_BYTES / 1e6:.0f} MB")
    if raw.startswith((b"PK", b"\xd0\xcf\x11\xe0")):
        lines = spreadsheets.sheet_cells(path, sheet, findings, decimal)
    else:
        lines = _lines(_decoded(raw, findings), table, findings)
    return _sheet(lines, table, findings)


def _need_less(findings, row, number, most, words):
    if number > most:
        findings.fail(row, "", None, f"a file of at most {words}", spreadsheets.TOO_LARGE)


def _decoded(raw, findings):
    try:
        if b"\x00" not in raw:
            return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        pass
    return findings.fail(None, "", None, "text in UTF-8", "Save it again as 'CSV UTF-8'.")


def _lines(text, table, findings):
    """The cells of CSV text; too many or too long lines are found before they are split up."""
    header = next((line.strip("\r") for line in text.split("\n", 20)[:20]  # below a title, if any
                   if any(s in line for s in SEPARATORS)), "")
    separator = max(SEPARATORS, key=lambda s: (
        sum(name.strip().strip('"') in table.names for name in header.split(s)), header.count(s)))
    _need_less(findings, None, text.count("\n"), spreadsheets.MOST_ROWS,
               f"{spreadsheets.MOST_ROWS} rows")
    widths = [line.count(separator) + 1 for line in text.splitlines()]
    widest = max(widths, default=0)
    _need_less(findings, widths.index(widest) + 1 if widths else None, widest,
               spreadsheets.MOST_COLUMNS, f"{spreadsheets.MOST_COLUMNS} columns")
    try:
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error as error:
        return findings.fail(None, "", None, f"a CSV file whose quotes close ({error})",
                             'Close every " and double any quote inside a cell.')


def _sheet(lines, table, findings):
    """A sheet of rows of cells; the first row is the header, empty rows are left out."""
    header = [cell.strip() for cell in lines[0]] if lines else []
    while header and header[-1] == "":
        header.pop()
    if not header:
        findings.fail(1, "", None, f"a header row with the columns of {table.name}",
                      "Start the file with the column names.")
    if len(list(filter(None, header))) == 1 and header[-1] not in table.names and any(
            sum(map(bool, map(str.strip, line))) > 1 for line in lines[1:]):
        findings.fail(1, "", header[-1], "the headings in row 1, each in its own cell",
                      "Delete anything above the headings: a title, or a line such as sep=;")
    cells, numbers = [], []
    for number, line in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in line):
            continue
        if len(line) < len(header) or any(cell.strip() for cell in line[len(header):]):
            findings.add(
                number, "", f"{len(line)} cells", f"{len(header)} cells as in the header",
                "Quote any cell that contains the separator, and give every column a cell.",
            )
            continue
        cells.append([armed(cell) for cell in line[: len(header)]])
        numbers.append(number)
    text = pd.DataFrame(cells, columns=header, dtype=object)
    return Sheet(findings.file, table, text, tuple(numbers), problems=tuple(findings.problems))

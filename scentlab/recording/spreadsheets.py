"""Cells of an XLSX sheet as text, as a CSV file would hold them.

What a spreadsheet hides is shown by sheet and cell, not guessed: rows that are not shown, cells
under a merge, a formula whose value was never stored, a format that shows 9 % for 0.09 or 9.5 oz
for 9.5, an error value.
"""

import contextlib
import datetime as dt
import functools
import re
import warnings
import zipfile

from scentlab.files import table_beside
from scentlab.schema import DataError

MOST_BYTES = 20_000_000
MOST_UNPACKED_BYTES = 30_000_000  # of a workbook, which is held whole
MOST_ROWS = 200_000
MOST_COLUMNS = 200
MOST_CELLS = 2_000_000
TOO_LARGE = "Remove what does not belong to the series, or split the file."
_UNITS = {word for words in table_beside(__file__, "headings.toml")["units"].values()
          for word in words}
_UNLIKE_XLSX = (b"<!DOCTYPE", b"<!ENTITY", "<!DOCTYPE".encode("utf-16-le"))


def sheet_names(path):
    """Names of the sheets of an XLSX workbook; none for a file that is no workbook."""
    try:
        with contextlib.closing(_open(path, read_only=True)) as book:
            return tuple(book.sheetnames)
    except ValueError:
        return ()


def sheet_cells(path, sheet, findings, decimal="."):
    """Rows of text cells of a sheet (the only one when ``sheet`` is None), true numbers with the
    decimal sign that the spreadsheet shows them with.

    What is wrong goes to the :class:`scentlab.schema.Findings`; DataError where nothing can be
    read.
    """
    try:
        book = _open(path, data_only=True)
        formulas = _open(path, read_only=True)
    except ValueError as error:
        findings.fail(None, "", None, f"an XLSX workbook ({error})", "Save it again as XLSX.")
    names = [found.title for found in book.worksheets]
    name = names[0] if sheet is None and len(names) == 1 else sheet
    if name not in names:
        findings.fail(None, "", sheet, "the name of one of its sheets: " + ", ".join(names),
                      "Choose one in the form, or in the command give --sheet TABLE=NAME.")
    if sheet is not None:  # pours and pieces may be two sheets of one file
        findings.file += f", sheet {name}"
    with contextlib.closing(formulas):
        try:
            return _cells(book[name], formulas[name], findings, decimal)
        except DataError:
            raise
        except Exception as error:  # a broken sheet part can fail anywhere within the reader
            return findings.fail(
                None, "", None, f"a sheet that can be read ({type(error).__name__}: {error})",
                "Open it in a spreadsheet and save it again as XLSX.")


def _open(path, **how):
    from openpyxl import load_workbook

    with open(path, "rb") as raw:
        if raw.read(4) == b"\xd0\xcf\x11\xe0":
            raise ValueError("it is an old XLS file or locked by a password")
    try:
        with zipfile.ZipFile(path) as packed:
            if sum(part.file_size for part in packed.infolist()) > MOST_UNPACKED_BYTES:
                raise ValueError(f"it is larger than {MOST_UNPACKED_BYTES / 1e6:.0f} MB unpacked")
            for name in packed.namelist():
                if any(start in packed.read(name)[:4000] for start in _UNLIKE_XLSX):
                    raise ValueError("it defines entities, which no workbook needs")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styles that the reader does not know
            return load_workbook(path, **how)
    except ValueError:
        raise
    except Exception as error:
        raise ValueError(f"{type(error).__name__}: {error}") from error


def _cells(sheet, formulas, findings, decimal):
    # A cell may be there for its colour alone: what is filled counts.
    filled = {place: cell for place, cell in sheet._cells.items() if cell.value is not None}
    rows = max((row for row, _ in filled), default=0)
    columns = max((column for _, column in filled), default=0)
    for found, most, what in ((rows, MOST_ROWS, "rows"), (columns, MOST_COLUMNS, "columns"),
                              (rows * columns, MOST_CELLS, "cells")):
        if found > most:
            beyond = (p for p in filled if p[0] > MOST_ROWS or p[1] > MOST_COLUMNS)
            place = min(beyond, default=max(filled))
            findings.fail(place[0], "", f"{sheet.title}!{filled[place].coordinate}",
                          f"a sheet of at most {most} {what}", TOO_LARGE)
    _show_hidden(sheet, filled, formulas, findings)
    findings.stop()
    texts = [[""] * columns for _ in range(rows)]
    for (row, column), cell in filled.items():
        texts[row - 1][column - 1] = _text(cell, row, findings, decimal)
    return texts


def _show_hidden(sheet, filled, formulas, findings):
    """What a person does not see in the sheet and a reader would take, or leave out."""
    without_value = [
        (cell.row, cell.coordinate) for row in formulas.iter_rows() for cell in row
        if cell.data_type == "f" and (cell.row, cell.column) not in filled
        # A formula that gives an empty text has one, of no letters.
        and sheet.cell(cell.row, cell.column).data_type != "s"
    ]
    hidden = dict.fromkeys(row for row, _ in sorted(filled) if sheet.row_dimensions[row].hidden)
    for places, expected, remedy in (
        (without_value, "a formula with its value stored",
         "Open the file in a spreadsheet and save it, or type the value instead."),
        ([(merged.min_row, merged.coord) for merged in sheet.merged_cells.ranges],
         "cells that are not merged",
         "Delete the row if it is a title. Otherwise unmerge the cells and fill in each one: "
         "merging leaves the others empty."),
        ([(row, f"row {row}") for row in hidden], "rows that are shown",
         "Clear the filter and show all rows, or delete the hidden ones: they would be stored "
         "too."),
    ):
        if places:
            row, words = places[0]
            more = f" and {len(places) - 1} more" if places[1:] else ""
            findings.add(row, "", f"{sheet.title}!{words}{more}", expected, remedy)


def _text(cell, row, findings, decimal):
    value = cell.value
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, (int, float)):
        if "%" in (cell.number_format or ""):
            findings.add(
                row, "", f"{cell.parent.title}!{cell.coordinate}: {value:g} shown as "
                f"{100 * value:g} %", "a number without a percent format",
                "Give the cell a number format; write a percentage as 9 and a weight as a weight.",
            )
        number, unit = repr(value).replace(".", decimal), _unit_shown(cell.number_format or "")
        return f"{number} shown as {number} {unit}" if unit else number
    if isinstance(value, dt.datetime):
        midnight = value.time() == dt.time()
        return value.date().isoformat() if midnight else value.isoformat(sep=" ")
    return value.isoformat() if isinstance(value, (dt.date, dt.time)) else str(value)


@functools.cache  # of a few formats in many cells
def _unit_shown(form):
    """The unit that a number format writes behind a number; '' for none.

    >>> _unit_shown('0.00" oz"'), _unit_shown("0.0\\\\ \\\\g"), _unit_shown('"C"0')
    ('oz', 'g', '')
    """
    behind = re.split("[0#?]|General", form.partition(";")[0])[-1]
    written = "".join(a or b for a, b in re.findall(r'"([^"]*)"|\\(.)', behind))
    return written.strip() if written.strip(" °.").lower() in _UNITS else ""

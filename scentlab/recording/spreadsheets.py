"""Cells of an XLSX sheet as text, as a CSV file would hold them.

What a spreadsheet hides is told, not guessed: a percent format that shows 9 % for 0.09, an error
value. A formula counts by the value that was stored with it; without one the cell is empty.
"""

import datetime as dt
import warnings
import zipfile

LARGEST_BYTES = 50_000_000
LARGEST_UNPACKED_BYTES = 500_000_000
LARGEST_ROWS = 200_000


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
        return None if found is None else _texts(found, findings)
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
        if path.stat().st_size > LARGEST_BYTES or sum(sizes) > LARGEST_UNPACKED_BYTES:
            raise ValueError("it is larger than 50 MB, or 500 MB unpacked")
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


def _texts(sheet, findings):
    # The size that a file claims for a sheet may be wrong: read what there is.
    sheet.reset_dimensions()
    rows = []
    for number, cells in enumerate(sheet.iter_rows(), start=1):
        if number > LARGEST_ROWS:
            findings.add(number, "", None, f"at most {LARGEST_ROWS} rows", "Split the file.")
            return None
        rows.append([_text(cell, number, findings) for cell in cells])
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

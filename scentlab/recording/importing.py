"""Files in, CSV files out: pours, pieces with their grades, throw scores, checks on the warmer.

Everything is read as text and checked before anything is stored; all problems of all files are
told at once, and what is stored is stored in one transaction.
"""

import csv
import datetime as dt
import io
import re
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from scentlab.recording import spreadsheets
from scentlab.recording.kept_plan import BEYOND, cells_of, expected_words, kept_plan
from scentlab.recording.reading import read_series
from scentlab.recording.records import RECORDS
from scentlab.recording.store import NAMED, StoreError
from scentlab.schema import (
    IMPORT_TABLES,
    MOST_LOAD_PCT,
    WHICHEVER,
    DataError,
    Findings,
    parse_table,
)
from scentlab.text import armed, disarmed, kept, spelling
from scentlab.units import load_from_weights

SEPARATORS = (",", ";", "\t")
MOST_ALIKE = 4  # problems of one kind that are told row by row; more are told as one
_TABLES = {t.name: t for t in IMPORT_TABLES}
# Weights in g that a scale prints with three decimals, or that are thousands with a point.
_THOUSANDFOLD = 1000.0  # a load, in %, that thousands taken for decimals make
_POINT = " A point is a decimal point, unless the decimal comma is chosen: write 1250, not 1.250."
_GROUPED = re.compile(r"[1-9]\d{0,2}\.\d\d0")


@dataclass(frozen=True)
class Sheet:
    """A file as text: a frame of cells and, per row, the number a spreadsheet shows.

    ``origins`` tells for a column that came from another heading which one, and its unit;
    ``filled`` holds the rows of pieces whose pour the file left to the plan.
    """

    file: str
    table: str
    text: pd.DataFrame
    rows: tuple
    origins: dict = field(default_factory=dict)
    filled: frozenset = frozenset()


def read_csvs(pours=None, pieces=None, throws=None, store=None, *, warmings=None,
              beyond_plan=False):
    """The files as checked, typed frames, by table name (files that are None are absent).

    Separator (comma, semicolon or tab) and a byte order mark are detected. With a ``store`` the
    files are also checked against what is stored there, and where it has a kept plan, against
    that: ``beyond_plan=True`` takes what was not planned. Raises
    :class:`scentlab.schema.DataError` with every problem of all files.
    """
    given = {"pours": pours, "pieces": pieces, "throws": throws, "warmings": warmings}
    problems, sheets = [], {}
    for name, path in given.items():
        if path is None:
            continue
        findings = Findings(Path(path).name)
        sheet = read_sheet(Path(path), name, findings)
        problems.extend(findings.problems)
        if sheet is not None:
            sheets[name] = sheet
    unread = {n for n, path in given.items() if path is not None} - set(sheets)
    return check_sheets(sheets, store, problems, unread=unread, beyond_plan=beyond_plan)


def check_sheets(sheets, store=None, problems=(), *, unread=(), today=None, beyond_plan=False):
    """Typed frames of sheets of text, checked one by one, against each other and the store.

    ``unread`` names tables whose file was given and could not be read: what they hold is not
    known, so nothing is told missing from them. ``today`` is the machine's day when absent.
    With ``beyond_plan`` pours, pieces, assessors and sittings need not be in the kept plan.
    """
    problems, frames, plan = list(problems), {}, kept_plan(store)
    sheets = _one_spelling(sheets, store)
    if plan is not None and "pieces" in sheets:
        sheets = {**sheets, "pieces": plan.fill_in(sheets["pieces"])}
    for name, sheet in sheets.items():
        try:
            frames[name] = parse_table(sheet.text, _TABLES[name], sheet.file)
        except DataError as error:
            told = _pours_left_open(error.problems, sheet, plan, beyond_plan)
            problems.extend(_renumbered(p, sheet) for p in told)
        problems.extend(_doubtful_weights(sheet))
    unplanned = [] if plan is None or beyond_plan else list(plan.beyond(sheets))
    problems.extend(_beyond_plan(unplanned))
    problems.extend(_across(sheets, store, unread, {value for _, _, value, *_ in unplanned}))
    if "pours" in frames:
        problems.extend(_impossible_pours(frames["pours"], sheets["pours"], store))
    if store is None or not store.about()["invented"]:  # invented days may lie anywhere
        problems.extend(_days_to_come(frames, sheets, store, today or dt.date.today()))
    if store is not None and not problems:
        problems.extend(_stored_already(frames, sheets, store))
    if problems:
        raise DataError(problems)
    return frames


def _one_spelling(sheets, store):
    """The sheets with names that differ only in look spelt in one way: as known, or as first."""
    for name in NAMED:
        holders = [n for n, sheet in sheets.items() if list(sheet.text.columns).count(name) == 1]
        known = [] if store is None or not holders else store.known_names(name)
        given = [cell for n in holders for cell in map(kept, sheets[n].text[name])]
        spell = spelling(known, list(filter(None, given)))
        for n in holders:
            text = sheets[n].text
            text = text.assign(**{name: [spell(kept(cell)) for cell in text[name]]})
            sheets = {**sheets, n: replace(sheets[n], text=text)}
    return sheets


def _doubtful_weights(sheet):
    """Weights such as 1.200 g among others with fewer decimals: thousands, or a decimal point?"""
    findings = Findings(sheet.file)
    for name in (c.name for c in _TABLES[sheet.table].columns if c.unit == "g"):
        cells = [(row, text) for row, text in cells_of(sheet, name) if text]
        doubtful = [(row, text) for row, text in cells if _GROUPED.fullmatch(text)]
        if not all(re.fullmatch(r"\d+\.\d{3}", text) for _, text in cells):
            for row, text in doubtful[:MOST_ALIKE]:
                findings.add(
                    row, name, text, "a weight in g that can be read in one way only",
                    f"Write {text.replace('.', '')} or {float(text):g}, {WHICHEVER}.",
                )
    return findings.problems


def import_csvs(store, pours=None, pieces=None, throws=None, warmings=None, *, beyond_plan=False):
    """Store the rows of the files, all or none; returns the number of rows per table.

    A file that is absent is left out. Where a plan is kept, pours, pieces, assessors and sittings
    must be in it, unless ``beyond_plan`` says that they are truly beyond it. Raises
    :class:`scentlab.schema.DataError` with every problem, and then nothing is stored.
    """
    frames = read_csvs(
        pours, pieces, throws, store=store, warmings=warmings, beyond_plan=beyond_plan
    )
    return store_frames(store, frames)


def store_frames(store, frames):
    """Store checked frames in one transaction; returns the number of rows per table."""
    rows = {}
    if "pours" in frames:
        rows["pours"] = _records(frames["pours"])
    if "pieces" in frames:
        known = set(store.rows("pieces")["code"])
        rows["pieces"] = _piece_rows(frames["pieces"], known, store.plan() or {})
        rows["grades"] = grade_rows(frames["pieces"])
    for name in ("throws", "warmings"):
        if name in frames:
            rows[name] = _records(frames[name])
    stored = store.add_all(rows)
    return {name: len(receipts) for name, receipts in stored.items()}


def export_csvs(store, folder):
    """Write pours.csv, pieces.csv and throws.csv of the rows that stand, and warmings.csv when a
    piece was checked on the warmer; returns their paths.

    Text cells that a spreadsheet would run as a formula get an apostrophe in front, which the
    import takes off again.
    """
    rows = {name: store.rows(name) for name in ("pieces", "grades", "throws", "warmings")}
    return export_rows({"pours": _with_limits(store), **rows}, folder)


def export_rows(rows, folder):
    """Write the files of :func:`export_csvs` from frames of rows by table; returns their paths."""
    folder = Path(folder)
    frames = {
        "pours": rows["pours"], "pieces": _looks(rows["pieces"], rows["grades"]),
        "throws": rows["throws"],
    }
    if len(rows["warmings"]):
        frames["warmings"] = rows["warmings"]
    texts = {f"{n}.csv": _csv_text(frame, _TABLES[n]) for n, frame in frames.items()}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # All are written beside their places first, so that no half file is ever seen.
        with tempfile.TemporaryDirectory(prefix=".export-", dir=folder) as beside:
            for name, text in texts.items():
                (Path(beside) / name).write_text(text, encoding="utf-8", newline="")
            return [(Path(beside) / name).replace(folder / name) for name in texts]
    except OSError as error:
        raise StoreError(
            f"the folder {folder} cannot be written ({error.strerror}); choose another one"
        ) from error


def _with_limits(store):
    """Pours with the limits that a plan knows, so that the files alone give the same pick."""
    pours = store.rows("pours")
    if pours.empty:
        return pours
    known = read_series(store).blends.set_index("blend")
    for column in ("limit_load_pct", "limit_content_pct"):
        planned = pours["blend"].map(known[column])
        pours[column] = pours[column].where(pours[column].notna(), planned)
    return pours


def describe_columns():
    """Every column of the files: table, column, unit, allowed, required, meaning."""
    return pd.DataFrame([
        {
            "table": table.name,
            "column": column.name,
            "unit": column.unit,
            "allowed": column.expected,
            "required": "yes" if column.required else "no",
            "meaning": column.meaning,
        }
        for table in IMPORT_TABLES
        for column in table.columns
    ])


def read_sheet(path, table, findings, sheet=None):
    """A CSV file, or a sheet of an XLSX workbook, as text; None with the problem told."""
    try:
        with path.open("rb") as file:  # a pipe or a device has no end: the limit holds for all
            raw = file.read(spreadsheets.MOST_BYTES + 1)
    except OSError as error:
        findings.add(
            None, "", None, f"a file of {table} ({error.strerror})",
            "Check the name and the place of the file.",
        )
        return None
    if len(raw) > spreadsheets.MOST_BYTES:
        _add_too_large(findings, None, f"{spreadsheets.MOST_BYTES / 1e6:.0f} MB")
        return None
    if raw.startswith((b"PK", b"\xd0\xcf\x11\xe0")):
        cells = spreadsheets.sheet_cells(path, sheet, findings)
        return None if cells is None else sheet_from_cells(cells, table, findings)
    text = _decode(raw, findings)
    return None if text is None else sheet_from_text(text, table, findings)


def _add_too_large(findings, row, most):
    findings.add(row, "", None, f"a file of at most {most}", spreadsheets.TOO_LARGE)


def _too_large(text, separator, findings):
    """Whether the lines of a CSV file are too many or too long, told before they are split up."""
    rows, widest = text.count("\n"), (0, 0)
    if rows > spreadsheets.MOST_ROWS:
        _add_too_large(findings, None, f"{spreadsheets.MOST_ROWS} rows")
        return True
    for number, line in enumerate(text.splitlines(), start=1):
        widest = max(widest, (line.count(separator) + 1, -number))
    if widest[0] > spreadsheets.MOST_COLUMNS:
        _add_too_large(findings, -widest[1], f"{spreadsheets.MOST_COLUMNS} columns")
    return widest[0] > spreadsheets.MOST_COLUMNS


def _decode(raw, findings):
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        findings.add(
            None, "", None, "text in UTF-8, and this file is in UTF-16",
            "Save it again as 'CSV UTF-8'.",
        )
        return None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        findings.add(
            raw[: error.start].count(b"\n") + 1, "", repr(raw[error.start : error.end])[2:-1],
            "text in UTF-8", "Save the file again as 'CSV UTF-8'.",
        )
        return None
    if "\x00" in text:
        findings.add(
            text[: text.index("\x00")].count("\n") + 1, "", None,
            "text, and this file holds bytes of zero", "Save it again as 'CSV UTF-8'.",
        )
        return None
    return text


def sheet_from_text(text, table, findings):
    """The cells of CSV text, or None with the problem among the findings."""
    header = text.partition("\n")[0].strip("\r")
    separator = _separator(header, _TABLES[table])
    if _too_large(text, separator, findings):
        return None
    try:
        lines = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True))
    except csv.Error as error:
        findings.add(
            None, "", None, f"a CSV file whose quotes close ({error})",
            'Close every " and write a quote within a cell twice.',
        )
        return None
    return sheet_from_cells(lines, table, findings)


def sheet_from_cells(lines, table, findings):
    """A sheet of rows of cells; the first row is the header, empty rows are left out."""
    if not lines or not any(cell.strip() for cell in lines[0]):
        findings.add(
            1, "", None, f"a header row with the columns of {table}",
            "Begin the file with the names of the columns.",
        )
        return None
    header = [cell.strip() for cell in lines[0]]
    while header and header[-1] == "":
        header.pop()
    cells, numbers = [], []
    for number, line in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in line):
            continue
        extra = [cell for cell in line[len(header):] if cell.strip()]
        if extra or len(line) < len(header):
            findings.add(
                number, "", f"{len(line)} cells", f"{len(header)} cells as in the header",
                "Quote a cell that holds the separator, and give every column a cell.",
            )
            continue
        cells.append([armed(cell) for cell in line[: len(header)]])
        numbers.append(number)
    text = pd.DataFrame(cells, columns=header, dtype=object)
    return Sheet(findings.file, table, text, tuple(numbers))


def _separator(header, table):
    """The separator that makes the most known columns of the header row."""
    def known(separator):
        names = [cell.strip().strip('"') for cell in header.split(separator)]
        return (sum(n in table.names for n in names), len(names))

    return max(SEPARATORS, key=known)


def _renumbered(problem, sheet):
    """A problem with the row that the spreadsheet shows, though empty rows were left out."""
    if problem.row is None or problem.row < 2:
        return problem
    return replace(problem, row=sheet.rows[problem.row - 2])


def _pours_left_open(problems, sheet, plan, beyond_plan):
    """The problems of a sheet; a pour that the plan cannot fill in is one of an unknown code.

    Such a code is told itself, unless it may be beyond the plan: then its pour must be given.
    """
    for problem in problems:
        at_pour = sheet.table == "pieces" and problem.column == "pour" and problem.value == ""
        if plan is None or "code" not in plan.names or not at_pour:
            yield problem
        elif beyond_plan:
            yield replace(problem, remedy="The plan does not know this code: give its pour.")


def _beyond_plan(unplanned):
    """Pours, codes, assessors and sittings that the kept plan does not have."""
    problems, by_column = [], {}
    for sheet, column, *found in unplanned:
        by_column.setdefault((sheet.file, column), []).append(found)
    for (file, column), found in by_column.items():
        expected = expected_words(column)
        if len(found) > MOST_ALIKE:
            places = sorted((row, value) for value, rows, _ in found for row in rows)
            remedy = f"Is it the file of another series? {BEYOND}"
            problems += _grouped(file, column, places, expected, remedy)
            continue
        for value, rows, near in found:
            remedy = f"Correct it; the nearest: {', '.join(near)}. {BEYOND}"
            problems += _grouped(file, column, [(r, value) for r in rows], expected, remedy)
    return problems


def _across(sheets, store, unread, told):
    """What is wrong between the files: unknown pours and codes, a code of two pours.

    ``told`` holds names that are told already, for the kept plan does not have them.
    """
    stored = {} if store is None else _stored_origins(store)
    origins = dict(stored)
    pieces = sheets.get("pieces")
    findings = Findings(pieces.file if pieces else "")
    codes, pours = cells_of(pieces, "code"), cells_of(pieces, "pour")
    for (row, code), (_, pour) in zip(codes, pours, strict=False):
        first = origins.setdefault(code, pour)
        if code and pour and first != pour:
            where = "is stored" if code in stored else "stands above"
            findings.add(
                row, "pour", pour, f"pour {first}, for code {code} {where} as a piece of it",
                "A code belongs to one pour: correct the pour or the code.",
            )
    unknown = [] if "pours" in unread else _unknown_pours(sheets, store, pours, findings.file)
    if "pieces" not in unread:
        unknown += _unknown_codes(sheets, set(origins) | {c for _, c in codes} | told)
    return findings.problems + unknown


def _impossible_pours(pours, sheet, store):
    """Loads that no wax takes, pots of two blends, and limits that contradict each other."""
    findings = Findings(sheet.file)
    melts, limits = {}, {}
    if store is not None:
        for row in _records(store.rows("pours")):
            melts.setdefault(row["pot"], (row["blend"], "in the store"))
    for place, row in zip(sheet.rows, _records(pours), strict=True):
        load = load_from_weights(row["fragrance_g"], row["wax_g"])
        if load > MOST_LOAD_PCT:
            findings.add(
                place, "fragrance_g", f"{row['fragrance_g']:g}",
                f"a load of at most {MOST_LOAD_PCT:g} % of wax, and with {row['wax_g']:g} g of wax "
                f"this is {load:.1f} %",
                "Look for a slipped decimal point in fragrance_g or wax_g."
                + (_POINT if load > _THOUSANDFOLD else ""),
            )
        blend, where = melts.setdefault(row["pot"], (row["blend"], f"in row {place}"))
        if blend != row["blend"]:
            findings.add(
                place, "blend", row["blend"],
                f"blend {blend}, which pot {row['pot']} holds {where}",
                "A pot is one melt of one blend: correct the pot or the blend.",
            )
        for column in ("limit_load_pct", "limit_content_pct"):
            if row[column] is None:
                continue
            first, at = limits.setdefault((row["blend"], column), (row[column], place))
            if first != row[column]:
                findings.add(
                    place, column, f"{row[column]:g}",
                    f"{first:g}, the limit of blend {row['blend']} in row {at}",
                    "A blend has one limit: correct the value or leave the cell empty.",
                )
    return findings.problems


def _stored_origins(store):
    pieces = store.rows("pieces")
    return dict(zip(pieces["code"], pieces["pour"], strict=True))


def _unknown_pours(sheets, store, pours, file):
    if "pours" not in sheets and store is None:
        return []
    known = {p for _, p in cells_of(sheets.get("pours"), "pour")}
    if store is not None:
        known |= set(store.rows("pours")["pour"])
    lost = [(row, pour) for row, pour in pours if pour and pour not in known]
    whole = "Give the file of pours as well, or log the pours first."
    filled = sheets["pieces"].filled if "pieces" in sheets else ()
    # Of a pour that the plan filled in the name stays sealed: the code is told instead.
    sealed = {row for row, _ in lost} & set(filled)
    unlogged = [(row, code) for row, code in cells_of(sheets.get("pieces"), "code")
                if row in sealed]
    named = [(row, pour) for row, pour in lost if row not in sealed]
    return _grouped(
        file, "pour", named, "a pour that the file of pours or the store holds",
        "Correct the name or add the pour.", whole if len(named) == len(pours) else "",
    ) + _grouped(file, "code", unlogged, "a piece whose pour is logged", whole)


def _unknown_codes(sheets, known):
    problems = []
    for sheet in (sheets[name] for name in ("throws", "warmings") if name in sheets):
        codes = cells_of(sheet, "code")
        lost = [(row, code) for row, code in codes if code and code not in known]
        whole = "Give the file of pieces as well, or save the plan first."
        problems += _grouped(
            sheet.file, "code", lost, "a code that the file of pieces or the store holds",
            "Correct the code or add the piece.", whole if len(lost) == len(codes) else "",
        )
    return problems


def _grouped(file, column, places, expected, remedy, whole=""):
    """One problem per (row, value), or one for all of them where they are many.

    ``whole`` is the remedy when no row of the file is right: then it is not the rows.
    """
    findings = Findings(file)
    if len(places) <= MOST_ALIKE:
        for row, value in places:
            findings.add(row, column, value, expected, remedy)
        return findings.problems
    values = list(dict.fromkeys(value for _, value in places))
    few = ", ".join(values[:5]) + (f" and {len(values) - 5} more" if len(values) > 5 else "")
    findings.add(
        places[0][0], column, values[0], expected,
        f"{whole or remedy} It is the same in {len(places)} rows, {_spans(places)} ({few}).",
    )
    return findings.problems


def _spans(places):
    """Row numbers in words, runs of them with a dash: 2-25, 27, 30-31."""
    spans = []
    for row in sorted({row for row, _ in places}):
        if spans and row == spans[-1][1] + 1:
            spans[-1][1] = row
        else:
            spans.append([row, row])
    words = [f"{a}" if a == b else f"{a}-{b}" for a, b in spans]
    return ", ".join(words[:6]) + (f" and {len(words) - 6} more runs" if len(words) > 6 else "")


def _days_to_come(frames, sheets, store, today):
    """Pours and looks on days that have not come; one day is let pass, for clocks are wrong."""
    clock = f"Correct it, or the clock of this computer: it says that today is {today}."
    last, poured, late = today + dt.timedelta(days=1), {}, []
    if store is not None:
        poured = {p: d for p, d in store.distinct("pours", ("pour", "poured_on"))}
    for place, row in _placed("pours", frames, sheets):
        poured[row["pour"]] = row["poured_on"]
        if row["poured_on"] > last:
            late.append((place, str(row["poured_on"])))
    problems = _grouped(sheets["pours"].file, "poured_on", late, "a day that has come", clock) \
        if late else []
    late = []
    for place, row in _placed("pieces", frames, sheets):
        age, day = row["age_days"], poured.get(row["pour"])
        if age is not None and day is not None and day + dt.timedelta(days=age) > last:
            late.append((place, f"{age:g}"))
    if late:
        expected = "an age that the piece has reached since its day of pouring"
        problems += _grouped(sheets["pieces"].file, "age_days", late, expected, clock)
    return problems


def _placed(name, frames, sheets):
    """Pairs of row number and row of a table; none when it is not there."""
    if name not in frames:
        return []
    return zip(sheets[name].rows, _records(frames[name]), strict=True)


def _stored_already(frames, sheets, store):
    """Rows that the store holds already, told with their place in the file."""
    problems = []
    tables = {"pours": "pours", "pieces": "grades", "throws": "throws", "warmings": "warmings"}
    for name, frame in frames.items():
        key = RECORDS[tables[name]].key
        stored = {_identity(r, key) for r in _stored_records(store, tables[name])}
        if not stored:
            continue
        found = []
        for place, row in _placed(name, frames, sheets):
            same = [r for r in (_grades_of(row) if name == "pieces" else [row])
                    if _identity(r, key) in stored]
            if same:
                told = ", ".join(f"{k} {v}" for k, v in zip(key, _identity(same[0], key),
                                                           strict=True) if v is not None)
                found.append((place, str(row[key[0]]), told))
        problems.extend(_told_stored(sheets[name].file, key[0], found, len(frame)))
    return problems


def _stored_records(store, table):
    """The rows that stand, looks with the stress of their piece where they were given none."""
    rows = _records(store.rows(table))
    if table == "grades" and any(row["stress"] is None for row in rows):
        of_piece = dict(store.distinct("pieces", ("code", "stress")))
        rows = [{**r, "stress": r["stress"] or of_piece.get(r["code"])} for r in rows]
    return rows


def _told_stored(file, column, found, rows):
    findings = Findings(file)
    remedy = "Leave the row out, or correct the stored one in the series."
    if len(found) > MOST_ALIKE:
        place, value, told = found[0]
        which = f"All {rows} rows of this file" if len(found) == rows else (
            f"{len(found)} of the {rows} rows of this file, {_spans([f[:2] for f in found])},"
        )
        findings.add(
            place, column, value, f"rows that are not stored yet, and {told} is",
            f"{which} are stored already: leave {'the file' if len(found) == rows else 'them'} "
            "out, or correct the stored ones in the series.",
        )
        return findings.problems
    for place, value, told in found:
        findings.add(place, column, value, f"a row that is not stored yet, and {told} is", remedy)
    return findings.problems


def _identity(row, key):
    return tuple(row[k] for k in key)


def _records(frame):
    """Rows as dicts with None for what is missing."""
    return frame.astype(object).where(frame.notna(), None).to_dict("records")


def _piece_rows(looks, known, plan):
    """One row per new piece; the test of one that no plan knows is not known."""
    new = looks[~looks["code"].isin(known)].drop_duplicates("code")
    planned = {p["code"]: {n: p.get(n) for n in ("test", "stress")}
               for p in plan.get("pieces", ())}
    return [{"code": c, "pour": p, **planned.get(c, {})}
            for c, p in zip(new["code"], new["pour"], strict=True)]


def grade_rows(looks):
    """Looks (one row, up to two grades) as rows of the table of grades."""
    return [grade for row in _records(looks) for grade in _grades_of(row)]


def _grades_of(row):
    shared = {k: row[k] for k in ("code", "stress", "age_days", "assessor")}
    return [
        {**shared, "test": test, "grade": row[f"{test}_grade"]}
        for test in ("sweat", "frost")
        if row[f"{test}_grade"] is not None
    ]


def _looks(pieces, grades):
    """The table of pieces as the file has it: one row per look, and the pieces never graded."""
    keys = ["code", "stress", "age_days", "assessor"]
    looks = grades.pivot(index=keys, columns="test", values="grade").reset_index()
    looks = looks.reindex(columns=[*keys, "sweat", "frost"])
    looks = looks.rename(columns={"sweat": "sweat_grade", "frost": "frost_grade"})
    joined = pieces[["code", "pour"]].merge(looks, on="code", how="left")
    # Of a damaged record a grade may be whole whose piece is not.
    joined = pd.concat([joined, looks[~looks["code"].isin(pieces["code"])]])
    return joined.reindex(columns=list(_TABLES["pieces"].names))


def _csv_text(frame, table):
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(table.names)
    columns = [_cells(frame[c.name], c) for c in table.columns]
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue()


def _cells(values, column):
    if column.kind == "number":
        return ["" if pd.isna(v) else repr(float(v)) for v in values]
    cells = ["" if pd.isna(v) else str(v) for v in values]
    if column.kind == "text":
        return [disarmed(c) for c in cells]
    return cells

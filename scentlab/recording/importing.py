"""Files in, CSV files out: a file a table, that of pieces with the grades of each inspection.

Everything is read as text and checked before anything is stored; all problems of all files are
shown at once, and what is stored is stored in one transaction.
"""

import re
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from scentlab.amounts import keep_units, units_typed
from scentlab.files import write_whole
from scentlab.recording.checking import check_sheets, grade_rows, records
from scentlab.recording.matching import (
    TABLES,
    From,
    Source,
    dates_like,
    matched,
    plain_headings,
    units_of,
)
from scentlab.recording.reading import read_series
from scentlab.recording.records import RECORDS
from scentlab.recording.sheets import read_sheet
from scentlab.recording.store import Store, StoreError
from scentlab.schema import DataError, Findings, csv_text
from scentlab.text import count_of

# Written only where there are any. Nothing reads bleeds any more, but what was recorded is kept.
IF_ANY = ("warmings", "pairs", "heats", "unpoured", "bleeds")
FILES = {**TABLES, "bleeds": RECORDS["bleeds"]}


@dataclass(frozen=True)
class DryRun:
    """What an import would store, and everything that is wrong; nothing was stored yet.

    ``left_out`` are by table the headings of its file that a matching leaves out; ``units`` those
    that a matching says, which a series that has none takes; ``passed`` is the number of rows that
    are stored already.
    """

    frames: dict
    problems: tuple
    left_out: dict
    units: tuple = ()
    passed: int = 0

    @property
    def ready(self):
        return not self.problems

    @property
    def sentence(self):
        if self.problems:
            number = len(self.problems)
            what = "1 problem" if number == 1 else f"{number} problems"
            mended = "it is" if number == 1 else "they are"
            return f"{what}; nothing can be stored until {mended} corrected."
        counts = {name: len(frame) for name, frame in self.frames.items()}
        if "pieces" in self.frames:
            counts["grades"] = len(grade_rows(self.frames["pieces"]))
        return "Ready to store: " + ", ".join(f"{n} {name}" for name, n in counts.items()) + "." + (
            f" Already stored and left as they are: {count_of(self.passed, 'row')}."
            if self.passed else "")

    def store(self, store):
        """Store it all in one transaction; returns the number of rows per table. DataError for
        problems."""
        if self.problems:
            raise DataError(self.problems)
        rows = {}
        for name, frame in self.frames.items():
            rows[name] = records(frame)
            if name == "pieces":
                rows["pieces"] = _piece_rows(frame, store)
                rows["grades"] = grade_rows(frame)
        counts = {name: len(receipts) for name, receipts in store.add_all(rows).items()}
        keep_units(units_typed(f"1 {unit}" for unit in self.units), store.folder, chosen=False)
        return counts


def dry_run(store=None, *, today=None, beyond_plan=False, **files):
    """Try an import against a series, to which nothing is written; returns a :class:`DryRun`.

    ``files`` are by table of ``TABLES`` a path or a Source, or None. No pour and no look may lie
    after ``today``, the machine's day when absent; with ``beyond_plan`` pours, pieces, assessors
    and sittings need not be in the kept plan.
    """
    given = {name: files[name] for name in sorted(files, key=list(TABLES).index)}
    given = {name: source if isinstance(source, Source) else Source(source)
             for name, source in given.items() if source is not None}
    problems, sheets, plain, left_out = [], {}, {}, {}
    for name, source in given.items():
        try:
            sheet = read_sheet(source.path, TABLES[name], source.sheet, source.decimal)
        except DataError as error:
            problems += error.problems
            continue
        taken = {origin.heading for origin in source.columns.values()}
        if taken and (rest := [h or "(no heading)" for h in map(str, sheet.text.columns)
                               if h not in taken]):
            left_out[name] = rest
        findings = Findings(sheet.file)
        sheets[name] = matched(sheet, source, findings)
        plain[name] = plain_headings(sheet)
        problems += [*sheet.problems, *findings.problems]
    if len(sheets) < len(given):  # what such a file holds is not known, so nothing is missing
        return DryRun({}, tuple(problems), left_out)
    try:
        frames, passed = check_sheets(sheets, store, problems, today=today, beyond_plan=beyond_plan)
    except DataError as error:
        # A column whose unit is still to be chosen is in the file: nobody has to add it.
        told = {(p.file, p.column) for p in problems if p.column}
        found = [p for p in error.problems
                 if p.row != 1 or p.value is not None or (p.file, p.column) not in told]
        for name, sheet in sheets.items():
            heads = {p.value for p in found if p.file == sheet.file and p.row == 1 and p.value}
            found = [_as_in_the_file(p, sheet, given[name], plain[name]) for p in found
                     # A column that a heading looks like is that heading, said once.
                     if p.file != sheet.file or p.row != 1 or p.value is not None
                     or plain[name].get(p.column) not in heads]
        return DryRun({}, tuple(found), left_out)
    units = (origin.unit for source in given.values() for origin in source.columns.values())
    return DryRun(frames, (), left_out, tuple(filter(None, units)), passed)


def _say_match(heading, name, table):
    units = units_of(table[name]) if name in table.names else ()
    unit = ":UNIT" * bool(units or name not in table.names)
    return f'--match "{heading}={name}{unit}"' + (f" (UNIT: {', '.join(units)})" if units else "")


def _as_in_the_file(problem, sheet, source, plain):
    """A problem with value, unit and decimal sign of the file instead of the converted ones, and
    of a heading with the remedy of the form and of the command."""
    name, known = problem.column, problem.column in sheet.table.names
    if sheet.file != problem.file or not name:
        return problem
    if problem.row == 1 and known == (problem.value is None):  # it is lacking, or not known
        column = name if known else {h: c for c, h in plain.items()}.get(name, "COLUMN")
        match = _say_match("HEADING" if known else name, column, sheet.table)
        remedy = f"Choose what it is in the form, give {match} in the command, or correct the file."
        if name == "assessor":
            remedy += " Testers with a column each? The file needs a row for each score."
        return replace(problem, remedy=remedy)
    cells = sheet.given.get(name)
    if cells is None or problem.row not in sheet.rows:
        return problem
    value, expected, remedy = cells[sheet.rows.index(problem.row)], problem.expected, problem.remedy
    origin, column = source.columns.get(name, From(name)), sheet.table[name]
    forms = dates_like(value) if column.kind == "date" else ()
    if origin.unit and remedy.startswith("Give only the number"):
        remedy = f"Give only the number, in {origin.unit}, without the unit."
    elif forms and origin.unit not in forms:
        remedy += (f" Or, if all are {' or '.join(forms)}, choose that in the form, or in the "
                   f"command give {_say_match(origin.heading, name, sheet.table)}.")
    elif source.decimal == "." and re.fullmatch(r"-?[\d.]+,(\d{1,2}|\d{4,})", value):
        remedy += (" Or choose the decimal comma for the whole file in the form, or in the command "
                   "give --decimal ,")
    elif "oz" in f"{problem.value}" and units_of(column):
        remedy += (" Or give only numbers, all in another unit, chosen in the form or in the "
                   f"command with {_say_match(origin.heading, name, sheet.table)}.")
    if source.decimal == ",":
        expected = expected.replace("a decimal point", "a decimal comma, as chosen for this file,")
    heading = name if origin.heading == name else f"{origin.heading} ({name})"
    return replace(problem, column=heading, value=problem.value and value, expected=expected,
                   remedy=remedy)


def import_csvs(
    store: Store, pours: str | Path | None = None, pieces: str | Path | None = None,
    throws: str | Path | None = None, warmings: str | Path | None = None,
    pairs: str | Path | None = None, heats: str | Path | None = None,
    unpoured: str | Path | None = None, *, beyond_plan: bool = False,
) -> dict[str, int]:
    """Store the rows of the files, all or none.

    Parameters
    ----------
    store : Store
    pours, pieces, throws, warmings, pairs, heats, unpoured : path of a file; None leaves one out.
    beyond_plan : bool. Where a plan is kept, pours, pieces, assessors and sittings must be in it,
        unless this says that they are truly beyond it.

    Returns
    -------
    dict of table to number of rows.

    Raises
    ------
    DataError with every problem, and then nothing is stored.

    >>> import tempfile
    >>> from scentlab.recording.store import Store
    >>> from scentlab.workshop import demo_folder
    >>> import_csvs(Store.create(tempfile.mkdtemp()), demo_folder() / "pours.csv")["pours"]
    36
    """
    return dry_run(store, pours=pours, pieces=pieces, throws=throws, warmings=warmings, pairs=pairs,
                   heats=heats, unpoured=unpoured, beyond_plan=beyond_plan).store(store)


def _piece_rows(looks, store):
    """One row per new piece; the test of one that no plan knows is not known."""
    known = {code for (code,) in store.distinct("pieces", ("code",))}
    planned = {p["code"]: {n: p.get(n) for n in ("test", "stress")}
               for p in (store.plan() or {}).get("pieces", ())}
    new = looks[~looks["code"].isin(known)].drop_duplicates("code")
    return [{"code": c, "pour": p, **planned.get(c, {})}
            for c, p in zip(new["code"], new["pour"], strict=True)]


def export_csvs(store: Store, folder: str | Path) -> list[Path]:
    """Write pours.csv, pieces.csv and throws.csv of the rows that stand, and warmings.csv,
    pairs.csv, heats.csv, unpoured.csv and bleeds.csv where there are any. Pieces that are still to
    be poured are left out: they are in the plan.

    Text cells that a spreadsheet would run as a formula get an apostrophe in front, which the
    import takes off again.

    Parameters
    ----------
    store : Store
    folder : str or Path, made when absent.

    Returns
    -------
    list of Path, of the files.

    >>> import tempfile
    >>> from scentlab.recording.store import Store
    >>> [path.name for path in export_csvs(Store.create(tempfile.mkdtemp()), tempfile.mkdtemp())]
    ['pours.csv', 'pieces.csv', 'throws.csv']
    """
    rows = {name: store.rows(name) for name in ("pieces", "grades", "throws", *IF_ANY)}
    told = {pour for name in ("pours", "unpoured") for (pour,) in store.distinct(name, ("pour",))}
    pieces = rows["pieces"]
    rows["pieces"] = pieces[pieces["pour"].isin(told) | pieces["code"].isin(rows["grades"]["code"])]
    return export_rows({"pours": _with_limits(store), **rows}, folder)


def export_rows(rows, folder):
    """Write the files of :func:`export_csvs` from frames of rows by table; returns their paths."""
    folder = Path(folder)
    frames = {
        "pours": rows["pours"], "pieces": _looks(rows["pieces"], rows["grades"]),
        "throws": rows["throws"],
    }
    frames |= {name: rows[name] for name in IF_ANY if len(rows[name])}
    texts = {name: csv_text(frame, FILES[name]) for name, frame in frames.items()}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return [write_whole(folder / f"{name}.csv", text) for name, text in texts.items()]
    except OSError as error:
        raise StoreError(f"the folder {folder} cannot be written ({error.strerror})",
                         "choose another one") from error


def _with_limits(store):
    """Pours with the limits that hold, so that the files alone give the same pick."""
    pours = store.rows("pours")
    if pours.empty:
        return pours
    known = read_series(store).blends.set_index("blend")
    for column in ("limit_load_pct", "limit_content_pct"):
        pours[column] = pours["blend"].map(known[column])
    return pours


def _looks(pieces, grades):
    """The table of pieces as the file has it: one row per look, and the pieces never graded."""
    keys = ["code", "stress", "age_days", "assessor"]
    looks = grades.pivot(index=keys, columns="test", values="grade").reset_index()
    looks = looks.reindex(columns=[*keys, "sweat", "frost"])
    looks = looks.rename(columns={"sweat": "sweat_grade", "frost": "frost_grade"})
    joined = pieces[["code", "pour"]].merge(looks, on="code", how="left")
    # Of a damaged record a grade may be whole whose piece is not.
    joined = pd.concat([joined, looks[~looks["code"].isin(pieces["code"])]])
    return joined.reindex(columns=list(TABLES["pieces"].names))

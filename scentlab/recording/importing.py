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
    matched,
    plain_headings,
    unit_in,
    units_of,
)
from scentlab.recording.reading import read_series
from scentlab.recording.records import RECORDS
from scentlab.recording.sheets import read_sheet
from scentlab.recording.store import Store, StoreError
from scentlab.schema import DataError, Findings, csv_text

# Written only where there are any. Nothing reads bleeds any more, but what was recorded is kept.
IF_ANY = ("warmings", "pairs", "heats", "unpoured", "bleeds")
FILES = {**TABLES, "bleeds": RECORDS["bleeds"]}


@dataclass(frozen=True)
class DryRun:
    """What an import would store, and everything that is wrong; nothing was stored yet.

    ``left_out`` are by table the headings of its file that a matching leaves out; ``units`` those
    that a matching says, which a series that has none takes.
    """

    frames: dict
    problems: tuple
    left_out: dict
    units: tuple = ()

    @property
    def ready(self):
        return not self.problems

    @property
    def sentence(self):
        if self.problems:
            number = len(self.problems)
            what = "1 problem" if number == 1 else f"{number} problems"
            mended = "it is" if number == 1 else "they are"
            return f"{what}; nothing can be stored before {mended} mended."
        counts = {name: len(frame) for name, frame in self.frames.items()}
        if "pieces" in self.frames:
            counts["grades"] = len(grade_rows(self.frames["pieces"]))
        return "Ready to store: " + ", ".join(f"{n} {name}" for name, n in counts.items()) + "."

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
        if taken and (rest := [h for h in map(str, sheet.text.columns) if h not in taken]):
            left_out[name] = rest
        findings = Findings(sheet.file)
        sheets[name] = matched(sheet, source, findings)
        plain[name] = plain_headings(sheet)
        problems += [*sheet.problems, *findings.problems]
    try:
        frames = check_sheets(sheets, store, problems, unread=set(given) - set(sheets),
                              today=today, beyond_plan=beyond_plan)
    except DataError as error:
        # A column whose unit is still to be chosen is in the file: nobody has to add it.
        told = {(p.file, p.column) for p in problems if p.column}
        found = [p for p in error.problems
                 if p.row != 1 or p.value is not None or (p.file, p.column) not in told]
        for name, sheet in sheets.items():
            found = [_as_in_the_file(p, sheet, given[name])
                     for p in _with_headings(found, sheet, plain[name])]
        return DryRun({}, tuple(found), left_out)
    units = (origin.unit for source in given.values() for origin in source.columns.values())
    return DryRun(frames, (), left_out, tuple(filter(None, units)))


def _as_in_the_file(problem, sheet, source):
    """A problem with the value and the decimal sign of the file instead of the converted ones, and
    how loads come in as they are."""
    given = sheet.given.get(problem.column)
    if given is None or sheet.file != problem.file or problem.row not in sheet.rows:
        return problem
    value, name = given[sheet.rows.index(problem.row)], problem.column
    origin, own = source.columns.get(name, From(name)), sheet.table[name]
    if own.kind == "date" and origin.unit not in (None, *units_of(own)[:1]):
        problem = replace(problem, expected=re.sub(
            "^a date as .*", rf"\g<0>, or {origin.unit} as chosen for this file",
            problem.expected))
    elif origin.unit and "oz per lb" not in units_of(own):
        problem = replace(problem, remedy=problem.remedy.replace(
            f"alone, in {own.unit},", f"alone, in {origin.unit},"))
    if re.search(r"\d ?oz", problem.value or "") and "oz per lb" in units_of(own):
        value = problem.value
        problem = replace(problem, remedy=f"{problem.remedy} Or give all numbers alone, in oz/lb. "
                          + _say_match(origin.heading, own, "oz per lb"))
    if source.decimal == "," and problem.expected:
        problem = replace(problem, expected=problem.expected.replace(
            "a decimal point", "a decimal comma, as chosen for this file,"))
    return replace(problem, value=value) if problem.value and value else problem


def _with_headings(problems, sheet, plain):
    """Problems of the header with the remedy of the form and of the command.

    A column that is missing and a heading that is not known may be one thing, shown once.
    """
    table = sheet.table
    ours = [p for p in problems if p.file == sheet.file and p.row == 1]
    lacking = {p.column for p in ours if p.column in table.required and p.value is None}
    unknown = {p.column for p in ours if p.column and p.column not in table.names}
    meant = {heading: table[name] for name, heading in plain.items()
             if heading in unknown and name not in sheet.text.columns}
    for problem in problems:
        name = problem.column
        if problem not in ours or name not in lacking | unknown:
            yield problem
        elif name in meant:
            yield replace(problem, expected=f"{meant[name].name}, by its look",
                          remedy=_say_match(name, meant[name]))
        elif name in unknown:
            yield replace(problem, remedy="Choose in the form which column it is, or in the "
                          f'command give --match "{name}=COLUMN:UNIT", or delete it.')
        elif name not in (column.name for column in meant.values()):
            yield replace(problem, remedy="Choose in the form which heading it is, or in the "
                          f'command give --match "HEADING={name}:UNIT", or add the column.')


def _say_match(heading, column, unit=""):
    unit = unit or unit_in(heading, column) or (units_of(column) and "UNIT")
    known = f" (UNIT: {', '.join(units_of(column))})" if unit == "UNIT" else ""
    match = f"{heading}={column.name}" + (f":{unit}" if unit else "")
    return f'Choose that in the form, or in the command give --match "{match}"{known}.'


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

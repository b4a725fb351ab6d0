"""Commands of the record: import, entries, correct, void, photo, export, columns."""

import re
import sys
import textwrap
from pathlib import Path

from scentlab.amounts import READERS
from scentlab.cli.frame import (
    GROUPS,
    CannotDo,
    amount,
    call,
    command,
    count,
    opened,
    option,
    series_folder,
    understood,
)
from scentlab.schema import IMPORT_TABLES, DataError

_TABLES = "pours grades throws bleeds warmings pairs heats photos"
GROUPS["entry"] = (option("table", metavar="TABLE", choices=_TABLES.split()),
                   option("entry", metavar="ENTRY", type=int))


@command("""import pours, pieces and throw scores from CSV or XLSX files

    Check CSV or XLSX files and put them into the record of a series folder: all of them or nothing.
    `scentlab columns` shows every column and the units a file may use. What is wrong is shown with
    file, row, column, value and remedy. Where a plan is kept, what is not planned is refused, and
    pieces need no column pour.

    scentlab import cedar-2026 --pours pours.csv --pieces pieces.csv --dry-run
    scentlab import cedar-2026 --pours book.xlsx --sheet pours=Weights \\
        --match "Wax weighed=wax_g:oz" --match "Day=poured_on:day.month.year"

    FOLDER
    --pours FILE: test batches, as weighed
    --pieces FILE: sweat and frost grades
    --throws FILE: throw scores
    --warmings FILE: checks on the warmer
    --pairs FILE: pairs, which of two is stronger
    --heats FILE: heat cycles, as they were reached
    --match HEADING=COLUMN[:UNIT]...: a heading of the file (repeat)
    --sheet TABLE=NAME...: sheet of an XLSX file (repeat)
    --decimal .|, = .: decimal sign (.)
    --beyond-plan: take what is unplanned or unusual too
    --dry-run: check the files, write nothing
    """)
def _import(arguments):
    from scentlab.recording.importing import dry_run

    store = opened(arguments.folder)
    files = {t.name: getattr(arguments, t.name) for t in IMPORT_TABLES}
    if not any(files.values()):
        raise CannotDo(
            "no file to import; give --pours, --pieces, --throws, --warmings, --pairs, --heats or "
            "several of them"
        )
    tried = dry_run(store, **_sources(arguments, files), beyond_plan=arguments.beyond_plan)
    if not tried.ready:
        raise DataError(tried.problems)
    for name, headings in tried.left_out.items():
        print(f"{name}: columns left out, as nothing matches them: {', '.join(headings)}")
    if arguments.dry_run:
        for name, frame in tried.frames.items():
            print(f"{name}: {count(len(frame), 'row')} in {files[name]} in order")
        print("Nothing was written (--dry-run).")
        return
    for table, number in tried.store(store).items():
        print(f"{table}: {count(number, 'row')} stored")
    print(f"Next: {call('report', arguments.folder)}")


def _sources(arguments, files):
    """A source per file, with the columns that --match gives it."""
    from scentlab.recording.matching import Source, match_by_heading

    sheets = dict(_sheet(text, files) for text in arguments.sheet)
    given = {
        name: Source(path, sheet=sheets.get(name), decimal=arguments.decimal)
        for name, path in files.items() if path
    }
    return match_by_heading(given, [_match(text) for text in arguments.match])


def _match(text):
    """Heading, column (as it is or as table.column) and unit of a --match."""
    heading, _, rest = text.rpartition("=")
    column, _, unit = (part.strip() for part in rest.partition(":"))
    parts = (heading.strip(), column, unit or None) if heading.strip() and column else None
    return understood(parts, text, "--match", 'it as "their heading=column" or "their '
                      'heading=column:unit", such as "Wax=wax_g:oz"')


def _sheet(text, files):
    table, equals, sheet = text.partition("=")
    known = ", ".join(name for name, path in files.items() if path)
    return understood(
        (table, sheet) if equals and files.get(table) else None, text, "--sheet",
        f"it as TABLE=NAME, where TABLE has a file here ({known}), such as "
        f"{known.split(',')[0]}=Sheet1",
    )


@command("""show what is stored of a piece or a pour, with numbers

    Print the entries of the record for NAME, the blind code of a piece, the name of a pour, or
    "heat" for the heat cycles: table and number, which `scentlab correct` and `scentlab void` take,
    and what can be corrected. Scores are shown without pour and load. Writes nothing.

    scentlab entries cedar-2026 417

    FOLDER NAME
    """)
def _entries(arguments):
    from scentlab.recording.correcting import stored_about

    for entry in stored_about(opened(arguments.folder), arguments.name):
        print(f"{entry.table} {entry.entry_id}: {entry.words}")
        for name, value in entry.values.items():
            print(f"    {name} = {'' if value is None else value}")


@command("""correct an entry of the record, with a reason

    Write a new row into the record in place of an old one; the old one and the reason stay in the
    history. `scentlab entries` shows tables, numbers and columns. An empty value after = means not
    known; a bare number is in the unit of the column.

    scentlab correct cedar-2026 grades 12 grade=3 --reason "one line down"
    scentlab correct cedar-2026 pours 4 wax_g="7 oz" note= --reason "no zero"

    FOLDER @entry COLUMN=VALUE...
    --reason! TEXT: why, kept with the change
    """)
def _correct(arguments):
    from scentlab.recording.correcting import mend

    changes = dict(_change(arguments.table, text) for text in arguments.column)
    receipt = mend(opened(arguments.folder), arguments.table, arguments.entry, changes,
                   arguments.reason)
    print(
        f"{arguments.table} {arguments.entry}: corrected by entry {receipt.entry_id}; the old one "
        "stays in the history"
    )


def _change(table, text):
    from scentlab.recording.records import RECORDS

    name, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not name:
        raise CannotDo(f"{text!r} is not understood; write it as column=value, such as grade=2")
    unit = next((c.unit for c in RECORDS[table].columns if c.name == name), "")
    if unit in READERS and re.search(r"\d.*[A-Za-z°]", value):
        value = str(amount(name, unit, value))
    return name, value


@command("""take an entry out of the record, with a reason

    Write into the record that an entry does not count, and why. Nothing is erased: the entry and
    the reason stay in the history. `scentlab entries` shows tables and numbers.

    scentlab void cedar-2026 throws 31 --reason "the warmer was off"

    FOLDER @entry
    --reason! TEXT: why, kept with the change
    """)
def _void(arguments):
    opened(arguments.folder).void(arguments.table, arguments.entry, arguments.reason)
    print(f"{arguments.table} {arguments.entry}: void; it stays in the history with the reason")


@command("""write the record as CSV files

    Write pours.csv, pieces.csv and throws.csv of the record, and warmings.csv, pairs.csv and
    heats.csv where there are any, as `scentlab import` reads them (bleeds.csv too, which nothing
    reads). In FOLDER/exports earlier ones are replaced; in another folder nothing is. --whole-rows
    is the way out of a damaged record: what is right is written, what is lost is listed, and the
    exit code is 1.

    scentlab export cedar-2026 --out saved --whole-rows

    FOLDER
    --out OUT: folder to write into (FOLDER/exports)
    --whole-rows: of a damaged record the rows that are whole
    """)
def _export(arguments):
    from scentlab.recording.importing import FILES, export_csvs, export_rows
    from scentlab.recording.store import Store, whole_rows

    folder = series_folder(arguments.folder)
    if arguments.whole_rows and not arguments.out:
        raise CannotDo("--whole-rows writes beside the damaged series: give --out a new folder")
    place = Path(arguments.out) if arguments.out else folder / "exports"
    there = [place / f"{name}.csv" for name in FILES if arguments.out]
    for path in (p for p in there if p.exists()):
        raise CannotDo(f"{path} is there already and was not touched; give --out another folder")
    if arguments.whole_rows:
        rows, wrong = whole_rows(folder)
        print(*export_rows(rows, place), sep="\n")
        words = ("Not written, for it is damaged:" if wrong else
                 "Every row that could be read is right.")
    else:
        store = Store.open(folder)
        print(*export_csvs(store, place), sep="\n")
        wrong = store.check()
        words = "The record is damaged, and what was written with it:" if wrong else ""
    if words:
        print(words, *wrong[:200], sep="\n", file=sys.stderr)
    return 1 if wrong else 0


@command("""show the columns of the CSV files

    Print every column of the files that `scentlab import` reads, with its meaning, unit and range,
    and the units that a file may use instead. Writes nothing.

    scentlab columns


    """)
def _columns(arguments):
    from scentlab.recording.matching import units_of

    print("Files for `scentlab import`: CSV (UTF-8, decimal point) or XLSX, header row first.")
    print("An empty cell is not known. Columns marked * must be there and filled; the pour of a")
    print("piece only where no plan is kept, for a kept plan knows it. In [] what --match takes")
    print("as the unit of a file.")
    for table in IMPORT_TABLES:
        print()
        print(f"{table.name}.csv: {table.meaning}")
        print(f"  unique: {', '.join(table.key)}")
        if table.one_of:
            print(f"  filled in every row: {' or '.join(table.one_of)}")
        width = max(len(name) for name in table.names)
        for column in table.columns:
            units = f" [{', '.join(units_of(column))}]" if units_of(column) else ""
            print(textwrap.fill(
                f"{column.meaning}: {column.expected}{units}", 100,
                initial_indent=f"  {'*' if column.required else ' '} {column.name:<{width}}  ",
                subsequent_indent=" " * (width + 6),
            ))


@command("""take in a photo of a piece

    Take in a photo (JPEG, PNG or WebP) of the piece with the blind code CODE: scaled, turned
    upright, and without the place, the device or anything else that a camera writes into it. The
    file itself is left as it is. The picture is kept in FOLDER/photos.

    scentlab photo cedar-2026 417 IMG_0412.jpg --test sweat --age 7 --choose

    FOLDER CODE FILE
    --test sweat|frost: what it shows
    --age DAYS: age of the piece when it was taken
    --tester CODE: who took it, such as A1
    --choose: choose it for the report
    """)
def _photo(arguments):
    from scentlab.recording.photos import MOST_BYTES, add_photo, choose_photo

    store, path = opened(arguments.folder), Path(arguments.file)
    if not path.is_file():
        raise CannotDo(f"there is no file {path}; look at its name")
    with path.open("rb") as file:
        data = file.read(MOST_BYTES + 1)
    receipt = add_photo(store, arguments.code, data, test=arguments.test,
                        age_days=arguments.age, assessor=arguments.tester)
    if arguments.choose:
        receipt = choose_photo(store, receipt.entry_id, True)
    print(f"photos {receipt.entry_id}: photo of piece {arguments.code} stored, without place and "
          f"device{', and chosen for the report' if arguments.choose else ''}")

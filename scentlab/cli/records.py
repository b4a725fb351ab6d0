"""Commands of the record: import, entries, correct, void, photo, export, columns, heat."""

import datetime as dt
import re
import sys
import textwrap
from pathlib import Path

from scentlab.amounts import READERS
from scentlab.cli.frame import (
    CannotDo,
    amount,
    call,
    count,
    listed,
    understood,
)
from scentlab.planning.rules import HEAT_HINTS
from scentlab.recording.correcting import (
    mend,
    refuse_what_cannot_be,
    said_of,
    say_now,
    stored_about,
)
from scentlab.recording.importing import FILES, dry_run, export_csvs, export_rows
from scentlab.recording.matching import Source, match_by_heading, units_of
from scentlab.recording.photos import MOST_BYTES, add_photo, choose_photo
from scentlab.recording.records import RECORDS
from scentlab.recording.store import Store, whole_rows
from scentlab.recording.unpoured import leave_out, left_words, make_void, take_up
from scentlab.schema import IMPORT_TABLES, DataError
from scentlab.series import heat_words
from scentlab.text import capital
from scentlab.units import in_maker_units


def _import(arguments):
    store = Store.open(arguments.folder)
    files = {t.name: getattr(arguments, t.name) for t in IMPORT_TABLES}
    if not any(files.values()) and not arguments.oil:
        raise CannotDo(
            f"no file to import; give {', '.join(f'--{name}' for name in files)} or several of them"
        )
    tried = dry_run(store, **_sources(arguments, files), beyond_plan=arguments.beyond_plan)
    if not tried.ready:
        raise DataError(tried.problems)
    for name, headings in tried.left_out.items():
        print(f"{name}: columns left out because nothing matches them: {', '.join(headings)}")
    if tried.passed:
        print(f"Already stored and left as they are: {count(tried.passed, 'row')}")
    if arguments.dry_run:
        for name, frame in tried.frames.items():
            print(f"{name}: {count(len(frame), 'row')} in {files[name]} in order")
        print("Nothing was written (--dry-run).")
        return
    if arguments.oil:
        store.name_fragrance(arguments.oil)
        print(f"Fragrance: {store.about()['fragrance']}")
    for table, number in tried.store(store).items():
        print(f"{table}: {count(number, 'row')} stored")
    print(f"Next: {call('report', arguments.folder)}")


def _sources(arguments, files):
    sheets = dict(_sheet(text, files) for text in arguments.sheet)
    given = {
        name: Source(path, sheet=sheets.get(name), decimal=arguments.decimal)
        for name, path in files.items() if path
    }
    return match_by_heading(given, [_match(text) for text in arguments.match])


def _match(text):
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


def _entries(arguments):
    for entry in stored_about(Store.open(arguments.folder), arguments.name):
        print(f"{entry.table} {entry.entry_id}: {entry.words}")
        for name, value in entry.values.items():
            print(f"    {name} = {'' if value is None else value}")


def _correct(arguments):
    changes = dict(_change(arguments.table, text) for text in arguments.column)
    store = Store.open(arguments.folder)
    receipt = mend(store, arguments.table, arguments.entry, changes, arguments.reason)
    now = store.entry(arguments.table, receipt.entry_id)
    print(
        f"{arguments.table} {arguments.entry}: corrected by entry {receipt.entry_id}, now "
        f"{say_now(arguments.table, {n: now[n] for n in changes})}; the old one stays in the "
        "history",
        *said_of(changes, now), sep="\n",
    )


def _change(table, text):
    name, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not name:
        raise CannotDo(f"{text!r} is not understood; write it as column=value, such as grade=2")
    unit = next((c.unit for c in RECORDS[table].columns if c.name == name), "")
    if unit in READERS and re.search(r"\d.*[A-Za-z°%]", value):
        value = str(amount(name, unit, value))
    return name, value


def _void(arguments):
    store = Store.open(arguments.folder)
    stands = make_void(store, arguments.table, arguments.entry, arguments.reason)
    print(f"{arguments.table} {arguments.entry}: void; it stays in the history with the reason")
    if stands:
        name = store.entry(arguments.table, arguments.entry)["pour"]
        print(f"{stands}. If it will not come: {call('drop', arguments.folder)} {name}; --back "
              "undoes that")


def _drop(arguments):
    store = Store.open(arguments.folder)
    if arguments.back:
        print(f"{take_up(store, arguments.name)}.")
        return
    logged = store.distinct("pours", ("pour",))
    leave_out(store, arguments.name, arguments.reason or "")
    for (pour,) in logged - store.distinct("pours", ("pour",)):
        print(f"The weights of {pour} are void too, until you take it back.")
    print(f"{capital(left_words(store))}. To take one back: "
          f"{call('drop', arguments.folder)} {arguments.name} --back")


def _export(arguments):
    folder = arguments.folder
    if arguments.whole_rows and not arguments.out:
        raise CannotDo("--whole-rows writes beside the damaged series: give --out a new folder")
    place = Path(arguments.out) if arguments.out else folder / "exports"
    there = [place / f"{name}.csv" for name in FILES if arguments.out]
    for path in (p for p in there if p.exists()):
        raise CannotDo(f"{path} already exists and was not touched; give --out another folder")
    if arguments.whole_rows:
        rows, wrong = whole_rows(folder)
        print(*export_rows(rows, place), sep="\n")
        words = ("Not written because damaged:" if wrong else
                 "Every row that could be read is right.")
    else:
        store = Store.open(folder)
        print(*export_csvs(store, place), sep="\n")
        wrong = store.check()
        words = "The record is damaged, and so is what was written:" if wrong else ""
    if words:
        print(words, *wrong[:200], sep="\n", file=sys.stderr)
    return 1 if wrong else 0


def _columns(arguments):
    print("Files for `scentlab import`: CSV (UTF-8, decimal point) or XLSX, header row first.")
    print("An empty cell means not known. Columns marked * are required in every row, but the pour")
    print("of a piece only if no plan is kept. In []: the units that --match takes for a file.")
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


def _photo(arguments):
    store, path = Store.open(arguments.folder), Path(arguments.file)
    if not path.is_file():
        raise CannotDo(f"there is no file {path}; check its name")
    with path.open("rb") as file:
        data = file.read(MOST_BYTES + 1)
    receipt = add_photo(store, arguments.code, data, test=arguments.test,
                        age_days=arguments.age, assessor=arguments.tester)
    if arguments.choose:
        receipt = choose_photo(store, receipt.entry_id, True)
    print(f"photos {receipt.entry_id}: photo of piece {arguments.code} stored, without place and "
          f"device{', and chosen for the report' if arguments.choose else ''}")


def _heat(arguments):
    store = Store.open(arguments.folder)
    if not (arguments.coldest and arguments.hottest):
        print("How to hold the heat at home (common practice, no source):")
        listed(map(in_maker_units, HEAT_HINTS))
        return
    row = {"started_on": arguments.start or dt.date.today(),
           "low_c": round(amount("--coldest", "°C", arguments.coldest), 1),
           "high_c": round(amount("--hottest", "°C", arguments.hottest), 1),
           "hours": amount("--hours", "h", arguments.hours), "cycles": arguments.times,
           "pack": arguments.pack}
    refuse_what_cannot_be("heats", row)
    entry = store.add("heats", row).entry_id
    print(f"Stored: {heat_words(row)}, begun on {row['started_on']} (heats {entry}).")

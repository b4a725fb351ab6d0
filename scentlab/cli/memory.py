"""The command of a workshop as a whole: what its earlier series say, and what to pour next."""

from pathlib import Path

from scentlab.cli.answers import write_the_report
from scentlab.cli.frame import (
    GROUPS,
    STORE_NAME,
    CannotDo,
    call,
    command,
    count,
    item,
    listed,
    new_file,
    noted,
    option,
    page_path,
    quoted,
    series_folder,
    workshop_folder,
)
from scentlab.cli.rules import read_rules


def _workers(text):
    """A number of processes, or the address of a scheduler."""
    return text if "://" in text else int(text)


GROUPS["workers"] = (option("--workers", type=_workers, default=1, metavar="NUMBER",
                            help="fits at the same time (1), or tcp://HOST:PORT of a Dask "
                            "scheduler"),)


@command("""what earlier series say, and borrow it for a new one

    Learn from all series in a folder: how unlike pots are, how fragrances and waxes differ. Print
    that, how testers differ, a map of waxes and fragrances and what to pour next. With --wax and
    --oil, propose three test batches of a new fragrance. With --series, fit that series with what
    the others say, show the answer without it too, and write its report. Fits are kept in
    FOLDER/memory; nothing of another folder is read.

    scentlab workshop my-workshop
    scentlab workshop my-workshop --wax "soft wax" --oil fig
    scentlab workshop my-workshop --series fig-2026 --leave-out cedar-2024

    FOLDER @workers @rules
    --series NAME: series of the folder to answer for
    --wax WAX: wax of a new fragrance
    --oil OIL: the new fragrance
    --leave-out NAME...: earlier series not to learn from (may be repeated)
    --out FILE.html: page (SERIES/exports/report.html)
    """)
def _workshop(arguments):
    from scentlab.memory.remembering import remember

    folder = workshop_folder(arguments.folder)
    without, series = list(arguments.leave_out), None
    if arguments.series:
        series = series_folder(folder / arguments.series)
        without += [series.name] * (series.name not in without)
    memory = remember(folder, without=without, workers=arguments.workers)
    if series is not None:
        _answer(arguments, series, memory)
    elif arguments.oil:
        _new(arguments, memory)
    else:
        _show(arguments, memory)


def _show(arguments, memory):
    from scentlab.memory.proposing import memory_map, next_pairs
    from scentlab.memory.saying import (
        known_sentences,
        map_table,
        next_sentence,
        odd_sentences,
        said_of_testers,
    )

    table = memory_map(memory)
    listed([*known_sentences(memory), *said_of_testers(memory), *odd_sentences(memory)])
    noted(memory.notes)
    print("\n" + "\n".join(map_table(table)))
    rows = next_pairs(table)
    if len(rows):
        row = rows.iloc[0]
        print(item(next_sentence(rows)))
        print(f"  {call('workshop', arguments.folder)} --wax {quoted(row['wax'])} "
              f"--oil {quoted(row['fragrance'])}")


def _new(arguments, memory):
    from scentlab.memory.proposing import three_loads
    from scentlab.memory.saying import new_sentences

    if not arguments.wax:
        raise CannotDo(f'--wax is missing; write, say: --wax "{memory.waxes[0]}" --oil fig')
    pair = memory.spelt(arguments.wax, arguments.oil)
    listed(new_sentences(memory, *pair, three_loads(memory, *pair)))


def _answer(arguments, folder, memory):
    path = page_path(arguments.out or folder / "exports" / "report.html", make_folder=True)
    write_the_report(folder, path, read_rules(arguments, folder), arguments.seed, memory)


@command("""waxes, fragrances, limits, testers and recipes of a workshop

    Show what a workshop knows: waxes, fragrances and blends with their limits, prices and lots,
    testers by code, recipes. What is planned in a series of the folder is written there by itself,
    and plans offer it. It is the file shelf.csv, a row a thing and version; a change adds a row
    with its day. The import adds the rows of a file that are not there yet.

    scentlab shelf my-workshop
    scentlab shelf my-workshop --import price-list.csv

    FOLDER
    --import FILE: CSV or XLSX to add
    --export FILE.csv: write all versions into a new file
    """)
def _shelf(arguments):
    from scentlab.recording.shelf import (
        SHELF_NAME,
        export_shelf,
        gather,
        import_shelf,
        shelf_of,
    )
    from scentlab.words.tables import shelf_lines

    folder, taken = Path(arguments.folder), getattr(arguments, "import")
    folder = workshop_folder(shelf_of(folder) if (folder / STORE_NAME).is_file() else folder)
    if arguments.export:
        out = new_file(arguments.export, ".csv", "the shelf is a CSV file", "--export")
    if taken:
        added = import_shelf(folder, taken)
        print(f"Put on the shelf: {count(len(added), 'row')} of {taken}.")
    shelf = gather(folder)
    if not shelf.now:
        print("Nothing is on the shelf yet: what is planned in a series goes there by itself.")
    else:
        listed(shelf_lines(shelf))
        print(f"All versions are in {folder / SHELF_NAME}, which opens in any spreadsheet.")
    if arguments.export:
        print(f"Written: {export_shelf(folder, out)}")

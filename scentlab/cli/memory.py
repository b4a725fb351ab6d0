"""The command of a workshop as a whole: what its earlier series say, and what to pour next."""

from pathlib import Path

from scentlab.cli.answers import write_the_report
from scentlab.cli.frame import (
    STORE_NAME,
    CannotDo,
    call,
    count,
    item,
    listed,
    noted,
    quoted,
    series_folder,
    text_table,
    workshop_folder,
)
from scentlab.memory.proposing import memory_map, next_pairs
from scentlab.memory.remembering import remember
from scentlab.memory.saying import (
    NO_SAFE_LOAD,
    known_sentences,
    new_sentences,
    next_sentence,
    odd_sentences,
    said_of_testers,
)
from scentlab.recording.shelf import SHELF_NAME, gather, import_shelf, shelf_of
from scentlab.words.tables import map_table, shelf_lines


def _workshop(arguments):
    folder = workshop_folder(arguments.folder)
    without, series = list(arguments.leave_out), None
    if arguments.series:
        series = series_folder(folder / arguments.series)
        without += [series.name] * (series.name not in without)
    memory = remember(folder, without=without, workers=arguments.workers)
    if series is not None:
        write_the_report(arguments, series, memory)
    elif arguments.oil:
        _new(arguments, folder, memory)
    else:
        _show(arguments, memory)


def _show(arguments, memory):
    table = memory_map(memory)
    listed([*known_sentences(memory), *said_of_testers(memory), *odd_sentences(memory)])
    noted(memory.notes)
    print("", *text_table(map_table(table), range(4)), NO_SAFE_LOAD, sep="\n")
    rows = next_pairs(table)
    if len(rows):
        row = rows.iloc[0]
        print(item(next_sentence(rows)))
        print(f"  {call('workshop', arguments.folder)} --wax {quoted(row['wax'])} "
              f"--oil {quoted(row['fragrance'])}")


def _new(arguments, folder, memory):
    if not arguments.wax:
        raise CannotDo(f'--wax is missing; write, for example: --wax "{memory.waxes[0]}" --oil fig')
    pair = memory.spelt(arguments.wax, arguments.oil)
    listed(new_sentences(memory, gather(folder), *pair))


def _shelf(arguments):
    folder, taken = Path(arguments.folder), getattr(arguments, "import")
    folder = workshop_folder(shelf_of(folder) if (folder / STORE_NAME).is_file() else folder)
    if taken:
        added = import_shelf(folder, taken)
        print(f"Put on the shelf: {count(len(added), 'row')} of {taken}.")
    shelf = gather(folder)
    if not shelf.now:
        print("Nothing is on the shelf yet: what you plan in a series is added automatically.")
    else:
        listed(shelf_lines(shelf))
        print(f"All versions are in {folder / SHELF_NAME}, which opens in any spreadsheet.")

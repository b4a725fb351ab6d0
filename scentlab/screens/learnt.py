"""What a workshop's series say together, on the page where the work begins."""

import ipywidgets as w

from scentlab.forms.fields import note
from scentlab.forms.frame import heading, listed
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
from scentlab.recording.shelf import gather
from scentlab.results import FitError
from scentlab.text import capital
from scentlab.words.tables import map_table


def learnt_parts(folder, body):
    """What the series of a workshop say, fitted where new; ``body`` shows how far that is."""
    bar = w.IntProgress(layout=w.Layout(width="100%"))
    words = w.HTML("<p>Reading each series, and fitting the new ones.</p>")
    body.children = [words, bar]

    def progress(done, total):
        bar.max, bar.value = total, done
        words.value = f"<p>{done} of {total} series read, and fitted where new.</p>"

    try:
        memory = remember(folder, progress=progress)
    except FitError as error:
        return w.HTML(note("flag", f"{capital(str(error))}."))
    table = memory_map(memory)
    rows = next_pairs(table)
    said = [*known_sentences(memory), *odd_sentences(memory)]
    parts = [w.HTML(listed(said) + "".join(note("flag", words) for words in memory.notes)),
             heading("Testers"), w.HTML(listed(said_of_testers(memory) or [ONE_TESTER]))]
    if len(rows):
        parts += [heading("What to pour next"), w.HTML(listed(_next(memory, rows, folder)))]
    return [*parts, heading("Waxes and fragrances"), map_table(table), NO_SAFE_LOAD]


ONE_TESTER = "One tester has nobody to be compared with: have a second tester score some pieces."


def _next(memory, rows, folder):
    pair = tuple(rows.iloc[0][["wax", "fragrance"]])
    yield next_sentence(rows)
    yield from new_sentences(memory, gather(folder), *pair)

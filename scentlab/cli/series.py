"""Commands of a series as a whole: new, lab, panel, units, progress."""

import sys
from dataclasses import replace
from pathlib import Path

from scentlab.amounts import keep_units, units_here
from scentlab.cli.frame import (
    CannotDo,
    call,
    count,
    empty_folder,
    program,
    quoted,
    workshop_folder,
)
from scentlab.recording.progress import (
    known_assessors,
    pairs_to_compare,
    see_progress,
    turn_words,
    waiting,
    waits_long,
)
from scentlab.recording.store import Store
from scentlab.recording.unpoured import unpoured_words
from scentlab.text import capital, gathered
from scentlab.workshop import begin_series


def _new(arguments):
    folder = empty_folder(arguments.folder)
    begin_series(folder, title=arguments.title)
    print(f"Made the series folder {folder}:")
    print("  series.sqlite    the record, empty so far")
    print("  exports/         for sheets, reports and tables")
    print(f"Next: {call('lab', folder)}")


def _lab(arguments):
    from scentlab.lab import is_here, run_lab

    if not is_here():
        raise CannotDo(
            "the pages need JupyterLab, which is not installed here; install the kit again with "
            f"[lab] after its folder or wheel, as in: {quoted(sys.executable)} -m pip install "
            "'.[lab]'. All other commands work without it."
        )
    if arguments.option and not arguments.option[0].startswith("-"):
        raise CannotDo(
            f"{arguments.option[0]!r} is not a JupyterLab option; put quotes around a folder name "
            "with a space, and -- before JupyterLab's options")
    folder = Path(arguments.folder)
    if not folder.exists() and folder.absolute().parent.is_dir():
        folder.mkdir()
        print(f"Made the folder {folder} for your series.", flush=True)
    code = run_lab(workshop_folder(folder), arguments.option)
    if code:
        raise CannotDo(f"JupyterLab ended with code {code}; its messages are above")


def _panel(arguments):
    from scentlab.panel.server import serve

    serve(
        arguments.folder, arguments.host, arguments.port,
        looks_per_piece=arguments.looks_per_piece, today=arguments.today,
        pour_qr=arguments.pour_qr,
        announce=lambda words: print(words, flush=True),
    )


_UNITS = {"g": ("weight", "g"), "oz": ("weight", "oz"),
          "c": ("temperature", "C"), "f": ("temperature", "F")}


def _units(arguments):
    known = {word: _UNITS.get(word.strip("°,").lower()) for word in arguments.unit}
    named = dict(filter(None, known.values()))
    rest = [word for word, unit in known.items() if unit is None]
    if len(rest) > 1:
        raise CannotDo(f"{' '.join(rest)}: expected g or oz, C or F, and perhaps one folder")
    folder = workshop_folder(rest[0] if rest else ".")
    if named:
        choice = replace(units_here(folder)[0], **named)
        print(f"{choice.words} from now on; kept in {keep_units(choice, folder)}.")
        return
    choice, how = units_here(folder)
    print(f"{choice.words} ({how or 'nothing is chosen'}). Choose with: {program()} units oz F")


# --- progress ----------------------------------------------------------------------------------


def _progress(arguments):
    store = Store.open(arguments.folder)
    today, looks = arguments.today, arguments.looks_per_piece
    if looks < 1:
        raise CannotDo(f"--looks-per-piece {looks}: at least 1 tester grades a piece")
    progress = see_progress(store, today, looks)
    if store.plan() is None and progress.scores.empty:
        print("No plan is kept, so there is nothing to score or log.")
        return
    print(progress.sentence)
    print("\n".join([
        *_who_can_score(store, progress.today, looks), *_open_scores(progress.scores),
        *_late_pieces(progress.overdue), *_open_pours(progress.pours),
        *(f"{capital(said)}." for said in (unpoured_words(progress.unpoured), progress.left_out)
          if said),
        *(["For a lost piece, a cancelled session or a tester who has left: "
           f"{call('drop', arguments.folder)} NAME"] if waits_long(store, progress.today) else []),
        *progress.notes,
    ]))


def _who_can_score(store, today, looks):
    """Per tester what can be scored today, by test and session; no code and no load."""
    yield "Ready to score today:"
    for assessor in known_assessors(store):
        todo = waiting(store, assessor, today=today, looks_per_piece=looks).to_dict("records")
        said = turn_words(todo), pairs_to_compare(store, [assessor])
        yield f"  {assessor}: {', '.join(filter(None, said)) or 'none'}"


def _open_scores(scores):
    """A line for each test and session, with the testers who have not scored all of it."""
    rows = scores[scores["waiting"] > 0]
    yield "Outstanding scores:" if len(rows) else "Outstanding scores: none"
    for names, own in rows.groupby(["test", "sitting"], sort=False):
        who = f" ({', '.join(own['assessor'])})" if any(own["assessor"]) else ""
        yield (f"  {' '.join(filter(None, names))}: {own['waiting'].sum()} of "
               f"{own['planned'].sum()}{who}")


def _late_pieces(overdue):
    yield "Cured and not scored:" if len(overdue) else "Cured and not scored: none"
    for row in overdue.to_dict("records"):
        test = f"{row['test']}, {row['stress']}" if row["stress"] else row["test"]
        late = count(row["days_late"], "day")
        yield f"  {row['code']} ({test}): due on {row['due_on']}, {late} ago"


def _open_pours(pours):
    yield "Test batches not logged:" if len(pours) else "Test batches not logged: none"
    pots = gathered(((r["pot"], r["blend"], r["planned_on"], r["days_late"] or 0), r["pour"])
                    for r in pours.to_dict("records"))
    for (pot, blend, day, late), own in pots.items():
        words = [f"pot {pot}", f"{blend}"]
        if day is not None:
            words.append(f"planned for {day}" + (f", {count(late, 'day')} ago" if late else ""))
        yield f"  {', '.join(own)}: {', '.join(words)}"

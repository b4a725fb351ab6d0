"""Commands of a series as a whole: new, demo, lab, panel, progress."""

import sys
from dataclasses import replace
from pathlib import Path

from scentlab.amounts import keep_units, units_here
from scentlab.cli.answers import analysed
from scentlab.cli.frame import (
    CannotDo,
    call,
    command,
    count,
    empty_folder,
    noted,
    opened,
    program,
    quoted,
    series_folder,
    text_table,
    working,
    workshop_folder,
)
from scentlab.schema import THROW_WORDS


@command("""make a new series folder

    Make a folder for one load test (a series), with the record (series.sqlite) and exports/ for
    what is written. The folder must be new or empty: nothing that exists is overwritten.

    scentlab new cedar-2026 --title "Cedar in two soft waxes, spring"

    FOLDER
    --title TEXT: title (the folder's name)
    """)
def _new(arguments):
    from scentlab.workshop import make_series

    folder = empty_folder(arguments.folder)
    make_series(folder, title=arguments.title)
    print(f"Made the series folder {folder}:")
    print("  series.sqlite    the record, empty so far")
    print("  exports/         for sheets, reports and tables")
    print(f"Next: {call('lab', folder)}")


@command("""make a series folder with invented data, and its report

    Make a series folder from the invented data that come with the kit, fit them, print the
    recommended load of each blend and write FOLDER/report.html: the whole way in under half a
    minute. The folder must be new or empty. The data are made up and are no evidence.

    scentlab demo demo-series

    FOLDER @seed
    """)
def _demo(arguments):
    from scentlab.choosing.pick import Rules
    from scentlab.sharing.report import write_report
    from scentlab.words.answers import ranking_sentences
    from scentlab.words.tables import pick_table
    from scentlab.workshop import make_demo_series

    folder = empty_folder(arguments.folder)
    report = folder / "report.html"
    with working("the record", "the fits", "the report") as begin:
        begin()
        make_demo_series(folder)
        begin()
        analysis = analysed(folder, Rules(), arguments.seed)
        begin()
        write_report(analysis, report)
    print(f"Made the demo series in {folder}. Its data are invented: they are no evidence.")
    print(*text_table(pick_table(analysis), (1, 2, 3, 4, 7)), sep="\n")
    noted(ranking_sentences(analysis), "")
    print(f"Report: {report}\nNext: open it in a browser, or type")
    print(f"  {call('lab', folder)}")


@command("""open a workshop or a series in JupyterLab

    Open a workshop (a folder of series) or a single series in JupyterLab, in the web browser of
    this computer, at its start page. What is saved there goes to series.sqlite and exports/ of the
    series. End it with Ctrl+C in this window. What follows -- is handed to JupyterLab as it is.

    scentlab lab my-workshop
    scentlab lab my-workshop/cedar-2026 -- --no-browser --port=8899

    FOLDER OPTION*
    """)
def _lab(arguments):
    from scentlab.lab import is_here, run_lab

    if not is_here():
        raise CannotDo(
            "the pages need JupyterLab, which is not installed here; install the kit once more, "
            "with [lab] behind its folder or wheel, as in: "
            f"{quoted(sys.executable)} -m pip install '.[lab]'. All other commands work without."
        )
    if arguments.option and not arguments.option[0].startswith("-"):
        raise CannotDo(
            f"{arguments.option[0]!r} is no option of JupyterLab; put quotes about a folder with a "
            "space in its name, and -- before JupyterLab's options")
    folder = Path(arguments.folder)
    if not folder.exists() and folder.absolute().parent.is_dir():
        folder.mkdir()
        print(f"Made the folder {folder} for your series.", flush=True)
    code = run_lab(workshop_folder(folder), arguments.option)
    if code:
        raise CannotDo(f"JupyterLab ended with code {code}; its messages are above")


@command("""let the panel score on phones or tablets

    Serve plain pages on which testers score by blind code; what they score is written to
    series.sqlite. Prints a link and its QR code: who has the link can score. By default only this
    computer can open it; --host 0.0.0.0 opens it to the network, unencrypted, so use a network that
    you trust. End it with Ctrl+C in this window.

    scentlab panel cedar-2026 --host 0.0.0.0 --looks-per-piece 2

    FOLDER @looks
    --host HOST = 127.0.0.1: address to listen on (127.0.0.1, this computer only)
    --port NUMBER = 0: port (that of the last time, or free)
    --today DATE: what is due on that day (today)
    --pour-qr: show the QR code of the pour day too (its page shows loads)
    """)
def _panel(arguments):
    from scentlab.panel.server import serve

    serve(
        series_folder(arguments.folder), arguments.host, arguments.port,
        looks_per_piece=arguments.looks_per_piece, today=arguments.today,
        pour_qr=arguments.pour_qr,
        announce=lambda words: print(words, flush=True),
    )


@command("""choose g or oz, °C or °F

    Choose what every screen, sheet, answer and report of a workshop, or of one series, says first:
    g or oz, C or F. The other form is shown beside it, and any unit can be typed anywhere. Without
    a choice, what the maker types first is taken. What is stored stays.

    scentlab units oz F
    scentlab units g C my-workshop/cedar-2026

    UNIT*: g or oz, C or F, and a folder (this)
    """)
def _units(arguments):
    named, rest = {}, []
    for word in arguments.unit:
        plain = word.strip("°,").lower()
        known = {"g": "weight", "oz": "weight", "c": "temperature", "f": "temperature"}
        if plain in known:
            named[known[plain]] = plain.upper() if plain in "cf" else plain
        else:
            rest.append(word)
    if len(rest) > 1:
        raise CannotDo(f"{' '.join(rest)}: expected g or oz, C or F, and perhaps one folder")
    folder = workshop_folder(rest[0] if rest else ".")
    if named:
        choice = replace(units_here(folder)[0], **named)
        print(f"{choice.words} from now on; kept in {keep_units(choice, folder)}.")
        return
    choice, how = units_here(folder)
    said = {"chosen": "chosen", "typed": "as typed first"}.get(how, "nothing is chosen")
    print(f"{choice.words} ({said}). Choose with: {program()} units oz F")


# --- progress ----------------------------------------------------------------------------------


@command("""show outstanding scores

    Show from the record how far a series is: what each tester can score today, which scores are
    outstanding, which pieces are past their cure date without a score, and which planned test
    batches are not logged. Shows no load and writes nothing.

    scentlab progress cedar-2026 --today 2026-03-14 --looks-per-piece 2

    FOLDER @looks
    --today DATE: as 2026-03-14 (today)
    """)
def _progress(arguments):
    from scentlab.recording.progress import see_progress

    store = opened(arguments.folder)
    today, looks = arguments.today, arguments.looks_per_piece
    if looks < 1:
        raise CannotDo(f"--looks-per-piece {looks}: a piece is graded by 1 tester or more")
    progress = see_progress(store, today, looks)
    print(progress.sentence)
    print("\n".join([
        *_who_can_score(store, progress.today, looks), *_open_scores(progress.scores),
        *_late_pieces(progress.overdue), *_open_pours(progress.pours), *progress.notes,
    ]))


def _who_can_score(store, today, looks):
    """Per tester what can be scored today, by test and session; no code and no load."""
    from scentlab.recording.progress import known_assessors, waiting

    yield "Ready to score today:"
    for assessor in known_assessors(store):
        todo = waiting(store, assessor, today=today, looks_per_piece=looks)
        counts = {}
        for row in todo.to_dict("records"):
            words = row["test"] if row["test"] != "throw" else (
                f"{THROW_WORDS[row['kind']]} throw in session {row['sitting']}"
            )
            counts[words] = counts.get(words, 0) + 1
        yield f"  {assessor}: {', '.join(f'{n} {words}' for words, n in counts.items()) or 'none'}"


def _open_scores(scores):
    rows = scores[scores["waiting"] > 0].to_dict("records")
    yield "Outstanding scores:" if rows else "Outstanding scores: none"
    for row in rows:
        who = " ".join(w for w in (row["sitting"], row["assessor"]) if w)
        test = _TESTS.get(row["test"], row["test"])
        yield f"  {test}{' ' + who if who else ''}: {row['waiting']} of {row['planned']}"


def _late_pieces(overdue):
    yield "Cured and not scored:" if len(overdue) else "Cured and not scored: none"
    for row in overdue.to_dict("records"):
        test = f"{row['test']}, {row['stress']}" if row["stress"] else row["test"]
        late = count(row["days_late"], "day")
        yield f"  {row['code']} ({test}): due on {row['due_on']}, {late} ago"


def _open_pours(pours):
    yield "Test batches not logged:" if len(pours) else "Test batches not logged: none"
    for row in pours.to_dict("records"):
        words = [f"pot {row['pot']}", f"{row['blend']}"]
        if row["planned_on"] is not None:
            late = f", {count(row['days_late'], 'day')} ago" if row["days_late"] else ""
            words.append(f"planned for {row['planned_on']}{late}")
        yield f"  {row['pour']}: {', '.join(words)}"


_TESTS = {"warm throw": "hot throw"}


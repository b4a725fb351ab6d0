"""The command line: make a series folder, open it, import into it, report on it, share it.

Every command says what it wrote and where. What cannot be done ends with one message on the
error stream and exit code 2; nothing is left half-written.
"""

import argparse
import contextlib
import dataclasses
import datetime as dt
import shlex
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path

from scentlab import __version__
from scentlab.schema import IMPORT_TABLES, DataError
from scentlab.text import visible

REPORT_NAME = "report.html"
STORE_NAME = "series.sqlite"
START_NAME = "0-start.ipynb"


class CannotDo(Exception):
    """A command that cannot be carried out; the message says why and what to do."""


def main(argv=None):
    """Run one command; returns the exit code (0 done, 2 not done; 1 done, but look at it)."""
    with contextlib.redirect_stdout(_Plain(sys.stdout)), \
            contextlib.redirect_stderr(_Plain(sys.stderr)):
        return _run(_parser().parse_args(_split_extra(argv)))


class _Plain:
    """A stream on which no sign of somebody else's text can steer the terminal."""

    def __init__(self, stream):
        self._stream = stream

    def write(self, text):
        return self._stream.write(visible(text))

    def __getattr__(self, name):
        return getattr(self._stream, name)


def _run(arguments):
    try:
        code = arguments.run(arguments)
    except BrokenPipeError:
        return 0
    except _known_errors() as error:
        print(f"scentlab {arguments.command}: {error}", file=sys.stderr)
        return 2
    return code or 0


def _known_errors():
    from scentlab.materials import MaterialError
    from scentlab.recording.store import StoreError
    from scentlab.results import FitError
    from scentlab.sharing.guard import SharingError

    return (CannotDo, DataError, MaterialError, StoreError, FitError, SharingError, OSError)


# --- new ---------------------------------------------------------------------------------------


def _new(arguments):
    from scentlab.shipped import make_series

    folder = _empty_folder(arguments.folder)
    make_series(folder, title=arguments.title)
    print(f"Made the series folder {folder}:")
    print("  series.sqlite    the record, empty so far")
    print("  0-start.ipynb    where to begin, and how far the series is")
    print("  1-plan.ipynb ... 5-share.ipynb    one notebook per stage")
    print("  6-published-experiments.ipynb    why to trust it")
    print("  exports/         for sheets, reports and tables")
    print(f"Next: {_program()} lab {quoted(folder)}   (it opens 0-start.ipynb)")


def _empty_folder(name):
    folder = Path(name)
    if folder.exists() and not folder.is_dir():
        raise CannotDo(f"{folder} is a file; give the name of a new or empty folder")
    if folder.is_dir() and any(folder.iterdir()):
        raise CannotDo(
            f"the folder {folder} is not empty and nothing in it was touched; "
            "give the name of a new or empty folder"
        )
    return folder


# --- lab ---------------------------------------------------------------------------------------


def _lab(arguments):
    folder = series_folder(arguments.folder)
    command = [
        sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={folder.resolve()}",
        # Open tabs are remembered for each series: those of another would not be found here.
        f"--LabApp.workspaces_dir={folder.resolve() / '.tabs'}",
    ]
    if (folder / START_NAME).is_file():
        command.append(f"--LabApp.default_url=/lab/tree/{START_NAME}")
    try:
        code = subprocess.run([*command, *arguments.extra], check=False).returncode
    except KeyboardInterrupt:
        code = 0
    if code:
        raise CannotDo(f"JupyterLab ended with code {code}; its messages stand above")


def series_folder(name):
    folder = Path(name)
    if not (folder / STORE_NAME).is_file():
        raise CannotDo(
            f"{folder} is no series folder: it holds no {STORE_NAME}; "
            f"make one with: {_program()} new {quoted(folder)}"
        )
    return folder


# --- panel -------------------------------------------------------------------------------------


def _panel(arguments):
    from scentlab.recording.panel_server import serve

    folder = series_folder(arguments.folder)
    serve(
        folder, arguments.host, arguments.port, looks_per_piece=arguments.looks_per_piece,
        announce=lambda words: print(words, flush=True),
    )


# --- import ------------------------------------------------------------------------------------


def _import(arguments):
    from scentlab.recording.importing import store_frames
    from scentlab.recording.matching import dry_run
    from scentlab.recording.store import Store

    folder = series_folder(arguments.folder)
    files = {t.name: getattr(arguments, t.name) for t in IMPORT_TABLES}
    if not any(files.values()):
        raise CannotDo(
            "no file to import; give --pours, --pieces, --throws, --warmings or several of them"
        )
    store, sources = Store.open(folder), _sources(arguments, files)
    tried = dry_run(store, **sources, beyond_plan=arguments.beyond_plan)
    if not tried.ready:
        raise DataError(tried.problems)
    _tell_left_out(sources)
    if arguments.dry_run:
        for name, frame in tried.frames.items():
            print(f"{name}: {_rows(len(frame))} in {files[name]} in order")
        print("Nothing was written (--dry-run).")
        return
    for table, number in store_frames(store, tried.frames).items():
        print(f"{table}: {_rows(number)} stored")
    print(f"Next: {_program()} report {quoted(folder)}")


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
    heading, equals, rest = text.rpartition("=")
    column, _, unit = (part.strip() for part in rest.partition(":"))
    if not equals or not heading.strip() or not column:
        raise CannotDo(
            f'--match {text!r} is not understood; write it as "their heading=column" or '
            '"their heading=column:unit", such as "Wax=wax_g:oz"'
        )
    return heading.strip(), column, unit or None


def _sheet(text, files):
    table, equals, sheet = text.partition("=")
    if not equals or not files.get(table):
        known = ", ".join(name for name, path in files.items() if path)
        raise CannotDo(
            f"--sheet {text!r} is not understood; write it as TABLE=NAME, where TABLE has a file "
            f"here ({known}), such as {known.split(',')[0]}=Sheet1"
        )
    return table, sheet


def _tell_left_out(sources):
    from scentlab.recording.matching import left_out

    for name, headings in left_out(sources).items():
        print(f"{name}: columns left out, as nothing matches them: {', '.join(headings)}")


def _rows(number):
    return "1 row" if number == 1 else f"{number} rows"


# --- progress ----------------------------------------------------------------------------------


def _progress(arguments):
    from scentlab.recording.progress import see_progress
    from scentlab.recording.store import Store

    store = Store.open(series_folder(arguments.folder))
    today, looks = _day(arguments.today), arguments.looks_per_piece
    if looks < 1:
        raise CannotDo(f"--looks-per-piece {looks}: a piece is graded by 1 assessor or more")
    progress = see_progress(store, today, looks)
    print(progress.sentence)
    print("\n".join([
        *_who_waits(store, progress.today, looks), *_open_scores(progress.scores),
        *_late_pieces(progress.overdue), *_open_pours(progress.pours), *progress.notes,
    ]))


def _day(text):
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise CannotDo(f"--today {text!r} is no date; write it as 2026-03-14") from None


def _who_waits(store, today, looks):
    """Per assessor what can be scored today, by test and sitting; no code and no load."""
    from scentlab.recording.progress import known_assessors, waiting

    yield "Waits today:"
    for assessor in known_assessors(store):
        todo = waiting(store, assessor, today=today, looks_per_piece=looks)
        counts = {}
        for row in todo.to_dict("records"):
            words = row["test"] if row["test"] != "throw" else (
                f"{row['kind']} throw in sitting {row['sitting']}"
            )
            counts[words] = counts.get(words, 0) + 1
        told = ", ".join(f"{n} {words}" for words, n in counts.items())
        yield f"  {assessor}: {told or 'nothing'}"


def _open_scores(scores):
    rows = scores[scores["waiting"] > 0].to_dict("records")
    yield "Scores to come, of those planned:" if rows else "Scores to come: none"
    for row in rows:
        who = " ".join(w for w in (row["sitting"], row["assessor"]) if w)
        yield f"  {row['test']}{' ' + who if who else ''}: {row['waiting']} of {row['planned']}"


def _late_pieces(overdue):
    yield "Cured, and nobody scored them:" if len(overdue) else "Cured and not scored: none"
    for row in overdue.to_dict("records"):
        test = f"{row['test']}, {row['stress']}" if row["stress"] else row["test"]
        yield f"  {row['code']} ({test}): due on {row['due_on']}, {_days(row['days_late'])} ago"


def _open_pours(pours):
    yield "Pours not logged:" if len(pours) else "Pours not logged: none"
    for row in pours.to_dict("records"):
        words = [f"pot {row['pot']}", f"{row['blend']}"]
        if row["planned_on"] is not None:
            late = row["days_late"]
            words.append(f"planned for {row['planned_on']}{f', {_days(late)} ago' if late else ''}")
        yield f"  {row['pour']}: {', '.join(words)}"


def _days(number):
    return "1 day" if number == 1 else f"{number:.0f} days"


# --- entries, correct, void --------------------------------------------------------------------


def _entries(arguments):
    from scentlab.recording.correcting import stored_about
    from scentlab.recording.store import Store

    store = Store.open(series_folder(arguments.folder))
    for entry in stored_about(store, arguments.name):
        print(f"{entry.table} {entry.entry_id}: {entry.words}")
        for name, value in entry.values.items():
            print(f"    {name} = {'' if value is None else value}")


def _correct(arguments):
    from scentlab.recording.correcting import mend
    from scentlab.recording.store import Store

    changes = dict(_change(text) for text in arguments.changes)
    store = Store.open(series_folder(arguments.folder))
    receipt = mend(store, arguments.table, arguments.entry, changes, arguments.reason)
    print(
        f"{arguments.table} {arguments.entry}: corrected by entry {receipt.entry_id}; the old one "
        "stays in the history"
    )


def _change(text):
    name, equals, value = text.partition("=")
    if not equals or not name.strip():
        raise CannotDo(f"{text!r} is not understood; write it as column=value, such as grade=2")
    return name.strip(), value.strip()


def _void(arguments):
    from scentlab.recording.correcting import make_void
    from scentlab.recording.store import Store

    store = Store.open(series_folder(arguments.folder))
    make_void(store, arguments.table, arguments.entry, arguments.reason)
    print(f"{arguments.table} {arguments.entry}: void; it stays in the history with the reason")


# --- export ------------------------------------------------------------------------------------


def _export(arguments):
    from scentlab.recording.importing import export_csvs, export_rows
    from scentlab.recording.store import Store, whole_rows

    folder = series_folder(arguments.folder)
    if arguments.whole_rows and not arguments.out:
        raise CannotDo("--whole-rows writes beside the damaged series: give --out a new folder")
    place = Path(arguments.out) if arguments.out else folder / "exports"
    if arguments.out:
        for table in IMPORT_TABLES:
            if (place / f"{table.name}.csv").exists():
                raise CannotDo(
                    f"{place / table.name}.csv is there already and was not touched; give --out "
                    "another folder"
                )
    if not arguments.whole_rows:
        store = Store.open(folder)
        print(*export_csvs(store, place), sep="\n")
        wrong = store.check()
        if wrong:
            print("\n".join(["The record is damaged, and what was written with it:", *wrong[:20]]),
                  file=sys.stderr)
        return 1 if wrong else 0
    rows, lost = whole_rows(folder)
    print(*export_rows(rows, place), sep="\n")
    print("\n".join(["Not written, for it is damaged:", *lost] if lost else
                    ["Every row that could be read is right."]), file=sys.stderr)
    return 1 if lost else 0


# --- columns -----------------------------------------------------------------------------------


def _columns(arguments):
    print("CSV files for `scentlab import`: UTF-8, comma between cells, header row first,")
    print("decimal point, empty cell = not known. Columns marked * must be there and filled;")
    print("the pour of a piece only where no plan is kept, for a kept plan knows it.")
    for table in IMPORT_TABLES:
        print()
        print("\n".join(_table_lines(table)))


def _table_lines(table):
    yield f"{table.name}.csv: {table.meaning}"
    if table.key:
        yield f"  unique: {', '.join(table.key)}"
    if table.one_of:
        yield f"  filled in every row: {' or '.join(table.one_of)}"
    width = max(len(name) for name in table.names)
    for column in table.columns:
        star = "*" if column.required else " "
        text = f"{column.meaning}: {column.expected}"
        yield from textwrap.wrap(
            text, 100, initial_indent=f"  {star} {column.name:<{width}}  ",
            subsequent_indent=" " * (width + 6),
        )


# --- report ------------------------------------------------------------------------------------


def _report(arguments):
    from scentlab.recording.reading import read_series
    from scentlab.recording.store import Store

    folder = series_folder(arguments.folder)
    path = Path(arguments.out) if arguments.out else folder / "exports" / REPORT_NAME
    if path.suffix.lower() not in (".html", ".htm"):
        raise CannotDo(
            f"the report is a web page: give --out a name that ends in .html, not {path}"
        )
    rules = read_rules(arguments, folder)
    _write_report(read_series(Store.open(folder)), path, rules, arguments.seed)


def read_rules(arguments, folder=None, announce=print):
    """The rules of the options; where none is given, those kept in the folder, else the usual."""
    from scentlab.choosing.kept import rules_here

    if arguments.override_blend and not arguments.override_reason:
        raise CannotDo(
            "--override-blend passes over a wax maker's limit, which needs a reason in writing: "
            'add --override-reason "..."'
        )
    try:
        found = rules_here(folder)
        given = _given_rules(arguments, found.rules.override_blends)
        rules = dataclasses.replace(found.rules, **given)
    except ValueError as error:
        raise CannotDo(f"{error} (the options ending in -pct are in percent)") from error
    if found.kept:
        but = f", but for {', '.join(given)} of the options" if given else ""
        announce(f"Rules: as kept in {found.path}{but}: {rules.sentence}")
        for note in found.notes:
            announce(f"Note: {note}.")
    return rules


def _given_rules(arguments, kept_blends):
    """The rules that an option names, as fields of Rules."""
    shares = {
        "risk": arguments.risk_pct, "confidence": arguments.confidence_pct,
    }
    given = {name: pct / 100 for name, pct in shares.items() if pct is not None}
    for name in ("limit_grade", "frost_limit_grade", "throw_kind", "stress", "ship_age_days",
                 "throw_loss"):
        if getattr(arguments, name) is not None:
            given[name] = getattr(arguments, name)
    if arguments.override_blend:
        given["override_blends"] = tuple(arguments.override_blend)
    if arguments.override_reason:
        blends = arguments.override_blend or kept_blends
        given["override_reason"] = _reasons(arguments.override_reason, blends)
    today = _todays_loads(arguments.today_load_pct)
    return given if today is None else given | {"today_load_pct": today}


def _reasons(given, blends):
    """One reason for all blends, or a dict of the reasons of those that are named."""
    pairs = [text.partition("=") for text in given]
    named = [blend.strip() in blends and bool(equals) for blend, equals, _ in pairs]
    if len(given) == 1 and not named[0]:
        return given[0]
    if not all(named):
        odd = given[named.index(False)]
        raise CannotDo(
            f"--override-reason {odd!r} is not understood; give one reason for all blends, or one "
            f"as BLEND=TEXT for each of {', '.join(blends) or 'the blends of --override-blend'}"
        )
    return {blend.strip(): reason.strip() for blend, _, reason in pairs}


def _todays_loads(given):
    """None, one load for all blends, or a load for each blend that is named."""
    if len(given) == 1 and "=" not in given[0]:
        return given[0]
    for text in given:
        if not text.rpartition("=")[0].strip():
            raise CannotDo(
                f"--today-load-pct {text!r} is not understood; give one load for all blends, or "
                'one as BLEND=LOAD for each, such as "soft=12"'
            )
    pairs = [text.rpartition("=") for text in given]
    return {blend.strip(): load.strip() for blend, _, load in pairs} or None


def _write_report(series, path, rules, seed):
    from scentlab.choosing.analysis import analyse
    from scentlab.sharing.report import write_report

    analysis = analyse(series, rules, seed=seed)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_report(analysis, path)
    for sentence in analysis.pick.sentences.values():
        print(textwrap.fill(sentence, 100, initial_indent="* ", subsequent_indent="  "))
    print(*_about_the_picks(analysis), f"Report: {path}", sep="\n")


def _about_the_picks(analysis):
    """In lines: how the blends are ranked, what of it is not settled, what bears on the picks."""
    from scentlab.words.answers import pick_notes, ranking_sentences

    said = ranking_sentences(analysis)
    said += [f"Note: {note}" for note in pick_notes(analysis)]
    for words in filter(None, said):
        yield textwrap.fill(words, 100, subsequent_indent="  ")


# --- demo --------------------------------------------------------------------------------------


def _demo(arguments):
    from scentlab.choosing.pick import Rules
    from scentlab.recording.reading import read_series
    from scentlab.shipped import make_demo_series

    folder = _empty_folder(arguments.out)
    store = make_demo_series(folder)
    print(f"Made the demo series in {folder}. Its data are invented: they are no evidence.")
    _write_report(read_series(store), folder / REPORT_NAME, Rules(), arguments.seed)
    print(f"Next: open {folder / REPORT_NAME} in a browser, or type")
    print(f"  {_program()} lab {quoted(folder)}")


def new_file(name, suffix, what):
    """The path of a file to be written, which must not be there yet; ``what`` it is, for errors."""
    path = Path(name)
    if path.suffix.lower() != suffix:
        raise CannotDo(f"{what}: give --out a name that ends in {suffix}, not {path}")
    must_have_folder(path)
    if path.exists():
        raise CannotDo(f"{path} is there already and was not touched; give another name")
    return path


def must_have_folder(path):
    if not path.parent.is_dir():
        raise CannotDo(f"there is no folder {path.parent}; make it or give another --out")


def analysed(folder, rules, seed):
    """The analysis of the record in a series folder."""
    from scentlab.choosing.analysis import analyse
    from scentlab.recording.reading import read_series
    from scentlab.recording.store import Store

    return analyse(read_series(Store.open(folder)), rules, seed=seed)


def quoted(path):
    return shlex.quote(str(path))


def _program():
    """How this program can be called from here: by its name only if the shell would find it."""
    return "scentlab" if shutil.which("scentlab") else f"{quoted(sys.executable)} -m scentlab"


# --- the parser --------------------------------------------------------------------------------


def _split_extra(argv):
    """Put what follows ``--`` aside, so that JupyterLab's options stay JupyterLab's."""
    argv = list(sys.argv[1:] if argv is None else argv)
    if argv[:1] == ["lab"] and "--" in argv:
        at = argv.index("--")
        return [*argv[:at], "--extra", *argv[at + 1 :]]
    return argv


def _parser():
    from scentlab.cli_answer import add_commands as add_answers
    from scentlab.cli_sharing import add_commands as add_sharing

    parser = argparse.ArgumentParser(
        prog="scentlab", formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Fragrance-load experiments for scented wax melts.",
        epilog=_text("""
            A first look, with invented data:   scentlab demo demo-series
            A series of your own:               scentlab new my-series
                                                scentlab lab my-series
            Loads are in % of wax (g of fragrance per 100 g of wax).
            `scentlab COMMAND --help` tells what a command reads and writes, with examples.
            The kit is no safety assessment: labels and limits follow local law and licensed
            practice.
            """),
    )
    parser.add_argument("--version", action="version", version=f"scentlab {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for add in (_add_new, _add_lab, _add_panel, _add_progress, _add_import, _add_entries,
                _add_correct, _add_void, _add_export, _add_columns, _add_report, add_sharing,
                add_answers, _add_demo):
        add(commands)
    return parser


def _text(text):
    return textwrap.dedent(text).strip()


def command(commands, name, run, short, long, examples):
    parser = commands.add_parser(
        name, help=short, description=_text(long),
        epilog="examples:\n" + textwrap.indent(_text(examples), "  "),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(run=run)
    return parser


def _add_new(commands):
    parser = command(
        commands, "new", _new, "make a new series folder",
        """
        Make a folder for one load test (a series). It gets
          series.sqlite                    the record (pours, grades, throw scores), empty
          0-start.ipynb                    where to begin, and how far the series is
          1-plan.ipynb ... 5-share.ipynb   a notebook for each stage of the work
          6-published-experiments.ipynb    published experiments, fitted anew
          exports/                         where sheets, reports and tables are written
        The folder must be new or empty: nothing that exists is overwritten.
        """,
        """
        scentlab new cedar-2026
        scentlab new cedar-2026 --title "Cedar in two soft waxes, spring"
        """,
    )
    parser.add_argument("folder", metavar="FOLDER", help="new or empty folder to make")
    parser.add_argument(
        "--title", help="title of the series (default: the folder's name)"
    )


def _add_lab(commands):
    parser = command(
        commands, "lab", _lab, "open a series folder in JupyterLab",
        """
        Open a series folder in JupyterLab, in the web browser of this computer, at 0-start.ipynb.
        What is saved there goes to series.sqlite and exports/ in the same folder. End it with
        Ctrl+C in this window. What follows -- is handed to JupyterLab as it is.
        """,
        """
        scentlab lab cedar-2026
        scentlab lab cedar-2026 -- --no-browser --port=8899
        """,
    )
    parser.add_argument("folder", metavar="FOLDER", help="series folder, made by `scentlab new`")
    parser.add_argument("--extra", nargs=argparse.REMAINDER, default=[], help=argparse.SUPPRESS)


def _add_panel(commands):
    parser = command(
        commands, "panel", _panel, "let the panel score on phones or tablets",
        """
        Serve plain pages on which assessors score by blind code; what they score is written to
        series.sqlite of the series folder. Prints a link and its QR code: who has the link can
        score. By default only this computer can open it; --host 0.0.0.0 opens it to the network,
        unencrypted, so use a network that you trust. End it with Ctrl+C in this window.
        """,
        """
        scentlab panel cedar-2026
        scentlab panel cedar-2026 --host 0.0.0.0
        scentlab panel cedar-2026 --host 0.0.0.0 --port 8765 --looks-per-piece 2
        """,
    )
    parser.add_argument("folder", metavar="FOLDER", help="series folder with a plan and pours")
    parser.add_argument(
        "--host", default="127.0.0.1",
        help="address to listen on (default 127.0.0.1, this computer only)",
    )
    parser.add_argument(
        "--port", type=int, default=0, help="port (default: that of the last time, else a free one)"
    )
    parser.add_argument(
        "--looks-per-piece", type=int, default=1, metavar="NUMBER",
        help="how many assessors grade each sweat and frost piece (default 1)",
    )


def _add_progress(commands):
    parser = command(
        commands, "progress", _progress, "tell who still has to score what",
        """
        Tell from the record how far a series is: what each assessor can score today, which scores
        are still to come, which pieces are past their cure date without a score, and which
        planned pours are not logged. Shows no load and writes nothing.
        """,
        """
        scentlab progress cedar-2026
        scentlab progress cedar-2026 --today 2026-03-14 --looks-per-piece 2
        """,
    )
    parser.add_argument("folder", metavar="FOLDER", help="series folder, made by `scentlab new`")
    parser.add_argument(
        "--today", metavar="DATE", help="the day to tell it for, as 2026-03-14 (default: today)"
    )
    parser.add_argument(
        "--looks-per-piece", type=int, default=1, metavar="NUMBER",
        help="how many assessors grade each sweat and frost piece (default 1)",
    )


def _add_import(commands):
    parser = command(
        commands, "import", _import, "import pours, pieces and throw scores from CSV or XLSX files",
        """
        Check CSV or XLSX files and put them into the record (series.sqlite) of a series folder:
        all of them or nothing. A piece must come from a pour, and a throw score or a check on the
        warmer from a piece, that the files or the record know. Weights in g, temperatures in °C,
        ages in days, hours on the warmer in h; `scentlab columns` tells every column. What is
        wrong is told with file, row, column, value and remedy.

        Where the series has a kept plan, pours, codes, assessors and sittings must be in it (see
        --beyond-plan), and the file of pieces needs no column pour: the plan knows it, so that
        nobody has to look into the sealed key.

        Files with other headings or units: one --match for each such column, as
        "their heading=column:unit". Columns that bear their own name need none; the others of a
        file with a --match are left out, and told. A column in two tables may be written as
        throws.code. Units of the file, after the colon:
          weights        g, kg, oz, lb
          temperatures   °C, °F
          times          min, s, h; on the warmer: h, min, days; ages: days, weeks, hours
          limits         % of wax, % of total, oz per lb
          dates          year-month-day, day.month.year, day/month/year, month/day/year
        """,
        """
        scentlab import cedar-2026 --pours pours.csv --pieces pieces.csv --throws throws.csv
        scentlab import cedar-2026 --pours pours.csv --pieces pieces.csv --throws throws.csv \\
            --dry-run
        scentlab import cedar-2026 --pours book.xlsx --sheet pours=Weights \\
            --match "Wax weighed=wax_g:oz" --match "Oil=fragrance_g:oz" \\
            --match "Day=poured_on:day.month.year" --decimal , --dry-run
        """,
    )
    parser.add_argument("folder", metavar="FOLDER", help="series folder, made by `scentlab new`")
    for table in IMPORT_TABLES:
        parser.add_argument(f"--{table.name}", metavar="FILE", help=table.meaning)
    parser.add_argument(
        "--match", action="append", default=[], metavar="HEADING=COLUMN[:UNIT]",
        help="a heading of the file, the column it is, the unit it has (may be repeated)",
    )
    parser.add_argument(
        "--sheet", action="append", default=[], metavar="TABLE=NAME",
        help="sheet of an XLSX file that has several, such as pours=Weights (may be repeated)",
    )
    parser.add_argument(
        "--decimal", choices=(".", ","), default=".", help="decimal sign of the files (default .)"
    )
    parser.add_argument(
        "--beyond-plan", action="store_true",
        help="take pours, pieces, assessors and sittings too that the kept plan does not have",
    )
    parser.add_argument(
        "--dry-run", action="store_true", help="check the files and write nothing"
    )


def _add_entries(commands):
    parser = command(
        commands, "entries", _entries, "tell what is stored of a piece or a pour, with numbers",
        """
        Print the entries of the record that stand for a blind code or a pour: the table and the
        number of each, which `scentlab correct` and `scentlab void` take, and what can be
        corrected in it. Scores are told without their pour and load. Writes nothing.
        """,
        """
        scentlab entries cedar-2026 417
        scentlab entries cedar-2026 P01-3
        """,
    )
    parser.add_argument("folder", metavar="FOLDER", help="series folder, made by `scentlab new`")
    parser.add_argument("name", metavar="NAME", help="blind code of a piece, or name of a pour")


def _add_correct(commands):
    parser = command(
        commands, "correct", _correct, "correct an entry of the record, with a reason",
        """
        Write a new row into the record that stands in place of an old one; the old one and the
        reason stay in the history. `scentlab entries` tells the tables, numbers and columns. An
        empty value after = means not known.
        """,
        """
        scentlab correct cedar-2026 grades 12 grade=3 --reason "read off the sheet one line down"
        scentlab correct cedar-2026 pours 4 wax_g=198.4 note= --reason "scale was not at zero"
        """,
    )
    _name_entry(parser)
    parser.add_argument(
        "changes", metavar="COLUMN=VALUE", nargs="+", help="what it should be"
    )
    _ask_reason(parser)


def _add_void(commands):
    parser = command(
        commands, "void", _void, "take an entry out of the record, with a reason",
        """
        Write into the record that an entry does not count, and why. Nothing is erased: the entry
        and the reason stay in the history. `scentlab entries` tells the tables and numbers.
        """,
        """
        scentlab void cedar-2026 throws 31 --reason "the warmer was off"
        """,
    )
    _name_entry(parser)
    _ask_reason(parser)


def _name_entry(parser):
    parser.add_argument("folder", metavar="FOLDER", help="series folder, made by `scentlab new`")
    parser.add_argument(
        "table", metavar="TABLE", choices=("pours", "grades", "throws", "bleeds", "warmings"),
        help="pours, grades, throws, bleeds or warmings",
    )
    parser.add_argument("entry", metavar="ENTRY", type=int, help="number of the entry")


def _ask_reason(parser):
    parser.add_argument(
        "--reason", metavar="TEXT", required=True, help="why, kept with the change"
    )


def _add_export(commands):
    parser = command(
        commands, "export", _export, "write the record as CSV files",
        """
        Write pours.csv, pieces.csv and throws.csv of the record, and warmings.csv when a piece was
        left on the warmer, in the columns that `scentlab import` reads. In the exports/ of the
        series folder earlier ones are replaced; in another folder a file that is there already is
        not touched. --whole-rows is the way out of a damaged record: what can be read and is right
        is written, what is lost is told, and the exit code is 1.
        """,
        """
        scentlab export cedar-2026
        scentlab export cedar-2026 --out for-the-archive
        scentlab export cedar-2026 --out saved --whole-rows
        """,
    )
    parser.add_argument("folder", metavar="FOLDER", help="series folder, made by `scentlab new`")
    parser.add_argument(
        "--out", metavar="OUT", help="folder to write into (default: FOLDER/exports)"
    )
    parser.add_argument(
        "--whole-rows", action="store_true",
        help="write the rows of a damaged record that are whole, and tell the others",
    )


def _add_columns(commands):
    command(
        commands, "columns", _columns, "tell the columns of the CSV files",
        """
        Print every column of the CSV files that `scentlab import` reads, with its meaning,
        unit and range. Writes nothing.
        """,
        "scentlab columns",
    )


def _add_report(commands):
    parser = command(
        commands, "report", _report, "fit, choose a load per blend and write the report",
        """
        Read a series folder, fit sweat, frost and throw, pick a load per blend, print the picks
        and write a report: one self-contained web page that opens without a network. An earlier
        report of the same name is replaced. Loads are in % of wax unless said otherwise.
        """,
        """
        scentlab report cedar-2026
        scentlab report cedar-2026 --out for-supplier.html
        scentlab report cedar-2026 --risk-pct 2 --limit-grade 1 --stress heat
        scentlab report cedar-2026 --today-load-pct 12
        scentlab report cedar-2026 --override-blend "soft mix" \\
            --override-reason "the wax maker agreed in a letter of 2 March"
        """,
    )
    parser.add_argument("folder", metavar="FOLDER", help="series folder, made by `scentlab new`")
    parser.add_argument(
        "--out", metavar="FILE.html", help=f"the report (default: FOLDER/exports/{REPORT_NAME})"
    )
    add_rules(parser)


def add_rules(parser):
    rules = parser.add_argument_group(
        "rules of the choice",
        "Options not given come from rules.json in the series folder (4-fit-and-choose.ipynb keeps "
        "it there), else from the defaults.",
    )
    rules.add_argument(
        "--risk-pct", type=float, metavar="PERCENT",
        help="highest share of pieces that may reach the sweat limit grade, in %% (default 5)",
    )
    rules.add_argument(
        "--confidence-pct", type=float, metavar="PERCENT",
        help="confidence that the risk stays under it, in %% (default 95)",
    )
    rules.add_argument(
        "--limit-grade", type=int, choices=(1, 2, 3, 4),
        help="sweat grade that counts as a fault: 1 trace ... 4 pooled (default 2, visible film)",
    )
    rules.add_argument(
        "--frost-limit-grade", type=int, choices=(1, 2, 3, 4),
        help="frost grade that counts as a fault (default 2, up to 25 %% of the face)",
    )
    rules.add_argument(
        "--throw-loss", type=float, metavar="POINTS",
        help="points of throw (of 10) that the pick may lie below the best (default 0.5)",
    )
    rules.add_argument(
        "--throw-kind", choices=("warm", "cold"),
        help="throw to choose by: warm is hot throw (default warm)",
    )
    rules.add_argument(
        "--stress", choices=("rest", "heat"),
        help="storage to answer for: rest (room temperature), or heat (heat-cycled) (default: the "
        "harshest that was tested)",
    )
    rules.add_argument(
        "--ship-age-days", type=float, metavar="DAYS",
        help="age at which pieces are sold, in days since pouring (default: for frost, the middle "
        "age that was seen)",
    )
    rules.add_argument(
        "--override-blend", action="append", default=[], metavar="BLEND",
        help="pass over the wax maker's limit for this blend (may be repeated)",
    )
    rules.add_argument(
        "--override-reason", action="append", default=[], metavar="[BLEND=]TEXT",
        help="why, printed in the report: one reason for all blends, or BLEND=TEXT (may be "
        "repeated)",
    )
    rules.add_argument(
        "--today-load-pct", action="append", default=[], metavar="[BLEND=]LOAD",
        help="load poured today, in %% of wax, to tell what the pick saves: one for all blends, or "
        "BLEND=LOAD (may be repeated)",
    )
    rules.add_argument(
        "--seed", type=int, default=1, help="seed of the chance in the intervals (default 1)"
    )


def _add_demo(commands):
    parser = command(
        commands, "demo", _demo, "make a series folder with invented data, and its report",
        """
        Make a series folder from the invented data that come with the kit, fit them, print the
        pick of each blend and write the report: the whole way in under half a minute. Writes
          OUT/series.sqlite, OUT/*.ipynb, OUT/exports/   as `scentlab new` does, with data
          OUT/report.html                                the report, one self-contained page
        The folder must be new or empty. The data are made up and are no evidence of anything.
        """,
        """
        scentlab demo demo-series
        scentlab demo demo-series --seed 7
        """,
    )
    parser.add_argument("out", metavar="OUT", help="new or empty folder to make")
    parser.add_argument(
        "--seed", type=int, default=1, help="seed of the chance in the intervals (default 1)"
    )

"""The command line: what each command writes, says and refuses."""

import contextlib
import errno
import functools
import io
import os
import re
import signal
import sqlite3
import subprocess
import sys
import urllib.request
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace

import pytest

from scentlab import cli, lab, workshop
from scentlab.amounts import keep_units, units_here
from scentlab.choosing.analysis import analyse
from scentlab.cli import frame
from scentlab.cli.frame import STORE_NAME, listed, noted, program, working
from scentlab.cli.rules import read_rules
from scentlab.recording.reading import read_series
from scentlab.recording.store import FILE_NAME, Store
from scentlab.schema import IMPORT_TABLES
from scentlab.units import Shown, say_load_oz

ROOT = Path(__file__).parents[2]
COMMANDS = (
    "new", "lab", "panel", "progress", "import", "entries", "correct", "void", "drop", "export",
    "columns", "report", "share", "open", "compare", "summary", "demo", "answer", "weigh",
    "costs",
)


def help_of(capsys, *command):
    with pytest.raises(SystemExit) as left:
        cli.main([*command, "--help"])
    assert left.value.code == 0
    return capsys.readouterr().out


def demo_files():
    folder = workshop.demo_folder()
    return [
        a for t in IMPORT_TABLES if (folder / f"{t.name}.csv").is_file()
        for a in (f"--{t.name}", str(folder / f"{t.name}.csv"))
    ]


# --- help --------------------------------------------------------------------------------------


def test_help_lists_every_command(capsys):
    text = help_of(capsys)
    for command in COMMANDS:
        assert re.search(rf"^  {command} |^  also [^.]*\b{command}\b", text, re.M), command


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_a_command_has_examples_and_says_what_is_written(capsys, command):
    text = help_of(capsys, command)
    assert f"  scentlab {command}" in text.split("examples:")[1]
    assert re.search(r"(?i)writ|record|saved", text)


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_a_page_of_help_fits_a_screen(capsys, command):
    lines = help_of(capsys, *filter(None, [command])).splitlines()
    assert len(lines) <= 24 and max(map(len, lines)) <= 80


def test_every_field_of_the_rules_has_one_option():
    from dataclasses import fields

    from scentlab.choosing.rules import Rules

    assert list(frame.FIELDS["rules"]) == [f.name for f in fields(Rules)]


def test_every_command_has_its_function():
    for command in cli.COMMANDS:
        assert callable(getattr(import_module(f"scentlab.cli.{command.module}"),
                                f"_{command.name}")), command


def test_every_command_in_the_examples_is_understood(capsys):
    parser = cli.parser()
    for command in COMMANDS:
        examples = help_of(capsys, command).split("examples:")[1].replace("\\\n", " ")
        for line in re.findall(r"^ +scentlab (.*)$", examples, re.M):
            words = [a or b for a, b in re.findall(r'"([^"]*)"|(\S+)', line)]
            assert parser.parse_args(words).command == command


# --- new ---------------------------------------------------------------------------------------


def test_new_makes_a_series_folder(run, tmp_path):
    folder = tmp_path / "cedar"
    code, out, err = run("new", folder, "--title", 'Cedar "spring" \\ 2026')
    assert (code, err) == (0, "")
    assert {p.name for p in folder.iterdir()} == {"series.sqlite", "exports"}
    assert Store.open(folder).about()["title"] == 'Cedar "spring" \\ 2026'
    assert str(folder) in out


def test_new_takes_an_empty_folder_and_its_name_as_title(run, tmp_path):
    folder = tmp_path / "cedar"
    folder.mkdir()
    assert run("new", folder)[0] == 0
    assert Store.open(folder).about()["title"] == "cedar"


def test_a_new_series_is_in_the_units_of_those_beside_it(run, tmp_path):
    run("quick", tmp_path / "fig", "--wax", "soft", "--oil", "fig", "--loads", "1, 2, 3 oz/lb")
    assert run("new", tmp_path / "cedar")[0] == 0
    assert units_here(tmp_path / "cedar") == (Shown("oz", "F"), "typed")


@pytest.mark.parametrize("command", ["new", "demo"])
def test_a_folder_with_something_in_it_is_left_alone(run, tmp_path, command):
    (tmp_path / "mine.txt").write_text("mine")
    code, out, err = run(command, tmp_path)
    assert (code, out) == (2, "")
    assert err == (
        f"scentlab {command}: the folder {tmp_path} is not empty; nothing in it was touched; "
        "give the name of a new or empty folder\n"
    )
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_a_file_is_no_folder(run, tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    code, _, err = run("new", tmp_path / "mine.txt")
    assert code == 2
    assert err == (
        f"scentlab new: {tmp_path / 'mine.txt'} is a file; give the name of a new or empty folder\n"
    )


def test_a_folder_that_fails_halfway_leaves_nothing(monkeypatch, run, tmp_path):
    def no_room(*_, **__):
        raise OSError("no space left on the disk")

    monkeypatch.setattr(workshop.Store, "create", no_room)
    code, _, err = run("new", tmp_path / "cedar")
    assert (code, err) == (2, "scentlab new: no space left on the disk\n")
    assert list(tmp_path.iterdir()) == []


def test_what_to_type_next_is_what_this_shell_would_find(monkeypatch, run, tmp_path):
    monkeypatch.setattr(frame.shutil, "which", lambda name: None)
    _, out, _ = run("new", tmp_path / "one")
    assert f"Next: {sys.executable} -m scentlab lab {tmp_path / 'one'}\n" in out
    monkeypatch.setattr(frame.shutil, "which", lambda name: f"/somewhere/{name}")
    _, out, _ = run("new", tmp_path / "two")
    assert f"Next: scentlab lab {tmp_path / 'two'}\n" in out


def test_the_name_of_the_record_is_that_of_the_store():
    assert STORE_NAME == FILE_NAME


# --- lab ---------------------------------------------------------------------------------------


def test_lab_hands_what_follows_the_dashes_to_jupyterlab(monkeypatch, run, demo):
    folder = demo
    seen = []

    def pretend(command, env):
        seen.extend([command, env])
        return SimpleNamespace(wait=lambda: 0)

    monkeypatch.setattr(lab.subprocess, "Popen", pretend)
    assert run("lab", folder, "--", "--no-browser", "--port=8899")[0] == 0
    command, environment = seen
    assert command[:4] == [
        sys.executable, "-m", "scentlab.lab", f"--ServerApp.root_dir={folder.resolve()}"]
    assert command[-3:] == [
        "--LabApp.default_url=/lab/tree/start.ipynb", "--no-browser", "--port=8899"]
    assert environment["SCENTLAB_LAB_ROOT"] == str(folder.resolve())


def test_lab_makes_its_folder_and_says_so(monkeypatch, run, tmp_path):
    monkeypatch.setattr(lab.subprocess, "Popen",
                        lambda command, env: SimpleNamespace(wait=lambda: 0))
    folder = tmp_path / "melts"
    assert run("lab", folder) == (0, f"Made the folder {folder} for your series.\n", "")
    assert folder.is_dir() and run("lab", folder) == (0, "", "")
    code, out, err = run("lab", tmp_path / "none" / "melts")  # more likely a slip
    assert (code, out) == (2, "") and not (tmp_path / "none").exists()
    assert f"there is no folder {tmp_path / 'none' / 'melts'}; check its name" in err


def test_lab_takes_no_second_word_for_an_option(run, tmp_path):
    code, _, err = run("lab", tmp_path / "my", "workshop")
    assert code == 2 and "'workshop' is not a JupyterLab option; put quotes around a folder" in err
    assert not (tmp_path / "my").exists()


def test_a_share_below_0_is_refused(run, demo, capsys):
    with pytest.raises(SystemExit):
        run("report", demo, "--risk-pct=-1")
    assert "write it as 5 %" in capsys.readouterr().err


def test_lab_without_jupyterlab_says_how_to_install_it(monkeypatch, run, tmp_path):
    monkeypatch.setattr(lab, "find_spec", lambda name: None)
    code, out, err = run("lab", tmp_path)
    assert (code, out) == (2, "")
    assert err == (
        "scentlab lab: the pages need JupyterLab, which is not installed here; install the kit "
        "again with [lab] after its folder or wheel, as in: "
        f"{sys.executable} -m pip install '.[lab]'. All other commands work without it.\n"
    )


@pytest.mark.parametrize("command", ["panel", "progress", "export", "report"])
def test_a_folder_without_a_record_is_no_series(run, tmp_path, command, monkeypatch):
    monkeypatch.setattr(frame, "import_module", pytest.fail)  # it is looked at first
    code, out, err = run(command, tmp_path)
    assert (code, out) == (2, "")
    assert err == (
        f"scentlab {command}: {tmp_path} is not a series folder: it has no series.sqlite; "
        f"make one with: {program()} new {tmp_path}\n"
    )


# --- panel -------------------------------------------------------------------------------------


def test_panel_serves_the_series_until_it_is_stopped(demo):
    folder = demo
    command = [sys.executable, "-m", "scentlab", "panel", str(folder)]
    # Where the tests run in the background Ctrl+C is ignored, which a new process would inherit.
    heeding = functools.partial(signal.signal, signal.SIGINT, signal.SIG_DFL)
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True,
                          preexec_fn=heeding) as server:
        try:
            link = server.stdout.readline().split()[-1]
            assert link.startswith("http://127.0.0.1:")
            with urllib.request.urlopen(link, timeout=20) as page:
                assert "A1" in page.read().decode()
        finally:
            server.send_signal(signal.SIGINT)
        try:
            assert server.wait(20) == 0
        finally:
            server.kill()


# --- import and columns ------------------------------------------------------------------------


def test_import_takes_the_files(run, tmp_path):
    folder = tmp_path / "mine"
    assert run("new", folder)[0] == 0
    code, out, err = run("import", folder, *demo_files())
    assert (code, err) == (0, "")
    assert re.search(r"^pours: \d+ rows stored$", out, re.M)


def test_the_fragrance_of_a_series_without_a_plan_is_given_later(run, tmp_path, empty):
    folder = tmp_path / "mine"
    run("new", folder)
    assert run("import", folder, *demo_files(), "--oil", "x" * 90)[0] == 2
    assert run("import", folder, *demo_files())[0] == 0, "all or nothing"
    assert run("import", folder, "--oil", " Fig ", "--dry-run")[1] == (
        "Nothing was written (--dry-run).\n")
    assert read_series(Store.open(folder)).fragrance == ""
    assert run("import", folder, "--oil", " Fig ")[:2] == (0, "Fragrance: Fig\n"
               f"Next: {frame.call('report', folder)}\n")
    store = Store.open(folder)
    assert (read_series(store).fragrance, store.check()) == ("Fig", ())
    planned = Store.open(empty)
    planned.save_plan({"fragrance": {"name": "cedar"}})
    assert "the plan says that the fragrance is cedar" in run("import", empty, "--oil", "fig")[2]


def test_a_dry_run_writes_nothing(run, tmp_path):
    folder = tmp_path / "mine"
    run("new", folder)
    code, out, _ = run("import", folder, *demo_files(), "--dry-run")
    assert code == 0
    assert "Nothing was written (--dry-run)." in out
    assert Store.open(folder).rows("pours").empty


def test_a_wrong_cell_is_named_and_nothing_is_written(run, tmp_path):
    folder = tmp_path / "mine"
    run("new", folder)
    lines = (workshop.demo_folder() / "pours.csv").read_text().splitlines()
    head = lines[0].split(",")
    cells = lines[2].split(",")
    cells[head.index("wax_g")] = "200g"
    lines[2] = ",".join(cells)
    (tmp_path / "pours.csv").write_text("\n".join(lines) + "\n")
    files = demo_files()
    files[1] = str(tmp_path / "pours.csv")
    code, out, err = run("import", folder, *files)
    assert (code, out) == (2, "")
    assert err == (
        "scentlab import: pours.csv, row 3, column wax_g: found '200g', "
        "expected a number with a decimal point from 1 to 100000 (g). "
        "Give only the number, in g, without the unit.\n"
    )
    assert Store.open(folder).rows("pours").empty


def test_an_import_of_nothing_is_refused(run, tmp_path):
    run("new", tmp_path / "mine")
    code, _, err = run("import", tmp_path / "mine")
    assert code == 2
    assert err == (
        "scentlab import: no file to import; give --pours, --pieces, --throws, --warmings, "
        "--pairs, --heats, --unpoured or several of them\n"
    )


def test_columns_tells_every_column(run):
    code, out, _ = run("columns")
    assert code == 0
    for table in IMPORT_TABLES:
        for column in table.columns:
            star = "*" if column.required else " "
            assert re.search(rf"^  {re.escape(star)} {column.name} ", out, re.M), column.name


# --- import with other headings ----------------------------------------------------------------


POURS_OF_THEIRS = [
    ["Pour", "pot", "Mix", "Day", "Wax weighed", "Oil", "Cook"],
    ["P01-1", "P01", "soft", "14.03.2026", "16", "1,6", "me"],
]
MATCH = [w for m in ("Pour=pour", "Mix=blend", "Day=poured_on:day.month.year",
                     "Wax weighed=wax_g:oz", "Oil=fragrance_g:oz") for w in ("--match", m)]


@pytest.fixture
def theirs(tmp_path):
    """A workbook of two sheets with headings and units of its own."""
    import openpyxl

    book = openpyxl.Workbook()
    book.active.title = "Notes"
    sheet = book.create_sheet("Weights")
    for row in POURS_OF_THEIRS:
        sheet.append(row)
    book.save(tmp_path / "theirs.xlsx")
    return tmp_path / "theirs.xlsx"


@pytest.fixture
def empty(run, tmp_path):
    run("new", tmp_path / "mine")
    return tmp_path / "mine"


def test_a_workbook_with_other_headings_and_units_is_imported(run, empty, theirs):
    words = ("import", empty, "--pours", theirs, "--sheet", "pours=Weights", *MATCH,
             "--decimal", ",")
    code, out, err = run(*words, "--dry-run")
    assert (code, err) == (0, "")
    assert out == (
        "pours: columns left out because nothing matches them: Cook\n"
        f"pours: 1 row in {theirs} in order\nNothing was written (--dry-run).\n"
    )
    assert Store.open(empty).rows("pours").empty
    assert run(*words)[0] == 0
    row = Store.open(empty).rows("pours").iloc[0]
    # One ounce (avoirdupois) is 28.349523125 g exactly.
    assert row["wax_g"] == pytest.approx(16 * 28.349523125, rel=1e-12)
    assert row["fragrance_g"] == pytest.approx(1.6 * 28.349523125, rel=1e-12)
    assert (row["pot"], row["blend"], str(row["poured_on"])) == ("P01", "soft", "2026-03-14")
    assert run("progress", empty)[1] == (
        "No plan is kept, so there is nothing to score or log.\n")
    # What a maker types first is said first from then on, the units of a file too.
    assert run("units", empty)[1].startswith("oz and °F")


@pytest.mark.parametrize("words, said", [
    (("--match", "Wax weighed"), "--match 'Wax weighed' is not understood; write it as \"their "
     "heading=column\" or \"their heading=column:unit\", such as \"Wax=wax_g:oz\""),
    (("--match", "Wachs=wax_g:oz"), "the files, column wax_g: found 'Wachs', expected a heading of "
     "a file and a column of its table."),
    (("--match", "Wax weighed=wax_g"), "theirs.xlsx, sheet Weights, row 1, column wax_g: found "
     "'no unit', expected the unit of 'Wax weighed': one of g, kg, oz, lb. Choose the unit the "
     "file uses."),
    (("--match", "Pour=throws.code"), "the files, column throws.code: found 'Pour', expected a "),
    (("--sheet", "pieces=Weights"), "--sheet 'pieces=Weights' is not understood; write it as "
     "TABLE=NAME, where TABLE has a file here (pours), such as pours=Sheet1"),
])
def test_a_wrong_match_is_told_and_nothing_is_written(run, empty, theirs, words, said):
    code, out, err = run("import", empty, "--pours", theirs, "--sheet", "pours=Weights",
                         *words)
    assert (code, out) == (2, "")
    assert said in err and "Traceback" not in err
    assert Store.open(empty).rows("pours").empty


def test_a_heading_of_two_files_goes_to_both_or_to_the_one_named(tmp_path):
    from scentlab.recording.matching import Source, match_by_heading

    for name in ("pieces", "throws"):
        (tmp_path / f"{name}.csv").write_text("Nr,code\n417,417\n")
    sources = {n: Source(tmp_path / f"{n}.csv") for n in ("pieces", "throws")}
    both = match_by_heading(sources, [("Nr", "code", None)])
    assert [s.columns["code"].heading for s in both.values()] == ["Nr", "Nr"]
    one = match_by_heading(sources, [("Nr", "throws.code", None)])
    assert one["pieces"].columns == {} and one["throws"].columns["code"].heading == "Nr"


def test_columns_shows_every_unit_that_a_match_takes(run):
    from scentlab.recording.matching import DATES, UNITS

    text = run("columns")[1]
    for unit in {u for units in UNITS.values() for u in units} | set(DATES):
        assert re.search(rf"(?<=[\[ ]){re.escape(unit)}(?=[],])", re.sub(r"\s+", " ", text)), unit


# --- entries, correct, void --------------------------------------------------------------------


@pytest.fixture
def scored(empty):
    store = Store.open(empty)
    store.add("pours", {"pour": "P01", "pot": "A", "blend": "soft", "poured_on": "2026-03-01",
                        "wax_g": 200.0, "fragrance_g": 18.0})
    store.add("pieces", {"code": "417", "pour": "P01"})
    store.add("grades", {"code": "417", "test": "sweat", "assessor": "A1", "age_days": 14.0,
                         "grade": 3})
    return empty


@pytest.mark.parametrize("typed, said", [
    ("limit_load_pct=1.2 oz/lb", "wax maker's highest load for the blend 1.2 oz/lb (7.5 %)"),
    ("limit_load_pct=1.2", "wax maker's highest load for the blend 0.19 oz/lb (1.2 %)"),
    ("limit_content_pct=9 %", "regulatory limit of the fragrance 9 g in 100 g of finished product"),
    ("wax_g=7 oz", "wax weighed 7 oz"), ("note=", "anything that was seen not known"),
])
def test_a_correction_says_what_holds_now_in_the_units_of_the_folder(run, scored, typed, said):
    store = Store.open(scored)
    entry = store.add("pours", {"pour": "P09", "pot": "P9", "blend": "soft", "wax_g": 200.0,
                                "poured_on": "2026-03-01", "fragrance_g": 12.0, "note": "a"})
    keep_units(Shown("oz", "F"), scored)
    code, out, err = run("correct", scored, "pours", entry.entry_id, typed, "--reason", "new sheet")
    assert (code, err) == (0, "") and f", now {said}; the old one" in out
    load = "The load of this test batch is now 0.97 oz/lb (6.0 %)."
    assert (load in out) == typed.startswith("wax_g")


def test_a_corrected_score_is_said_without_its_scale(run, scored):
    entry = Store.open(scored).add("throws", {"code": "417", "assessor": "A1", "sitting": "S1",
                                              "kind": "cold", "throw": 6.0})
    _, out, _ = run("correct", scored, "throws", entry.entry_id, "throw=2.5", "--reason", "slip")
    assert ", now throw 2.5; the old one" in out


def test_an_entry_is_found_corrected_and_made_void(run, scored):
    assert run("entries", scored, "417") == (
        0, "grades 1: sweat grade 3 (beads) by A1 at 14 days\n    grade = 3\n"
        "    age_days = 14.0\n    assessor = A1\n", ""
    )
    mended = run("correct", scored, "grades", "1", "grade=1", "--reason", "one line down")
    assert mended == (0, "grades 1: corrected by entry 2, now grade 1; the old one stays in the "
                      "history\n", "")
    assert run("void", scored, "grades", "2", "--reason", "another piece") == (
        0, "grades 2: void; it stays in the history with the reason\n", ""
    )
    history = Store.open(scored).rows("grades", history=True)
    assert history["grade"].tolist() == [3, 1, 1]
    assert history["reason"].tolist() == [None, "one line down", None]
    assert history["void_reason"].tolist() == [None, None, "another piece"]


@pytest.mark.parametrize("words, said", [
    (("correct", "grades", "1", "grade", "--reason", "x"),
     "'grade' is not understood; write it as column=value, such as grade=2"),
    (("correct", "grades", "1", "grade=7", "--reason", "x"),
     "grades, column grade: found '7', expected a whole number from 0 to 4 (grade). Correct the "
     "value."),
    (("correct", "pours", "1", "wax_g=95,5", "--reason", "x"),
     "pours, column wax_g: found '95,5', expected a number with a decimal point from 1 to 100000 "
     "(g). Write it with a point, as in 9.5, and no thousands separator."),
    (("correct", "grades", "8", "grade=1", "--reason", "x"), "the table grades has no entry 8"),
    (("correct", "grades", "1", "grade=1", "--reason", " "),
     "say why: every change keeps its reason"),
    (("void", "grades", "1", "--reason", ""), "say why: every change keeps its reason"),
    (("entries", "999"), "nothing that counts is stored for piece 999; check its label again"),
])
def test_a_correction_that_cannot_be_is_told_and_nothing_is_written(run, scored, words, said):
    command, *rest = words
    assert run(command, scored, *rest) == (2, "", f"scentlab {command}: {said}\n")
    assert len(Store.open(scored).rows("grades", history=True)) == 1


def test_a_correction_without_a_reason_is_no_command(capsys, scored, run):
    with pytest.raises(SystemExit) as left:
        run("void", scored, "grades", "1")
    assert left.value.code == 2 and "--reason" in capsys.readouterr().err


# --- export ------------------------------------------------------------------------------------


def test_what_is_exported_can_be_imported_again(run, demo, empty, tmp_path):
    out = tmp_path / "archive"
    code, said, err = run("export", demo, "--out", out)
    assert (code, err) == (0, "")
    # the demo has none of these
    names = [t.name for t in IMPORT_TABLES if t.name not in ("pairs", "unpoured")]
    assert said.split() == [str(out / f"{n}.csv") for n in names]
    assert sorted(p.name for p in out.iterdir()) == sorted(f"{n}.csv" for n in names)
    files = [w for n in names for w in (f"--{n}", out / f"{n}.csv")]
    assert run("import", empty, *files)[0] == 0
    for table in ("pours", "grades", "throws"):
        assert len(Store.open(empty).rows(table)) == len(Store.open(demo).rows(table))


def test_export_replaces_its_own_files_and_nobody_elses(run, empty, tmp_path):
    for _ in range(2):
        assert run("export", empty)[0] == 0
    assert (empty / "exports" / "pours.csv").is_file()
    (tmp_path / "throws.csv").write_text("mine")
    assert run("export", empty, "--out", tmp_path) == (
        2, "", f"scentlab export: {tmp_path / 'throws.csv'} already exists and was not touched; "
        "give --out another folder\n"
    )
    assert (tmp_path / "throws.csv").read_text() == "mine"
    assert not (tmp_path / "pours.csv").exists()


# --- progress ----------------------------------------------------------------------------------


def test_progress_tells_what_waits_without_a_load(run, empty):
    store = Store.open(empty)
    store.save_plan({
        "title": "three pours", "assessors": ["A1", "A2"],
        "pours": [{"pour": p, "pot": "P01", "blend": "soft", "poured_on": "2026-03-01",
                   "load_pct": load} for p, load in (("P01-1", 9.13), ("P01-2", 10.13),
                                                     ("P01-3", 11.13))],
        "pieces": [
            {"code": "417", "pour": "P01-1", "test": "sweat", "stress": "heat",
             "due_on": "2026-03-08"},
            {"code": "512", "pour": "P01-1", "test": "throw", "stress": "rest",
             "due_on": "2026-03-15"},
        ],
        "smellings": [{"sitting": "S01", "sitting_on": "2026-03-15", "kind": "warm",
                       "assessor": a, "position": 1, "code": "512"} for a in ("A1", "A2")],
    })
    store.add("pours", {"pour": "P01-1", "pot": "P01", "blend": "soft", "poured_on": "2026-03-01",
                        "wax_g": 200, "fragrance_g": 18.26})
    code, out, err = run("progress", empty, "--today", "2026-03-15")
    assert (code, err) == (0, "")
    assert out == (
        "0 of 3 planned scores are in on 2026-03-15; 2 test batches are not logged, and 1 piece is "
        "overdue.\nReady to score today:\n"
        "  A1: 1 sweat, 1 hot throw in session S01\n"
        "  A2: 1 sweat, 1 hot throw in session S01\n"
        "Outstanding scores:\n"
        "  sweat: 1 of 1\n"
        "  hot throw S01: 2 of 2 (A1, A2)\n"
        "Cured and not scored:\n"
        "  417 (sweat, heat): due on 2026-03-08, 7 days ago\n"
        "Test batches not logged:\n"
        "  P01-2, P01-3: pot P01, soft, planned for 2026-03-01, 14 days ago\n"
    )


def test_a_spilled_batch_is_dropped_from_what_is_left(run, empty):
    store = Store.open(empty)
    store.save_plan({"pours": [{"pour": f"P01-{n}", "pot": "P01", "blend": "soft"}
                               for n in (1, 2)]})
    store.add("pours", {"pour": "P01-2", "pot": "P01", "blend": "soft", "poured_on": "2026-03-01",
                        "wax_g": 200, "fragrance_g": 18.26})
    code, out, _ = run("void", empty, "pours", "1", "--reason", "spilled")
    assert code == 0 and "P01-2 waits to be poured again. If it will not come: " in out
    code, out, _ = run("drop", empty, "P01-2", "--reason", "spilled")
    assert (code, out.partition(" To")[0]) == (0, "P01-2 will not be poured (spilled).")
    out = run("progress", empty)[1]
    assert "  P01-1: pot P01" in out and "P01-2: pot" not in out
    assert "P01-2 will not be poured (spilled)." in out
    assert run("drop", empty, "P01-2", "--back") == (0, "P01-2 waits to be poured again.\n", "")
    assert "  P01-1, P01-2: pot P01" in run("progress", empty)[1]


def test_a_lost_piece_and_a_session_never_held_are_closed_where_they_are_due(run, empty):
    store = Store.open(empty)
    store.save_plan({
        "pours": [{"pour": "P01-1", "pot": "P01", "blend": "soft", "poured_on": "2026-03-01"}],
        "pieces": [{"code": c, "pour": "P01-1", "test": t, "stress": s, "due_on": "2026-03-08"}
                   for c, t, s in (("417", "sweat", "heat"), ("500", "throw", None))],
        "smellings": [{"sitting": "S01", "sitting_on": "2026-03-15", "kind": "warm",
                       "assessor": "A1", "position": 1, "code": "500"}], "assessors": ["A1"]})
    store.add("pours", {"pour": "P01-1", "pot": "P01", "blend": "soft", "poured_on": "2026-03-01",
                        "wax_g": 200, "fragrance_g": 18.26})
    hint = "For a lost piece, a cancelled session or a tester who has left: "
    assert hint not in run("progress", empty, "--today", "2026-03-10")[1]
    out = run("progress", empty, "--today", "2026-03-30")[1]
    assert hint in out and f"drop {empty} NAME" in out
    assert run("drop", empty, "417", "--reason", "behind the stove")[1].startswith(
        "Piece 417 will not be scored (behind the stove). To take one back: ")
    assert run("drop", empty, "s01")[0] == 0
    out = run("progress", empty, "--today", "2026-03-30")[1]
    assert out.startswith("0 of 0 planned scores are in") and "Cured and not scored: none" in out
    assert out.endswith("Piece 417 will not be scored (behind the stove); session S01 will not be "
                        "held.\n")
    assert run("entries", empty, "417")[1].startswith(
        "unpoured 1: piece 417 will not be scored (behind the stove)\n")
    assert run("drop", empty, "S01", "--back")[1] == "S01 counts as planned again.\n"


def test_a_dropped_batch_says_what_is_void_with_it_and_needs_no_reason(run, empty):
    store = Store.open(empty)
    store.save_plan({"pours": [{"pour": "P01-1", "pot": "P01", "blend": "soft"}]})
    store.add("pours", {"pour": "P01-1", "pot": "P01", "blend": "soft", "poured_on": "2026-03-01",
                        "wax_g": 200, "fragrance_g": 18.26})
    code, out, _ = run("drop", empty, "P01-1")
    assert code == 0 and out.startswith(
        "The weights of P01-1 are void too, until you take it back.\n"
        "P01-1 will not be poured. To take one back: ")
    assert run("drop", empty, "P01-1", "--back")[1] == (
        "P01-1 counts: 18.26 g of fragrance in 200 g of wax.\n")
    for _ in range(2):  # dropped, poured again, and dropped again
        assert run("drop", empty, "P01-1", "--reason", "spilled")[0] == 0
        store.add("pours", {"pour": "P01-1", "pot": "P01", "blend": "soft",
                            "poured_on": "2026-03-01", "wax_g": 100, "fragrance_g": 9})
    run("drop", empty, "P01-1")
    table, entry = run("entries", empty, "P01-1")[1].partition(":")[0].split()
    assert run("correct", empty, table, entry, "note=spilt", "--reason", "said later")[0] == 0
    entry = run("entries", empty, "P01-1")[1].partition(":")[0].split()[1]
    assert "P01-1 counts: 9 g of fragrance in 100 g of wax. If it will not come: " in (
        run("void", empty, table, entry, "--reason", "another")[1])
    store.add("pours", {"pour": "Q", "pot": "Q", "blend": "soft", "poured_on": "2026-03-01",
                        "wax_g": 200, "fragrance_g": 18.26})
    entry = int(store.rows("pours")["entry_id"].iloc[-1])
    assert "waits" not in run("void", empty, "pours", str(entry), "--reason", "slip")[1]


def test_a_paragraph_is_as_wide_as_the_terminal(capsys, monkeypatch):
    """A wider line is broken by the terminal, inside a word or a number."""
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    for columns in (80, 200):
        monkeypatch.setenv("COLUMNS", str(columns))
        noted(["4.0 % smells 2.1 points weaker than the best. " * 9])
        listed(["4.0 % smells 2.1 points weaker than the best. " * 9])
        widest = max(map(len, capsys.readouterr().out.splitlines()))
        assert min(columns, 100) - 10 < widest <= min(columns, 100)


def test_progress_of_a_series_that_is_done(run, demo):
    code, out, _ = run("progress", demo)
    assert code == 0
    assert "Outstanding scores: none\nCured and not scored: none\n" in out
    assert "  A6: none\n" in out


def test_progress_refuses_nonsense(run, demo, capsys):
    assert run("progress", demo, "--looks-per-piece", "0") == (
        2, "", "scentlab progress: --looks-per-piece 0: at least 1 tester grades a piece\n")
    with pytest.raises(SystemExit) as left:
        run("progress", demo, "--today", "14/3/2026")
    assert left.value.code == 2
    assert "'14/3/2026' is not a date; write it as 14 Mar 2026" in capsys.readouterr().err
    days = ("14.3.2026", "14.03.2026", "2026-03-14")
    assert len({run("progress", demo, "--today", day) for day in days}) == 1


# --- report ------------------------------------------------------------------------------------


def test_the_rules_reach_the_choice():
    words = (
        "report x --risk-pct 2 --confidence-pct 90 --limit-grade 1 --frost-limit-grade 3 "
        "--throw-loss 0.8 --throw-kind cold --stress heat --ship-age-days 30 "
        "--override-blend b1 --override-blend b2 --override-reason agreed --seed 3 "
        "--today-load-pct 12"
    ).split()
    rules = read_rules(cli.parser().parse_args(words))
    assert (rules.risk, rules.confidence, rules.throw_loss) == (0.02, 0.9, 0.8)
    assert (rules.limit_grade, rules.frost_limit_grade, rules.throw_kind) == (1, 3, "cold")
    assert (rules.stress, rules.ship_age_days) == ("heat", 30)
    assert rules.override_blends == ("b1", "b2")
    assert rules.override_reason == "agreed"
    assert rules.today_load_pct == 12.0


def test_the_rules_without_options_are_the_defaults():
    from scentlab.choosing.pick import Rules

    assert read_rules(cli.parser().parse_args(["report", "x"])) == Rules()


def test_a_limit_is_passed_over_only_with_a_reason(run, demo):
    code, _, err = run("report", demo, "--override-blend", "soft")
    assert code == 2
    assert err == (
        "scentlab report: --override-blend sets a wax maker's limit aside, which needs a written "
        'reason: add --override-reason "..."\n'
    )


def test_costs_are_those_of_the_makers_own_numbers(run, demo):
    code, out, err = run("costs", demo, "--complaint", 8, "--lost-sale", 6, "--lost-pct", 4,
                         "--pieces", 120, "--pots", 5)
    assert (code, err) == (0, "")
    for words in ("* soft: ", "costs least: ", " EUR on average (90 % sure: ",
                  "soft: a batch of 120 pieces from 5 pots, costs in EUR; sweating is grade 2 or "
                  "more, heat-cycled", "Chance of 3 or more",
                  "Least cost: ", "Highest allowed: ",
                  "Note: No load above ", "Loads are in % of wax."):
        assert words in " ".join(out.split()), words
    code, out, _ = run("costs", demo)
    assert code == 0 and "costs least: " not in out and "Recommended: " in out
    assert "soft: a batch of 100 pieces from 4 pots, costs in EUR; " in out
    code, _, err = run("costs", demo, "--lost-sale", 6)
    assert code == 2 and "lost_pct is missing; give both or neither" in err


def test_a_report_is_never_written_over_something_else(run, demo):
    folder = demo
    code, _, err = run("report", folder, "--out", folder / "series.sqlite")
    assert code == 2
    assert err == (
        "scentlab report: this is a web page: give --out a name that ends in .html, "
        f"not {folder / 'series.sqlite'}\n"
    )


def test_a_series_without_data_says_what_is_missing(run, tmp_path):
    run("new", tmp_path / "empty")
    code, out, err = run("report", tmp_path / "empty")
    assert (code, out) == (2, "")
    assert err.startswith("scentlab report: ")
    assert "Traceback" not in err
    assert not (tmp_path / "empty" / "exports" / "report.html").exists()


def test_what_bears_on_the_picks_stands_below_them(run, tmp_path):
    """Two pots of the demo taken out: a blend from one pot, and throw scored at one load."""
    import pandas as pd

    folder, files = tmp_path / "series", tmp_path / "files"
    files.mkdir()
    run("new", folder)
    tables = {p.stem: pd.read_csv(p) for p in workshop.demo_folder().glob("*.csv")}
    soft = tables["pours"][tables["pours"]["blend"] == "soft"]
    gone = set(soft.loc[soft["pot"] != soft["pot"].iloc[0], "pour"])
    tables["pours"] = tables["pours"][~tables["pours"]["pour"].isin(gone)]
    tables["pieces"] = tables["pieces"][~tables["pieces"]["pour"].isin(gone)]
    codes = set(tables["pieces"]["code"])
    lowest = tables["pours"].sort_values("fragrance_g")["pour"].head(1)
    lowest = set(tables["pieces"].loc[tables["pieces"]["pour"].isin(lowest), "code"])
    throws = tables["throws"][tables["throws"]["code"].isin(codes & lowest)]
    tables["throws"] = throws
    given = []
    for name in ("pours", "pieces", "throws"):
        tables[name].to_csv(files / f"{name}.csv", index=False)
        given += [f"--{name}", files / f"{name}.csv"]
    code, _, err = run("import", folder, *given)
    assert code == 0, err
    code, out, err = run("report", folder)
    assert code == 0, err
    said = re.sub(r"\n  ", " ", out)
    warm = int((throws["kind"] == "warm").sum())
    notes = re.findall(r"^Note: (.*)$", said, re.M)
    assert len(notes) == len(set(notes))
    assert any(n.startswith("soft was poured from only one pot, so ") for n in notes)
    assert any(f"no fit of hot throw of {warm} scores: " in n for n in notes)
    assert "not scored" not in out and "No throw was scored" not in out
    order = [said.rindex("\n* "), said.index("Ranked by "),
             said.index("\nNote: "), said.index("\nReport: ")]
    assert order == sorted(order)


# --- demo --------------------------------------------------------------------------------------


def test_demo_makes_the_whole_way(made):
    folder, out = made
    page = (folder / "report.html").read_text()
    assert "invented" in page
    assert not re.search(r'(src|href)="https?://', page)
    assert (folder / "series.sqlite").is_file()
    said = out.splitlines()
    assert len(said) <= 15 and "invented" in said[0]
    analysis = analyse(read_series(Store.open(folder)))
    for row in analysis.pick.table.itertuples():
        line, = (line for line in said if line.startswith(f"{row.blend}  "))
        assert f"  {say_load_oz(row.load_pct, sold=True)}" in line
        assert f"  {say_load_oz(row.ceiling_load_pct, sold=True)}" in line
    assert len(analysis.pick.table) == len(workshop.demo_plan()["blends"])


def test_a_terminal_alone_is_told_how_far_work_is(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    for out in (Terminal(), io.StringIO()):
        monkeypatch.setattr(sys, "stderr", out)
        working("the fits")
        assert out.getvalue() == "Working: the fits ...\n" * out.isatty()


@pytest.mark.parametrize(("error", "code", "words"), [
    (KeyboardInterrupt, 130, "stopped; what was stored before stays, and nothing is half written"),
    (MemoryError, 2, "this computer has too little free memory. Close other programs"),
])
def test_a_command_that_is_stopped_says_so(run, monkeypatch, error, code, words):
    def stop(*_):
        raise error

    monkeypatch.setattr(frame, "import_module", stop)
    got, _, said = run("columns")
    assert got == code and words in said


def test_a_terminal_without_the_sign_or_that_is_closed_stops_nothing(demo):
    def ask(closed="", **more):
        return subprocess.run(
            ["sh", "-c", f'"$@" {closed}', "sh", sys.executable, "-m", "scentlab", "heat",
             str(demo)], capture_output=True, env=os.environ | more)

    ran = ask(PYTHONIOENCODING="ascii")
    assert ran.returncode == 0 and b"?C" in ran.stdout
    ran = ask(">&- <&-")
    assert (ran.returncode, ran.stderr) == (0, b"")


def test_nonsense_is_refused_with_exit_code_2(run):
    run = subprocess.run(
        [sys.executable, "-m", "scentlab", "frobnicate"], capture_output=True, text=True
    )
    assert run.returncode == 2
    assert "Traceback" not in run.stderr


def test_whole_rows_of_a_damaged_record(run, demo, tmp_path):
    folder, saved = tmp_path / "damaged", tmp_path / "saved"
    folder.mkdir()
    with contextlib.closing(sqlite3.connect(demo / FILE_NAME)) as source, \
            contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as raw:
        source.backup(raw)
        raw.executescript("PRAGMA ignore_check_constraints = ON; DROP TRIGGER grades_no_update;"
                          "UPDATE grades SET grade = 9 WHERE entry_id = 7;")
    code, out, err = run("export", folder, "--out", tmp_path / "plain")
    assert code != 0 and "damaged" in err
    code, out, err = run("export", folder, "--whole-rows")
    assert code == 2 and "give --out a new folder" in err
    code, out, err = run("export", folder, "--out", saved, "--whole-rows")
    assert code == 1 and err.startswith("Not written because damaged:\ngrades")
    assert len((saved / "pours.csv").read_text().splitlines()) == 37
    assert run("export", folder, "--out", saved, "--whole-rows")[0] == 2  # it is there already


@pytest.mark.parametrize("page, lost", [
    ("warmings", "warmings: not all can be read, only 0 entries"),
    ("heats", "heats: not all can be read, only 0 entries"),
    ("leaf of grades", "grades: not all can be read, only "),
    ("cut short", "series.sqlite: "),
])
def test_one_broken_page_takes_no_other_table_with_it(run, demo, tmp_path, page, lost):
    """A page as SQLite's file format has it: in the header of an inner page of a table the bytes
    8 to 11 are its last leaf (sqlite.org/fileformat2.html, 1.6)."""
    folder, saved = tmp_path / "damaged", tmp_path / "saved"
    folder.mkdir()
    with contextlib.closing(sqlite3.connect(demo / FILE_NAME)) as source, \
            contextlib.closing(sqlite3.connect(folder / FILE_NAME)) as raw:
        source.backup(raw)
        size, = raw.execute("PRAGMA page_size").fetchone()
        roots = dict(raw.execute("SELECT name, rootpage FROM sqlite_master WHERE type = 'table'"))
    data = (folder / FILE_NAME).read_bytes()
    at = (roots[page.split()[-1]] - 1) * size if page != "cut short" else len(data) * 99 // 100
    if page.startswith("leaf"):
        at = (int.from_bytes(data[at + 8:at + 12], "big") - 1) * size
    rest = b"" if page == "cut short" else b"\xa5" * size + data[at + size:]
    (folder / FILE_NAME).write_bytes(data[:at] + rest)
    code, _, err = run("export", folder, "--out", saved, "--whole-rows")
    assert code == 1 and lost in err
    assert len((saved / "pours.csv").read_text().splitlines()) == 37
    assert len((saved / "throws.csv").read_text().splitlines()) == 433


# --- the planner and the heat cycle ------------------------------------------------------------

HAVE = ["--wax", "soft wax", "--oil", "fig", "--loads", "1 to 3 oz/lb", "--have",
        "wax 4 lb, warmers 2, testers 2, evenings 9"]


def test_plan_shows_three_and_keeps_the_one_that_is_taken(tmp_path, capsys):
    folder = tmp_path / "fig"
    assert cli.main(["plan", str(folder), *HAVE]) == 0
    said = capsys.readouterr().out
    assert all(f"* {size}: " in said for size in ("Small", "Medium", "Large"))
    assert not folder.exists()
    assert cli.main(["plan", str(folder), *HAVE, "--take", "medium"]) == 0
    plan = Store.open(folder).plan()
    assert plan["rules"]["cure_days"]["again"] == [28] and plan["smellings"]
    assert (folder / "exports" / "throw-slips.html").is_file()


def test_an_option_that_is_given_twice_is_refused_and_not_dropped(tmp_path, capsys):
    several = [w if w != "soft wax" else "soft wax, hard wax" for w in HAVE]
    assert cli.main(["plan", str(tmp_path / "fig"), *several]) == 2
    assert "'soft wax, hard wax' reads as several waxes; name one" in capsys.readouterr().err
    for command, twice in ((["plan", str(tmp_path / "fig"), *HAVE], ["--wax", "hard wax"]),
                           (["quick", str(tmp_path / "fig"), *HAVE[:6]], ["--oil", "cedar"])):
        with pytest.raises(SystemExit):
            cli.main([*command, *twice])
        first = HAVE[HAVE.index(twice[0]) + 1]
        assert (f"{twice[0]} is given twice, with {first!r} and {twice[1]!r}; give it once"
                in capsys.readouterr().err)
    assert not (tmp_path / "fig").exists()


def test_plan_refuses_what_cannot_be_held(tmp_path, capsys):
    asked = [*HAVE[:-1], "wax 5 oz"]
    assert cli.main(["plan", str(tmp_path / "fig"), *asked]) == 2
    assert "more, or lighter pieces, it fits" in " ".join(capsys.readouterr().out.split())
    assert cli.main(["plan", str(tmp_path / "fig"), *asked, "--take", "small"]) == 2
    assert "does not fit" in capsys.readouterr().err and not (tmp_path / "fig").exists()


def test_heat_records_what_the_thermometer_showed(tmp_path, capsys):
    assert cli.main(["new", str(tmp_path / "mine")]) == 0
    heat = ["heat", str(tmp_path / "mine"), "--start", "2026-03-01"]
    # 99 °F is (99 - 32) / 1.8 = 37.2 °C
    assert cli.main([*heat, "--coldest", "99 F", "--hottest", "39", "--pack", "shut"]) == 0
    row = Store.open(tmp_path / "mine").rows("heats").iloc[0]
    assert (row["low_c"], row["high_c"], row["hours"], row["cycles"], row["pack"]) == (
        37.2, 39.0, 12.0, 3, "shut")
    assert cli.main([*heat, "--coldest", "40", "--hottest", "39"]) == 2
    assert "found '40', expected at most high_c, which is 39. Check both" in (
        capsys.readouterr().err)
    later = ["heat", str(tmp_path / "mine"), "--start", "2099-03-01"]
    assert cli.main([*later, "--coldest", "37", "--hottest", "39"]) == 2
    assert "found '2099-03-01', expected a day up to today" in capsys.readouterr().err
    assert len(Store.open(tmp_path / "mine").rows("heats")) == 1
    assert cli.main(heat) == 0
    assert "No oven, no flame" in capsys.readouterr().out


def test_a_photo_is_taken_in_from_a_file(tmp_path, capsys):
    from camera import camera_jpeg, segments

    from scentlab.recording.photos import photos_of

    folder, taken = tmp_path / "mine", tmp_path / "IMG_1.jpg"
    store = workshop.make_series(folder, title="Mine")
    store.add("pieces", {"code": "417", "pour": "P1"})
    taken.write_bytes(camera_jpeg())
    assert cli.main(["photo", str(folder), "417", str(taken), "--test", "sweat", "--choose"]) == 0
    assert "photo of piece 417 stored, without place and device, and chosen for the report" in (
        capsys.readouterr().out)
    (photo,) = photos_of(store)
    assert photo.chosen and photo.test == "sweat" and 0xE1 not in segments(photo.read())[0]
    for wrong, words in ((["999", str(taken)], "there is no piece 999"),
                         (["417", str(folder)], "there is no file"),
                         (["417", str(folder / "series.sqlite")], "the file is not a complete "
                                                                  "JPEG"),
                         (["417", str(taken)], "is already kept")):
        assert cli.main(["photo", str(folder), *wrong]) == 2
        assert words in capsys.readouterr().err


@pytest.mark.parametrize(("number", "words"), [
    (errno.ENOSPC, "is full; nothing was half written. Make room and try again"),
    (errno.EROFS, "cannot be written to or read. Give yourself permission"),
])
def test_a_disk_that_takes_nothing_is_said_in_words(tmp_path, monkeypatch, capsys, number, words):
    def refuse(*_, **__):
        raise OSError(number, "as the system says it", str(tmp_path / ".units.json.x1"))

    monkeypatch.setattr("tempfile.mkstemp", refuse)
    assert cli.main(["units", str(tmp_path), "oz"]) == 2
    said = capsys.readouterr().err
    assert words in said and "Errno" not in said and "x1" not in said

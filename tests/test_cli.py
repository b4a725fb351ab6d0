"""The command line: what each command writes, says and refuses."""

import re
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from scentlab import cli, shipped
from scentlab.recording.store import FILE_NAME, Store
from scentlab.schema import IMPORT_TABLES

ROOT = Path(__file__).parents[1]
COMMANDS = ("new", "lab", "panel", "import", "columns", "report", "demo")


def run(capsys, *arguments):
    """Exit code, output and error text of a command."""
    code = cli.main([str(a) for a in arguments])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def help_of(capsys, *command):
    with pytest.raises(SystemExit) as left:
        cli.main([*command, "--help"])
    assert left.value.code == 0
    return capsys.readouterr().out


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """A demo series made by the command, with what the command printed."""
    folder = tmp_path_factory.mktemp("demo") / "series"
    made = subprocess.run(
        [sys.executable, "-m", "scentlab", "demo", str(folder)], capture_output=True, text=True
    )
    assert made.returncode == 0, made.stderr
    return folder, made.stdout


def demo_files():
    folder = shipped.demo_folder()
    return [
        a for t in IMPORT_TABLES for a in (f"--{t.name}", str(folder / f"{t.name}.csv"))
    ]


# --- help --------------------------------------------------------------------------------------


def test_help_lists_every_command(capsys):
    text = help_of(capsys)
    for command in COMMANDS:
        assert re.search(rf"^    {command} ", text, re.M), command


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_a_command_has_examples_and_says_what_is_written(capsys, command):
    text = help_of(capsys, command)
    assert f"  scentlab {command}" in text.split("examples:")[1]
    assert re.search(r"(?i)writ|record|saved", text)


def test_every_command_in_the_examples_is_understood(capsys):
    parser = cli._parser()
    for command in COMMANDS:
        examples = help_of(capsys, command).split("examples:")[1].replace("\\\n", " ")
        for line in re.findall(r"^ +scentlab (.*)$", examples, re.M):
            words = [a or b for a, b in re.findall(r'"([^"]*)"|(\S+)', line)]
            assert parser.parse_args(cli._split_extra(words)).command == command


# --- new ---------------------------------------------------------------------------------------


def test_new_makes_a_series_folder(capsys, tmp_path):
    folder = tmp_path / "cedar"
    code, out, err = run(capsys, "new", folder, "--title", 'Cedar "spring" \\ 2026')
    assert (code, err) == (0, "")
    assert {p.name for p in folder.iterdir()} == {
        "series.sqlite", "exports", "1-plan.ipynb", "2-pour-day.ipynb", "3-score.ipynb",
        "4-fit-and-choose.ipynb", "5-share.ipynb",
    }
    assert Store.open(folder).about()["title"] == 'Cedar "spring" \\ 2026'
    assert str(folder) in out


def test_new_takes_an_empty_folder_and_its_name_as_title(capsys, tmp_path):
    folder = tmp_path / "cedar"
    folder.mkdir()
    assert run(capsys, "new", folder)[0] == 0
    assert Store.open(folder).about()["title"] == "cedar"


@pytest.mark.parametrize("command", ["new", "demo"])
def test_a_folder_with_something_in_it_is_left_alone(capsys, tmp_path, command):
    (tmp_path / "mine.txt").write_text("mine")
    code, out, err = run(capsys, command, tmp_path)
    assert (code, out) == (2, "")
    assert err == (
        f"scentlab {command}: the folder {tmp_path} is not empty and nothing in it was touched; "
        "give the name of a new or empty folder\n"
    )
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


def test_a_file_is_no_folder(capsys, tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    code, _, err = run(capsys, "new", tmp_path / "mine.txt")
    assert code == 2
    assert err == (
        f"scentlab new: {tmp_path / 'mine.txt'} is a file; give the name of a new or empty folder\n"
    )


def test_a_folder_that_fails_halfway_leaves_nothing(monkeypatch, capsys, tmp_path):
    def no_room(*_):
        raise OSError("no space left on the disk")

    monkeypatch.setattr(shipped, "_furnish", no_room)
    code, _, err = run(capsys, "new", tmp_path / "cedar")
    assert (code, err) == (2, "scentlab new: no space left on the disk\n")
    assert list(tmp_path.iterdir()) == []


def test_what_to_type_next_is_what_this_shell_would_find(monkeypatch, capsys, tmp_path):
    monkeypatch.setattr(cli.shutil, "which", lambda name: None)
    _, out, _ = run(capsys, "new", tmp_path / "one")
    assert f"Next: {sys.executable} -m scentlab lab {tmp_path / 'one'} " in out
    monkeypatch.setattr(cli.shutil, "which", lambda name: f"/somewhere/{name}")
    _, out, _ = run(capsys, "new", tmp_path / "two")
    assert f"Next: scentlab lab {tmp_path / 'two'} " in out


def test_the_name_of_the_record_is_that_of_the_store():
    assert cli.STORE_NAME == FILE_NAME


# --- lab ---------------------------------------------------------------------------------------


def test_lab_hands_what_follows_the_dashes_to_jupyterlab(monkeypatch, capsys, demo):
    folder, _ = demo
    seen = []

    def pretend(command, check):
        seen.append(command)
        return subprocess.CompletedProcess(command, 0)

    monkeypatch.setattr(cli.subprocess, "run", pretend)
    assert run(capsys, "lab", folder, "--", "--no-browser", "--port=8899")[0] == 0
    assert seen == [
        [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={folder.resolve()}",
         "--no-browser", "--port=8899"]
    ]


@pytest.mark.parametrize("command", ["lab", "panel", "report"])
def test_a_folder_without_a_record_is_no_series(capsys, tmp_path, command):
    code, out, err = run(capsys, command, tmp_path)
    assert (code, out) == (2, "")
    assert err == (
        f"scentlab {command}: {tmp_path} is no series folder: it holds no series.sqlite; "
        f"make one with: {cli._program()} new {tmp_path}\n"
    )


# --- panel -------------------------------------------------------------------------------------


def test_panel_serves_the_series_until_it_is_stopped(demo):
    folder, _ = demo
    command = [sys.executable, "-m", "scentlab", "panel", str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            link = server.stdout.readline().split()[-1]
            assert link.startswith("http://127.0.0.1:")
            with urllib.request.urlopen(link, timeout=20) as page:
                assert "A1" in page.read().decode()
        finally:
            server.send_signal(signal.SIGINT)
        assert server.wait(20) == 0


# --- import and columns ------------------------------------------------------------------------


def test_import_takes_the_three_files_and_the_report_follows(capsys, tmp_path):
    folder = tmp_path / "mine"
    assert run(capsys, "new", folder)[0] == 0
    code, out, err = run(capsys, "import", folder, *demo_files())
    assert (code, err) == (0, "")
    assert re.search(r"^pours: \d+ rows stored$", out, re.M)
    code, out, err = run(capsys, "report", folder)
    assert (code, err) == (0, "")
    assert (folder / "exports" / "report.html").stat().st_size > 10_000


def test_a_dry_run_writes_nothing(capsys, tmp_path):
    folder = tmp_path / "mine"
    run(capsys, "new", folder)
    code, out, _ = run(capsys, "import", folder, *demo_files(), "--dry-run")
    assert code == 0
    assert "Nothing was written (--dry-run)." in out
    assert Store.open(folder).rows("pours").empty


def test_a_wrong_cell_is_named_and_nothing_is_written(capsys, tmp_path):
    folder = tmp_path / "mine"
    run(capsys, "new", folder)
    lines = (shipped.demo_folder() / "pours.csv").read_text().splitlines()
    head = lines[0].split(",")
    cells = lines[2].split(",")
    cells[head.index("wax_g")] = "200g"
    lines[2] = ",".join(cells)
    (tmp_path / "pours.csv").write_text("\n".join(lines) + "\n")
    files = demo_files()
    files[1] = str(tmp_path / "pours.csv")
    code, out, err = run(capsys, "import", folder, *files)
    assert (code, out) == (2, "")
    assert err == (
        "scentlab import: pours.csv, row 3, column wax_g: found '200g', "
        "expected a number with a decimal point from 1 to 100000 (g). "
        "Give the number alone, in g, without its unit.\n"
    )
    assert Store.open(folder).rows("pours").empty


def test_an_import_of_nothing_is_refused(capsys, tmp_path):
    run(capsys, "new", tmp_path / "mine")
    code, _, err = run(capsys, "import", tmp_path / "mine")
    assert code == 2
    assert err == (
        "scentlab import: no file to import; give --pours, --pieces, --throws or all three\n"
    )


def test_columns_tells_every_column(capsys):
    code, out, _ = run(capsys, "columns")
    assert code == 0
    for table in IMPORT_TABLES:
        for column in table.columns:
            star = "*" if column.required else " "
            assert re.search(rf"^  {re.escape(star)} {column.name} ", out, re.M), column.name


def test_the_readme_has_the_columns_of_the_schema():
    readme = (ROOT / "README.md").read_text()
    for table in IMPORT_TABLES:
        section = readme.split(f"**{table.name}.csv**")[1].split("\n\n**")[0].split("\nThen\n")[0]
        found = re.findall(r"^\| (\*\*)?([a-z_]+)(?:\*\*)? \| ", section, re.M)
        found = [(name, bool(star)) for star, name in found if name != "column"]
        assert found == [(c.name, c.required) for c in table.columns]


# --- report ------------------------------------------------------------------------------------


def test_the_rules_reach_the_choice():
    words = (
        "report x --risk-pct 2 --confidence-pct 90 --limit-grade 1 --frost-limit-grade 3 "
        "--throw-share-pct 80 --throw-kind cold --stress heat --ship-age-days 30 "
        "--override-blend b1 --override-blend b2 --override-reason agreed --seed 3"
    ).split()
    rules = cli._rules(cli._parser().parse_args(words))
    assert (rules.risk, rules.confidence, rules.throw_share) == (0.02, 0.9, 0.8)
    assert (rules.limit_grade, rules.frost_limit_grade, rules.throw_kind) == (1, 3, "cold")
    assert (rules.stress, rules.ship_age_days) == ("heat", 30)
    assert rules.override_blends == ("b1", "b2")
    assert rules.override_reason == "agreed"


def test_the_rules_without_options_are_the_defaults():
    from scentlab.choosing.pick import Rules

    assert cli._rules(cli._parser().parse_args(["report", "x"])) == Rules()


def test_a_limit_is_passed_over_only_with_a_reason(capsys, demo):
    code, _, err = run(capsys, "report", demo[0], "--override-blend", "soft")
    assert code == 2
    assert err == (
        "scentlab report: --override-blend passes over a wax maker's limit, which needs a reason "
        'in writing: add --override-reason "..."\n'
    )


def test_a_report_is_never_written_over_something_else(capsys, demo):
    folder, _ = demo
    code, _, err = run(capsys, "report", folder, "--out", folder / "series.sqlite")
    assert code == 2
    assert err == (
        "scentlab report: the report is a web page: give --out a name that ends in .html, "
        f"not {folder / 'series.sqlite'}\n"
    )


def test_a_series_without_data_says_what_is_missing(capsys, tmp_path):
    run(capsys, "new", tmp_path / "empty")
    code, out, err = run(capsys, "report", tmp_path / "empty")
    assert (code, out) == (2, "")
    assert err.startswith("scentlab report: ")
    assert "Traceback" not in err
    assert not (tmp_path / "empty" / "exports" / "report.html").exists()


# --- demo --------------------------------------------------------------------------------------


def test_demo_makes_the_whole_way(demo):
    folder, out = demo
    page = (folder / "report.html").read_text()
    assert "invented" in page
    assert not re.search(r'(src|href)="https?://', page)
    assert (folder / "series.sqlite").is_file()
    assert (folder / "4-fit-and-choose.ipynb").is_file()
    blends = {b["name"] for b in shipped.demo_plan()["blends"]}
    for blend in blends:
        assert re.search(rf"^\* .*{re.escape(blend)}", out, re.M), blend
    assert "invented" in out


def test_the_same_seed_gives_the_same_picks(demo, capsys, tmp_path):
    _, first = demo
    code, second, _ = run(capsys, "demo", tmp_path / "again")
    assert code == 0
    assert first.count("* ") == 3
    assert picks_of(first) == picks_of(second)


def picks_of(out):
    """The picks that a command printed, without the folders."""
    return out.split("evidence.\n")[1].split("Report: ")[0]


def test_nonsense_is_refused_with_exit_code_2():
    run = subprocess.run(
        [sys.executable, "-m", "scentlab", "frobnicate"], capture_output=True, text=True
    )
    assert run.returncode == 2
    assert "Traceback" not in run.stderr

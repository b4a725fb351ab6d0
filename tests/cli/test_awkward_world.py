"""Folders and clocks as they come: odd names, stopped commands, copies of a sync program."""

import datetime as dt
import shutil

import pytest

from scentlab import cli
from scentlab.files import quoted
from scentlab.quick import QuickCheck
from scentlab.recording.store import FILE_NAME, Store
from scentlab.workshop import all_or_nothing, make_series

PLAN = ["--wax", "w", "--oil", "o", "--have", "wax 4 lb, warmers 2, testers 2, evenings 9"]
QUICK = ["--wax", "w", "--oil", "o", "--loads", "1, 2 oz/lb"]


def test_a_name_that_is_no_utf_8_is_refused_in_words(tmp_path, capsys):
    assert cli.main(["quick", str(tmp_path / "w\udce4x"), *QUICK]) == 2
    assert "a name or word has signs that are no UTF-8" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("error", [KeyboardInterrupt(), OSError(28, "No space left on device")])
def test_a_plan_stopped_before_its_sheets_can_be_taken_again(tmp_path, monkeypatch, error):
    from scentlab.cli import plan

    command, write = ["plan", str(tmp_path / "cedar"), *PLAN, "--take", "small"], plan.write_sheets

    def stopped(*_):
        raise error

    monkeypatch.setattr(plan, "write_sheets", stopped)
    assert cli.main(command) in (2, 130)
    assert not (tmp_path / "cedar").exists()
    monkeypatch.setattr(plan, "write_sheets", write)
    assert cli.main(command) == 0


@pytest.mark.parametrize("command", [["new", "."], ["quick", ".", *QUICK],
                                     ["plan", ".", *PLAN, "--take", "small"]])
def test_a_series_can_be_begun_in_the_folder_of_the_terminal(tmp_path, monkeypatch, command):
    folder = tmp_path / "cedar"
    folder.mkdir()
    (tmp_path / "linked").symlink_to(folder)
    monkeypatch.chdir(tmp_path / "linked")
    assert cli.main(command) == 0
    assert (folder / FILE_NAME).exists() and (folder / "exports").is_dir()
    assert not list(folder.glob(".*")) and [p.name for p in tmp_path.iterdir() if p.is_symlink()]
    assert cli.main(["progress", "."]) == 0


def test_what_fails_in_a_new_folder_names_the_folder(tmp_path):
    with pytest.raises(OSError) as error, all_or_nothing(tmp_path / "fig") as place:
        raise OSError(28, "No space left on device", str(place / "units.json"))
    assert error.value.filename == str(tmp_path / "fig" / "units.json")


def test_a_copy_of_a_sync_program_is_named(tmp_path, capsys):
    make_series(tmp_path / "fig")
    shutil.copy(tmp_path / "fig" / FILE_NAME, tmp_path / "fig" / "series (conflicted copy).sqlite")
    assert cli.main(["progress", str(tmp_path / "fig")]) == 0
    assert "series (conflicted copy).sqlite is not read" in " ".join(
        capsys.readouterr().err.split())


def test_a_name_with_a_dash_in_front_is_no_option():
    assert (quoted("-fig"), quoted("a 'b'")) == ("./-fig", "'a '\"'\"'b'\"'\"''")


def test_grades_a_year_late_are_asked_about(tmp_path, monkeypatch, capsys):
    folder, begun = tmp_path / "fig", dt.date(2025, 12, 1)
    assert cli.main(["quick", str(folder), *QUICK, "--today", str(begun)]) == 0
    check = QuickCheck(folder, begun)
    for pour in check.left:
        check.log(pour, pour.wax_g, pour.fragrance_g)
    answers = iter(["", "n"])
    asked = []
    monkeypatch.setattr("builtins.input", lambda words: asked.append(words) or next(answers))
    assert cli.main(["quick", str(folder), "--today", "2026-12-08"]) == 0
    assert "They were due 365 days ago. Is it true that today is 2026-12-08?" in asked[-1]
    assert Store.open(folder).rows("grades").empty

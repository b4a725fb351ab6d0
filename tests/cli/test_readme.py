"""Every command and the code of the README work as they are written, in their order."""

import re
import shlex
from pathlib import Path

import pytest

from scentlab import cli

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
SHOWN = re.findall(r"^    (?:\S+ -m )?(scentlab .*)$", README, re.M)
SERVES = ("lab", "panel")  # run until they are ended; test_commands.py and the browser start them


@pytest.fixture
def clone(tmp_path, monkeypatch):
    """A folder with what a fresh clone holds and the README asks for."""
    (tmp_path / "data").symlink_to(ROOT / "data")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("builtins.input", lambda words: "")  # Enter: the planned weight
    return tmp_path


def test_its_commands_and_its_code_work_in_a_fresh_clone(clone, capsys):
    install = re.search(r"&& \.venv/bin/python -m scentlab (demo demo-series)$", README, re.M)
    assert cli.main(install[1].split()) == 0
    for line in SHOWN:
        words = shlex.split(line)[1:]
        if words[0] in SERVES:
            assert cli.parser().parse_args(words).command == words[0]
            continue
        if "--help" in words:
            continue
        assert (cli.main(words), capsys.readouterr().err) == (0, ""), line
    code, = re.findall(r"```python\n(.*?)```", README, re.S)
    exec(code, {})
    assert (clone / "report.html").stat().st_size > 10_000


def test_it_shows_the_commands_that_are_tried():
    named = {line.split()[1] for line in SHOWN}
    assert {"quick", "plan", "lab", "panel", "report", "import", "share", "open"} <= named
    inline = re.findall(r"`scentlab ([a-z]+)", README)
    assert set(inline) <= {c.name for c in cli.COMMANDS}


def test_what_it_says_of_a_quick_check_is_what_the_command_says(clone, capsys):
    line, = (x for x in SHOWN if "quick fig --wax" in x)
    assert cli.main(shlex.split(line)[1:]) == 0
    said = capsys.readouterr().out
    wax, = re.findall(r"\(([\d.]+ oz) of wax, about 70 minutes", README)
    share, = re.findall(r"One pot gives a load in (about \S+ of \S+ checks)", README)
    assert f": {wax} (" in said and share in said


def test_it_is_short():
    assert len(README.split()) <= 900
    assert README.count("![") == 1

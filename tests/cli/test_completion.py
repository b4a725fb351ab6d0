"""What a real bash completes by the script; the words come from the table of commands."""

import shutil
import subprocess

import pytest

from scentlab import cli
from scentlab.cli.completion import script

SAID = """
{script}
COMP_WORDS=({words}); COMP_CWORD={place}; _scentlab; printf '%s\\n' "${{COMPREPLY[@]}}"
"""


def completed(*words):
    bash = shutil.which("bash") or pytest.skip("needs bash")
    code = SAID.format(script=script("bash", cli.COMMANDS), place=len(words) - 1,
                       words=" ".join(f'"{w}"' for w in words))
    run = subprocess.run([bash, "-c", code], capture_output=True, text=True, check=True)
    return run.stdout.split()


def test_bash_completes_commands_and_their_options():
    assert set(completed("scentlab", "")) == {c.name for c in cli.COMMANDS}
    assert completed("scentlab", "rep") == ["report"]
    assert completed("scentlab", "demo", "--s") == ["--seed"]
    assert completed("scentlab", "demo", "my") == []  # files, which bash adds itself


def test_fish_and_zsh_have_every_command_and_option(run):
    for shell in ("fish", "zsh"):
        code, out, _ = run("completion", shell)
        assert code == 0
        for command in cli.COMMANDS:
            assert command.name in out
            for names, _ in command.options:
                long = [n for n in names if n.startswith("--")]
                assert all((f"-l {n[2:]}" if shell == "fish" else n) in out for n in long)
    assert out.startswith("autoload")

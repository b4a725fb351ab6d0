"""One demo series for all tests of the commands, each package of it made once."""

import contextlib
import functools
import io
from pathlib import Path

import pytest
from once import fits_once  # noqa: F401 - for all tests of this folder

from scentlab import cli
from scentlab.sharing import opening, package


@pytest.fixture(scope="session", autouse=True)
def made_once():
    """A package of the same analysis and choices is the same each time, so each is made and opened
    once; no test changes what it was given."""
    made, prepare, open_package = {}, package.prepare_package, opening.open_package

    def once(key, make):
        if key not in made:
            made[key] = make()
        return made[key]

    @functools.wraps(prepare)
    def prepared(analysis, choices, photos=(), batch_of=None):
        key = id(analysis), choices, tuple(p.code for p in photos), bool(batch_of)
        return once(key, lambda: prepare(analysis, choices, photos, batch_of))

    @functools.wraps(open_package)
    def opened(path):
        return once((str(path), Path(path).stat().st_mtime_ns), lambda: open_package(path))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(package, "prepare_package", prepared)
        patch.setattr(opening, "open_package", opened)
        yield


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    """A demo series made by the command, with what the command printed."""
    folder, out = tmp_path_factory.mktemp("commands") / "series", io.StringIO()
    with contextlib.redirect_stdout(out):
        assert cli.main(["demo", str(folder)]) == 0
    return folder, out.getvalue()


@pytest.fixture(scope="session")
def demo(made):
    """The folder of that series."""
    return made[0]


@pytest.fixture(scope="session")
def whole(demo, tmp_path_factory):
    """The package of it in which nothing is held back."""
    path = tmp_path_factory.mktemp("whole") / "whole.zip"
    assert cli.main(["share", str(demo), "--out", str(path)]) == 0
    return path


@pytest.fixture
def run(capsys):
    """Runs a command: its exit code, output and error text."""
    def run(*arguments):
        code = cli.main([str(a) for a in arguments])
        captured = capsys.readouterr()
        return code, captured.out, captured.err

    return run

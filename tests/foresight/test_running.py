"""Runs over cores: order, stopping, refusals."""

import io
import math
import re
import sys
from types import SimpleNamespace

import pytest

from scentlab import cli
from scentlab.foresight.running import run_series
from scentlab.planning.refusal import PlanError


def test_outcomes_come_in_their_order_from_one_and_from_two_workers():
    expected = [math.factorial(n) for n in range(23)]
    assert run_series(math.factorial, 23, workers=1) == expected
    assert run_series(math.factorial, 23, workers=2) == expected


def test_progress_tells_from_none_to_all_and_a_stop_returns_what_is_done():
    told = []
    run_series(math.factorial, 9, workers=1, progress=lambda *done: told.append(done))
    assert told == [(0, 9), (4, 9), (8, 9), (9, 9)]
    asked = []
    found = run_series(math.sqrt, 12, workers=1, stop=lambda: bool(asked) or asked.append(1))
    assert found == [math.sqrt(n) for n in range(4)]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"series": 0},
         "number of series is 0; give a whole number from 1 to 1000000 series"),
        ({"series": 3, "workers": 0},
         "number of workers is 0; give a whole number from 1 to 10000"),
        ({"series": 3, "workers": "nowhere"},
         "no Dask scheduler answers at nowhere; start one with: dask scheduler"),
    ],
)
def test_refusals_of_a_run(options, words):
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        run_series(math.factorial, **options)


def test_a_bar_is_shown_where_somebody_sees_it_and_nobody_else_takes_the_progress(monkeypatch):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    for out, progress in ((Terminal(), None), (Terminal(), print), (io.StringIO(), None)):
        monkeypatch.setattr(sys, "__stderr__", out)
        run_series(math.factorial, 9, workers=1, progress=progress)
        assert ("9/9" in out.getvalue()) == (out.isatty() and progress is None)


def test_the_bar_of_a_command_moves_over_its_line(monkeypatch):
    """Commands write what a terminal obeys as signs, which a bar must not be."""
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    class Asks:
        command = "workshop"

        @staticmethod
        def run(arguments):
            run_series(math.factorial, 9, workers=1)

    out = Terminal()
    for name in ("stderr", "__stderr__"):
        monkeypatch.setattr(sys, name, out)
    monkeypatch.setattr(cli, "parser", lambda: SimpleNamespace(parse_args=lambda argv: Asks))
    assert cli.main([]) == 0
    assert "9/9" in out.getvalue()
    assert "\\r" not in out.getvalue()

"""Runs over cores: order, keeping, going on, stopping, refusals."""

import io
import json
import math
import re

import pytest

from scentlab.foresight.running import run_series, text_bar
from scentlab.planning.refusal import PlanError


def square(number):
    return {"square": number**2}


class Counted:
    """Work that remembers which numbers it was asked for."""

    def __init__(self):
        self.asked = []

    def __call__(self, number):
        self.asked.append(number)
        return number


def test_outcomes_come_in_their_order_from_one_and_from_two_workers():
    expected = [math.factorial(n) for n in range(23)]
    assert run_series(math.factorial, {}, 23, workers=1) == expected
    assert run_series(math.factorial, {}, 23, workers=2, backend="loky") == expected


def test_progress_tells_from_none_to_all():
    told = []
    run_series(square, {}, 9, workers=1, progress=lambda done, total: told.append((done, total)))
    assert told == [(0, 9), (4, 9), (8, 9), (9, 9)]


def test_a_stop_returns_what_is_done_and_a_second_call_goes_on(tmp_path):
    work, keep, told = Counted(), tmp_path / "run.jsonl", []
    found = run_series(work, {"plan": 1}, 12, workers=1, keep=keep, stop=lambda: bool(work.asked))
    assert found == work.asked == [0, 1, 2, 3]
    again = Counted()
    found = run_series(again, {"plan": 1}, 12, workers=1, keep=keep,
                       progress=lambda done, total: told.append(done))
    assert found == list(range(12)) and again.asked == list(range(4, 12)) and told[0] == 4
    more = Counted()
    assert run_series(more, {"plan": 1}, 14, workers=1, keep=keep) == list(range(14))
    assert more.asked == [12, 13]


def test_a_line_that_a_crash_cut_off_is_done_again(tmp_path):
    keep = tmp_path / "run.jsonl"
    run_series(Counted(), {}, 4, workers=1, keep=keep)
    whole = keep.read_text()
    keep.write_text(whole[:-9])
    again = Counted()
    assert run_series(again, {}, 4, workers=1, keep=keep) == [0, 1, 2, 3]
    assert again.asked == [3]
    assert keep.read_text() == whole


def test_a_folder_keeps_each_run_in_a_file_of_its_own(tmp_path):
    run_series(square, {"plan": 1}, 2, workers=1, keep=tmp_path)
    run_series(square, {"plan": 2}, 3, workers=1, keep=tmp_path)
    lines = sorted(len(p.read_text().splitlines()) for p in tmp_path.glob("series-*.jsonl"))
    assert lines == [3, 4]


def test_a_kept_file_of_another_run_is_refused(tmp_path):
    keep = tmp_path / "run.jsonl"
    run_series(square, {"seed": 1}, 2, workers=1, keep=keep)
    words = (f"{keep} keeps series of another plan, guess, rules, draws or seed; give another "
             "file, or a folder, which keeps each run in a file of its own")
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        run_series(square, {"seed": 2}, 2, workers=1, keep=keep)
    assert len(keep.read_text().splitlines()) == 3


def test_a_file_of_something_else_is_refused_and_left_alone(tmp_path):
    keep = tmp_path / "notes.jsonl"
    keep.write_text("bring more wax\n")
    words = (f"{keep}, line 1: found 'bring more wax', expected a finished series; give another "
             "file or delete this one")
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        run_series(square, {}, 2, workers=1, keep=keep)
    assert keep.read_text() == "bring more wax\n"


def test_every_finished_series_is_a_line_of_json(tmp_path):
    keep = tmp_path / "run.jsonl"
    run_series(square, {}, 3, workers=1, keep=keep)
    lines = [json.loads(line) for line in keep.read_text().splitlines()]
    assert lines[1:] == [{"series": n, "outcome": {"square": n**2}} for n in range(3)]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"series": 0},
         "number of series is 0; give a whole number from 1 to 1000000 series"),
        ({"series": 3, "workers": 0},
         "number of workers is 0; give a whole number from 1 to 10000"),
    ],
)
def test_refusals_of_a_run(options, words):
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        run_series(square, {}, **options)


def test_the_bar_of_text():
    stream = io.StringIO()
    tell = text_bar(stream, width=4)
    tell(1, 2)
    tell(2, 2)
    assert stream.getvalue() == "\r[##..] 1 of 2 series\r[####] 2 of 2 series\n"

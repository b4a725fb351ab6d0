"""The commands of an answer: what a supplier writes, and what the maker sees beside own picks."""

import json
import re
import shlex
import shutil

import pytest

from scentlab.sharing.answer import read_answer


@pytest.fixture
def sent(demo, whole):
    """A series folder and the package made of it."""
    return demo, whole


def test_an_answer_goes_to_the_maker_and_stands_beside_the_own_picks(capsys, sent, tmp_path, run):
    folder, package = sent
    path = tmp_path / "answer.json"
    code, told, err = run(
        "answer", package, "--out", path, "--from", "the wax maker", "--limit", "soft=6,5",
        "--risk-pct", "2", "--lot", "firm wax=F-03=oil content=0.4 %", "--note", "Add at 75 °C.",
    )
    assert (code, err) == (0, "")
    answer = read_answer(path)
    assert (answer.limits, answer.rules) == ({"soft": 6.5}, {"risk": 0.02})
    assert answer.lots[0]["lot"] == "F-03" and answer.note == "Add at 75 °C."
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    code, shown, err = run("weigh", folder, path, "--package", package)
    assert (code, err) == (0, "")
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before
    # The supplier, who has only the package, saw the same picks as the maker.
    own = [line for line in shown.splitlines() if line.startswith(("  ", "* ", "soft"))]
    assert own == [line for line in told.splitlines() if line.startswith(("  ", "* ", "soft"))]
    assert "wax maker's limit  own 10.0 % of wax (9.1 % of total), by the answer 6.5 %" in shown
    assert "\nThe series is unchanged.\n" in shown and "Not checked" not in shown


def test_open_says_how_to_answer(run, sent):
    _, out, _ = run("open", sent[1])
    assert f"To answer it: scentlab answer {sent[1]} --out answer.json --from NAME" in out


def test_an_answer_to_another_package_is_refused(run, sent, tmp_path):
    folder, package = sent
    path = tmp_path / "answer.json"
    assert run("answer", package, "--out", path, "--from", "x")[0] == 0
    other = json.loads(path.read_text(encoding="utf-8")) | {"package": "0" * 64}
    path.write_text(json.dumps(other), encoding="utf-8")
    code, out, err = run("weigh", folder, path, "--package", package)
    assert code == 2 and "answers:" not in out
    assert err == (
        "scentlab weigh: this answer belongs to another package; check which one you sent\n"
    )
    code, out, _ = run("weigh", folder, path)
    assert code == 0 and "Not checked against the package you sent: give --package" in out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--limit", "soft"), "--limit 'soft' is not understood; write BLEND=LOAD, such as"),
        (("--limit", "tallow=8"), "the answer sets a limit for 'tallow'; the series has soft"),
        (("--limit", "soft=80"), "the limit of soft is 80.0; give a load from 0.1 to 40 % of wax"),
        (("--lot", "wax=L7"), "--lot 'wax=L7' is not understood; write MATERIAL=LOT=WHAT=VALUE"),
        (("--risk-pct", "0"), "the counter-proposal is not valid: "),
    ],
)
def test_an_answer_that_cannot_be_is_not_written(run, sent, tmp_path, options, words):
    path = tmp_path / "answer.json"
    code, _, err = run("answer", sent[1], "--out", path, "--from", "x", *options)
    assert code == 2 and words in err and not path.exists()


def test_an_answer_that_is_there_is_not_replaced(run, sent, tmp_path):
    path = tmp_path / "answer.json"
    path.write_text("mine", encoding="utf-8")
    code, _, err = run("answer", sent[1], "--out", path, "--from", "x")
    assert code == 2 and "already exists and was not touched" in err
    assert path.read_text(encoding="utf-8") == "mine"
    assert run("answer", sent[1], "--out", tmp_path / "a.txt", "--from", "x")[0] == 2


def test_a_limit_of_an_answer_is_put_into_the_series(run, sent, tmp_path):
    """By the command that is named: it then holds for report, batch, dossier and package."""
    folder, path = tmp_path / "own", tmp_path / "answer.json"
    shutil.copytree(sent[0], folder)
    run("answer", sent[1], "--out", path, "--from", "the wax\nmaker", "--limit", "soft=0.8 oz/lb")
    _, shown, _ = run("weigh", folder, path)
    command = shlex.split(shown.splitlines()[-1].partition("soft: ")[2])
    command = command[command.index("correct"):]
    assert command[4:] == ["limit_load_pct=5", "--reason", "the wax maker"]
    code, shown, _ = run(*command)
    assert code == 0 and "A corrected limit counts for its whole blend" in shown
    assert run("weigh", folder, path)[1].endswith("\nThe series is unchanged.\n")
    limit = "5.0 % (0.8 oz/lb)"
    assert f"wax maker's limit is {limit}" in " ".join(run("report", folder)[1].split())
    shown = run("batch", folder, "--blend", "soft", "--wax", "1 lb")[1]
    assert f"wax maker allows up to {limit}" in " ".join(shown.split())
    run("dossier", folder, "--blend", "soft")
    page = (folder / "exports" / "dossier.html").read_text(encoding="utf-8")
    assert re.search(rf"Wax maker</dt>.{{0,40}}maximum {re.escape(limit)}", page, re.DOTALL)
    shown = run("share", folder, "--show", "blends.csv")[1]
    assert re.search(r"^soft,[^,]*,5.0,", shown, re.MULTILINE)
    run("share", folder, "--out", tmp_path / "new.zip")
    assert run("open", tmp_path / "new.zip")[0] == 0


def test_no_text_of_an_answer_is_taken_for_a_line_of_the_kit(run, sent, tmp_path):
    path = tmp_path / "answer.json"
    note = "As before.\nsoft:\n  recommended load   own 1 %" + 60 * " more"
    _, shown, _ = run("answer", sent[1], "--out", path, "--from", "x\nsoft:", "--note", note)
    assert shown.startswith("x soft: answers: no other rules.\n* As before. soft: recommended ")
    assert shown.splitlines()[2].startswith("  more")

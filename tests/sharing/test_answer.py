"""A supplier's answer: a small file that goes back, read beside the maker's own series."""

import dataclasses
import json

import numpy as np
import pytest

from scentlab.choosing.pick import choose_load
from scentlab.sharing.answer import (
    LOT,
    Answer,
    answers_in,
    read_answer,
    weigh_answer,
)
from scentlab.sharing.guard import SharingError

PRINT = "0123456789abcdef" * 4


def lot(*said):
    return dict(zip(LOT, ("firm wax", "F-03", *said), strict=False))


@pytest.fixture(scope="module")
def answer(analysis):
    return Answer(
        PRINT, "the wax maker", lots=(lot("oil content", "0.4 %"),),
        rules={"risk": 0.10}, limits={analysis.series.blends["blend"].iloc[0]: 6.0},
        note="<b>Pour hotter</b>",
    )


def test_an_answer_comes_back_as_it_was_sent(answer, tmp_path):
    path = answer.write(tmp_path / "answer.json")
    assert read_answer(path) == answer
    assert path.stat().st_size < 1000
    assert [p.name for p in tmp_path.iterdir()] == ["answer.json"]
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert read_answer(path) == answer


def test_the_maker_sees_both_picks_side_by_side(analysis, answer):
    weighed = weigh_answer(analysis, answer, package=PRINT)
    assert weighed.table["blend"].tolist() == analysis.pick.table["blend"].tolist()
    np.testing.assert_array_equal(weighed.table["own_load_pct"], analysis.pick.table["load_pct"])
    limited, limit = next(iter(answer.limits.items()))
    # The same choice made by hand under the other rule and limit.
    blends = analysis.series.blends.copy()
    blends.loc[blends["blend"] == limited, "limit_load_pct"] = limit
    expected = choose_load(
        dataclasses.replace(
            analysis, series=dataclasses.replace(analysis.series, blends=blends)),
        dataclasses.replace(analysis.rules, risk=0.10),
    ).table.set_index("blend")
    for row in weighed.table.to_dict("records"):
        assert row["proposed_load_pct"] == expected.at[row["blend"], "load_pct"]
    assert weighed.table.set_index("blend").at[limited, "proposed_load_pct"] <= limit
    assert weighed.notes == ("firm wax, lot F-03: oil content 0.4 %.", "<b>Pour hotter</b>")
    assert "&lt;b&gt;Pour hotter&lt;/b&gt;" in weighed._repr_html_()
    assert weighed.sentence.startswith("the wax maker: for ")


def test_an_answer_of_the_first_format_is_still_read(answer, tmp_path):
    """As the page of 0.2.0 before wrote it: no unit, no day, the answers in the note."""
    old = {"kind": "answer to a share package", "format": 1, "package": PRINT, "sender": "a",
           "lots": [{"material": "firm wax", "lot": "F-03", "what": "oil", "value": "0.4 %"}],
           "rules": {}, "limits": {}, "note": "1. No."}
    (tmp_path / "old.json").write_text(json.dumps(old), encoding="utf-8")
    found = read_answer(tmp_path / "old.json")
    assert found.note == "1. No." and found.lots[0]["value"] == "0.4 %" and found.answers == ()


def test_answers_stand_beside_their_questions(analysis, answer):
    replies = ({"question": "Did the lot change?", "answer": "No."},)
    lots = (lot("melting point", "54.5", "°C"),)
    more = dataclasses.replace(answer, answers=replies, answered_on="2026-11-30", lots=lots)
    assert weigh_answer(analysis, more).notes == (
        "Answered on 2026-11-30.", "Did the lot change? No.",
        "firm wax, lot F-03: melting point 54.5 °C.", "<b>Pour hotter</b>")
    with pytest.raises(SharingError, match=r"^the answer is not valid: answers 1 is not a group of "
                                           r"name"):
        dataclasses.replace(answer, answers=("No.",))
    with pytest.raises(SharingError, match=r"^answer is ' '; give a text of 1 to 1000 characters$"):
        dataclasses.replace(answer, answers=({"question": "Did it change?", "answer": " "},))
    with pytest.raises(SharingError, match=r"^lot is not a text of at most 200 characters$"):
        dataclasses.replace(answer, lots=({**lots[0], "lot": "7" * 201},))


def test_an_answer_to_another_package_is_refused(analysis, answer):
    with pytest.raises(SharingError) as error:
        weigh_answer(analysis, answer, package="f" * 64)
    assert str(error.value) == "this answer belongs to another package; check which one you sent"


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"package": "x"}, "an answer names its package by the fingerprint of open_package()"),
        ({"rules": {"seed": 3}},
         "a counter-proposal cannot set 'seed'; it can set risk, confidence, limit_grade, "
         "frost_limit_grade, throw_loss"),
        ({"rules": {"risk": "low"}}, "the answer is not valid: rules, risk is not a number"),
        ({"limits": {"soft": 99}},
         "the limit of soft is 99; give a load from 0.1 to 40 % of wax"),
        ({"note": "x" * 3000}, "note is not a text of at most 2000 characters"),
        ({"note": 3}, "the answer is not valid: note is not a text"),
        ({"lots": ("F-03",)}, "the answer is not valid: lots 1 is not a group of names"),
        ({"note": "a\x1b[31m"}, "the answer is not valid: note holds U+001B, which is invisible"),
    ],
)
def test_an_answer_that_cannot_be_is_refused(answer, fields, words):
    with pytest.raises(SharingError) as error:
        dataclasses.replace(answer, **fields)
    assert str(error.value) == words


def test_a_proposal_out_of_range_or_of_an_unknown_blend_is_refused(analysis, answer):
    with pytest.raises(SharingError, match=r"^the counter-proposal is not valid: risk is 3; give "
                                           r"a"):
        weigh_answer(analysis, dataclasses.replace(answer, rules={"risk": 3}, limits={}))
    with pytest.raises(SharingError, match="^the answer sets a limit for 'tallow'; the series has"):
        weigh_answer(analysis, dataclasses.replace(answer, limits={"tallow": 5.0}))


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "cannot be read"),
        (b"[]", "it is not an answer to a share package"),
        (b'{"kind": "letter"}', "it is not an answer to a share package"),
        (b"[" * 50_000, "cannot be read"),
        (b'{"kind": "answer to a share package", "format": 3}', "format 3, this version reads 2"),
        (b'{"kind": "answer to a share package", "format": 1, "to": "x"}', "is damaged"),
        (b"x" * 300_000, "is not a file of at most 200 kB"),
    ],
)
def test_a_damaged_answer_is_refused(tmp_path, data, words):
    path = tmp_path / "answer.json"
    path.write_bytes(data)
    with pytest.raises(SharingError) as error:
        read_answer(path)
    assert words in str(error.value)


def test_an_answer_is_plain_json(answer, tmp_path):
    data = json.loads(answer.write(tmp_path / "answer.json").read_text(encoding="utf-8"))
    assert data["rules"] == {"risk": 0.10} and data["lots"][0]["lot"] == "F-03"


def test_only_answers_are_found_in_a_folder(answer, tmp_path):
    answer.write(tmp_path / "b.json")
    answer.write(tmp_path / "a.json")
    (tmp_path / "rules.json").write_text('{"risk": 0.05}', encoding="utf-8")
    (tmp_path / "notes.txt").write_text("b", encoding="utf-8")
    assert [p.name for p in answers_in(tmp_path, tmp_path / "none")] == ["a.json", "b.json"]


def test_lines_tell_what_is_proposed_and_both_picks(analysis, answer):
    lines = list(weigh_answer(analysis, answer).lines)
    blend = analysis.series.blends["blend"].iloc[0]
    assert lines[0] == (
        "the wax maker answers: risk 10 %; highest load of "
        f"{blend} 6.0 % of wax (5.7 % of total)."
    )
    assert lines[1] == "* firm wax, lot F-03: oil content 0.4 %."
    at = lines.index(f"{blend}:")
    assert lines[at + 3].startswith("  wax maker's limit  own ")
    assert lines[at + 3].endswith("by the answer 6.0 % of wax (5.7 % of total)")


def test_an_answer_that_proposes_nothing_leaves_the_picks(analysis):
    weighed = weigh_answer(analysis, Answer(PRINT, "the wax maker", note="Well done."))
    assert next(weighed.lines) == "the wax maker answers: no other rules."
    np.testing.assert_array_equal(
        weighed.table["own_load_pct"], weighed.table["proposed_load_pct"]
    )


def test_another_limit_moves_no_ceiling(analysis):
    """A limit caps a pick; it is no evidence of where the wax sweats."""
    blend = analysis.series.blends["blend"].iloc[0]
    weighed = weigh_answer(analysis, Answer(PRINT, "the wax maker", limits={blend: 5.0}))
    np.testing.assert_array_equal(
        weighed.table["own_ceiling_load_pct"], weighed.table["proposed_ceiling_load_pct"]
    )
    row = weighed.table.set_index("blend").loc[blend]
    assert row["proposed_load_pct"] <= 5.0 < row["own_load_pct"]

"""Rules kept in a folder: they come back as they were, whole or not at all."""

import json
import os

import pytest

from scentlab.choosing.kept import keep_rules, rules_here
from scentlab.choosing.rules import Rules

EVERY = Rules(
    risk=0.025, confidence=0.9, limit_grade=1, frost_limit_grade=3, throw_loss=0.8,
    throw_kind="cold", stress="heat", ship_age_days=45.0, override_blends=("soft", "70/30"),
    override_reason="a letter: “yes”, 2 March", today_load_pct=12.5,
)


@pytest.mark.parametrize("rules", [Rules(), EVERY, Rules(today_load_pct=12)])
def test_kept_rules_come_back(tmp_path, rules):
    path = keep_rules(rules, tmp_path)
    assert path == tmp_path / "rules.json"
    found = rules_here(tmp_path)
    assert found.rules == rules and found.kept


def test_every_rule_is_kept(tmp_path):
    """No field of EVERY has its default, so a rule that were left out would be seen above."""
    usual = Rules()
    assert all(getattr(EVERY, name) != getattr(usual, name) for name in vars(usual))
    kept = json.loads(keep_rules(EVERY, tmp_path).read_text(encoding="utf-8"))
    assert set(kept["rules"]) == set(vars(usual))


@pytest.mark.parametrize("folder", [None, "empty"])
def test_where_nothing_is_kept_the_usual_rules_hold(tmp_path, folder):
    found = rules_here(tmp_path if folder else None)
    assert found.rules == Rules() and not found.kept


def test_later_rules_take_the_place_of_earlier_ones(tmp_path):
    keep_rules(EVERY, tmp_path)
    keep_rules(Rules(risk=0.1), tmp_path)
    assert rules_here(tmp_path).rules == Rules(risk=0.1)
    assert [p.name for p in tmp_path.iterdir()] == ["rules.json"]


def test_when_writing_fails_the_earlier_rules_stay_and_nothing_else(tmp_path, monkeypatch):
    keep_rules(EVERY, tmp_path)

    def full(*_):
        raise OSError("no space left")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="^no space left$"):
        keep_rules(Rules(), tmp_path)
    assert rules_here(tmp_path).rules == EVERY
    assert [p.name for p in tmp_path.iterdir()] == ["rules.json"]


def test_a_folder_that_is_not_there(tmp_path):
    with pytest.raises(FileNotFoundError, match="no such folder to keep the rules in$"):
        keep_rules(Rules(), tmp_path / "gone")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("{", "Expecting property name enclosed in double quotes: line 1 column 2 (char 1)"),
        ("[]", "list indices must be integers or slices, not str"),
        ('{"rules": {"risk": 0.7}}',
         "risk is 0.7; give a number with a decimal point from 0.001 to 0.5 (0.1 to 50 %)"),
        ('{"rules": {"throw_share": 0.9, "mood": 1}}',
         "it has mood, throw_share, which this version does not know"),
    ],
)
def test_a_damaged_file_is_no_rules(tmp_path, text, why):
    path = tmp_path / "rules.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError) as error:
        rules_here(tmp_path)
    assert str(error.value) == (
        f"the rules in {path} cannot be used ({why}); take the file out of the folder and set "
        "the rules again on the answer page"
    )


@pytest.mark.parametrize("rules", ['{"risk": "five"}', '{"override_blends": 3}',
                                   '{"override_blends": ["soft"], "override_reason": 3}',
                                   "[1]"])
def test_what_is_no_rule_at_all(tmp_path, rules):
    (tmp_path / "rules.json").write_text(f'{{"rules": {rules}}}', encoding="utf-8")
    with pytest.raises(ValueError, match="cannot be used"):
        rules_here(tmp_path)

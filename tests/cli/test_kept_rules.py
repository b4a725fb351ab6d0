"""Rules kept in a series folder reach the command line, the notebooks and the page to read."""

import json
from dataclasses import replace

import pytest

from scentlab import cli
from scentlab.choosing.kept import keep_rules
from scentlab.choosing.rules import Rules
from scentlab.cli.rules import read_rules
from scentlab.sharing.opening import _rules

KEPT = Rules(risk=0.02, confidence=0.9, today_load_pct=12.0)


@pytest.fixture
def kept(demo):
    """The demo series with rules kept in it, and without them afterwards."""
    path = keep_rules(KEPT, demo)
    yield demo
    path.unlink()


def parsed(*words):
    return cli.parser().parse_args([str(w) for w in words])


def test_the_command_line_takes_the_kept_rules_and_says_so(kept, capsys):
    assert read_rules(parsed("report", kept), kept) == KEPT
    assert capsys.readouterr().out == (
        f"Rules: kept in {kept / 'rules.json'}: {KEPT.sentence}\n")


def test_an_option_says_otherwise_for_its_own_rule_alone(kept, capsys):
    found = read_rules(parsed("report", kept, "--risk-pct", "10", "--stress", "rest"), kept)
    assert found == Rules(risk=0.1, confidence=0.9, stress="rest", today_load_pct=12.0)
    assert "rules.json, except risk, stress from the options: at most 10 %" in (
        capsys.readouterr().out)


def test_without_kept_rules_nothing_is_said(demo, capsys):
    assert read_rules(parsed("report", demo), demo) == Rules()
    assert capsys.readouterr().out == ""


def test_a_damaged_file_ends_a_command_with_one_message(kept, capsys):
    (kept / "rules.json").write_text("{", encoding="utf-8")
    assert cli.main(["report", str(kept)]) == 2
    said = capsys.readouterr()
    assert "cannot be used" in said.err and said.out == ""


SET_ASIDE = replace(KEPT, override_blends=("soft", "soft-firm 70/30"),
                    override_reason="a letter of 2 March")


def test_a_package_tells_the_rules_and_a_file_that_is_shown_is_printed_alone(kept, capsys):
    keep_rules(SET_ASIDE, kept)
    assert cli.main(["share", str(kept), "--show", "settings.json"]) == 0
    assert _rules(json.loads(capsys.readouterr().out))[0] == SET_ASIDE


def test_the_report_follows_the_kept_rules_and_tells_the_reason(kept, capsys):
    keep_rules(SET_ASIDE, kept)
    assert cli.main(["report", str(kept), "--seed", "1"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Rules: kept in ") and " that more than 2 % of pieces" in (
        " ".join(out.split()))
    assert "against today's 12.0 % (1.92 oz/lb)" in " ".join(out.split())
    page = (kept / "exports" / "report.html").read_text(encoding="utf-8").replace("&#39;", "'")
    assert ("limit was set aside for soft, soft-firm 70/30. Reason given: a letter of 2 March"
            in page)


def test_a_comparison_takes_the_same_rules_for_all(kept, tmp_path, capsys):
    from scentlab.cli.answers import rules_of_all

    other = tmp_path / "other"
    other.mkdir()
    both = parsed("compare", kept, other, "--confidence-pct", "80")
    assert rules_of_all([kept, other], both) == Rules(confidence=0.8)
    assert capsys.readouterr().out == (
        "Rules: the folders keep different ones, so the usual rules and your options apply.\n")
    keep_rules(KEPT, other)
    assert rules_of_all([kept, other], parsed("compare", kept, other)) == KEPT
    assert capsys.readouterr().out.startswith("Rules: kept in ")

"""Choosing again under other rules without fitting again: as if all had been fitted anew."""

from dataclasses import replace

import pandas as pd
import pytest

from scentlab.choosing import analysis as whole
from scentlab.choosing.analysis import analyse, decider
from scentlab.choosing.rules import Rules


def test_the_pick_is_that_of_a_new_analysis(analysis):
    rules = Rules(risk=0.1, throw_loss=1.5, today_load_pct=12)
    anew = analyse(analysis.series, rules, seed=analysis.seed, draws=analysis.draws)
    found = decider(analysis)(rules).pick
    pd.testing.assert_frame_equal(found.table, anew.pick.table)
    assert found.sentences == anew.pick.sentences and found.notes == anew.pick.notes
    pd.testing.assert_frame_equal(found.tradeoff, anew.pick.tradeoff)


def test_a_brief_one_leaves_out_the_measures_of_the_trade_off_alone(analysis):
    rules = Rules(risk=0.02, confidence=0.9)
    whole_one, found = decider(analysis)(rules), decider(analysis, brief=True)(rules)
    pd.testing.assert_frame_equal(found.pick.table, whole_one.pick.table)
    pd.testing.assert_frame_equal(found.ceiling.table, whole_one.ceiling.table)
    assert found.pick.sentences == whole_one.pick.sentences and found.rules == rules
    loads = ["blend", "load_pct", "content_pct"]
    pd.testing.assert_frame_equal(found.pick.tradeoff, whole_one.pick.tradeoff[loads])


def test_what_it_rests_on_follows_the_rules(analysis):
    decide = decider(analysis, brief=True)
    pd.testing.assert_frame_equal(decide(analysis.rules).rests.table, analysis.rests.table)
    assert decide(Rules(stress="rest")).rests.stress == "at room temperature"


@pytest.fixture
def half_cold(analysis):
    """The series with every second score of throw taken for cold."""
    throws = analysis.series.throws.copy()
    throws["kind"] = ["warm", "cold"] * (len(throws) // 2) + ["warm"] * (len(throws) % 2)
    return analyse(replace(analysis.series, throws=throws), draws=analysis.draws)


def test_the_other_throw_is_fitted_once(half_cold, monkeypatch):
    anew = analyse(half_cold.series, Rules(throw_kind="cold"), draws=half_cold.draws)
    fitted, real = [], whole.fit_throw

    def counted(throws, kind, **kwargs):
        fitted.append(kind)
        return real(throws, kind, **kwargs)

    monkeypatch.setattr(whole, "fit_throw", counted)
    decide = decider(half_cold)
    for kind in ("warm", "cold", "warm", "cold"):
        found = decide(Rules(throw_kind=kind)).pick
    assert fitted == ["cold"]
    pd.testing.assert_frame_equal(found.table, anew.pick.table)
    assert not found.table["throw"].equals(half_cold.pick.table["throw"])


def test_a_throw_that_was_not_scored_is_said(analysis):
    found = decider(analysis)(Rules(throw_kind="cold")).pick
    assert all("Cold throw was not scored" in s for s in found.sentences.values())
    assert found.table["throw"].isna().all()

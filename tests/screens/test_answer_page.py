"""The page of the answer on series of a maker's own that lack something: plain words, no error."""

import pytest
from storing import store_simulated as own
from walking import of_kind, open_folds, said

from scentlab.choosing.kept import keep_rules, rules_here
from scentlab.choosing.rules import Rules
from scentlab.screens.answer import answer_page, rules_form

CASES = {
    "one blend, neither throw nor frost": (
        {"soft": 10.0}, {}, ("soft: <b>use ", "throw was not scored"),
    ),
    "all dry": (
        {"soft": 60.0, "firm": 60.0}, {"frost": 2, "throw": 1, "assessors": 4},
        ("stayed dry", "soft: <b>use "),
    ),
    "all wet": (
        {"soft": -20.0, "firm": -20.0}, {"frost": 2},
        ("soft: no load yet. No ",
         "firm: test lower loads or more pots; page Share, The next step, shows which loads"),
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_a_series_that_lacks_something_is_told_so(tmp_path, case):
    capacities, layout, words = CASES[case]
    page = answer_page(own(tmp_path / "mine", capacities, **layout))
    assert open_folds(page) == []
    for expected in words:
        assert expected in said(page)
    assert not (tmp_path / "mine" / "rules.json").exists()


def test_kept_rules_hold_and_a_page_follows_new_ones(tmp_path):
    folder = own(tmp_path / "mine", {"soft": 10.0})
    keep_rules(Rules(risk=0.2, today_load_pct=12), folder)
    page = answer_page(folder)
    assert page.analysis.rules.risk == 0.2
    keep_rules(Rules(risk=0.02), folder)
    page.again.click()
    assert page.analysis.rules.risk == 0.02


def test_sliders_and_all_rules_keep_beside_each_other(tmp_path):
    folder = own(tmp_path / "mine", {"soft": 10.0})
    page = answer_page(folder)
    keep_rules(Rules(ship_age_days=60), folder)  # as the form of all rules does
    page.sliders.sliders["risk"].value = 0.1
    page.sliders.keep.click()
    assert rules_here(folder).rules == Rules(ship_age_days=60, risk=0.1)
    assert rules_form(page.analysis, folder).rules == Rules(ship_age_days=60, risk=0.1)


def test_all_rules_that_are_open_follow_what_the_sliders_keep(tmp_path):
    folder = own(tmp_path / "mine", {"soft": 10.0})
    page = answer_page(folder)
    open_folds(page)
    page.sliders.sliders["risk"].value = 0.02
    page.sliders.keep.click()
    form = of_kind(page, "RulesForm")
    form.fields["throw_loss"].value = "1"
    form.keep.click()
    assert rules_here(folder).rules == Rules(risk=0.02, throw_loss=1.0)


def test_what_other_rules_choose_is_shown_at_once(tmp_path):
    page = answer_page(own(tmp_path / "mine", {"soft": 10.0}))
    assert open_folds(page) == []
    form = of_kind(page, "RulesForm")
    form.fields["risk"].value = "1"
    assert form.rules.risk == 0.01 and form.pick is not page.analysis.pick


def test_without_sweat_grades_the_demo_is_shown(tmp_path):
    page = answer_page(own(tmp_path / "mine", {"soft": 10.0}, sweat=0, frost=2))
    assert "DEMO: your series has no sweat grades yet" in said(page)

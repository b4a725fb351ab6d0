"""Plans side by side."""

import re

import numpy as np
import pandas as pd
import pytest

from scentlab.foresight import comparison as module
from scentlab.foresight.comparison import compare
from scentlab.foresight.precision import ALL, MEASURES, Precision
from scentlab.planning.costs import plan_costs
from scentlab.planning.refusal import PlanError
from scentlab.results import Result

from .conftest import small_plan


def stand_in(shortfalls, none=0.0, asked=None):
    """A precision that only looks up the shortfall by the number of pots of a blend."""
    def judge(plan, guess, *, series, seed, **options):
        if asked is not None:
            asked.append(plan.title)
        value = {"shortfall of the ceiling": shortfalls[plan.pots_per_blend],
                 "no tested load qualifies": none}
        rows = [(ALL, m, value.get(m, 0.5), 0.05, series, *u) for m, u in MEASURES.items()]
        columns = ["blend", "measure", "estimate", "se", "series", "unit", "meaning"]
        return Precision(pd.DataFrame(rows, columns=columns), pd.DataFrame(), series, series, 100,
                         seed, 1, {}, {}, ("a note",))

    return judge


@pytest.fixture(scope="module")
def plans():
    return {f"{n} pots": small_plan(f"plan of {n}", pots=n) for n in (3, 1, 2)}


def test_what_a_plan_takes_by_hand():
    # 2 blends x 2 pots x 3 loads; 4 pieces a pour; 5 % spare, each pot rounded to whole grams
    plan = small_plan()
    costs = plan_costs(plan)
    assert (costs["pours"], costs["pots"], costs["pieces"]) == (12, 4, 48)
    assert costs["wax_g"] == pytest.approx(1.05 * plan.pours["wax_g"].sum(), abs=4)
    assert costs["fragrance_g"] == pytest.approx(1.05 * plan.pours["fragrance_g"].sum(), abs=1)
    assert costs["panel_hours"] == pytest.approx(12 * 4 * 5 / 60)
    last = max(plan.smellings["sitting_on"].max(), plan.pieces["due_on"].max())
    assert costs["days"] == (last - plan.start).days + 1
    bought = plan.pours["wax_g"].sum() * 1.05 * 8.5e-3 + costs["fragrance_g"] * 60e-3
    assert costs["money"] == pytest.approx(bought, rel=0.01)


def test_a_real_comparison_has_costs_and_precision(guess):
    plans = {n: small_plan(n, pots=p) for n, p in (("few", 1), ("more", 2))}
    told = []
    found = compare(plans, guess, series=2, seed=1, workers=1, draws=100, throw_every=1,
                    progress=lambda done, total: told.append((done, total)))
    assert list(found.table["plan"]) == ["few", "more"]
    assert (found.table["wax_g"] == [plan_costs(p)["wax_g"] for p in plans.values()]).all()
    assert found.table[["p_over", "p_none", "p_none_upper"]].notna().all(axis=None)
    assert told[-1] == (4, 4)
    assert Result.from_dict(found.to_dict()).sentence == found.sentence


def test_the_sentence_names_the_closest_and_the_smallest(plans, guess, monkeypatch):
    monkeypatch.setattr(module, "precision", stand_in({1: 2.0, 2: 1.0, 3: 0.7}))
    found = compare(plans, guess, series=40, seed=1)
    kilos = {n: f"{plan_costs(p)['wax_g'] / 1000:.1f}" for n, p in plans.items()}
    assert found.sentence == (
        "Of the 3 of 3 plans that give an answer for at least 90 % of blends, the closest is "
        "'3 pots' (ceiling 0.70 ± 0.05 points of load, % of wax, below the true load at risk for "
        f"{kilos['3 pots']} kg of wax) and the one with the least wax is '1 pots' (ceiling 2.00 ± "
        f"0.05 points of load, % of wax, below the true load at risk for {kilos['1 pots']} kg of "
        "wax)."
    )


def test_a_plan_that_seldom_answers_is_not_called_the_closest(plans, guess, monkeypatch):
    monkeypatch.setattr(module, "precision", stand_in({1: 0.1, 2: 0.1, 3: 0.1}, none=0.3))
    assert compare(plans, guess, series=40, seed=1).sentence == (
        "None of 3 plans gives an answer for at least 90 % of blends: lower loads or more pots "
        "would."
    )


def test_a_missing_price_is_said(plans, guess, monkeypatch):
    monkeypatch.setattr(module, "precision", stand_in({2: 1.0}))
    costs = dict(plan_costs(plans["2 pots"]), money=np.nan)
    monkeypatch.setattr(module, "plan_costs", lambda *_: costs)
    found = compare({"a": plans["2 pots"]}, guess, series=40, seed=1)
    assert "Money is missing where a wax or the fragrance has no price." in found.notes


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda p, g: compare({}, g, seed=1),
         "there is no plan to compare; give a dict of name to plan"),
        (lambda p, g: compare({"a": p, "b": small_plan(currency="USD")}, g, seed=1),
         "the plans are priced in EUR, USD; use one"),
    ],
)
def test_refusals_of_a_comparison(plan, guess, call, words):
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        call(plan, guess)

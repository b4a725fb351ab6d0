"""The next round: where the doubt is, when to stop, refusals."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.ceiling import INSIDE, find_ceiling
from scentlab.choosing.rules import Rules
from scentlab.fitting.reweighting import reweighted
from scentlab.fitting.sweat import fit_sweat, load_at_risk_draws
from scentlab.foresight import next_round as module
from scentlab.foresight.next_round import next_round
from scentlab.planning.refusal import PlanError
from scentlab.results import Result
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

LOADS = (6.0, 8.0, 10.0, 12.0, 14.0, 16.0)
CAPACITIES = {"soft": 9.0, "hard": 13.0}
QUICK = {"looks": 40, "draws": 150, "passes": 0}


def analysed(pots=2, seed=4):
    """What next_round reads of an analysis, without frost and throw."""
    truth = Truth({b: BlendTruth(c) for b, c in CAPACITIES.items()})
    series = simulate_series(even_layout(CAPACITIES, LOADS, pots=pots), truth, seed)
    fit = fit_sweat(series.sweat(), dict.fromkeys(CAPACITIES, 10.0), draws=800, seed=1)
    return SimpleNamespace(believed=fit, rules=Rules(), ceiling=find_ceiling(fit), series=series)


@pytest.fixture(scope="module")
def analysis():
    return analysed()


@pytest.fixture(scope="module")
def found(analysis):
    return next_round(analysis, pours=6, seed=3, **QUICK)


def test_the_pours_lie_where_the_limit_grade_begins(analysis, found):
    at = analysis.ceiling.table.set_index("blend")
    for blend, load in found.pairs:
        assert at.at[blend, "load_at_risk_lower_pct"] - 0.5 <= load
        assert load <= at.at[blend, "load_at_risk_upper_pct"] + 4.0
    assert len(found.pairs) == 6 and found.table["pot"].tolist() == [f"n{i}" for i in range(1, 7)]


def test_the_width_shrinks_with_every_pot(found):
    widths = found.table["width_after_pct"].to_numpy()
    assert np.all(np.diff(widths) < 0)
    assert (found.gain["width_after_pct"] < found.gain["width_now_pct"]).all()


def test_now_is_as_the_ceiling_says(analysis, found):
    table = analysis.ceiling.table
    width = table["load_at_risk_upper_pct"] - table["load_at_risk_lower_pct"]
    assert found.gain["width_now_pct"].to_numpy() == pytest.approx(width.to_numpy())
    inside = (table["state"] == INSIDE).to_numpy()
    safe = found.gain["safe_now_pct"].to_numpy()
    assert safe[inside] == pytest.approx(table["ceiling_load_pct"].to_numpy()[inside])


def test_the_last_row_is_the_gain(found):
    last = found.table.iloc[-1]
    for column in ("safe_after_pct", "width_after_pct"):
        assert last[column] == pytest.approx(found.gain[column].mean())


def test_errors_are_those_of_other_looks_and_draws(analysis, found):
    """The same pots judged under five more seeds scatter by no more than three of the errors."""
    fit, at_risk = analysis.believed, load_at_risk_draws(analysis.believed, 0.05, 2, "rest")
    belief = module._Belief(fit, at_risk, fit.blends, 0.95, {}, "rest")
    pots = [(fit.blends.index(r.blend), r.loads_pct) for r in found.table.itertuples()]
    judged = [belief.judge(pots, found.pieces, seed)[-1] for seed in range(10, 15)]
    for name, error in (("safe", "safe_error"), ("width", "width_error")):
        means = [getattr(j, name).mean() for j in judged]
        assert np.std(means, ddof=1) < 3.0 * np.mean([getattr(j, error) for j in judged])


def test_the_bleed_counts(analysis, found):
    """Draws that all evidence has narrowed leave less to gain than those of sweat alone."""
    fit = analysis.believed
    column = fit.named["capacity"][:, fit.blends.index("hard")]
    middle = fit.weights @ column
    narrow, _ = reweighted(fit, -0.5 * ((column - middle) / 0.15) ** 2)
    told = SimpleNamespace(**vars(analysis) | {"believed": narrow})
    again = next_round(told, pours=6, seed=3, **QUICK)
    now, before = again.gain.set_index("blend"), found.gain.set_index("blend")
    assert now.at["hard", "width_now_pct"] < 0.8 * before.at["hard", "width_now_pct"]
    gain, old = (g["safe_after_pct"] - g["safe_now_pct"] for g in (now, before))
    assert gain["hard"] < old["hard"]


def test_what_lies_above_the_limit_is_worth_nothing(analysis):
    """A blend whose ceiling is at its limit already gets no pour."""
    limit = analysis.ceiling.table.set_index("blend").at["hard", "ceiling_load_pct"] - 2.5
    blends = analysis.series.blends.copy()
    blends["limit_load_pct"] = blends["blend"].map({"hard": limit, "soft": 20.0})
    limited = SimpleNamespace(
        **vars(analysis) | {"series": replace(analysis.series, blends=blends)})
    found = next_round(limited, pours=3, seed=3, **QUICK)
    assert {b for b, _ in found.pairs} == {"soft"}
    assert found.gain.set_index("blend").at["hard", "safe_now_pct"] == pytest.approx(limit)


def test_the_same_seed_gives_the_same_round(analysis, found):
    again = next_round(analysis, pours=6, seed=3, **QUICK)
    pd.testing.assert_frame_equal(again.table, found.table)


def test_a_blend_that_does_not_matter_gets_no_pour(analysis):
    found = next_round(analysis, pours=3, seed=3, blends=["hard"], **QUICK)
    assert {b for b, _ in found.pairs} == {"hard"}
    assert list(found.gain["blend"]) == ["hard"]


def test_a_pot_may_have_several_loads_and_the_last_takes_what_is_left(analysis):
    loads = {"soft": (6, 7, 8), "hard": (9, 10, 11)}
    found = next_round(analysis, pours=5, seed=3, loads_a_pot=2, candidates=loads, **QUICK)
    assert found.table["pours"].tolist() == [2, 2, 1]
    assert all(load in loads[blend] for blend, load in found.pairs)


def test_more_pours_leave_less_doubt(analysis, found):
    more = next_round(analysis, pours=12, seed=3, **QUICK)
    assert more.expected_gain_pct > found.expected_gain_pct


def test_it_says_stop_when_a_round_is_not_worth_its_wax(analysis, found):
    assert found.worth_it
    assert found.sentence.startswith("6 pours from 6 new pots are expected to raise the highest ")
    stop = next_round(analysis, pours=1, seed=3, stop_below_pct=5.0, **QUICK)
    assert not stop.worth_it
    now, after = stop.gain["width_now_pct"].mean(), stop.gain["width_after_pct"].mean()
    rise = (stop.gain["safe_after_pct"] - stop.gain["safe_now_pct"]).mean()
    assert stop.sentence == (
        "Stop here: 1 pour from 1 new pot are expected to raise the highest safe load by "
        f"{rise:.2f} (give or take {2 * stop.gain_error_pct:.2f}) points of load (% of wax) and to "
        f"bring the 90 % interval of the load at risk from {now:.2f} to {after:.2f} (give or take "
        f"{2 * stop.width_error_pct:.2f}), means over blends; another round must bring 5."
    )


def test_the_sheet_weighs_the_pours(found):
    sheet = found.sheet(200.0)
    assert len(sheet) == 6
    assert sheet["fragrance_g"].to_numpy() == pytest.approx(2.0 * sheet["load_pct"].to_numpy())
    load = sheet["load_pct"].to_numpy()
    assert sheet["content_pct"].to_numpy() == pytest.approx(100 * load / (100 + load))


def test_loads_above_a_limit_are_said_to_be_for_testing_only(analysis, found):
    assert not any("not for sale" in words for words in found.notes)
    lowest = min(load for _, load in found.pairs)
    blends = analysis.series.blends.assign(limit_load_pct=lowest - 0.5)
    series = replace(analysis.series, blends=blends)
    limited = SimpleNamespace(**vars(analysis) | {"series": series})
    again = next_round(limited, pours=6, seed=3, **QUICK)
    assert again.notes[-1].startswith("Some of these loads lie above the wax maker's limit (")
    assert again.notes[-1].endswith(" for testing only, not for sale.")


def test_the_result_goes_to_data_and_back(found):
    back = Result.from_dict(found.to_dict())
    assert back.sentence == found.sentence and back.pairs == found.pairs


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"pours": 0},
         "pours of the next round is 0; give a whole number from 1 to 500 pours"),
        ({"pours": 2, "loads_a_pot": 9},
         "loads_a_pot is 9; give a whole number from 1 to 4 loads"),
        ({"pours": 2, "blends": ["none"]},
         "no blend is called none; fitted were soft, hard"),
        ({"pours": 2, "blends": []}, "blends names none; fitted were soft, hard"),
        ({"pours": 2, "candidates": {"x": (6,)}}, "candidates name x; fitted were soft, hard"),
        ({"pours": 2, "candidates": {"soft": (0,)}},
         "a candidate load of soft is 0; give a number from 0.1 to 60 % of wax"),
        ({"pours": 2, "candidates": {"soft": (6,)}, "loads_a_pot": 2},
         "no blend has 2 candidate loads; give more loads or a smaller loads_a_pot"),
        ({"pours": 2, "pieces": 0},
         "sweat pieces of a pour is 0; give a whole number from 1 to 50"),
    ],
)
def test_refusals_of_a_next_round(analysis, options, words):
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        next_round(analysis, seed=1, **options)

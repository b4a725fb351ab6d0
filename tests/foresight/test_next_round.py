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


@pytest.fixture(autouse=True, scope="module")
def quick():
    """A round is chosen by fewer looks and draws than a maker's."""
    with pytest.MonkeyPatch.context() as patch:
        for name, value in {"_LOOKS": 40, "_DRAWS": 150, "_PASSES": 0}.items():
            patch.setattr(module, name, value)
        yield


def pairs(found):
    """The pours as (blend, load)."""
    return [(r.blend, x) for r in found.table.itertuples() for x in r.loads_pct]


def analysed(pots=2, seed=4):
    """What next_round reads of an analysis, without frost and throw."""
    truth = Truth({b: BlendTruth(c) for b, c in CAPACITIES.items()})
    series = simulate_series(even_layout(CAPACITIES, LOADS, pots=pots), truth, seed)
    fit = fit_sweat(series.sweat(), dict.fromkeys(CAPACITIES, 10.0), draws=500, seed=1)
    return SimpleNamespace(believed=fit, rules=Rules(), ceiling=find_ceiling(fit), series=series)


@pytest.fixture(scope="module")
def analysis():
    return analysed()


@pytest.fixture(scope="module")
def found(analysis):
    return next_round(analysis, pours=6, seed=3)


def test_the_pours_lie_where_the_limit_grade_begins(analysis, found):
    at = analysis.ceiling.table.set_index("blend")
    for blend, load in pairs(found):
        assert at.at[blend, "load_at_risk_lower_pct"] - 0.5 <= load
        assert load <= at.at[blend, "load_at_risk_upper_pct"] + 4.0
    assert len(pairs(found)) == 6 and found.table["pot"].tolist() == [f"n{i}" for i in range(1, 7)]


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
    belief = module._Belief(fit, at_risk, 0.95, np.full(2, np.inf), "rest")
    pots = [(fit.blends.index(r.blend), r.loads_pct) for r in found.table.itertuples()]
    judged = [belief.judge(pots, found.pieces, seed) for seed in range(10, 15)]
    means = np.array([after[-1].mean(axis=1) for after, _ in judged])
    errors = np.mean([errors for _, errors in judged], axis=0)
    assert (np.std(means, axis=0, ddof=1) < 3.0 * errors).all()


def test_the_bleed_counts(analysis, found):
    """Draws that all evidence has narrowed leave less to gain than those of sweat alone."""
    fit = analysis.believed
    column = fit.named["capacity"][:, fit.blends.index("hard")]
    middle = fit.weights @ column
    narrow, _ = reweighted(fit, -0.5 * ((column - middle) / 0.15) ** 2)
    told = SimpleNamespace(**vars(analysis) | {"believed": narrow})
    again = next_round(told, pours=6, seed=3)
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
    found = next_round(limited, pours=3, seed=3)
    assert {b for b, _ in pairs(found)} == {"soft"}
    assert found.gain.set_index("blend").at["hard", "safe_now_pct"] == pytest.approx(limit)


def test_the_same_seed_gives_the_same_round(analysis, found):
    again = next_round(analysis, pours=6, seed=3)
    pd.testing.assert_frame_equal(again.table, found.table)


def test_a_last_pot_takes_what_is_left(analysis):
    found = next_round(analysis, pours=5, seed=3, loads_a_pot=2)
    assert found.table["pours"].tolist() == [2, 2, 1]


def test_more_pours_leave_less_doubt(analysis, found):
    more = next_round(analysis, pours=12, seed=3)
    assert more.expected_gain_pct > found.expected_gain_pct


def test_it_says_stop_when_a_round_is_not_worth_its_wax(analysis, found, monkeypatch):
    assert found.worth_it
    assert found.sentence.startswith("6 test batches from 6 new pots are expected to raise ")
    monkeypatch.setattr(module, "WORTH_PCT", 5.0)
    stop = next_round(analysis, pours=1, seed=3)
    assert not stop.worth_it
    now, after = stop.gain["width_now_pct"].mean(), stop.gain["width_after_pct"].mean()
    rise = (stop.gain["safe_after_pct"] - stop.gain["safe_now_pct"]).mean()
    assert stop.sentence == (
        "Stop here: 1 test batch from 1 new pot are expected to raise the highest safe load by "
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
    lowest = min(load for _, load in pairs(found))
    blends = analysis.series.blends.assign(limit_load_pct=lowest - 0.5)
    series = replace(analysis.series, blends=blends)
    limited = SimpleNamespace(**vars(analysis) | {"series": series})
    again = next_round(limited, pours=6, seed=3)
    assert again.notes[-1].startswith("Some of these loads lie above the wax maker's limit (")
    assert again.notes[-1].endswith(" for testing only, not for sale.")


def test_the_result_goes_to_data_and_back(found):
    back = Result.from_dict(found.to_dict())
    assert back.sentence == found.sentence and pairs(back) == pairs(found)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"pours": 0},
         "pours of the next round is 0; give a whole number from 1 to 500 pours"),
        ({"pours": 2, "loads_a_pot": 9},
         "loads_a_pot is 9; give a whole number from 1 to 4 loads"),
    ],
)
def test_refusals_of_a_next_round(analysis, options, words):
    with pytest.raises(PlanError, match=f"^{re.escape(words)}$"):
        next_round(analysis, seed=1, **options)

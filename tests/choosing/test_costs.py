"""What a load costs and how many pieces of a batch sweat: by hand, and by brute force."""

import time
from dataclasses import replace

import numpy as np
import pytest

from scentlab.choosing.costs import (
    HIGHEST,
    LEAST_COST,
    RECOMMENDED,
    Costs,
    _Known,
    coster,
    load_costs,
)
from scentlab.fitting.sweat import sweat_risk, sweat_risk_draws
from scentlab.fitting.throw import throw_curve
from scentlab.materials import Refusal
from scentlab.maths.batches import POT_NODES, POT_WEIGHTS
from scentlab.maths.links import find_link
from scentlab.results import FitError
from scentlab.words.tables import costs_table

OWN = Costs(complaint=8.0, lost_sale=6.0, lost_pct=4.0)


@pytest.fixture(scope="module")
def weigh(demo_analysis):
    return coster(demo_analysis)


def brute(analysis, blend, load, costs, batches, seed):
    """Batches made piece by piece: a draw of the fit, its pots, the hidden value of every piece."""
    fit, rng = analysis.sweat, np.random.default_rng(seed)
    named, place = fit.named, fit.blends.index(blend)
    stress, many = fit.stresses.index(analysis.ceiling.stress), 0
    for row in rng.choice(len(fit.weights), batches, p=fit.weights):
        name = fit.links["link"].iloc[fit.draw_link[row]]
        pots = named["sigma"][row] * rng.standard_normal(costs.pots)
        pot = np.repeat(pots, -(-costs.pieces // costs.pots))[: costs.pieces]
        value = (load - named["capacity"][row, place] + pot) / named["spread"][row, place]
        if stress:
            value = value + named["stress"][row, stress - 1]
        value = value + find_link(name).quantile(rng.random(costs.pieces))
        wet = value > named["tau"][row, analysis.rules.limit_grade - 1]
        many += wet.sum() >= costs.many
    return many / batches


@pytest.mark.parametrize(("pieces", "pots", "many"), [
    (100, 4, 3), (60, 1, 6), (90, 15, 1), (600, 3, 60)])
def test_a_batch_sweats_as_batches_made_piece_by_piece_do(demo_analysis, pieces, pots, many):
    costs = Costs(pieces=pieces, pots=pots, many=many)
    for row in load_costs(demo_analysis, costs, "soft").table.to_dict("records"):
        seen = brute(demo_analysis, "soft", row["load_pct"], costs, 6000, seed=pots)
        room = 4.0 * np.sqrt(max(seen, 0.005) * (1.0 - seen) * (1 / 6000 + 1 / 2000)) + 0.004
        assert row["chance_many"] == pytest.approx(seen, abs=room)


def test_pieces_that_share_a_pot_are_not_taken_for_pieces_apart(weigh):
    """With the same sweating pieces expected, few pots make many of them far likelier."""
    one, apart = (weigh("soft", Costs(pieces=100, pots=pots, many=12)).of(HIGHEST)
                  for pots in (1, 100))
    assert one["sweating"] == pytest.approx(apart["sweating"])
    assert one["chance_many"] > 1.3 * apart["chance_many"] > 0


def test_the_cost_is_that_made_by_hand(demo_analysis, weigh):
    found, series = weigh("soft", OWN), demo_analysis.series
    prices = series.blends.set_index("blend").loc["soft"]
    for row in found.table.to_dict("records"):
        load = row["load_pct"]
        fragrance = series.piece_g * load / (100 + load) / 1000 * prices["fragrance_price_per_kg"]
        wax = series.piece_g * 100 / (100 + load) / 1000 * prices["wax_price_per_kg"]
        assert row["materials"] == pytest.approx(100 * (fragrance + wax))
        risk = sweat_risk(demo_analysis.sweat, "soft", load)["risk"].item()
        assert row["complaints"] == pytest.approx(100 * 8.0 * risk, rel=0.1, abs=0.3)
        assert row["cost"] == pytest.approx(
            row["materials"] + row["complaints"] + row["lost_sales"])
        assert row["cost_lower"] <= row["cost"] <= row["cost_upper"]
    throw = throw_curve(demo_analysis.throw, "soft", found.table["load_pct"])["throw"]
    lost = found.table["lost_sales"]  # the mean curve loses what the mean of the curves does
    assert lost[1] - lost[0] == pytest.approx(100 * 6.0 * 0.04 * (throw[0] - throw[1]), abs=0.5)


def costs_of_all(analysis, blend, costs):
    """The expected cost of a batch at every load that may be weighed, from the draws."""
    known = _Known(analysis, blend)
    sales = known._lost(costs).mean(axis=0)
    return (costs.pieces * (known.materials + (costs.complaint or 0) * known.risks.mean(axis=0))
            + sales)


def test_the_least_cost_is_the_least_of_all_loads_and_none_is_above_the_safe_one(
        demo_analysis, weigh):
    for blend in demo_analysis.pick.table["blend"]:
        for costs in (OWN, Costs(complaint=0.01, lost_sale=500, lost_pct=20)):
            found = weigh(blend, costs)
            safe = demo_analysis.ceiling.of(blend)["ceiling_load_pct"]
            assert found.table["load_pct"].max() <= safe + 1e-9
            least = found.of(LEAST_COST)
            assert least["cost"] == pytest.approx(
                np.nanmin(costs_of_all(demo_analysis, blend, costs)))
            assert found.nearly[0] <= least["load_pct"] <= found.nearly[1]
            picked = demo_analysis.pick.table.set_index("blend").at[blend, "load_pct"]
            assert found.of(RECOMMENDED)["load_pct"] == picked


def test_dear_complaints_ask_for_less_and_dear_lost_sales_for_more(weigh):
    few, many = (weigh("soft", replace(OWN, complaint=c)).of(LEAST_COST)["load_pct"]
                 for c in (0.5, 100.0))
    assert many < few
    weak, strong = (weigh("soft", replace(OWN, lost_pct=p)).of(LEAST_COST)["load_pct"]
                    for p in (0.5, 20.0))
    assert weak < strong


def test_without_a_number_of_the_maker_no_load_costs_least(weigh):
    found = weigh("soft", Costs())
    assert found.of(LEAST_COST) is None and found.table["materials"].notna().all()
    assert found.sentence.startswith("soft: give what a complaint or a lost sale costs you ")
    assert "No load above 8." in found.notes[0]
    # What every draw costs alike lies in its range, whatever the last digit of its mean.
    assert not any("far more" in row[4] for row in costs_table(found).rows)


def test_a_mean_beyond_its_range_is_no_contradiction(weigh):
    """A small chance of a dear average lifts the mean over the limits of the rest."""
    found = weigh("soft", OWN)
    plain = found.of(LEAST_COST)
    row = plain.to_dict() | {"cost": 28.29, "cost_lower": 27.25, "cost_upper": 27.7}
    assert found._money(row) == (
        "28.29 EUR on average (90 % sure: 27.25 to 27.70, perhaps far more)")
    assert found._money(row | {"cost": 27.5}).endswith(" (90 % sure: 27.25 to 27.70)")
    assert replace(found, currency="")._money(row).startswith("28.29 in your currency on average")
    found = replace(found, table=found.table.assign(cost=28.29, cost_lower=27.25, cost_upper=27.7))
    assert costs_table(found).rows[0][4] == "28.29\n(27.25 to 27.70, perhaps far more)"


def test_the_range_is_said_to_be_of_the_average_and_not_of_batches(demo_analysis, weigh):
    """Of batches drawn pot by pot and piece by piece, the range of 24 pieces holds a small part."""
    found = weigh("soft", Costs(complaint=10.0, pieces=24, pots=1, many=1))
    row, rng = found.of(RECOMMENDED), np.random.default_rng(1)
    risks = sweat_risk_draws(
        demo_analysis.sweat, "soft", np.full(len(POT_NODES), row["load_pct"]), 2,
        demo_analysis.ceiling.stress, pot=POT_NODES)
    of = rng.choice(len(risks), 4000, p=demo_analysis.sweat.weights)
    pots = rng.choice(len(POT_NODES), 4000, p=POT_WEIGHTS)
    batches = row["materials"] + 10.0 * rng.binomial(24, risks[of, pots])
    assert batches.mean() == pytest.approx(row["cost"], rel=0.05)
    assert ((row["cost_lower"] <= batches) & (batches <= row["cost_upper"])).mean() < 0.5
    assert "on average (90 % sure: " in found.sentence and "cases" not in found.sentence
    assert any(n.startswith("A cost is the average over many batches") for n in found.notes)


def test_without_a_price_materials_are_left_out(demo_analysis):
    blends = demo_analysis.series.blends
    series = replace(demo_analysis.series, blends=blends.assign(fragrance_price_per_kg=None))
    found = load_costs(replace(demo_analysis, series=series), OWN)
    assert found.table["materials"].isna().all() and found.table["cost"].notna().all()
    assert "Materials are left out" in " ".join(found.notes)
    found = load_costs(replace(demo_analysis, series=series), Costs())
    assert [row[4] for row in costs_table(found).rows] == ["–", "–"]


def test_the_answer_comes_at_once(weigh):
    """Processor time once the risks are looked up; the goal by the clock is 0.2 s."""
    weigh("soft", Costs(complaint=1.0))
    begun = time.process_time()
    weigh("soft", Costs(complaint=8.0, pieces=120, pots=5, many=4))
    assert time.process_time() - begun < 0.2


@pytest.mark.parametrize(("numbers", "field", "words"), [
    ({"complaint": -1}, "complaint", "complaint is -1; give a number from 0 to 1,000,000"),
    ({"pots": 0}, "pots", "pots is 0; give a number from 1 to 10,000"),
    ({"pieces": 3, "pots": 4}, "pots", "pots is 4; give at most the 3 pieces of the batch"),
    ({"pieces": 3, "pots": 1, "many": 5}, "many", "at most the 3 pieces"),
    ({"lost_sale": 4}, "lost_pct", "lost_pct is missing; give both or neither"),
])
def test_numbers_that_cannot_be_are_refused(numbers, field, words):
    with pytest.raises(Refusal, match=words) as refused:
        Costs(**numbers)
    assert refused.value.field == field


def test_what_cannot_be_weighed_says_why(demo_analysis, weigh):
    with pytest.raises(FitError, match="there is no answer for a blend 'other', only for "):
        weigh("other", Costs())
    with pytest.raises(FitError, match="soft needs hot throw scores, and it has none"):
        load_costs(replace(demo_analysis, throw=None), OWN, "soft")
    none = demo_analysis.pick.table.assign(load_pct=np.nan, reason="all of it is wet")
    nothing = replace(demo_analysis, pick=replace(demo_analysis.pick, table=none))
    with pytest.raises(FitError, match="no load of soft can be given.*all of it is wet"):
        load_costs(nothing, OWN, "soft")

"""The next step: what it is worth by brute force, when it stops, what it says.

Brute force: grades of the proposed pot are drawn from the posterior by hand, everything is fitted
again, and the loads then given are averaged, without any reweighting.
"""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from scentlab.choosing.ceiling import find_ceiling
from scentlab.choosing.headline import REGULATORY, WAX_LIMIT
from scentlab.choosing.pick import THROW_TESTED, Evidence, Pick
from scentlab.choosing.rules import Rules
from scentlab.choosing.waits import what_to_test
from scentlab.fitting.sweat import fit_sweat
from scentlab.foresight import next_step as module
from scentlab.foresight.next_step import PAIR, STOP, WAIT, WORTH_PCT, next_step
from scentlab.materials import Fragrance, Wax
from scentlab.planning.quick import grow_plan, quick_plan
from scentlab.planning.refusal import PlanError
from scentlab.planning.rules import PieceNumbers
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

LOADS = (6.25, 9.375, 12.5, 18.75)


@pytest.fixture(autouse=True, scope="module")
def quick():
    """Steps are compared by fewer looks than a maker's."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "_LOOKS", 30)
        patch.setattr(module, "GAPS_PCT", (1.0, 2.0))
        yield


def judged(series, links=None, draws=600):
    """What next_step reads of an analysis, without frost and throw."""
    # With a centre of its own the prior does not move with the loads tested.
    fit = fit_sweat(series.sweat(), {"wax": 12.0}, draws=draws, precise=None, links=links)
    ceiling = find_ceiling(fit)
    limit = float(series.blends["limit_load_pct"].fillna(np.inf).iloc[0])
    pick = ceiling.table.assign(load_pct=ceiling.table["ceiling_load_pct"].clip(upper=limit))
    pick = Pick(pick, tradeoff=None, sentences={}, rules={}, rests=None)
    return SimpleNamespace(sweat=fit, rules=Rules(), ceiling=ceiling, series=series, throw=None,
                           pick=pick, about=Evidence(fit, None, None, series).about)


def checked(capacity=14.0, seed=2, limit=None, wet_from=None, pots=1, heated=2, **fit):
    layout = even_layout(["wax"], LOADS, pots=pots, sweat=1, sweat_heat=heated,
                         limit_load_pct=limit)
    truth = Truth({"wax": BlendTruth(capacity)}, pot_sd=0.3, weighing_sd_g=0.0)
    series = simulate_series(layout, truth, seed)
    if wet_from is not None:
        grade = np.where(series.grades["load_pct"] >= wet_from, 3, 0)
        series = replace(series, grades=series.grades.assign(grade=pd.array(grade, "Int64")))
    return judged(series, **fit)


@pytest.fixture(scope="module")
def analysis():
    return checked(wet_from=15.0)


@pytest.fixture(scope="module")
def found(analysis):
    return next_step(analysis, seed=3)


def test_the_first_step_is_worth_it_and_brings_most_for_its_wax(found):
    table = found.table
    worth = table[table["gain_pct"] >= WORTH_PCT]
    score = worth["gain_pct"] / (worth["wax_g"] + 250.0 * worth["pots"])
    assert found.worth_it and found.step == table["step"].iloc[0]
    assert table["gain_pct"].iloc[0] >= WORTH_PCT and score.iloc[0] == score.max()
    now, after = found.steps["load now, and expected after it"].iloc[0].split("; ")
    assert f"is {now} now; on average it would become about {after}" in found.sentence


def test_costs_by_hand(found):
    for r in found.table.itertuples():
        grams = sum(1.05 * r.pots * r.pieces * 28.349523 / (1 + x / 100) for x in r.loads_pct)
        # the spare of the pot, and less than 6 g in a pour and 1 g in a pot by the steps of a scale
        more = r.wax_g - 1.05 * grams
        assert 0 <= more < r.pots * (1.05 * 6 * len(r.loads_pct) + 1)


@pytest.mark.parametrize("scale", ["g", "oz"])
def test_the_wax_of_a_step_is_what_its_plan_melts_and_no_less_than_its_pours_take(scale):
    plan = quick_plan(Wax("soft"), Fragrance("fig"), LOADS, start="2026-12-01", seed=1)
    plan = replace(plan, pouring=replace(plan.pouring, scale=scale, spare_pct=3.0))
    analysis = checked(wet_from=15.0)
    about = {**plan.to_dict(), "pours": [], "pieces": []}
    analysis.series = replace(analysis.series, plan=about, piece_g=plan.piece_g)
    table = next_step(analysis, seed=1).table
    assert len(table)
    for r in table.itertuples():
        grown = grow_plan(plan, r.loads_pct, start="2026-12-09", seed=2, blend="soft",
                          pieces=PieceNumbers(0, int(r.pieces), 0, 0, 0))
        melted = sum(grown.melt("P02").values())
        poured = sum(p.wax_g for p in grown.pour_rows if p.pot == "P02")
        assert r.wax_g == pytest.approx(r.pots * melted, abs=1e-9)
        unit = 28.349523125 / 10 if scale == "oz" else 1.0  # a step of the scale
        assert 1.03 * poured <= melted + 1e-9 < 1.03 * poured + unit + 1e-6  # the spare once


def test_the_expected_load_is_that_of_fits_to_drawn_grades():
    analysis = checked(wet_from=15.0, links=["logit"], draws=3000)
    case = module._Case(analysis)
    step = (module.OTHER, 0, (12.0, 14.0, 16.0), 4, 1)
    expected = case.judge([step], 400, 1500, 5).iloc[0]
    fit, rng, given = analysis.sweat, np.random.default_rng(6), []
    named, looks = fit.named, analysis.series.sweat()
    for draw in rng.choice(len(fit.weights), 24, p=fit.weights / fit.weights.sum()):
        spread, pot = named["spread"][draw, 0], rng.standard_normal() * named["sigma"][draw]
        rows = []
        for load in step[2]:
            eta = (load + pot - named["capacity"][draw, 0]) / spread + named["stress"][draw, 0]
            # at or above each grade, so the grade is how many of them a number falls under
            at = expit(eta - named["tau"][draw])
            rows += [(f"n-{load}-{i}", f"n-{load}", "n", "wax", load, "heat",
                      int((rng.random() < at).sum())) for i in range(4)]
        new = pd.DataFrame(rows, columns=[
            "code", "pour", "pot", "blend", "load_pct", "stress", "grade"])
        new = new.assign(test="sweat", assessor="A1", age_days=14.0)
        both = pd.concat([looks, new], ignore_index=True)
        table = find_ceiling(
            fit_sweat(both, {"wax": 12.0}, draws=2000, precise=None, links=["logit"])).table
        given.append(np.nan_to_num(table["ceiling_load_pct"].iloc[0], nan=float(case.none[0])))
    error = np.std(given) / np.sqrt(len(given))
    assert expected["given_after_pct"] == pytest.approx(np.mean(given), abs=3 * error + 0.1)


def test_where_the_limit_holds_the_load_it_stops():
    found = next_step(checked(wet_from=99.0, limit=6.25), seed=1)
    assert found.step == STOP and not found.worth_it
    assert found.sentence == ("Stop here: the load to use is held at 6.25 % (1 oz/lb) by "
                              "the wax maker's limit.")
    assert replace(found, limits={}).sentence == (
        "Stop here: more work would move the load by less than 0.3 points of load "
        "(% of wax).")


def test_every_limit_of_the_pick_holds_the_load_and_no_step_is_proposed_against_it():
    """5 % of the product is 5/95 = 5.26 % of wax, 10 % 11.1; only the wax maker's can be set aside.
    """
    free = checked(wet_from=15.0)

    def under(content):
        analysis = checked(wet_from=15.0)
        blends = analysis.series.blends.assign(limit_content_pct=content)
        analysis.series = replace(analysis.series, blends=blends)
        analysis.about = Evidence(analysis.sweat, None, None, analysis.series).about
        return next_step(analysis, seed=1)

    now = next_step(free, seed=1)
    assert now.worth_it and 6.25 < now.given_pct
    held = under(6.0)  # 6.38 % of wax
    assert not (held.worth_it or held.held_by_limit) and held.given_pct < now.given_pct
    assert held.sentence.startswith("Stop here: the load to use is held at 6.3 % (1 oz/lb) by the "
                                    "regulatory limit.")
    none = under(5.0)
    assert none.given_pct == 0.0 and none.sentence == (
        "Test loads up to 5.2 % (0.83 oz/lb), the regulatory limit: the lowest tested is 6.25 % "
        "(1 oz/lb).")
    smelt = replace(held, pair=(), limits={THROW_TESTED: held.given_pct, REGULATORY: 11.1})
    assert smelt.sentence.endswith(
        " by the highest load whose throw was scored; score higher ones.")


def looked_twice(**how):
    """Dry on day 3, and as the series is on day 14; sold on day 2."""
    series = checked(**how).series
    late = series.grades.assign(age_days=14.0)
    grades = pd.concat([late.assign(age_days=3.0, grade=0), late]).astype({"grade": "Int64"})
    both = judged(replace(series, grades=grades))
    both.rules = Rules(ship_age_days=2.0)
    both.ceiling = find_ceiling(both.sweat, both.rules)
    return both, next_step(both, seed=1)


def test_the_load_now_is_the_ceiling_at_the_age_of_sale():
    both, step = looked_twice(wet_from=15.0)
    now, late = (c.table["ceiling_load_pct"].iloc[0] for c in (
        both.ceiling, find_ceiling(both.sweat)))
    assert step.given_pct == pytest.approx(now) and late < now - 0.5
    both, step = looked_twice(wet_from=9.0, heated=4)
    assert step.given_pct == both.ceiling.table["ceiling_load_pct"].iloc[0] == 6.25
    assert step.sentence.startswith("Stop here: the load to use is held at 6.25 % (1 oz/lb) by "
                                    "pieces that sweated; check how they were")


def test_where_the_lowest_load_sweats_lower_ones_are_to_be_tested_as_the_report_says():
    """Pieces at every load tested sweated: no load is given now."""
    analysis = checked(wet_from=6.0)
    found = next_step(analysis, seed=1)
    assert found.step == STOP and found.given_pct == 0.0
    assert found.sentence == (
        "Test lower loads or more pots: not even the lowest tested, 6.25 % (1 oz/lb), is shown to "
        "be safe. Try 3.1 % (0.5 oz/lb) and 4.7 % (0.75 oz/lb): plan them as a quick check "
        "(scentlab quick).")
    assert what_to_test(analysis.series, analysis.ceiling, "wax").startswith(
        "wax: test lower loads or more pots; page Share, The next step, shows which ")
    now = found.steps["load now, and expected after it"]
    assert now.str.startswith("none now, one in ").all()


def test_dry_loads_without_throw_are_worth_a_pair_test():
    found = next_step(checked(wet_from=99.0, limit=9.375), seed=1)
    assert found.step == PAIR and found.pair == (6.25, 9.375)
    assert "a pair test would show it without more wax" in found.sentence
    smelt = checked(wet_from=99.0, limit=9.375)
    smelt.throw = SimpleNamespace(blends=())
    assert next_step(smelt, seed=1).pair == ()


def test_what_lies_beyond_is_said():
    found = next_step(checked(wet_from=99.0, heated=6, pots=2), seed=1)
    assert found.worth_it and max(found.table["loads_pct"].iloc[0]) > 18.75
    assert "is higher than anything tested so far" in found.sentence
    over = replace(found, limits={WAX_LIMIT: 10.0}).sentence
    assert "the wax maker's limit is 10.0 % (1.6 oz/lb)" in over.lower()
    assert "for testing only, not for sale" in over


def test_no_load_is_said_and_a_lower_pot_proposed():
    found = next_step(checked(wet_from=9.0), seed=1)
    assert found.given_pct == 0.0
    assert "no load can be given now" in found.sentence.lower() or "Stop here" in found.sentence
    assert min(found.table["loads_pct"].iloc[0]) < 9.0


def test_more_of_the_same_is_worth_less(found):
    later = next_step(checked(wet_from=15.0, pots=4, heated=6), seed=3)
    assert later.table["gain_pct"].max() < found.table["gain_pct"].max()
    assert re.match("<p><strong>(One|Two) more pot", found._repr_html_())


def test_what_is_planned_comes_before_any_step(analysis):
    """A pot that is poured and not graded, and one that is not poured."""
    pours = analysis.series.pours
    new = pours.iloc[:1].assign(pour="P02-1", pot="P02", load_pct=5.0)
    plan = {"pours": [{"pour": "P03-1", "pot": "P03", "blend": "wax", "load_pct": 4.0}],
            "pieces": [{"code": code, "pour": pour, "test": "sweat", "stress": "heat"}
                       for code, pour in (("901", "P02-1"), ("902", "P02-1"), ("903", "P03-1"))]}
    series = replace(analysis.series, plan=plan, pours=pd.concat([pours, new], ignore_index=True))
    found = next_step(SimpleNamespace(**{**vars(analysis), "series": series}), seed=1)
    assert found.step == WAIT and not found.worth_it and found.table.empty
    assert found.sentence == ("Grade what is poured (P02: 2 pieces) and pour what is planned "
                              "(P03); that will show what to do next.")
    assert found._repr_html_() == f"<p><strong>{found.sentence}</strong></p>"


def test_the_same_seed_gives_the_same(analysis, found):
    again = next_step(analysis, seed=3)
    pd.testing.assert_frame_equal(again.table, found.table)


def test_rounds_are_told_of(found):
    assert found.notes == ("Everything was poured in one round.",)


def test_a_seed_that_cannot_be(analysis):
    with pytest.raises(PlanError, match="seed"):
        next_step(analysis, seed=-1)

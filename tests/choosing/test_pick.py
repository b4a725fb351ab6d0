"""The pick: caps that nothing passes, the lowest load that will do, its words, what-if."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.analysis import analyse, what_if
from scentlab.choosing.ceiling import NONE, find_ceiling
from scentlab.choosing.pick import _highest_within, _steps, choose_load
from scentlab.choosing.rules import Rules
from scentlab.choosing.so_far import loads_so_far
from scentlab.fitting.sweat import fit_sweat, load_at_risk_draws
from scentlab.fitting.throw import throw_draws
from scentlab.results import FitError
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series
from scentlab.units import content_from_load, load_from_content

ALL_THROW = {"throw_loss": 0.1}  # the least that may be given up


def row(pick, blend="soft"):
    return pick.table.set_index("blend").loc[blend]


class TestCaps:
    def test_never_above_the_ceiling(self, analysis):
        for change in (ALL_THROW, {"confidence": 0.6, **ALL_THROW}):
            table = what_if(analysis, **change).table
            assert (table["load_pct"] <= table["ceiling_load_pct"]).all()

    @pytest.mark.parametrize("limit", [6.25, 7.99, 8.123456])
    def test_never_above_the_wax_makers_limit(self, with_blends, limit):
        evidence = replace(with_blends(limit_load_pct=limit), throw=None)
        pick = choose_load(evidence)
        assert (pick.table["load_pct"] <= limit).all()
        assert (pick.table["load_pct"] > limit - 0.1 - 1e-9).all()
        assert set(pick.table["held_by"]) == {"the wax maker's limit"}

    def test_an_ounce_to_the_pound_is_picked_and_said_as_such(self, with_blends):
        """1 oz to 16 oz of wax is 6.25 %, by the definition of the pound; not 6.2."""
        pick = choose_load(replace(with_blends(limit_load_pct=6.25), throw=None))
        assert (pick.table["load_pct"] == 6.25).all()
        said = pick.sentences["soft"]
        assert said.startswith("soft: use 6.25 % (1 oz/lb). Highest safe load: ")
        assert ", but the wax maker's limit is 6.25 % (1 oz/lb). " in said

    @pytest.mark.parametrize("limit", [6.1])
    def test_a_pick_at_the_limit_is_not_above_it(self, with_blends, limit):
        """61 steps of 0.1 are 6.1000000000000005 in binary."""
        evidence = replace(with_blends(limit_load_pct=limit), throw=None)
        pick = choose_load(evidence)
        assert (pick.table["load_pct"] <= limit).all()
        assert not any("is above" in note for note in pick.notes)

    def test_the_limit_is_set_aside_only_for_the_blend_named_and_said(self, with_blends):
        rules = Rules(
            throw_loss=0.1, override_blends=("soft",), override_reason="maker agreed 1 March"
        )
        pick = choose_load(with_blends(limit_load_pct=6.0), rules)
        assert row(pick)["load_pct"] > 6.0 and row(pick, "hard")["load_pct"] <= 6.0
        assert (
            "The wax maker's limit was set aside for soft. Reason given: maker agreed 1 March"
        ) in pick.notes
        assert (
            "The recommended load of soft is above the wax maker's limit: for testing only, not "
            "for sale, until the maker agrees."
        ) in pick.notes
        assert row(pick)["load_pct"] <= row(pick)["ceiling_load_pct"]

    def test_setting_aside_the_limit_of_an_unknown_blend(self, analysis):
        rules = Rules(override_blends=("none",), override_reason="a reason")
        with pytest.raises(FitError) as error:
            choose_load(analysis, rules)
        assert str(error.value) == (
            "there is no blend none; the limit can be set aside for soft, hard"
        )

    @pytest.mark.parametrize("content", [6.0])
    def test_regulatory_limit_is_of_the_finished_product(self, with_blends, content):
        """6 % of the product is 6.38 % of the wax; an override does not touch it."""
        rules = Rules(
            override_blends=("soft", "hard"), override_reason="maker agreed"
        )
        evidence = replace(with_blends(limit_content_pct=content), throw=None)
        pick = choose_load(evidence, rules)
        limit = load_from_content(content)
        assert limit == pytest.approx(100 * content / (100 - content))
        assert (pick.table["load_pct"] <= limit).all()
        assert (pick.table["load_pct"] > limit - 0.1).all()
        assert (content_from_load(pick.table["load_pct"].to_numpy()) <= content).all()
        assert set(pick.table["held_by"]) == {"the regulatory limit"}
        # 6.383 % is said no higher than it is.
        assert "but the regulatory limit is 6.3 % (1 oz/lb). " in pick.sentences["soft"]

    def test_never_above_the_loads_whose_throw_was_scored(self, analysis):
        throw = analysis.throw
        low = throw.tested.assign(highest_pct=6.5)
        evidence = replace(analysis, throw=replace(throw, tested=low))
        assert (choose_load(evidence, Rules(throw_loss=0.1)).table["load_pct"] <= 6.5).all()

    def test_a_cap_below_the_loads_tested(self, with_blends):
        pick = choose_load(with_blends(limit_load_pct=3.0))
        assert pick.table["load_pct"].isna().all()
        assert row(pick)["reason"].startswith(
            "no tested load is low enough: the wax maker's limit is 3.0 % (0.48 oz/lb) and the "
            "lowest load tested is "
        )
        assert pick.sentence.startswith("No load can be given for any blend. ")


class TestThrow:
    @pytest.mark.parametrize("loss", [0.3, 1.5])
    def test_the_lowest_load_that_will_do(self, analysis, loss):
        """Counted again from the draws, over all loads from the lowest to the highest allowed."""
        chosen = row(what_if(analysis, throw_loss=loss))
        top = np.floor(min(chosen["ceiling_load_pct"], 20.0) * 10) / 10
        loads = np.unique(np.round([*np.arange(5.0, top, 0.1), top], 6))
        loads = loads[loads >= analysis.throw.tested.set_index("blend").at["soft", "lowest_pct"]]
        draws = throw_draws(analysis.throw, "soft", loads)
        will_do = (draws.max(axis=1, keepdims=True) - draws <= loss).mean(axis=0)
        assert chosen["load_pct"] == pytest.approx(loads[np.argmax(will_do >= 0.8)])
        assert chosen["throw_chance"] >= 0.8

    def test_more_given_up_is_never_a_higher_load(self, analysis):
        loads = [row(what_if(analysis, throw_loss=x))["load_pct"] for x in (0.1, 0.5, 1.0, 3.0)]
        assert loads == sorted(loads, reverse=True) and loads[0] > loads[-1]

    def test_flat_throw_is_equivalence_and_the_lowest_load(self, analysis):
        throw = analysis.throw
        flat = np.random.default_rng(1).normal(0.0, 0.01, throw.rise.shape)
        chosen = row(choose_load(replace(analysis, throw=replace(throw, rise=flat))))
        assert chosen["load_pct"] == pytest.approx(5.0, abs=0.11)
        assert chosen["reason"].startswith("To your testers it smells the same as any load up to ")
        assert re.search(r" \(chance of a difference under half a point: "
                         r"(over 99|9\d) %\)\. Nothing ", chosen["reason"])

    def test_a_panel_that_cannot_tell_goes_up_and_says_what_would_help(self, analysis):
        throw = analysis.throw
        # +-6 for certain in size, with an even chance of either sign
        sign = np.where(np.arange(len(throw.rise)) % 2, 1.0, -1.0)
        either = 6.0 * np.tile(sign[:, None], (1, throw.rise.shape[1]))
        chosen = row(choose_load(replace(analysis, throw=replace(throw, rise=either))))
        assert chosen["load_pct"] == np.floor(chosen["ceiling_load_pct"] * 10) / 10
        assert chosen["reason"].startswith("The scores cannot settle which load from 5.")
        assert "More testers or another session would help" in chosen["reason"]

    def test_one_load_to_choose_from(self, with_blends):
        pick = choose_load(with_blends(limit_load_pct=5.0))
        assert (pick.table["load_pct"] == 5.0).all()
        assert row(pick)["reason"] == (
            "It is the lowest load tested, and as high as the wax maker's limit allows")

    def test_throw_scored_above_the_ceiling_only(self, analysis):
        throw = analysis.throw
        high = replace(throw, tested=throw.tested.assign(lowest_pct=11.0))
        chosen = row(choose_load(replace(analysis, throw=high)))
        assert chosen["reason"] == (
            "Hot throw was only scored from 11.0 % up, so this is as high as sweat allows")

    def test_without_throw_it_is_the_highest_load_and_says_so(self, analysis):
        pick = choose_load(replace(analysis, throw=None))
        chosen = row(pick)
        assert chosen["load_pct"] == pytest.approx(np.floor(chosen["ceiling_load_pct"] * 10) / 10)
        assert chosen["reason"] == "Hot throw was not scored, so this is as high as sweat allows"
        assert np.isnan(chosen["throw_behind"]) and pick.orders.empty
        assert (
            "No throw was scored: the answer cannot say whether less fragrance smells as strong."
        ) in pick.notes

    def test_throw_of_some_blends_only(self, analysis):
        series = analysis.series
        some = replace(series, throws=series.throws[series.throws["blend"] == "soft"])
        table = analyse(some, draws=300).pick.table.set_index("blend")
        assert table.at["hard", "reason"].startswith("Hot throw was not scored, so ")
        assert "not scored" not in table.at["soft", "reason"]
        assert table["load_pct"].notna().all() and table["throw"].notna().sum() == 1


class TestWords:
    def test_the_sentence(self, analysis):
        pick = analysis.pick
        first = pick.table.iloc[0]
        said = pick.sentence
        assert said.startswith(f"{first['blend']}: use {first['load_pct']:.1f} % (")
        sold = np.floor(10 * first["ceiling_load_pct"] + 1e-6) / 10  # never said too high
        assert f" oz/lb). Highest safe load: {sold:.1f} %. " in said
        wet = "None" if not first["stressed_wet"] else first["stressed_wet"]
        assert (
            f"{wet} of {first['stressed_below']} pieces at room temperature sweated (grade 2 or "
            f"more) at the loads tested up to {first['load_pct']:.1f} %"
        ) in said
        assert " that more than 5 % of pieces from new pots would sweat. " in said

    def test_short_sentences_without_words_of_statistics(self, analysis):
        for said in analysis.pick.sentences.values():
            words = [len(part.split()) for part in said.split(". ")]
            assert sum(words) / len(words) <= 20
            for bad in ("posterior", "quantile", "confidence", "nan", "assessor", "ceiling"):
                assert bad not in said


class TestMeasures:
    def test_chance_of_oversaturation(self, analysis):
        for r in analysis.pick.table.itertuples():
            b = analysis.sweat.blends.index(r.blend)
            own = load_at_risk_draws(analysis.sweat, 0.05, 2)[:, b]
            assert r.p_over == pytest.approx(analysis.sweat.weights @ (own < r.load_pct))
            assert r.p_over <= 0.05 + 1e-9

    def test_cost_by_hand(self, analysis):
        """20 g at 5 % of total: 19 g of wax at 8 and 1 g of fragrance at 40 a kilogram."""
        for r in analysis.pick.table.itertuples():
            share = r.content_pct / 100
            assert r.cost_per_piece == pytest.approx(0.020 * (8 * (1 - share) + 40 * share))

    def test_content_of_the_load(self, analysis):
        table = analysis.pick.table
        assert table["content_pct"].to_numpy() == pytest.approx(
            content_from_load(table["load_pct"].to_numpy())
        )

    def test_tradeoff_covers_the_loads_tested(self, analysis):
        table = analysis.pick.tradeoff
        assert set(table["load_pct"].round()) == {5, 7, 9, 11, 13}
        for _, own in table.groupby("blend"):
            assert np.all(np.diff(own["sweat_risk"]) > 0) and np.all(np.diff(own["p_over"]) >= 0)


@pytest.mark.parametrize("all_of", [0.0, 10.0])
def test_a_throw_and_its_limits_keep_to_the_scale(analysis, all_of):
    throws = analysis.series.throws.assign(throw=all_of)
    found = analyse(replace(analysis.series, throws=throws), draws=200, precise=None)
    names = ["throw", "throw_lower", "throw_upper"]
    for table in (found.pick.table, found.pick.tradeoff):
        told = table[names].dropna().to_numpy()
        assert len(told) and told.min() >= 0.0 and told.max() <= 10.0


def test_a_blend_without_a_load_comes_last(with_blends):
    pick = choose_load(with_blends(limit_load_pct=[3.0, 20.0]))
    assert list(pick.table["blend"]) == ["hard", "soft"]
    assert list(pick.table["rank"]) == [1, 2]


class TestNotes:
    def test_unknown_limits_are_said(self, with_blends):
        notes = choose_load(with_blends(limit_load_pct=[np.nan, 20.0])).notes
        assert (
            "No regulatory limit of the fragrance is known for hard: look it up before selling."
        ) in notes

    def test_a_blend_without_a_grade_is_named(self, analysis):
        """It is in no table, and would be missed by nobody."""
        more = analysis.series.blends.iloc[:1].assign(blend="third")
        series = replace(analysis.series, blends=pd.concat([analysis.series.blends, more]))
        pick = choose_load(replace(analysis, series=series))
        assert pick.notes[0] == "No piece of third has a sweat grade yet, so it has no load."
        assert not any("sweat grade yet" in note for note in choose_load(analysis).notes)
        with pytest.raises(FitError, match="^there is no answer for a blend 'third', only for "):
            pick.of("third")

    def test_no_limit_known_at_all(self, with_blends):
        pick = choose_load(with_blends(limit_load_pct=None))
        assert pick.table["load_pct"].notna().all()

    def test_no_frost(self, analysis):
        notes = choose_load(replace(analysis, frost=None)).notes
        assert "No frost was graded: the answer ignores frost." in notes


class TestWhatIf:
    @pytest.mark.parametrize("change", [{"limit_grade": 3, "confidence": 0.8}])
    def test_it_equals_a_fresh_choice(self, analysis, change):
        rules = Rules(**change)
        fresh = choose_load(analysis, rules, find_ceiling(analysis.sweat, rules))
        got = what_if(analysis, **change)
        pd.testing.assert_frame_equal(got.table, fresh.table)
        pd.testing.assert_frame_equal(got.tradeoff, fresh.tradeoff)
        assert got.sentences == fresh.sentences and got.notes == fresh.notes

    def test_a_rule_is_said_as_it_was_set(self, analysis):
        """Rounded to whole per cents it would be another, stricter or milder rule."""
        rules = Rules(risk=0.005, confidence=0.975)
        pick, safe = choose_load(analysis, rules), find_ceiling(analysis.sweat, rules)
        said = loads_so_far(replace(analysis, rules=rules, pick=pick, ceiling=safe)).answer
        assert "at most 0.5 % chance" in safe.sentence and "97.5 % sure" in safe.sentence
        assert "97.5 % sure" in said
        for words in (pick.sentence, safe.sentence, said):
            assert "under 1 %" not in words and "98 %" not in words


class TestAnalysis:
    def test_same_seed_same_pick(self, analysis):
        again = analyse(analysis.series, analysis.rules, draws=analysis.draws)
        pd.testing.assert_frame_equal(again.pick.table, analysis.pick.table)

    def test_sweat_alone_is_enough_and_the_rest_is_noted(self, analysis):
        series = analysis.series
        bare = replace(
            series,
            grades=series.grades[series.grades["test"] == "sweat"],
            throws=series.throws.iloc[:0],
        )
        found = analyse(bare, draws=400)
        assert found.throw is None and found.frost is None
        assert found.notes == (
            "There are no frost grades to fit; grade some pieces first.",
            "There are no hot throw scores to fit; kinds scored: none; score hot throw at two or "
            "more loads of a blend.",
        )
        assert found.pick.table["load_pct"].notna().all()

    def test_no_sweat_no_pick(self, analysis):
        grades = analysis.series.grades
        series = replace(analysis.series, grades=grades[grades["test"] == "frost"])
        with pytest.raises(FitError) as error:
            analyse(series)
        assert str(error.value).startswith(
            "no load can be given, because there are no sweat grades to fit; grade some pieces "
            "first. Change in hot throw on the 0-10 scale from "
        )

    def test_no_load_qualifies(self, looks_of, analysis):
        fit = fit_sweat(looks_of(lambda *a: 3), {"soft": 10.0}, draws=400, precise=None)
        evidence = replace(analysis, sweat=fit, throw=None, frost=None)
        pick = choose_load(evidence)
        assert find_ceiling(fit).of("soft")["state"] == NONE
        assert pick.sentence.startswith(
            "No load can be given for any blend. soft: no load is shown to be safe yet: none "
            "tested keeps the risk of sweat grade 2 under 5 %. "
        )


def test_the_loads_to_choose_from():
    """Planned at 5, weighed at 4.94: 4.9 would lie outside the loads tested."""
    assert [_steps(x, 5.25).tolist() for x in (4.94, 5.0, 5.04)] == [
        [5.0, 5.1, 5.2, 5.25], [5.0, 5.1, 5.2, 5.25], [5.1, 5.2, 5.25]]
    assert _steps(4.94, 4.9).tolist() == [4.9]  # the ceiling is there; a pour counts to a tenth


def test_the_highest_load_that_a_limit_admits():
    """6.25 and 9.375 % are 1 and 1.5 oz to the pound; what nobody types goes down to a tenth."""
    loads = (6.25, 9.375, 7.99, 9.8342, 6.1, 6.382978723404255)
    assert [_highest_within(x) for x in loads] == [6.25, 9.375, 7.99, 9.8, 6.1, 6.3]


def test_sweat_of_pieces_kept_otherwise_is_not_told_as_none():
    layout = even_layout(["soft"], [6, 8, 10], pots=2, sweat=2, sweat_heat=2)
    series = simulate_series(layout, Truth({"soft": BlendTruth(20.0)}), seed=1)
    wet = (series.grades["stress"] == "rest") & (series.grades["load_pct"] > 9)
    series = replace(series, grades=series.grades.assign(grade=np.where(wet, 3, 0)))
    pick = analyse(series, Rules(stress="heat"), draws=200, precise=None).pick
    assert row(pick)["load_pct"] > 0 and "No piece sweated" not in pick.sentence

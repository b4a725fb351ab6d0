"""The bleed fit: recovery, identities, open intervals and refusals in full.

What it computes is held to published breaks in tests/maths/test_hinge.py.
"""

import json

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from scentlab.fitting.bleed import (
    INSIDE,
    NO_LEVEL,
    NO_RISE,
    bleed_curve,
    capacity_drop,
    fit_bleed,
    say_open,
)
from scentlab.results import FitError, Result
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth({"soft": BlendTruth(9.5), "hard": BlendTruth(12.5)})
LOADS = (5, 7, 9, 11, 13, 15)


def weighed(truth=TRUTH, loads=LOADS, pots=2, bleed=2, seed=3):
    layout = even_layout(list(truth.blends), loads, pots=pots, sweat=0, bleed=bleed)
    return simulate_series(layout, truth, seed).bleeds


@pytest.fixture(scope="module")
def bleeds():
    return weighed()


@pytest.fixture(scope="module")
def fit(bleeds):
    return fit_bleed(bleeds)


def only(bleeds, blend):
    return bleeds[bleeds["blend"] == blend].reset_index(drop=True)


class TestRecovery:
    def test_within_four_standard_errors(self, fit):
        table = fit.table.set_index("parameter")
        for name, truth in (
            ("capacity of soft by bleed", 9.5),
            ("capacity of hard by bleed", 12.5),
            ("bleed below it, soft", 4.0),
            ("rise beyond it, soft", 6.0),
            ("rise beyond it, hard", 6.0),
        ):
            row = table.loc[name]
            assert abs(row["estimate"] - truth) < 4 * row["se"], name
        assert fit.joins["state"].tolist() == [INSIDE, INSIDE]

    def test_error_of_a_mean_of_two(self):
        sds = [fit_bleed(weighed(seed=s), draws=50).sd_error for s in range(8)]
        # 1.2 mg a piece, two pieces a pour, and 0.05 g of weighing: 0.86 mg.
        expected = np.sqrt(1.2**2 / 2 + (6.0 * 100 * 0.058 / 200) ** 2 / 2)
        assert np.sqrt(np.mean(np.square(sds))) == pytest.approx(expected, rel=0.2)

    def test_intervals_hold_the_truth_as_often_as_they_say(self):
        """Of the floor too: two pots a blend tell little of how pots differ, so that normal tails
        would hold it in three series of four."""
        inside = {"capacity": 0, "floor": 0}
        for seed in range(30):
            table = fit_bleed(weighed(seed=seed), draws=200).table.set_index("parameter")
            for blend, capacity in (("soft", 9.5), ("hard", 12.5)):
                for what, name, truth in (
                    ("capacity", f"capacity of {blend} by bleed", capacity),
                    ("floor", f"bleed below it, {blend}", 4.0),
                ):
                    row = table.loc[name]
                    inside[what] += row["lower"] <= truth <= row["upper"]
        low, high = stats.binom.ppf([0.0025, 0.9975], 60, 0.90)
        assert low <= inside["capacity"] <= high
        # One estimate of the pots' differences serves both blends.
        assert low <= inside["floor"]

    def test_standard_error_is_that_of_the_estimates(self):
        """One blend: six contrasts within its two pots, where t is far from normal."""
        one = Truth({"soft": BlendTruth(9.5)})
        fits = [fit_bleed(weighed(one, seed=s), draws=50) for s in range(40)]
        rows = pd.DataFrame([f.table.iloc[0] for f in fits]).dropna()
        ratio = np.sqrt(np.mean(rows["se"] ** 2)) / rows["estimate"].std()
        assert ratio == pytest.approx(1.0, abs=3 / np.sqrt(2 * len(rows)))


class TestIdentities:
    def test_ten_times_the_oil(self, bleeds, fit):
        more = fit_bleed(bleeds.assign(bleed_mg=10 * bleeds["bleed_mg"]))
        assert more.joins["join_pct"].tolist() == pytest.approx(fit.joins["join_pct"].tolist())
        assert more.joins["lower_pct"].tolist() == pytest.approx(fit.joins["lower_pct"].tolist())
        assert more.floor == pytest.approx(10 * fit.floor, rel=1e-5, abs=1e-3)
        assert more.slope == pytest.approx(10 * fit.slope, rel=1e-5, abs=1e-3)
        assert more.sd_error == pytest.approx(10 * fit.sd_error)
        assert more.profile["drop"].to_numpy() == pytest.approx(
            fit.profile["drop"].to_numpy(), abs=1e-6
        )

    def test_order_of_rows_and_names(self, bleeds, fit):
        other = bleeds.sample(frac=1.0, random_state=1).reset_index(drop=True)
        other["blend"] = other["blend"].map({"soft": "a", "hard": "b"})
        here, there = fit_bleed(other).joins.set_index("blend"), fit.joins.set_index("blend")
        for one, two in (("a", "soft"), ("b", "hard")):
            values = here.loc[one, ["join_pct", "lower_pct", "upper_pct"]].tolist()
            assert values == pytest.approx(
                there.loc[two, ["join_pct", "lower_pct", "upper_pct"]].tolist(), abs=1e-6
            )

    def test_pieces_of_a_pour_are_not_independent(self, bleeds, fit):
        twice = pd.concat([bleeds, bleeds.assign(code=bleeds["code"] + "x")])
        again = fit_bleed(twice).joins
        assert again["lower_pct"].tolist() == pytest.approx(fit.joins["lower_pct"].tolist())

    def test_same_seed_same_draws(self, bleeds, fit):
        assert np.array_equal(fit_bleed(bleeds).join, fit.join)
        assert not np.array_equal(fit_bleed(bleeds, seed=2).join, fit.join)

    def test_to_data_and_back(self, fit):
        back = Result.from_dict(json.loads(json.dumps(fit.to_dict())))
        assert back.sentence == fit.sentence
        pd.testing.assert_frame_equal(back.table, fit.table)


class TestCurveAndProfile:
    def test_curve_bends_at_the_join(self, fit):
        frame = bleed_curve(fit, "soft", [6.0, 8.0, 12.0, 14.0])
        level = frame["bleed_mg"].iloc[:2]
        assert level.iloc[0] == pytest.approx(level.iloc[1], abs=0.05)
        rise = frame["bleed_mg"].iloc[3] - frame["bleed_mg"].iloc[2]
        assert rise == pytest.approx(12.0, abs=1.5)
        assert (frame["lower"] < frame["bleed_mg"]).all()
        assert (frame["bleed_mg"] < frame["upper"]).all()

    def test_nothing_outside_the_loads_tested(self, fit):
        assert bleed_curve(fit, "soft", [4.0, 17.0])[["bleed_mg", "lower", "upper"]].isna().all(
            axis=None
        )

    def test_drop_bounds_the_interval(self, bleeds, fit):
        at_95 = fit_bleed(bleeds, confidence=0.95)
        for row in at_95.joins.itertuples():
            ends = capacity_drop(fit, row.blend, [row.lower_pct, row.join_pct, row.upper_pct])
            # Between the points of the profile the drop is interpolated.
            assert ends == pytest.approx([1.9207, 0.0, 1.9207], abs=0.15)

    def test_unknown_blend(self, fit):
        with pytest.raises(FitError) as error:
            bleed_curve(fit, "odd", [9.0])
        assert str(error.value) == "no blend is called 'odd'; weighed were soft, hard"

    @pytest.mark.parametrize("lower, upper, words", [
        (9.46, 9.91, "9.5 to 9.9"), (5.1, np.inf, "from 5.1, open above"),
        (-np.inf, 8.0, "up to 8.0, open below"), (-np.inf, np.inf, "open on both sides"),
    ])
    def test_open_sides_in_words(self, lower, upper, words):
        assert say_open(lower, upper) == words


class TestWords:
    def test_sentence(self, fit):
        soft, hard = fit.joins.itertuples()
        assert fit.sentence.startswith("Bleed in 24 h at 38 °C begins to rise at: "
                                       f"soft {soft.join_pct:.1f} %")
        for row in (soft, hard):
            assert f"90 % interval {row.lower_pct:.1f} to {row.upper_pct:.1f}" in fit.sentence
        assert "% of wax (" in fit.sentence and "% of total)" in fit.sentence
        assert fit.notes == ()


class TestOpenIntervals:
    def test_all_loads_below_the_capacity(self):
        """By chance alone a rise is seen in some, as in one of twenty."""
        truth = Truth({"soft": BlendTruth(40.0)})
        fits = [fit_bleed(weighed(truth, seed=seed)) for seed in range(10, 20)]
        unending = [fit for fit in fits if fit.joins["upper_pct"][0] == np.inf]
        assert len(unending) >= 6
        for fit in unending:
            row = fit.joins.iloc[0]
            assert np.isnan(fit.table["se"][0])
            assert say_open(row["lower_pct"], row["upper_pct"]) in fit.sentence

    def test_no_rise_at_all(self):
        falling = only(weighed(), "soft")
        falling = falling.assign(bleed_mg=9.0 - 0.3 * falling["load_pct"])
        falling["bleed_mg"] += 0.1 * np.random.default_rng(1).normal(size=len(falling))
        fit = fit_bleed(falling)
        assert fit.joins["state"].tolist() == [NO_RISE]
        highest = fit.tested["highest_pct"][0]
        words = f"{highest:.1f} % of wax ({100 * highest / (100 + highest):.1f} % of total)"
        assert fit.notes == (
            f"The bleed of soft does not rise up to {words}: its half-sweat load by bleed is "
            "bounded from below at most.",
        )
        assert f"soft no load up to {words}, 90 % interval" in fit.sentence
        assert (bleed_curve(fit, "soft", [6.0, 14.0])["bleed_mg"] > 0).all()

    def test_all_loads_above_the_capacity(self):
        fit = fit_bleed(weighed(Truth({"soft": BlendTruth(1.0)}), seed=4))
        assert fit.joins["lower_pct"][0] == -np.inf
        lowest = fit.tested["lowest_pct"][0]
        assert fit.notes == (
            f"The bleed of soft may rise from the lowest load weighed, {lowest:.1f} % of wax "
            f"({100 * lowest / (100 + lowest):.1f} % of total): the interval of its half-sweat "
            "load is open below; weigh bleed at lower loads.",
        )

    def test_a_straight_line_through_the_data(self):
        straight = only(weighed(), "soft")
        fit = fit_bleed(straight.assign(bleed_mg=2.0 * straight["load_pct"]))
        assert fit.joins["state"].tolist() == [NO_LEVEL]

    def test_an_exact_hinge(self):
        """Synthetic: break 8, slope 0.05."""
        loads = np.arange(4.0, 13.0)
        frame = pd.DataFrame({
            "code": [f"{i}" for i in range(9)], "pour": [f"P{i}" for i in range(9)], "pot": "K",
            "blend": "soft", "load_pct": loads, "hours": 24.0, "temp_c": 38.0,
            "bleed_mg": [0.02, 0.02, 0.02, 0.02, 0.02, 0.07, 0.12, 0.17, 0.22],
        })
        fit = fit_bleed(frame)
        row = fit.joins.iloc[0]
        assert (row["lower_pct"], row["join_pct"], row["upper_pct"]) == pytest.approx((8, 8, 8))
        assert bleed_curve(fit, "soft", [12.0])["bleed_mg"][0] == pytest.approx(0.22)
        assert fit.sd_error == 0.0


class TestConditions:
    def test_only_the_most_common_is_fitted(self, bleeds, fit):
        short = only(bleeds, "soft").assign(hours=6.0, bleed_mg=1.0)
        mixed = fit_bleed(pd.concat([short, bleeds], ignore_index=True))
        assert (mixed.hours, mixed.temp_c) == (24.0, 38.0)
        assert mixed.joins["join_pct"].tolist() == pytest.approx(fit.joins["join_pct"].tolist())
        assert mixed.notes == (
            "Bleed was weighed under 2 conditions; only the most common, in 24 h at 38 °C, is "
            "fitted, and 24 of 72 weighings were left out.",
        )

    def test_not_recorded(self, bleeds, fit):
        other = fit_bleed(bleeds.assign(hours=np.nan, temp_c=np.nan))
        assert other.sentence == fit.sentence.replace(" in 24 h at 38 °C", "")
        assert np.isnan(other.hours) and np.isnan(other.temp_c)


class TestDegenerate:
    def test_no_weighing(self, bleeds):
        for frame in (bleeds.iloc[:0], bleeds.assign(bleed_mg=np.nan)):
            with pytest.raises(FitError) as error:
                fit_bleed(frame)
            assert str(error.value) == (
                "there is no bleed to fit; weigh blotters, or leave bleed out"
            )

    def test_missing_values_are_said(self, bleeds):
        some = bleeds.copy()
        some.loc[:2, "bleed_mg"] = np.nan
        assert fit_bleed(some).notes == (
            "3 bleed weighings have no value or no weighed load and were left out.",
        )

    def test_two_loads(self, bleeds):
        with pytest.raises(FitError) as error:
            fit_bleed(bleeds[bleeds["load_pct"] < 8])
        assert str(error.value) == (
            "bleed was weighed at too few loads: soft (2), hard (2); a join needs at least 3 loads "
            "of a blend"
        )

    def test_two_loads_of_one_blend(self, bleeds):
        few = bleeds[(bleeds["blend"] == "soft") | (bleeds["load_pct"] < 8)]
        fit = fit_bleed(few)
        assert fit.blends == ("soft",)
        assert fit.notes == (
            "Bleed was weighed at fewer than 3 loads of hard (2): left out of the fit.",
        )

    def test_as_many_parameters_as_pours(self, bleeds):
        few = only(bleeds, "soft").drop_duplicates("pour").iloc[[0, 2, 4]]
        with pytest.raises(FitError) as error:
            fit_bleed(few)
        assert str(error.value) == (
            "3 pours with a weighed bleed cannot settle a floor, a rise and a join of each of 1 "
            "blends; weigh more pours"
        )

    def test_one_pot(self):
        assert fit_bleed(weighed(pots=1)).notes == (
            "Bleed was weighed in one pot of each blend, so how it differs between pots is not "
            "known: the interval of a half-sweat load holds for that pot.",
        )

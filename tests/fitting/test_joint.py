"""Sweat and bleed together: what is gained, what is refused, and who is believed in a conflict."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from scentlab.fitting.bleed import capacity_drop, fit_bleed
from scentlab.fitting.joint import _drawn_anew, join_evidence
from scentlab.fitting.sweat import fit_sweat
from scentlab.maths.graded import CapacityPrior
from scentlab.maths.sampling import weighted_quantile
from scentlab.results import FitError, Result
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth({"soft": BlendTruth(9.5), "hard": BlendTruth(12.0)})


def simulated(seed, bleed=2):
    layout = even_layout(list(TRUTH.blends), [5, 7, 9, 11, 13, 15], pots=2, sweat=4, bleed=bleed)
    return simulate_series(layout, TRUTH, seed)


def fitted(series, draws=1000):
    return fit_sweat(series.sweat(), draws=draws), fit_bleed(series.bleeds, draws=200)


@pytest.fixture(scope="module")
def fits():
    return fitted(simulated(1))


@pytest.fixture(scope="module")
def joint(fits):
    return join_evidence(*fits)


def limits(fit, blend, at=(0.05, 0.5, 0.95)):
    capacity = fit.named["capacity"][:, fit.blends.index(blend)]
    return weighted_quantile(capacity, fit.weights, at)


class TestGain:
    def test_narrower_for_every_blend(self, fits, joint):
        assert joint.table["used"].all() and (joint.table["gain"] > 0).all()
        for row in joint.table.itertuples():
            before = np.ptp(limits(fits[0], row.blend))
            after = np.ptp(limits(joint.sweat, row.blend))
            assert row.gain == pytest.approx(1 - after / before)
            assert (row.width_before_pct, row.width_after_pct) == pytest.approx((before, after))

    def test_truth_is_found(self, joint):
        for row in joint.table.itertuples():
            truth = TRUTH.blends[row.blend].capacity
            se = row.width_after_pct / (2 * stats.norm.ppf(0.95))
            assert abs(row.estimate_pct - truth) < 4 * se

    def test_two_witnesses_by_hand(self, fits, joint):
        """Bayes's rule on a grid: the sweat's density of a capacity, as smooth as a normal kernel
        makes it, times the likelihood of the bleed. (What one blend tells of another is not in
        it.)"""
        for row in joint.table.itertuples():
            grid = np.linspace(5.0, 15.0, 2001)
            capacity = fits[0].named["capacity"][:, fits[0].blends.index(row.blend)]
            density = stats.gaussian_kde(capacity, 0.15, fits[0].weights)(grid)
            density *= np.exp(-capacity_drop(fits[1], row.blend, grid))
            lower, middle, upper = weighted_quantile(grid, density, (0.05, 0.5, 0.95))
            assert row.estimate_pct == pytest.approx(middle, abs=0.25 * (upper - lower))
            assert row.width_after_pct == pytest.approx(upper - lower, rel=0.2)

    def test_the_joint_fit_is_a_sweat_fit(self, fits, joint):
        assert joint.sweat.weights.sum() == pytest.approx(1.0)
        assert joint.sweat.links["weight"].sum() == pytest.approx(1.0)
        assert len(joint.sweat.draws) == len(joint.sweat.weights) == len(joint.sweat.draw_link)
        assert joint.sweat.effective_size >= 100 and joint.sweat.k_hat < 0.7
        assert joint.sweat.counts is fits[0].counts


class TestDraws:
    def test_new_draws_and_new_weights_agree(self):
        """A blunt bleed can be had both ways."""
        series = simulated(2)
        noise = np.random.default_rng(1).normal(size=len(series.bleeds))
        blunt = series.bleeds.assign(bleed_mg=series.bleeds["bleed_mg"] + 12 * noise)
        sweat = fit_sweat(series.sweat(), draws=4000)
        bleed = fit_bleed(blunt, draws=50)
        weighed = join_evidence(sweat, bleed)
        assert not weighed.redrawn
        blends = list(weighed.table.loc[weighed.table["used"], "blend"])
        drawn = _drawn_anew(sweat, bleed, blends, seed=1)
        for blend in sweat.blends:
            assert limits(drawn, blend) == pytest.approx(
                limits(weighed.sweat, blend), abs=0.25 * np.ptp(limits(sweat, blend))
            )

    def test_a_sharp_bleed_is_drawn_anew(self):
        series = simulated(3)
        sharp = series.bleeds.assign(
            bleed_mg=4.0 + 6.0 * np.maximum(
                0.0, series.bleeds["load_pct"]
                - series.bleeds["blend"].map({"soft": 9.5, "hard": 12.0})
            ) + 0.3 * np.random.default_rng(1).normal(size=len(series.bleeds))
        )
        joint = join_evidence(fit_sweat(series.sweat(), draws=2000), fit_bleed(sharp, draws=50))
        assert joint.redrawn and joint.sweat.effective_size > 100
        assert joint.table["used"].all() and (joint.table["width_after_pct"] < 0.5).all()

    def test_same_seed_same_answer(self, fits, joint):
        pd.testing.assert_frame_equal(join_evidence(*fits).table, joint.table)


@pytest.fixture(scope="module")
def moved():
    """Bleed of the one blend as if its capacity lay 4 points lower."""
    series = simulated(1)
    shift = 4.0 * (series.bleeds["blend"] == "hard")
    bleeds = series.bleeds.assign(load_pct=series.bleeds["load_pct"] - shift)
    sweat, bleed = fit_sweat(series.sweat(), draws=1000), fit_bleed(bleeds, draws=200)
    return sweat, bleed, join_evidence(sweat, bleed)


class TestConflict:
    def test_the_sweat_alone_is_used_for_that_blend(self, moved):
        sweat, _, joint = moved
        table = joint.table.set_index("blend")
        assert table["used"].to_dict() == {"soft": True, "hard": False}
        assert table.at["hard", "apart"] < -2 and abs(table.at["soft", "apart"]) < 2
        # What the soft blend tells still reaches the other through what they share.
        assert limits(joint.sweat, "hard")[1] == pytest.approx(limits(sweat, "hard")[1], abs=0.6)
        assert table.at["soft", "gain"] > 0

    def test_it_is_said(self, moved):
        sweat, bleed, joint = moved
        lower, middle, upper = limits(sweat, "hard")
        row = bleed.joins.set_index("blend").loc["hard"]
        apart = abs(joint.table.set_index("blend").at["hard", "apart"])
        assert joint.notes == (
            f"Sweat and bleed disagree on the half-sweat load of hard: {middle:.1f} % of wax by "
            f"sweat ({lower:.1f} to {upper:.1f}) and {row['join_pct']:.1f} % by bleed "
            f"({row['lower_pct']:.1f} to {row['upper_pct']:.1f}), {apart:.1f} standard errors "
            "apart. The sweat grades alone are used for it; look for a blotter or a temperature "
            "that was not as planned.",
        )
        assert "(sweat alone: the two disagree)" in joint.sentence

    def test_a_bleed_that_says_nothing_does_not_disagree(self, fits):
        series = simulated(1)
        level = series.bleeds.assign(
            bleed_mg=4.0 + np.random.default_rng(1).normal(size=len(series.bleeds))
            - 0.2 * series.bleeds["load_pct"]
        )
        joint = join_evidence(fits[0], fit_bleed(level, draws=50))
        # Falling bleed admits any capacity, with however small a rise.
        assert (joint.table["apart"].abs() < 2).all() and joint.table["used"].all()
        assert (joint.table["gain"].abs() < 0.25).all()


class TestEdges:
    def test_a_blend_without_bleed(self, fits):
        series = simulated(1)
        soft = series.bleeds[series.bleeds["blend"] == "soft"]
        joint = join_evidence(fits[0], fit_bleed(soft, draws=50))
        assert joint.notes == (
            "No bleed could be fitted for hard: its half-sweat load rests on sweat.",
        )
        assert joint.table.set_index("blend")["used"].to_dict() == {"soft": True, "hard": False}

    def test_no_blend_in_common(self, fits):
        other = simulated(1).bleeds.assign(blend="odd")
        with pytest.raises(FitError) as error:
            join_evidence(fits[0], fit_bleed(other, draws=50))
        assert str(error.value) == (
            "sweat was graded for soft, hard and bleed weighed for odd: no blend has both"
        )

    def test_priors_that_cannot_be_made_again(self):
        """With a prior of the caller's own the draws can only be weighed."""
        series = simulated(3)
        own = CapacityPrior(capacity_centre=(9.0, 12.0), spread_median=2.0)
        sweat = fit_sweat(series.sweat(), prior=own, draws=300)
        with pytest.raises(FitError) as error:
            join_evidence(sweat, fit_bleed(series.bleeds, draws=50))
        assert str(error.value) == (
            "too few draws of the sweat fit agree with the bleed, and its priors cannot be made "
            "again for more; fit sweat with prior='weak'"
        )

    def test_to_data_and_back(self, joint):
        back = Result.from_dict(json.loads(json.dumps(joint.to_dict())))
        assert back.sentence == joint.sentence
        pd.testing.assert_frame_equal(back.table, joint.table)
        assert back.sweat.table.equals(joint.sweat.table)

    def test_sentence_says_load_interval_and_gain(self, joint):
        row = joint.table.iloc[0]
        assert joint.sentence.startswith(
            f"Half-sweat load by sweat and bleed together: soft {row['estimate_pct']:.1f} % of wax "
        )
        words = f"{100 * row['gain']:.0f} % narrower than by sweat alone"
        assert f"({words})" in joint.sentence

"""Simulated series against their own truth, computed another way."""

import numpy as np
import pandas as pd
import pytest
from hostile import Hostile
from scipy import stats
from warmed import RATE, VOLATILE, warmed

from scentlab.simulate import BlendTruth, Truth, even_layout, layout_of_plan, simulate_series

BLENDS = {"soft": BlendTruth(9.0), "hard": BlendTruth(12.0)}
# Scaled to the variance of the logistic, pi^2 / 3; "skewed" has mean 0.
LATENT = {
    "logit": stats.logistic(),
    "probit": stats.norm(scale=np.pi / np.sqrt(3)),
    "skewed": stats.gumbel_r(-np.sqrt(2) * np.euler_gamma, np.sqrt(2)),
}


class TestLoadAtRisk:
    @pytest.mark.parametrize("latent", LATENT)
    def test_without_pots_it_is_a_quantile(self, latent):
        truth = Hostile(BLENDS, spread=0.7, pot_sd=0.0, latent=latent)
        expected = 9.0 + 0.7 * (1.5 - LATENT[latent].isf(0.05))
        assert truth.load_at_risk("soft") == pytest.approx(expected, abs=1e-6)

    def test_probit_with_pots_has_a_closed_form(self):
        truth = Hostile(BLENDS, spread=0.7, pot_sd=1.1, latent="probit")
        scale = np.sqrt(np.pi**2 / 3 + 1.1**2)
        expected = 12.0 + 0.7 * (3.0 - 1.0 + scale * stats.norm.ppf(0.1))
        got = truth.load_at_risk("hard", risk=0.1, limit_grade=3, stress="heat")
        assert got == pytest.approx(expected, abs=1e-6)

    @pytest.mark.parametrize("changes", [
        *({"latent": latent} for latent in [*LATENT, "step"]),
        {"worse_lot": 1 / 3, "worse_shift": -1.5}, {"sweat_pour_sd": 0.7},
        {"spreads": {"soft": 1.5}}, {},
    ])  # fmt: skip
    def test_pieces_of_new_pots_reach_the_grade_that_often(self, changes):
        """20,000 pieces, each of a pot of its own, at the load at risk: 5 % within 4 errors."""
        kind = Hostile if changes else Truth
        truth = kind(BLENDS, pot_sd=1.0, weighing_sd_g=0.0, **changes)
        load = truth.load_at_risk("soft")
        layout = even_layout(["soft"], [load], pots=20000, sweat=1, wax_g=1e6)
        share = (simulate_series(layout, truth, 5).sweat()["grade"] >= 2).mean()
        assert share == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 20000))

    def test_step_with_pots_has_a_closed_form(self):
        """Only pots differ: their normal quantile."""
        truth = Hostile(BLENDS, spread=0.7, pot_sd=1.2, latent="step")
        expected = 9.0 + 0.7 * (1.5 + 1.2 * stats.norm.ppf(0.05))
        assert truth.load_at_risk("soft") == pytest.approx(expected, abs=1e-6)


def test_a_hostile_truth_that_is_not_is_the_honest_one():
    layout = even_layout(["soft", "hard"], [6, 9, 12], sweat=3, sweat_heat=2, frost=1)
    honest, other = (simulate_series(layout, kind(BLENDS), 7) for kind in (Truth, Hostile))
    pd.testing.assert_frame_equal(honest.grades, other.grades)


class TestLooks:
    def test_half_of_the_pieces_sweat_at_the_capacity(self):
        truth = Truth(BLENDS, weighing_sd_g=0.0)
        layout = even_layout(["hard"], [12.0], pots=4000, sweat=2)
        share = (simulate_series(layout, truth, 2).sweat()["grade"] >= 1).mean()
        assert share == pytest.approx(0.5, abs=4 * 0.6 / np.sqrt(8000))

    def test_pots_differ_as_much_as_said(self):
        """Correlation of two pieces of a pot, both at the capacity, for a probit latent scale."""
        truth = Hostile(BLENDS, pot_sd=np.pi / np.sqrt(3), latent="probit", weighing_sd_g=0.0)
        wet = simulate_series(even_layout(["soft"], [9.0], pots=6000, sweat=2), truth, 3).sweat()
        pairs = (wet["grade"] >= 1).to_numpy().reshape(-1, 2)
        both = (pairs[:, 0] == pairs[:, 1]).mean()
        # Latent correlation 1/2: P(same sign) = 1/2 + arcsin(1/2) / pi = 2/3 (Sheppard).
        assert both == pytest.approx(2 / 3, abs=4 * np.sqrt(2 / 9 / 6000))

    def test_heat_moves_the_latent_scale(self):
        truth = Truth(BLENDS, pot_sd=0.0, heat=1.0, weighing_sd_g=0.0)
        layout = even_layout(["soft"], [9.0], pots=4000, sweat=0, sweat_heat=1)
        share = (simulate_series(layout, truth, 4).sweat()["grade"] >= 1).mean()
        assert share == pytest.approx(stats.logistic.cdf(1.0), abs=4 * 0.5 / np.sqrt(4000))

    def test_misread_grades_are_one_off(self):
        truth = Truth({"soft": BlendTruth(100.0)}, misread=0.2)
        grades = simulate_series(even_layout(["soft"], [5.0], pots=2000, sweat=2), truth, 1).sweat()
        # All are dry; half of the misread ones would fall below dry and stay.
        assert set(grades["grade"]) == {0, 1}
        assert (grades["grade"] == 1).mean() == pytest.approx(0.1, abs=4 * 0.3 / np.sqrt(4000))

    def test_pieces_of_a_pour_share_its_effect(self):
        """Step-like, no pots, two pours a pot: pieces of a pour are alike, half of the pours wet,
        and in half of the pots one pour is wet and one dry."""
        truth = Hostile(BLENDS, latent="step", pot_sd=0.0, sweat_pour_sd=0.5, weighing_sd_g=0.0)
        layout = even_layout(["hard"], [12.0, 12.0], pots=1000, sweat=2)
        looks = simulate_series(layout, truth, 2).sweat().assign(wet=lambda f: f["grade"] >= 1)
        wet = looks.groupby(["pot", "pour"])["wet"].mean()
        assert set(wet) == {0.0, 1.0}
        assert wet.mean() == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(2000))
        mixed = wet.groupby("pot").mean() == 0.5
        assert mixed.mean() == pytest.approx(0.5, abs=4 * 0.5 / np.sqrt(1000))

    def test_spoiled_pots(self):
        truth = Hostile(
            {"soft": BlendTruth(20.0)}, spoiled_pots=1, spoiled_shift=-100.0, pot_sd=0.0)
        wet = simulate_series(even_layout(["soft"], [5, 6], pots=3, sweat=3), truth, 1).sweat()
        assert (wet.groupby("pot")["grade"].min() == 4).sum() == 1


class TestThrow:
    def test_mean_is_the_truth(self):
        truth = Truth(BLENDS, weighing_sd_g=0.0)
        layout = even_layout(["soft"], [8.0], pots=40, sweat=0, throw=2, assessors=100)
        scores = simulate_series(layout, truth, 6).throws
        by_person = scores.groupby("assessor")["throw"].mean()
        # Emax by hand: 10 * 8 / 16 = 5; one sitting moves all by its own 0.4.
        assert truth.throw("soft", 8.0) == 5.0
        assert by_person.mean() == pytest.approx(5.0, abs=4 * np.sqrt(0.4**2 + 1.0 / 100))
        assert set(scores["throw"] * 2 % 1) == {0.0} and scores["throw"].between(0, 10).all()

    def test_a_rogue_scores_at_random(self):
        truth = Truth(BLENDS, rogues=1)
        layout = even_layout(["soft"], [4, 14], pots=60, sweat=0, throw=2, assessors=2)
        scores = simulate_series(layout, truth, 6).throws
        first = scores.groupby("assessor")["throw"].std()
        assert first["A1"] == pytest.approx(10 / np.sqrt(12), rel=0.15)


class TestSeries:
    def test_same_seed_same_series(self):
        layout = even_layout(["soft"], [6, 9], throw=1, assessors=2, frost=1)
        one, two, other = (simulate_series(layout, Truth(BLENDS), s) for s in (1, 1, 2))
        pd.testing.assert_frame_equal(one.grades, two.grades)
        pd.testing.assert_frame_equal(one.throws, two.throws)
        assert not one.grades["grade"].equals(other.grades["grade"])

    def test_it_is_marked_as_invented_and_complete(self):
        layout = even_layout(["soft", "hard"], [6, 9, 12], pots=2, sweat=4, frost=1, throw=1)
        series = simulate_series(layout, Truth(BLENDS), 1)
        assert series.invented and len(series.pours) == 12
        assert len(series.sweat()) == 48 and len(series.frost()) == 12
        assert series.pours["load_pct"].to_numpy() == pytest.approx(
            series.pours["planned_load_pct"].to_numpy(), abs=4 * 100 * 0.08 / 200
        )
        assert series.grades["code"].is_unique

    def test_limits_per_blend(self):
        layout = even_layout(["soft", "hard"], [6], limit_load_pct=[8.0, 10.0])
        assert layout.blends["limit_load_pct"].tolist() == [8.0, 10.0]


def test_layout_of_a_plan_keeps_its_blends_and_prices():
    wax = {"name": "one wax", "limit_load_pct": 10.0, "price_per_kg": 8.0}
    plan = {
        "title": "a plan",
        "fragrance": {"name": "invented", "limit_content_pct": 7.0, "price_per_kg": 50.0},
        "blends": [{"name": "soft", "parts": [{"wax": wax, "fraction": 1.0}]}],
        "piece_g": 12.0,
        "currency": "EUR",
        "pours": [
            {
                "pour": "P1",
                "pot": "K1",
                "blend": "soft",
                "load_pct": 8.0,
                "wax_g": 100.0,
                "poured_on": "2026-01-05",
            }
        ],
        "pieces": [{"code": "101", "pour": "P1", "test": "sweat", "stress": "rest"}],
        "smellings": [],
    }
    layout = layout_of_plan(plan)
    row = layout.blends.iloc[0]
    assert (row["limit_load_pct"], row["limit_content_pct"]) == (10.0, 7.0)
    assert (row["wax_price_per_kg"], row["fragrance_price_per_kg"]) == (8.0, 50.0)
    assert layout.details["fractions"].loc["soft", "one wax"] == 1.0
    assert layout.details["piece_g"] == 12.0 and layout.details["currency"] == "EUR"


class TestWarmer:
    def series(self, seed=3):
        layout = even_layout(["soft"], [6, 10], pots=20, sweat=1, throw=1, assessors=2)
        codes = layout.pieces.loc[layout.pieces["test"] == "throw", "code"]
        series = simulate_series(layout, Truth(BLENDS), seed)
        assert series.warmings.empty
        return warmed(series, codes, Truth(BLENDS), (0, 4, 8), ("A1",), seed)

    def test_what_is_gone_is_the_volatile_part(self):
        rows = self.series().warmings
        assert len(rows) == 40 * (3 + 2)
        wide = rows.pivot_table(index=["code", "load_pct"], columns="hours", values="weight_g")
        content = wide.index.get_level_values("load_pct") / (
            100 + wide.index.get_level_values("load_pct")
        )
        share = ((wide[0.0] - wide[8.0]) / (wide[0.0] * content)).mean()
        expected = VOLATILE * (1 - np.exp(-8 * RATE))
        assert share == pytest.approx(expected, abs=4 * 0.06 * expected / np.sqrt(40) + 0.005)

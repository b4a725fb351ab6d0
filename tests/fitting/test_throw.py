"""The throw fit: recovery, statsmodels as witness, panel structure, what is refused."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from scentlab.fitting.throw import fit_throw, throw_curve, throw_draws
from scentlab.results import FitError
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth({"soft": BlendTruth(9.0), "hard": BlendTruth(12.0, throw_rise=7.0)}, scale_sd=0.0)
LOADS = [6, 8, 10, 12, 14]


def scores(seed, truth=TRUTH, **layout):
    options = {"pots": 2, "sweat": 0, "throw": 2, "assessors": 8} | layout
    return simulate_series(even_layout(list(truth.blends), LOADS, **options), truth, seed).throws


@pytest.fixture(scope="module")
def fit():
    return fit_throw(scores(1))


class TestRecovery:
    @pytest.mark.parametrize("seed", [1, 2, 3])
    def test_rise_within_four_standard_errors(self, seed):
        found = fit_throw(scores(seed), draws=1000)
        for b, blend in enumerate(found.blends):
            draws = throw_draws(found, blend, [6.0, 14.0])
            rise = draws[:, 1] - draws[:, 0]
            true = TRUTH.throw(blend, 14.0) - TRUTH.throw(blend, 6.0)
            assert abs(rise.mean() - true) < 4 * rise.std(), blend
            level = draws[:, 0]
            # One panel: its mean is off by the assessors' own sd / sqrt(8).
            assert abs(level.mean() - TRUTH.throw(blend, 6.0)) < 4 * level.std(), b

    def test_standard_deviations(self):
        """Of 3 panels of 30 together: assessors 1.0, a single score 0.9 (rounded to halves)."""
        found = [fit_throw(scores(s, assessors=30), draws=200).variances for s in (1, 2, 3)]
        sd = pd.concat(found).groupby("source")["sd"].mean()
        assert sd["between assessors"] == pytest.approx(1.0, abs=4 * 1.0 / np.sqrt(2 * 87))
        assert sd["of a single score"] == pytest.approx(np.sqrt(0.81 + 0.25 / 12), abs=0.03)


class TestWitness:
    def test_the_straight_line_is_that_of_statsmodels(self):
        """One assessor, one piece a pour: the pots are the only grouping, which MixedLM can do."""
        frame = scores(4, pots=6, throw=1, assessors=1)
        moved = dict(zip(frame["pot"].unique(), np.linspace(-2, 2, 12) ** 3 / 4, strict=True))
        frame["throw"] += frame["pot"].map(moved)
        found = fit_throw(frame)
        load = (frame["load_pct"] - found.lowest_pct) / (found.highest_pct - found.lowest_pct)
        blends = [(frame["blend"] == b).to_numpy(float) for b in found.blends]
        x = np.column_stack([*blends, *[b * load for b in blends]])
        other = sm.MixedLM(frame["throw"].to_numpy(), x, groups=frame["pot"]).fit(reml=False)
        line = found.shapes.set_index("shape").loc["linear"]
        # Four fixed effects and two variances.
        assert line["aic"] == pytest.approx(-2 * other.llf + 2 * 6, abs=1e-3)

    def test_weights_follow_from_aic(self, fit):
        relative = np.exp(-0.5 * (fit.shapes["aic"] - fit.shapes["aic"].min()))
        assert fit.shapes["weight"].to_numpy() == pytest.approx(relative / relative.sum())
        share = np.bincount(fit.draw_shape, minlength=4) / len(fit.draw_shape)
        assert share == pytest.approx(fit.shapes["weight"].to_numpy(), abs=0.003)


class TestMeaning:
    def test_level_and_rise_are_the_curve_at_its_ends(self, fit):
        draws = throw_draws(fit, "hard", [fit.lowest_pct, fit.highest_pct])
        b = fit.blends.index("hard")
        assert draws[:, 0] == pytest.approx(fit.level[:, b], abs=1e-9)
        assert draws[:, 1] == pytest.approx(fit.level[:, b] + fit.rise[:, b], abs=1e-9)

    def test_curve_encloses_its_mean(self, fit):
        curve = throw_curve(fit, "soft", [6, 9, 14])
        assert list(curve.columns) == ["load_pct", "throw", "lower", "upper"]
        assert ((curve["lower"] < curve["throw"]) & (curve["throw"] < curve["upper"])).all()

    def test_points_are_the_means_per_pour_and_assessor(self, fit):
        frame = scores(1)
        one = frame[(frame["pour"] == frame["pour"].iloc[0]) & (frame["assessor"] == "A1")]
        row = fit.points[(fit.points["pour"] == one["pour"].iloc[0])]
        row = row[row["assessor"] == "A1"]
        assert row["throw"].to_numpy() == pytest.approx([one["throw"].mean()])

    def test_a_scale_shifted_by_two_points_shifts_the_level_only(self):
        frame = scores(2)
        one = fit_throw(frame, draws=400)
        two = fit_throw(frame.assign(throw=frame["throw"] + 2.0), draws=400)
        assert two.level == pytest.approx(one.level + 2.0, abs=1e-3)
        assert two.rise == pytest.approx(one.rise, abs=1e-3)

    def test_names_of_people_do_not_matter(self):
        frame = scores(2)
        one = fit_throw(frame, draws=200)
        two = fit_throw(frame.assign(assessor="B" + frame["assessor"].str[1:]), draws=200)
        assert two.rise == pytest.approx(one.rise, abs=1e-9)

    def test_scores_of_one_pour_are_not_taken_as_independent(self):
        """Pours that differ much: calling every score a pour of its own narrows the interval."""
        truth = Truth(TRUTH.blends, scale_sd=0.0, pour_sd=1.5)
        frame = scores(3, truth)
        each = [f"p{i}" for i in range(len(frame))]
        right = fit_throw(frame, draws=600)
        wrong = fit_throw(frame.assign(pour=each, pot=each, code=each), draws=600)
        assert right.rise[:, 0].std() > 1.5 * wrong.rise[:, 0].std()


class TestNotes:
    def test_a_full_panel_and_two_pots_need_none(self, fit):
        assert fit.notes == ()

    def test_one_assessor(self):
        assert fit_throw(scores(1, assessors=1), draws=200).notes == (
            "One assessor scored: the throw curve is that person's, not a panel's.",
        )

    def test_a_small_panel(self):
        assert fit_throw(scores(1, assessors=4), draws=200).notes == (
            "4 assessors scored: a panel this small tells only large steps of throw apart.",
        )

    def test_a_small_panel_and_one_pot_a_blend(self):
        assert fit_throw(scores(1, assessors=4, pots=1), draws=200).notes == (
            "4 assessors scored: a panel this small tells only large steps of throw apart.",
            "Each blend was scored from one pot, so how throw differs between pots is not known.",
        )

    def test_lost_scores(self):
        frame = scores(1)
        frame.loc[[0, 5], "throw"] = np.nan
        assert fit_throw(frame, draws=200).notes == (
            "2 warm throw scores have no value or no weighed load and were left out.",
        )


class TestRefused:
    @pytest.mark.parametrize(
        "spoil, text",
        [
            (
                lambda d: d.iloc[:0],
                "there is no warm throw score to fit; kinds scored: none",
            ),
            (
                lambda d: d.assign(kind="cold"),
                "there is no warm throw score to fit; kinds scored: cold",
            ),
            (
                lambda d: d.assign(load_pct=8.0),
                "warm throw was scored at one load only; a curve needs at least two",
            ),
            (
                lambda d: d.assign(load_pct=d["load_pct"].where(d["blend"] == "soft", 8.0)),
                "warm throw of hard was scored at one load only; score another load or leave the "
                "blend out",
            ),
            (
                lambda d: d.assign(throw=5.0),
                "the scores fit the loads exactly: there is no error to measure",
            ),
        ],
    )
    def test_full_text(self, spoil, text):
        with pytest.raises(FitError) as error:
            fit_throw(spoil(scores(1)))
        assert str(error.value) == text

    def test_a_blend_that_was_not_scored(self, fit):
        with pytest.raises(FitError) as error:
            throw_curve(fit, "none", [8.0])
        assert str(error.value) == "no throw was scored for 'none'; scored were soft, hard"

    @pytest.mark.filterwarnings("ignore::RuntimeWarning")
    def test_unscented_wax_among_the_pieces(self):
        layout = even_layout(["soft", "hard"], [0, 6, 12], sweat=0, throw=2, assessors=4)
        found = fit_throw(simulate_series(layout, TRUTH, 1).throws)
        assert np.isfinite(throw_curve(found, "soft", [0, 1, 6, 12]).to_numpy()).all()

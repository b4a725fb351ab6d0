"""The throw fit: recovery, statsmodels as witness, panel structure, what is refused."""


import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from scentlab.fitting.throw import (
    difference_told,
    fit_throw,
    load_for_throw,
    throw_curve,
    throw_draws,
)
from scentlab.results import FitError, Result
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


@pytest.fixture(scope="module")
def six():
    return scores(1, assessors=6)


@pytest.fixture(scope="module")
def timed():
    """Every piece of a pour in a sitting of its own, at 15, 30 and 60 min on the warmer."""
    frame = scores(3, throw=3, assessors=5)
    turn = frame.groupby(["pour", "assessor"]).cumcount()
    minutes = turn.map({0: 15.0, 1: 30.0, 2: 60.0})
    moved = frame["throw"] + 1.5 * np.log(minutes / 30.0)
    return frame.assign(minutes=minutes, sitting="S" + (turn + 1).astype(str), throw=moved)


def rise_of(found, blend="soft"):
    return found.rise[:, found.blends.index(blend)]


class TestUnchanged:
    """What must not matter does not."""

    def test_pieces_pours_and_pots_by_other_names(self):
        frame = scores(2)
        other = frame.assign(**{c: "x" + frame[c] for c in ("code", "pour", "pot", "sitting")})
        one, two = fit_throw(frame, draws=200), fit_throw(other, draws=200)
        assert two.rise == pytest.approx(one.rise, abs=1e-9)
        assert two.notes == one.notes

    def test_order_of_the_blends(self):
        frame = scores(2)
        turned = frame.sort_values("blend", kind="stable", ascending=False, ignore_index=True)
        back = turned.sort_values("blend", kind="stable", ignore_index=True)
        one, two = fit_throw(turned), fit_throw(back)
        assert two.blends == one.blends[::-1]
        assert two.shapes["aic"].to_numpy() == pytest.approx(one.shapes["aic"], abs=1e-5)
        columns = ["scores_per_load", "level_df", "rise_df", "least_difference"]
        first, second = (f.tested.set_index("blend").loc["soft", columns] for f in (one, two))
        assert second.to_numpy(float) == pytest.approx(first.to_numpy(float), rel=1e-3)
        for blend in one.blends:
            # Draws are others; their means agree within four Monte Carlo errors.
            away = rise_of(one, blend).mean() - rise_of(two, blend).mean()
            assert abs(away) < 4 * rise_of(one, blend).std() * np.sqrt(2 / 2000)

    def test_order_of_the_rows(self):
        frame = scores(2)
        one = fit_throw(frame, draws=200)
        two = fit_throw(frame.iloc[::-1], draws=200)
        assert two.shapes["aic"].to_numpy() == pytest.approx(one.shapes["aic"], abs=1e-6)

    def test_data_and_back(self, fit):
        again = Result.from_dict(fit.to_dict())
        assert again.sentence == fit.sentence and again.warming == fit.warming
        assert throw_draws(again, "soft", [7.0]) == pytest.approx(throw_draws(fit, "soft", [7.0]))


class TestIntervals:
    def test_ninety_percent_of_the_rise_in_sixty_series(self):
        """60 series of 2 blends, scales that differ: coverage within binomial error at 1 in 1000.

        The two blends of a series share their assessors, so 60 is what counts, not 120.
        """
        truth = Truth({b: BlendTruth(9.0) for b in "ab"}, scale_sd=0.3)
        layout = even_layout("ab", [6, 9, 12], pots=2, sweat=0, throw=1, assessors=5)
        true = truth.throw("a", 12.0) - truth.throw("a", 6.0)
        inside = []
        for seed in range(60):
            found = fit_throw(simulate_series(layout, truth, seed).throws, draws=400, seed=seed)
            for blend in "ab":
                draws = throw_draws(found, blend, [6.0, 12.0])
                low, high = np.quantile(draws[:, 1] - draws[:, 0], [0.05, 0.95])
                inside.append(low < true < high)
        assert stats.binom.cdf(sum(inside) / 2, 60, 0.9) > 1e-3
        assert np.mean(inside) < 0.985

    def test_of_one_shape_they_are_student_t(self, fit):
        """Draws of a shape without bend against t with the freedom of the rise, as tabled."""
        found = fit_throw(scores(1), draws=40000)
        own = found.draw_shape == int(np.argmax(fit.shapes["weight"] * fit.shapes["bend"].isna()))
        draws = found.rise[own, 0]
        df = found.tested["rise_df"][0]
        spread = np.quantile(draws, 0.95) - np.median(draws)
        far = np.quantile(draws, 0.995) - np.median(draws)
        expected = stats.t.ppf(0.995, df) / stats.t.ppf(0.95, df)
        assert far / spread == pytest.approx(expected, rel=0.05)

    def test_three_assessors_leave_the_throw_itself_their_freedom(self):
        """Where it is surest, throw has the tails of t with the freedom tabled, about 2."""
        found = fit_throw(scores(1, assessors=3), draws=40000)
        own = found.draw_shape == int(
            np.argmax(found.shapes["weight"] * found.shapes["bend"].isna())
        )
        draws = throw_draws(found, "soft", np.linspace(6, 14, 33))[own]
        width = np.quantile(draws, 0.95, axis=0) - np.median(draws, axis=0)
        surest = draws[:, int(np.argmin(width))]
        df = found.tested["level_df"][0]
        assert df < 4
        far = np.quantile(surest, 0.99) - np.median(surest)
        expected = stats.t.ppf(0.99, df) / stats.t.ppf(0.95, df)
        assert far / width.min() == pytest.approx(expected, rel=0.07)

    def test_freedom_of_the_rise_is_that_of_pours_and_assessors(self, fit):
        """8 assessors' scales leave 7; 20 pours less 4 pots and 2 slopes leave 14 or fewer."""
        df = fit.tested["rise_df"]
        assert ((df > 2) & (df < 40)).all()
        each = [f"p{i}" for i in range(len(scores(1)))]
        wrong = fit_throw(scores(1).assign(pour=each, pot=each, code=each), draws=200)
        assert (wrong.tested["rise_df"] > df).all()

    def test_one_more_assessor_with_the_same_scores_is_no_more_pots(self):
        """Copies of a panel leave the pours' own doubt: the interval shrinks by less than 1/2."""
        truth = Truth(TRUTH.blends, scale_sd=0.0, pour_sd=1.0)
        frame = scores(3, truth)
        copies = [frame.assign(assessor=frame["assessor"] + c) for c in "abcd"]
        one, four = fit_throw(frame), fit_throw(pd.concat(copies, ignore_index=True))
        assert rise_of(four).std() > 0.6 * rise_of(one).std()


class TestScales:
    """Assessors who use a wider or a narrower part of the scale."""

    WIDE = Truth(TRUTH.blends, scale_sd=0.5, assessor_sd=0.5)

    def test_scales_are_found_and_shrunk(self):
        """Everybody's own line by least squares, against the fit's scale: the same order, nearer
        to 1, and 1 in the mean."""
        frame = scores(5, self.WIDE, throw=3)
        panel = fit_throw(frame, draws=200).panel.set_index("assessor")
        share = np.log(frame["load_pct"])
        own = {
            a: np.polyfit(share[rows.index], rows["throw"], 1)[0]
            for a, rows in frame.groupby("assessor")
        }
        raw = pd.Series(own) / np.mean(list(own.values()))
        assert panel["scale"].mean() == pytest.approx(1.0, abs=1e-6)
        assert np.corrcoef(panel["scale"], raw)[0, 1] > 0.99
        assert (panel["scale"] - 1).abs().sum() < (raw - 1).abs().sum()
        assert (panel["scale"] - 1).abs().sum() > 0.5 * (raw - 1).abs().sum()

    def test_a_wide_user_who_smelt_the_high_loads_only_does_not_bend_the_curve(self):
        """True scores without error: two assessors at 2 and 1/2 of the scale about 5 points."""
        frame = scores(6, self.WIDE, throw=3)
        scale = dict(zip([f"A{i}" for i in range(1, 9)], [2.0, 0.5] + 6 * [1.0], strict=True))
        noise = np.random.default_rng(1).normal(0.0, 0.1, len(frame))
        middle = 5 + 0.5 * (frame["load_pct"] - 10.0) * frame["assessor"].map(scale)
        frame["throw"] = middle + noise
        missing = (frame["assessor"] == "A1") & (frame["load_pct"] < 9)
        found = fit_throw(frame[~missing])
        draws = throw_draws(found, "soft", [6.0, 14.0])
        rise = draws[:, 1] - draws[:, 0]
        # The mean of the scales is 8.5 / 8, the rise of a scale of 1 is 4 points.
        assert abs(rise.mean() - 4.0 * 8.5 / 8) < 4 * rise.std()
        assert rise.mean() == pytest.approx(4.0 * 8.5 / 8, abs=0.5)

    def test_scales_that_differ_widen_the_interval(self):
        frame = scores(5, self.WIDE)
        found = fit_throw(frame)
        unlike = found.variances.set_index("source")["sd"]
        scale = unlike["between assessors' scales, over the whole rise"]
        assert scale > 0.3
        # The mean of 8 scales is no surer than that, and pours and scores come on top.
        alike = rise_of(fit_throw(scores(5))).var()
        assert rise_of(found).var() > max(1.2 * alike, scale**2 / 8)

    def test_no_scale_where_nobody_smells_a_difference(self):
        flat = Truth({"soft": BlendTruth(9.0, throw_floor=5.0, throw_rise=0.0)})
        assert fit_throw(scores(1, flat), draws=200).panel["scale"].isna().all()


class TestOddAssessors:
    def test_reversed_scores(self, six):
        own = six["assessor"] == "A3"
        turned = six.assign(throw=six["throw"].where(~own, 10.0 - six["throw"]))
        found = fit_throw(turned)
        assert found.panel.set_index("assessor")["scored"]["A3"] == "against the others"
        gain = found.answers.set_index(["panel", "blend"])[["rise", "lower", "upper"]].round(6)
        texts = {
            (p, b): "{:+.1f} ({:+.1f} to {:+.1f})".format(*gain.loc[(p, b)]) for p, b in gain.index
        }
        whole, rest, top = "all 6 assessors", "without A3", f"{found.highest_pct:.1f}"
        assert found.notes[-1] == (
            f"A3 scored against the others. The gain of warm throw from 6.0 to {top} % of wax with "
            "A3 and without, 90 % interval in brackets: "
            f"soft {texts[whole, 'soft']} with and {texts[rest, 'soft']} without; "
            f"hard {texts[whole, 'hard']} with and {texts[rest, 'hard']} without."
        )
        assert (gain.loc[rest, "rise"] > gain.loc[whole, "rise"] + 0.3).all()

    def test_without_him_is_the_fit_of_the_others(self, six):
        own = six["assessor"] == "A3"
        turned = six.assign(throw=six["throw"].where(~own, 10.0 - six["throw"]))
        found, others = fit_throw(turned), fit_throw(six[~own])
        without = found.answers[found.answers["panel"] == "without A3"]
        assert without["rise"].to_numpy() == pytest.approx(others.answers["rise"].to_numpy())
        # He is kept in the answer: only the maker can tell why he scored so.
        assert found.assessors == ("A1", "A2", "A3", "A4", "A5", "A6")

    def test_random_scores(self):
        truth = Truth(TRUTH.blends, scale_sd=0.1, rogues=1)
        panels = [fit_throw(scores(s, truth, assessors=6), draws=200).panel for s in (1, 2, 3)]
        flagged = [p.set_index("assessor")["scored"] for p in panels]
        assert [f["A1"] for f in flagged] == ["at random"] * 3
        assert all((f.drop("A1") == "").all() for f in flagged)

    def test_the_same_score_for_everything(self, six):
        own = six["assessor"] == "A2"
        found = fit_throw(six.assign(throw=six["throw"].where(~own, 5.0)), draws=200)
        assert found.panel.set_index("assessor")["scored"]["A2"] == "hardly with the others"

    def test_sound_panels_are_left_alone(self):
        truth = Truth(TRUTH.blends, scale_sd=0.3)
        flags = [
            (fit_throw(scores(s, truth, assessors=6), draws=200).panel["scored"] != "").sum()
            for s in range(12)
        ]
        assert sum(flags) <= 1

    def test_two_assessors_cannot_say_which_is_odd(self, six):
        pair = six[six["assessor"].isin(["A1", "A2"])]
        own = pair["assessor"] == "A2"
        found = fit_throw(pair.assign(throw=pair["throw"].where(~own, 10 - pair["throw"])))
        assert (found.panel["scored"] == "").all()


class TestUsedToIt:
    def test_with_and_without(self):
        frame = scores(1, assessors=6)
        flag = frame["assessor"].map({"A1": "yes", "A2": "yes"}).fillna("no")
        found = fit_throw(frame.assign(works_with_fragrance=flag), draws=400)
        assert list(found.answers["panel"].unique()) == ["all 6 assessors", "without A1 and A2"]
        assert found.notes[-1].startswith(
            "A1 and A2 work with the fragrance and may be used to it. The gain of warm throw from "
            f"6.0 to {found.highest_pct:.1f} % of wax with A1 and A2 and without, 90 % interval in "
            "brackets: soft +"
        )
        others = fit_throw(frame[flag == "no"], draws=400)
        assert found.answers["rise"][2:].to_numpy() == pytest.approx(others.answers["rise"])

    @pytest.mark.parametrize("yes", [True, "yes", "Yes"])
    def test_however_it_is_written(self, yes):
        frame = scores(1, assessors=3)
        flag = frame["assessor"].map({"A1": yes}).astype(object)
        found = fit_throw(frame.assign(works_with_fragrance=flag), draws=200)
        assert "A1 works with the fragrance and may be used to it." in found.notes[-1]

    def test_nobody_else(self):
        found = fit_throw(scores(1, assessors=1).assign(works_with_fragrance="yes"), draws=200)
        assert found.notes[-1] == (
            "A1 works with the fragrance and may be used to it. Nobody else scored: ask somebody "
            "who does not."
        )

    def test_the_others_scored_one_load(self):
        frame = scores(1, assessors=3)
        used = frame["assessor"] == "A1"
        one = frame[used | (frame["load_pct"] < 6.5)]
        flag = np.where(one["assessor"] == "A1", "yes", "no")
        found = fit_throw(one.assign(works_with_fragrance=flag, load_pct=one["load_pct"].round()))
        assert found.notes[-1] == (
            "A1 works with the fragrance and may be used to it. Without A1 there is no answer: "
            "warm throw was scored at one load only; a curve needs at least two."
        )

    def test_none_flagged(self, fit):
        assert list(fit.answers["panel"].unique()) == ["all 8 assessors"]
        assert fit.answers["rise"][0] == pytest.approx(np.median(fit.rise[:, 0]))


class TestMinutes:
    """True effect: 1.5 points per e-fold of the minutes, sittings at 15, 30 and 60 min."""

    def test_the_effect_is_recovered(self, timed):
        found = fit_throw(timed)
        effect = found.minutes_effect
        assert abs(effect.mean() - 1.5) < 4 * effect.std()
        assert effect.mean() == pytest.approx(1.5, abs=0.3)

    def test_throw_at_stated_minutes(self, timed):
        found = fit_throw(timed)
        usual, same, later = (throw_curve(found, "soft", [8.0], m) for m in (None, 15, 60))
        assert usual["throw"][0] == pytest.approx(same["throw"][0])  # all equally common: least
        gained = later["throw"][0] - usual["throw"][0]
        assert gained == pytest.approx(np.log(4.0) * found.minutes_effect.mean(), rel=1e-9)

    def test_the_most_common_time_is_the_usual_one(self, timed):
        more = pd.concat([timed, timed[timed["minutes"] == 60.0]], ignore_index=True)
        assert fit_throw(more, draws=200).warming.usual == 60.0

    def test_with_the_rooms_air_changes_it_is_the_share_of_the_steady_state(self, timed):
        """Share at 15, 30 and 60 min at 2 per hour: 1 - exp(-a t)."""
        reached = -np.expm1(-2.0 * timed["minutes"] / 60.0)
        base = timed["throw"] - 1.5 * np.log(timed["minutes"] / 30.0)
        moved = timed.assign(throw=base + 2.0 * np.log(reached))
        found = fit_throw(moved, air_changes_per_h=2.0)
        effect = found.minutes_effect
        assert abs(effect.mean() - 2.0) < 4 * effect.std()
        curve = [throw_curve(found, "soft", [8.0], m)["throw"][0] for m in (15, 60)]
        steps = np.log(np.expm1(-2.0) / np.expm1(-0.5))
        assert curve[1] - curve[0] == pytest.approx(steps * effect.mean(), rel=1e-9)

    def test_sittings_at_different_times_are_noted(self, timed):
        assert fit_throw(timed, draws=200).notes[0] == (
            "The sittings were scored at different times on the warmer (S1 15 min, S2 30 min, "
            "S3 60 min) and are compared only by the term for the minutes; throw is stated at "
            "15 min."
        )

    def test_the_sentence_says_the_time(self, timed):
        assert " % of wax at 15 min on the warmer, 90 % interval " in fit_throw(timed).sentence

    def test_the_same_time_needs_no_word(self, fit):
        assert not fit.warming.term and fit.warming.usual == 30.0
        assert "min" not in fit.sentence and not len(fit.minutes_effect)
        frame = scores(1)
        stopped = 30.0 + np.random.default_rng(1).uniform(-4, 4, len(frame)).round(1)
        found = fit_throw(frame.assign(minutes=stopped), draws=200)
        assert found.notes == fit_throw(frame, draws=200).notes and not found.warming.term

    def test_missing_minutes(self, timed):
        last = timed.index[timed["minutes"] == 60.0][0]
        spoilt = timed.assign(minutes=timed["minutes"].where(timed.index != last))
        assert fit_throw(spoilt, draws=200).notes[0] == (
            "1 score has no minutes on the warmer and was taken as 15 min."
        )

    def test_minutes_that_go_with_the_load(self):
        frame = scores(3)
        found = fit_throw(frame.assign(minutes=np.where(frame["load_pct"] > 9, 60.0, 30.0)))
        assert not found.warming.term
        assert found.notes[0] == (
            "The minutes on the warmer go with the loads or blends scored, so that the effect of "
            "the time cannot be told from theirs: score all loads after the same time."
        )

    def test_cold_throw_has_no_minutes(self, timed):
        found = fit_throw(timed.assign(kind="cold"), "cold", draws=200)
        assert np.isnan(found.warming.usual) and not found.warming.term

    @pytest.mark.parametrize(
        "change, minutes, text",
        [
            ({}, 90, "warm throw was scored from 15 to 60 min on the warmer; there is no answer "
             "at 90 min"),
            ({"minutes": 30.0}, 60, "warm throw was scored at 30 min on the warmer; there is no "
             "answer at 60 min"),
            ({"minutes": np.nan}, 60, "no minutes on the warmer were noted with the warm throw "
             "scores; leave minutes out"),
        ],
    )  # fmt: skip
    def test_times_that_were_not_scored(self, timed, change, minutes, text):
        found = fit_throw(timed.assign(**change), draws=200)
        with pytest.raises(FitError) as error:
            throw_curve(found, "soft", [8.0], minutes)
        assert str(error.value) == text

    def test_a_time_that_was(self, fit):
        at = throw_curve(fit, "soft", [8.0], 30)
        assert at["throw"][0] == pytest.approx(throw_curve(fit, "soft", [8.0])["throw"][0])


class TestInverse:
    def test_the_curve_at_the_load_is_the_throw(self, fit):
        wanted = throw_curve(fit, "soft", [7.0, 9.5, 12.0])["throw"]
        found = load_for_throw(fit, "soft", wanted)
        assert list(found.columns) == ["throw", "load_pct", "lower", "upper"]
        assert found["load_pct"].to_numpy() == pytest.approx([7.0, 9.5, 12.0], abs=0.25)
        assert found["lower"][1] < found["load_pct"][1] < found["upper"][1]

    def test_every_draw_is_turned_round(self, fit):
        """Half of the draws reach a throw by its median load: counted from the draws' curves."""
        wanted = throw_curve(fit, "soft", [9.5])["throw"][0]
        found = load_for_throw(fit, "soft", wanted)
        for name, share in (("load_pct", 0.5), ("lower", 0.05), ("upper", 0.95)):
            reached = throw_draws(fit, "soft", [found[name][0]])[:, 0] >= wanted - 1e-9
            assert reached.mean() == pytest.approx(share, abs=0.002)

    def test_out_of_reach(self, fit):
        found = load_for_throw(fit, "soft", [0.0, 10.0])
        assert found[["load_pct", "lower", "upper"]].isna().all(axis=None)

    def test_beyond_the_loads_of_the_blend_itself(self):
        frame = scores(1)
        frame = frame[(frame["blend"] == "hard") | (frame["load_pct"] < 11)]
        found = fit_throw(frame)
        top = throw_curve(found, "soft", [13.0])["throw"][0]
        assert np.isnan(load_for_throw(found, "soft", top)["load_pct"][0])

    def test_a_falling_curve_is_never_reached_going_up(self, fit):
        falling = Result.from_dict(fit.to_dict())
        fields = falling.__dict__ | {"rise": -np.abs(fit.rise)}
        falling = type(fit)(**fields)
        found = load_for_throw(falling, "soft", [np.max(fit.level) + 1.0, 1.0])
        assert found["load_pct"].isna().all()


class TestBends:
    def test_an_unbounded_bend_is_said_to_be_one(self, reference):
        """Bretz, Pinheiro & Branson 2005 (DoseFinding's biom): the load of half effect has no
        upper limit. Each value taken as the score of a pour of its own."""
        biom = reference("biom")
        codes = [f"p{i}" for i in range(len(biom))]
        frame = pd.DataFrame({
            "code": codes, "pour": codes, "pot": codes, "blend": "soft", "load_pct": biom["x"],
            "assessor": "A1", "sitting": "S1", "kind": "warm", "throw": biom["y"],
        })  # fmt: skip
        with np.errstate(invalid="ignore", divide="ignore"):
            found = fit_throw(frame)
        emax = found.shapes.set_index("shape").loc["emax"]
        assert emax["bend"] == pytest.approx(0.1422, rel=0.02)
        assert np.isnan(emax["bend_upper"]) and not emax["bend_settled"]
        assert "logarithmic" not in set(found.shapes["shape"])
        # ML of -2 logLik -105.56914 (R nls), with 4 parameters beside.
        assert emax["aic"] == pytest.approx(2 * 105.56914 + 2 * 4, abs=1e-3)

    def test_a_bend_that_is_settled(self):
        """Half of the effect at 2 % of wax, loads from 1 to 16, a large panel, small errors."""
        truth = Truth({"soft": BlendTruth(9.0, throw_half=2.0, throw_rise=9.0)}, score_sd=0.3,
                      scale_sd=0.0, pour_sd=0.05)  # fmt: skip
        layout = even_layout(["soft"], [1, 2, 4, 8, 16], pots=3, throw=2, assessors=10)
        found = fit_throw(simulate_series(layout, truth, 1).throws)
        emax = found.shapes.set_index("shape").loc["emax"]
        assert emax["bend_settled"] and emax["bend_lower"] < 2.0 < emax["bend_upper"]
        assert emax["weight"] > 0.9


NEIGHBOURS = "This panel cannot tell neighbouring loads apart; points of warm throw in the largest "


class TestNotes:
    def test_a_large_panel_and_large_steps_need_none(self):
        strong = Truth({"soft": BlendTruth(9.0, throw_rise=25.0, throw_floor=-7)}, scale_sd=0.0)
        layout = even_layout(["soft"], [5, 10, 20], pots=4, throw=2, assessors=12)
        assert fit_throw(simulate_series(layout, strong, 1).throws, draws=200).notes == ()

    def test_steps_too_small_for_the_panel(self, fit):
        tested = fit.tested.set_index("blend")
        steps = {}
        for b in fit.blends:
            loads = np.linspace(*tested.loc[b, ["lowest_pct", "highest_pct"]], 5)
            steps[b] = np.diff(throw_draws(fit, b, loads).mean(axis=0)).max()
        parts = [
            f"{b} {steps[b]:.1f}, where {tested.at[b, 'least_difference']:.1f} can be told"
            for b in fit.blends
            if steps[b] < tested.at[b, "least_difference"]
        ]
        assert parts
        assert fit.notes == (NEIGHBOURS + f"step: {'; '.join(parts)} (80 % power at 5 %).",)

    def test_nobody_smells_the_difference(self):
        flat = Truth({"soft": BlendTruth(9.0, throw_floor=5.0, throw_rise=0.0)})
        found = fit_throw(scores(1, flat), draws=400)
        lower, middle, upper = np.quantile(found.rise[:, 0], [0.05, 0.5, 0.95])
        told = difference_told(found, "soft", 1.0)[0]
        assert found.notes == (
            "This panel could hardly tell the lowest load from the highest; points of warm throw "
            f"gained, 90 % interval in brackets: soft {middle:+.1f} ({lower:+.1f} to "
            f"{upper:+.1f}), where {told:.1f} can be told (80 % power at 5 %).",
        )
        assert lower < 0 < upper

    def test_one_assessor(self):
        assert fit_throw(scores(1, assessors=1), draws=200).notes[0] == (
            "One assessor scored: the throw curve is that person's, not a panel's."
        )

    def test_a_small_panel(self):
        assert fit_throw(scores(1, assessors=4), draws=200).notes[0] == (
            "4 assessors scored: a panel this small tells only large steps of throw apart."
        )

    def test_a_small_panel_and_one_pot_a_blend(self):
        assert fit_throw(scores(1, assessors=4, pots=1), draws=200).notes[:2] == (
            "4 assessors scored: a panel this small tells only large steps of throw apart.",
            "Each blend was scored from one pot, so how throw differs between pots is not known.",
        )

    def test_lost_scores(self):
        frame = scores(1)
        frame.loc[[0, 5], "throw"] = np.nan
        assert fit_throw(frame, draws=200).notes[0] == (
            "2 warm throw scores have no value or no weighed load and were left out."
        )


class TestDegenerate:
    def test_a_pour_lost(self):
        frame = scores(1)
        found = fit_throw(frame[frame["pour"] != frame["pour"].iloc[0]])
        draws = throw_draws(found, "soft", [6.0, 14.0])
        rise = draws[:, 1] - draws[:, 0]
        true = TRUTH.throw("soft", 14.0) - TRUTH.throw("soft", 6.0)
        assert abs(rise.mean() - true) < 4 * rise.std()

    def test_one_pot_a_blend_is_not_taken_for_a_variance_between_pots(self):
        found = fit_throw(scores(1, pots=1), draws=200)
        assert "between pots" not in set(found.variances["source"])

    def test_one_assessor_has_no_scale(self):
        found = fit_throw(scores(1, assessors=1), draws=200)
        assert not found.variances["source"].str.contains("assessor").any()
        assert np.isfinite(found.table["upper"][:4]).all()

    def test_several_sittings_do_and_one_does_not_count(self):
        frame = scores(1)
        assert "between sittings" not in set(fit_throw(frame, draws=200).variances["source"])
        two = frame.assign(sitting=np.where(frame.index % 2, "S1", "S2"))
        assert "between sittings" in set(fit_throw(two, draws=200).variances["source"])


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

"""Longevity on the warmer: other software, known truths, and every case that gives no answer."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import special

from scentlab.fitting.longevity import fit_longevity, longest, weights_lost
from scentlab.fitting.throw_life import _spread, fit_throw_life
from scentlab.results import FitError
from scentlab.units import content_from_load

COLUMNS = ["code", "pot", "blend", "load_pct", "hours", "weight_g", "assessor", "throw"]
HOURS = (0.0, 1.0, 2.0, 4.0, 6.0, 9.0, 12.0)


def weighed(weights, hours=HOURS, blend="soft", load=10.0):
    """Rows of pieces (dict of code to weights) at hours."""
    rows = [
        (code, f"K{code}", blend, load, h, w, None, np.nan)
        for code, own in weights.items() for h, w in zip(hours, own, strict=True)
    ]
    return pd.DataFrame(rows, columns=COLUMNS)


def smelt(scores, hours=(1.0, 2.0, 4.0, 8.0), code="101", blend="soft"):
    """Rows of throw scores (dict of assessor to scores) of one piece at hours."""
    rows = [
        (code, "K1", blend, 10.0, h, np.nan, who, s)
        for who, own in scores.items() for h, s in zip(hours, own, strict=True)
    ]
    return pd.DataFrame(rows, columns=COLUMNS)


def losing(start, most, k, hours=HOURS, noise=0.0, seed=0):
    rng = np.random.default_rng(seed)
    hours = np.asarray(hours)
    return start + most * np.expm1(-k * hours) + noise * rng.standard_normal(len(hours))


def series(seed, blends=("soft", "firm"), pots=3, k=0.18, volatile=0.6, fade=0.12):
    """Pieces of three pots per blend, weighed and smelt by three assessors under a known truth."""
    rng = np.random.default_rng(seed)
    shift, rows = rng.normal(0, 0.8, 3), []
    for blend in blends:
        for pot in range(pots):
            start, own = 25 + rng.normal(0, 0.4), 1 + rng.normal(0, 0.1)
            fragrance = start * content_from_load(10.0) / 100
            piece, code = rng.normal(0, 0.4), f"{blend[0]}{pot}"
            for h in HOURS:
                lost = -volatile * fragrance * own * np.expm1(-k * h)
                rows.append((code, f"K{code}", blend, 10.0, h,
                             start - lost + rng.normal(0, 0.02), None, np.nan))
                for a in range(3 if h else 0):
                    score = 7 * np.exp(-fade * (h - 1)) + shift[a] + piece + rng.normal(0, 0.6)
                    rows.append((code, f"K{code}", blend, 10.0, h, np.nan, f"A{a + 1}",
                                 np.clip(score, 0.0, 10.0)))
    return pd.DataFrame(rows, columns=COLUMNS)


@pytest.fixture(scope="module")
def fitted():
    return fit_longevity(series(1))


class TestSpread:
    def test_hours_beyond_the_longest_have_a_standard_error_where_the_middle_is_known(self):
        """Normal draws cut off: the inner 68 % are two standard errors wide; by hand."""
        draws = 8.0 + 1.5 * special.ndtri((np.arange(4000) + 0.5) / 4000)
        for most, expected in ((np.inf, 1.5), (11.0, 1.5), (9.0, 1.5), (7.0, np.nan)):
            cut = np.where(draws > most, np.inf, draws)
            assert _spread(cut) == pytest.approx(expected, rel=0.01, nan_ok=True)

    def test_half_lives_have_one(self, fitted):
        table = fitted.throw_life.table
        half = table[table["parameter"].str.startswith("hours until half")]
        known = np.isfinite(half["estimate"].astype(float))
        assert known.any() and half.loc[known, "se"].notna().all()


class TestWeights:
    def test_they_are_what_was_weighed(self):
        """By hand: two pieces of 25 g at a load of 10 % hold 25 / 11 g of fragrance each."""
        frame = weighed({"101": [25.0, 24.5, 24.0], "102": [25.0, 24.3, 23.6]}, (0.0, 2.0, 6.0))
        weights = weights_lost(frame)[0]
        assert weights["hours"].tolist() == [2.0, 6.0] and weights["pieces"].tolist() == [2, 2]
        assert weights["loss_g"].tolist() == pytest.approx([0.6, 1.2])
        assert weights["least_g"].tolist() == pytest.approx([0.5, 1.0])
        assert weights["most_g"].tolist() == pytest.approx([0.7, 1.4])
        assert weights["fragrance_g"].tolist() == pytest.approx([25 / 11] * 2)
        assert weights["share_pct"].tolist() == pytest.approx([26.4, 52.8])

    def test_in_grains_instead_of_grams(self):
        frame = series(2)
        one = weights_lost(frame)[0]
        other = weights_lost(frame.assign(weight_g=15.432 * frame["weight_g"]))[0]
        assert other["loss_g"].to_numpy() == pytest.approx(15.432 * one["loss_g"].to_numpy())
        assert other["share_pct"].to_numpy() == pytest.approx(one["share_pct"].to_numpy())

    def test_the_longest_time_of_each_blend_is_told(self, fitted):
        last = longest(fitted.weights)
        assert list(last["blend"]) == ["soft", "firm"] and (last["hours"] == 12).all()


class TestThrowLife:
    def test_truth_within_four_errors(self, fitted):
        fit = fitted.throw_life
        truth = 1 + np.log(2) / 0.12
        for place in fit.arms.index:
            row = fit.half_life(place)
            se = (row["upper"] - row["lower"]) / 3.3
            assert abs(row["hours"] - truth) < 4 * se

    def test_half_agrees_with_the_curve(self, fitted):
        fit = fitted.throw_life
        row = fit.half_life(0)
        first, half = fit.curve(0, [1.0, row["hours"]])["throw"]
        assert half == pytest.approx(row["throw"], abs=0.1) == pytest.approx(first / 2, abs=0.1)

    def test_what_falls_fast_and_then_slowly(self):
        """A thousand parts, each fading at a rate of its own, the rates exponentially distributed:
        the light ones go first."""
        hours = np.array([1.0, 2, 4, 6, 8, 12])
        rates = -0.6 * np.log((np.arange(1000) + 0.5) / 1000)
        fall = 7 * np.exp(-rates[:, None] * (hours - 1)).mean(axis=0)
        noise = np.random.default_rng(1).normal(0, 0.2, (2, 6))
        fit = fit_throw_life(smelt({f"A{i}": fall + own for i, own in enumerate(noise)}, hours))
        frame = fit.curve(0, hours)
        assert (frame["lower"] < fall).all() and (frame["upper"] > fall).all()
        half = fit.half_life(0)
        assert half["lower"] < 1 + 1 / 0.6 < half["upper"]

    def test_nothing_is_claimed_beyond_the_hours_tested(self, fitted):
        frame = fitted.throw_life.curve(0, [0.5, 1.0, 12.0, 13.0])
        assert frame["throw"].isna().tolist() == [True, False, False, True]

    def test_hours_beyond_the_longest_are_not_told(self):
        """Half of the throw is gone after 70 h, and 12 h were tested."""
        fit = fit_throw_life(series(3, fade=0.01))
        row = fit.half_life(0)
        assert np.isinf([row["hours"], row["upper"]]).all()
        assert row["words"] == "more than 12 h, the longest tested"
        assert "more than 12 h, the longest tested" in fit.sentence

    def test_below_a_limit_from_the_start(self, fitted):
        assert (fitted.throw_life.hours_until(0, 99.0) == 1.0).all()

    def test_a_person_more_is_not_a_piece_more(self):
        """A wrong-answer guard: ten noses at the same checks of one room hardly narrow it."""
        hours = np.array([1.0, 2, 3, 4, 6, 8, 10, 12])
        check = 0.8 * np.array([1, -1, -1, 1, 1, -1, -1, 1])
        def frame(people):
            own = np.random.default_rng(3)
            return smelt({
                f"A{i}": 8 * np.exp(-0.1 * (hours - 1)) + check + own.normal(0, 0.3, 8)
                for i in range(people)
            }, hours)
        fits = [fit_throw_life(frame(n)) for n in (2, 10)]
        widths = [np.ptp(np.quantile(f.rate[:, 0], [0.05, 0.95])) for f in fits]
        assert widths[1] > 0.6 * widths[0]
        assert "between checks of a piece" in set(fits[1].sds["source"])

    def test_a_blend_at_two_loads_has_two_levels_and_one_rate(self):
        frame = series(4, blends=("soft",))
        frame["load_pct"] = np.where(frame["code"] == "s0", 6.0, 10.0)
        fit = fit_throw_life(frame)
        assert fit.arms["load_pct"].tolist() == [6.0, 10.0] and fit.rate.shape[1] == 1
        assert "soft at 6.0 % of wax (5.7 % of total), from " in fit.sentence
        shared = ("All loads of a blend are assumed to fall at one rate. If a higher load really "
                  "lasts longer, its hours here are too few and those of the lower load too many.")
        assert shared in fit.notes and shared not in fit_throw_life(series(4)).notes


class TestResult:
    def test_sentence_has_units_bases_and_intervals(self, fitted):
        for words in ("10.0 % of wax (9.1 % of total)", " g in 12 h (3 pieces, ",
                      "% of the fragrance in the piece", " of 10 at 1 h: "):
            assert words in fitted.sentence
        assert any("Weight lost is not throw" in note for note in fitted.notes)

    def test_relabelled_blends(self, fitted):
        other = fit_longevity(series(1).replace({"soft": "x", "firm": "y"}))
        assert other.table["estimate"].to_numpy() == pytest.approx(
            fitted.table["estimate"].to_numpy()
        )

    def test_one_part_may_be_missing(self):
        frame = series(5)
        fit = fit_longevity(frame.assign(throw=np.nan))
        assert fit.throw_life is None and len(fit.weights)

    def test_a_part_that_cannot_be_fitted_is_a_note(self):
        frame = series(5)
        frame.loc[frame["hours"] > 2, "throw"] = np.nan
        fit = fit_longevity(frame)
        assert fit.throw_life is None
        assert fit.notes[0] == (
            "Throw was scored at 1 h and 2 h on the warmer only; a curve needs three times or more."
        )


def refused(call):
    with pytest.raises(FitError) as error:
        call()
    return str(error.value)


class TestDegenerate:
    def test_nothing(self):
        assert refused(lambda: fit_longevity(weighed({"101": [np.nan] * 7}))) == (
            "nothing was weighed or scored on the warmer"
        )
        assert refused(lambda: weights_lost(smelt({"A1": [8, 7, 6, 4]}))) == (
            "no piece was weighed on the warmer; weigh pieces, or leave weights out"
        )
        assert refused(lambda: fit_throw_life(weighed({"101": losing(25, 1, 0.2)}))) == (
            "no throw was scored over hours on the warmer; score it, or leave throw out"
        )

    def test_one_time_only(self):
        assert refused(lambda: fit_throw_life(smelt({"A1": [8.0]}, [2.0]))) == (
            "throw was scored at 2 h on the warmer only; a curve needs three times or more"
        )

    def test_all_equal(self):
        assert refused(lambda: weights_lost(weighed({"101": [25.0] * 7}))) == (
            "every weighing of each piece is the same, so no loss was seen; use a finer scale or "
            "leave pieces on the warmer longer"
        )
        assert refused(lambda: fit_throw_life(smelt({"A1": [6.0] * 4, "A2": [6.0] * 4}))) == (
            "every throw score on the warmer is 6, so nothing falls and there is no error to "
            "measure; score for longer, or with more testers"
        )

    def test_growing_weights(self):
        growing = {c: 25 + 0.1 * np.array(HOURS) for c in ("101", "102")}
        assert refused(lambda: weights_lost(weighed(growing))) == (
            "every piece weighs more at its last weighing than at hour 0 (pieces 101, 102), which "
            "a warmer cannot do; check the scale, its zero and whether a dish was weighed too"
        )

    def test_one_growing_piece_is_a_note(self):
        weights = {str(101 + i): losing(25, 1.2, 0.2, noise=0.01, seed=i) for i in range(4)}
        weights["102"] = 25 + 0.1 * np.array(HOURS)
        assert weights_lost(weighed(weights))[1][0] == (
            "Piece 102 weighs 1.20 g more at 12 h than at hour 0: a wrong weight, or the dish was "
            "weighed too; correct the entry or make it void."
        )

    def test_more_lost_than_there_was(self):
        weights = {str(101 + i): losing(25, 1.2, 0.2, noise=0.01, seed=i) for i in range(3)}
        weights["103"] = losing(25, 4.0, 0.2)
        assert weights_lost(weighed(weights))[1][0] == (
            "Piece 103 of soft at 10.0 % of wax (9.1 % of total) lost 2.80 g by 6 h, more than the "
            "2.27 g of fragrance in it: spilled wax or a wrong weight; check, then correct the "
            "entry or make it void."
        )

    def test_hour_0_missing(self):
        frame = weighed({str(101 + i): losing(25, 1.2, 0.2, noise=0.01, seed=i) for i in range(3)})
        some = frame[(frame["hours"] > 0) | (frame["code"] != "102")]
        assert weights_lost(some)[1][0] == (
            "Left out because not weighed at hour 0: pieces 102."
        )
        assert (weights_lost(some)[0]["pieces"] == 2).all()
        assert refused(lambda: weights_lost(frame[frame["hours"] > 0])) == (
            "no piece was weighed at hour 0 (pieces 101, 102, 103); weigh each piece before it "
            "goes on the warmer, at hour 0"
        )

    def test_weighed_once_each(self):
        frame = weighed({"101": [25.0], "102": [25.0]}, [0.0])
        assert refused(lambda: weights_lost(frame)) == (
            "no piece was weighed more than once; weigh the same pieces again and again"
        )

    def test_throw_that_never_falls(self):
        scores = {"A1": [6, 7, 6, 7], "A2": [5, 6, 6, 6], "A3": [7, 6, 7, 8]}
        fit = fit_throw_life(smelt(scores))
        assert "more than 8 h" in fit.sentence
        note = next(n for n in fit.notes if "is not shown to fall" in n)
        assert note.startswith(
            "The throw of soft at 10.0 % of wax (9.1 % of total) is not shown to fall up to 8 h ("
        ) and note.endswith("test longer to see how long it lasts.")

    def test_one_assessor_and_one_piece(self):
        fit = fit_throw_life(smelt({"A1": [8.0, 7.0, 5.0, 3.5]}))
        assert fit.notes[:2] == (
            "Only one tester scored throw on the warmer; how far others would agree is taken from "
            "what is usual.",
            "A nose that stays in the room gets used to the smell, which looks like a fall: the "
            "hours hold for testers who came in from outside at each check.",
        )
        assert fit.notes[-1] == (
            "One piece of each blend and load was scored, so how much pieces differ is taken from "
            "what is usual."
        )

    def test_one_assessor_is_no_surer_than_assessors_differ(self):
        """By hand: who scores alone lies 1 point (usual sd) beside the others, which many scores of
        his do not tell: 1.645 points either way; three who agree lie by 1 / sqrt(3)."""
        hours, fade = np.arange(1.0, 13.0), 8.0 * np.exp(-0.15 * np.arange(12))
        widths = []
        for people in (1, 3):
            scores = {f"A{i}": fade + 0.3 * (-1) ** (np.arange(12) + i) for i in range(people)}
            fit = fit_throw_life(smelt(scores, hours))
            widths.append([np.ptp(np.quantile(fit.draws(0, [h]), [0.05, 0.95])) for h in (1, 6)])
        (alone, later), (three, _) = widths
        assert min(alone, later) > 2 * 1.645 * 0.8 and three < 0.8 * alone

    def test_scores_without_names_and_within_the_first_hour(self):
        frame = smelt({"A1": [6.0, 7.0, 5.0, 3.5], "A2": [6, 6, 5, 3]}, (0.5, 1.0, 3.0, 6.0))
        frame.loc[frame["assessor"] == "A2", "assessor"] = None
        notes = fit_throw_life(frame).notes
        assert (
            "4 throw scores on the warmer name no tester; they are treated as one person's."
        ) in notes
        assert (
            "Throw was scored within the first hour (pieces 101), while the room was still "
            "filling; a low first score makes the fall look slower than it is."
        ) in notes


def test_results_are_frozen(fitted):
    assert replace(fitted, notes=()).notes == ()
    with pytest.raises(AttributeError):
        fitted.notes = ()


@pytest.mark.parametrize("seed", range(8))
def test_any_few_checks_give_an_answer_or_words(seed):
    """Pieces checked at random times, weighed and scored at random."""
    rng, rows = np.random.default_rng(seed), []
    for blend in "ab"[: rng.integers(1, 3)]:
        for piece in range(rng.integers(1, 4)):
            load, pot = rng.choice([6.0, 10.0]), f"{blend}{rng.integers(1, 3)}"
            for h in rng.choice([0.0, 1.0, 2.0, 4.0, 8.0, 12.0], rng.integers(1, 6), replace=False):
                own = (f"{blend}{piece}", pot, blend, load, h)
                rows.append((*own, 25 - rng.choice([0.0, 0.1, 0.3]) * h, None, np.nan))
                rows += [(*own, np.nan, f"A{a}", rng.integers(0, 21) / 2)
                         for a in range(rng.integers(0, 3)) if h > 0]
    try:
        fit = fit_longevity(pd.DataFrame(rows, columns=COLUMNS), draws=100)
    except FitError as error:
        assert "warmer" in str(error) or "weigh" in str(error)
    else:
        assert "nan" not in fit.sentence
        assert fit.throw_life is None or fit.table["estimate"].notna().all()

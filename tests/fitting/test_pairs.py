"""Pairs joined with scores: against brute force, and what the pair test says."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from comparing import HIGH, LOW, of_batches, pairs
from scipy import stats

from scentlab.fitting.pairs import pair_test
from scentlab.fitting.throw import fit_throw, pair_draws
from scentlab.maths.paired import NOISE, NOISE_SPREAD
from scentlab.results import FitError
from scentlab.series import PAIR_COLUMNS
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series


@pytest.fixture(scope="module")
def scored():
    """Scores of two testers over four loads."""
    layout = even_layout(["soft"], [5, 7, 9, 11], pots=2, sweat=1, frost=0, throw=1, assessors=2)
    return simulate_series(layout, Truth({"soft": BlendTruth(12.0)}), 3)


@pytest.fixture
def unscored(scored):
    return replace(scored, throws=scored.throws.iloc[:0])


def batches_apart(d):
    """Density at differences ``d`` of what one batch and one piece of each load add: normal, the
    sds of batches and of pieces log-normal about 0.3."""
    sds = 0.3 * np.exp(0.8 * np.linspace(-3.6, 3.6, 41))
    weight = np.exp(-0.5 * np.linspace(-3.6, 3.6, 41) ** 2)
    weight = np.outer(weight, weight) / weight.sum() ** 2
    both = np.sqrt(2.0 * (sds[:, None] ** 2 + sds**2))
    return np.einsum("dij,ij->d", stats.norm.pdf(d[:, None, None], 0, both), weight)


def brute(counts):
    """Posterior of the difference of two loads by a sum over a grid: rise ~ N(0, 3), noise and sd
    of testers' slopes log-normal, one piece of one batch of each load; counts are (named, of) per
    tester."""
    d = np.linspace(-8, 8, 321)[:, None, None, None]
    u, v = np.linspace(-4, 4, 31), np.linspace(-3.6, 3.6, 19)
    noise = NOISE * np.exp(NOISE_SPREAD * v)[None, :, None, None]
    scale = 0.4 * np.exp(0.8 * v)[None, None, :, None]
    p = stats.norm.cdf((d + scale * u) / noise)
    weight = stats.norm.pdf(u) / stats.norm.pdf(u).sum()
    joint = np.ones_like(d[..., 0]) * (stats.norm.pdf(v)[:, None] * stats.norm.pdf(v))
    for named, of in counts:
        joint = joint * ((p**named * (1 - p) ** (of - named)) @ weight)
    d = d.ravel()
    batches = batches_apart(d)
    own = stats.norm.pdf(d, 0, 3) * np.convolve(joint.sum(axis=(1, 2)), batches, "same")
    return d, np.cumsum(own) / own.sum()


@pytest.mark.parametrize("counts", [(6, 6), (9, 11), (12, 5)])
def test_pairs_alone_give_the_posterior_of_brute_force(unscored, counts):
    draws = 4000
    fit = fit_throw(unscored.throws, pairs=pairs(*counts), draws=draws)
    found = pair_draws(fit, "soft", HIGH, "soft", LOW)
    d, below = brute([(k, 12) for k in counts])
    for share in (0.05, 0.25, 0.5, 0.75, 0.95):
        at = np.interp(share, below, d)
        # The kept draws come with weights; half of them is a safe count of their worth.
        assert np.mean(found <= at) == pytest.approx(share, abs=4 * np.sqrt(
            share * (1 - share) / (draws / 2)))


def test_pairs_and_scores_give_the_posterior_of_weighed_draws(scored):
    """Many draws of the scores' own fit, weighed by sums over a grid of noise and testers."""
    draws, other = 4000, fit_throw(scored.throws, draws=60000, seed=9)
    given = pairs(8, 7, low=5.0, high=11.0)
    gap = pair_draws(other, "soft", 11.0, "soft", 5.0)
    u, z = np.linspace(-4, 4, 33), np.linspace(-3.5, 3.5, 29)
    d, likely = np.linspace(-12.0, 12.0, 601), []
    for x in d:
        noise = NOISE * np.exp(NOISE_SPREAD * z)[:, None, None]
        scale = 0.4 * np.exp(0.8 * z)[None, :, None]
        p = stats.norm.cdf((x + scale * u) / noise)
        w = stats.norm.pdf(u) / stats.norm.pdf(u).sum()
        like = ((p**8 * (1 - p) ** 4) @ w) * ((p**7 * (1 - p) ** 5) @ w)
        prior = stats.norm.pdf(z)[:, None] * stats.norm.pdf(z)
        likely.append(np.sum(like * prior))
    weights = np.interp(gap, d, np.convolve(likely, batches_apart(d), "same"))
    weights /= weights.sum()
    order = np.argsort(gap)
    below = np.cumsum(weights[order])
    fit = fit_throw(scored.throws, pairs=given, draws=draws)
    found = pair_draws(fit, "soft", 11.0, "soft", 5.0)
    for share in (0.05, 0.5, 0.95):
        at = np.interp(share, below, gap[order])
        # Both fits rest on some hundred draws of the sds, which share nothing.
        assert np.mean(found <= at) == pytest.approx(share, abs=0.06)
    before = np.interp([0.05, 0.95], np.linspace(0, 1, len(gap)), np.sort(gap))
    assert np.ptp(np.quantile(found, [0.05, 0.95])) < 0.85 * np.ptp(before)


def test_without_pairs_nothing_changes(scored):
    plain, none = fit_throw(scored.throws), fit_throw(scored.throws, pairs=scored.pairs)
    cold = fit_throw(scored.throws, pairs=pairs(9, kind="cold"))  # another kind says nothing
    for other in (none, cold):
        assert np.array_equal(plain.rise, other.rise) and np.array_equal(plain.level, other.level)
        assert plain.notes == other.notes


def test_which_piece_is_called_first_does_not_matter(unscored):
    given = pairs(9, 7)
    second = {"code": "second", **{n: f"second_{n}" for n in ("pour", "pot", "blend", "load_pct")}}
    turned = given.rename(columns=second | {b: a for a, b in second.items()})
    turned["stronger"] = turned["stronger"].map({"first": "second", "second": "first"})
    rows = [pair_test(replace(unscored, pairs=p[list(PAIR_COLUMNS)])).table.iloc[0]
            for p in (given, turned)]
    same = [n for n in rows[0].index if n != "first"]
    assert rows[0][["pairs", "higher"]].tolist() == [24, 16]
    assert [rows[0][n] for n in same] == pytest.approx([rows[1][n] for n in same])


def test_pairs_of_few_testers_say_less_than_of_many(unscored):
    """The tempting mistake: 48 pairs of two testers taken as 48 independent answers."""
    two = pair_test(replace(unscored, pairs=pairs(12, 24, each=24))).table.iloc[0]
    many = pair_test(replace(unscored, pairs=pairs(*[18] * 2 * 8, each=24))).table.iloc[0]
    alone = pair_test(replace(unscored, pairs=pairs(*[3] * 12, each=4))).table.iloc[0]
    assert two["higher"] == alone["higher"] == 36 and many["pairs"] == 384
    assert two["upper"] - two["lower"] > 1.1 * (alone["upper"] - alone["lower"])


def test_one_batch_of_each_load_tells_little_of_the_loads(unscored):
    """200 pairs of the same two pieces: what differs may be these two. Pieces of his own for each
    tester, of six batches of each load, leave less to them."""
    given = pairs(*[10] * 10, each=20)
    found = pair_test(replace(unscored, pairs=given))
    assert found.table.loc[0, "alike"] < 0.7
    assert "Only one batch of each load was compared" in found.notes[-1]
    many = pair_test(replace(unscored, pairs=of_batches(given))).table.iloc[0]
    assert many["alike"] > found.table.loc[0, "alike"] + 0.15


def test_what_is_said_when_they_are_alike(unscored):
    found = pair_test(replace(unscored, pairs=of_batches(pairs(*[10] * 10, each=20))))
    row = found.table.iloc[0]
    assert (row["pairs"], row["higher"], row["first"], row["testers"]) == (200, 100, 100, 10)
    assert row["alike"] >= 0.8 and row["lower"] < 0 < row["upper"]
    assert found.sentence == (
        "Of 200 pairs of 6.0 % and 9.0 % the higher load was named stronger 100 times "
        f"({row['least']} show a difference). A step of 3.0 points of load (% of wax) was not "
        f"noticed: the difference is at most {row['most']:.1f} points of hot throw (90 % sure)."
    )


def test_few_pairs_do_not_show_that_loads_are_alike(unscored):
    """A test that merely failed is no equivalence."""
    found = pair_test(replace(unscored, pairs=pairs(3, each=6)))
    assert found.table.loc[0, "p_value"] > 0.5 and "They leave open whether" in found.sentence
    assert any(" 6 pairs by 1 tester. The count" in note for note in found.notes)
    assert "not smelt:" not in found.sentence
    assert found.sentence.endswith("About 89 pairs would find 0.5.")
    four = pair_test(replace(unscored, pairs=pairs(4, each=4))).sentence
    assert "(too few pairs to show a difference)" in four


def test_what_is_said_when_one_is_stronger(unscored):
    found = pair_test(replace(unscored, pairs=pairs(11, 12, 11, 12)))
    row = found.table.iloc[0]
    assert row["p_value"] == pytest.approx(stats.binom.sf(45, 48, 0.5))
    assert f"9.0 % has {row['difference']:.1f} points more hot throw (90 %: " in found.sentence
    weaker = pair_test(replace(unscored, pairs=pairs(1, 0, 1, 0)))
    assert "points less hot throw (90 %: " in weaker.sentence
    assert weaker.table.loc[0, "p_value"] > 0.99


def test_an_order_that_matters_is_noted(unscored):
    found = pair_test(replace(unscored, pairs=pairs(12, 12, 12, each=24, first=True)))
    assert found.sentence == (
        "Of 72 pairs of 6.0 % and 9.0 % the higher load was named stronger 36 times (44 show a "
        "difference). They leave open whether anyone smells a step of 3.0 points of load (% of "
        "wax). A1 named the first piece in 24 of 24 pairs, A2 named the first piece in 24 of 24 "
        "pairs, A3 named the first piece in 24 of 24 pairs: that follows the order, not the smell, "
        "so the points of throw leave these pairs out. Compare them again another day, with a "
        "pause between the two pieces."
    )
    assert found.table.loc[0, "pairs"] == 72 and np.isnan(found.table.loc[0, "alike"])


def turned(given, *testers):
    """The pairs with the answers of these testers the other way round."""
    other = given["stronger"].map({"first": "second", "second": "first"})
    return given.assign(stronger=given["stronger"].where(~given["assessor"].isin(testers), other))


def test_opposite_habits_of_two_testers_are_seen_in_each(unscored):
    """One names the first piece, the other the second: 14 of 28 in sum, and nothing was smelt."""
    both = turned(pairs(7, 7, each=14, first=True), "A1")
    found = pair_test(replace(unscored, pairs=both))
    row = found.table.iloc[0]
    assert (row["first"], row["higher"], row["pairs"]) == (14, 14, 28)
    assert ("A1 named the second piece in 14 of 14 pairs, A2 named the first piece in 14 of 14 "
            "pairs") in found.sentence
    assert "not smelt" not in found.sentence
    # The exact two-sided test of ISO 5495 for one tester among two: 12 of 14, not 11.
    assert stats.binomtest(12, 14).pvalue < 0.025 < stats.binomtest(11, 14).pvalue


def test_who_has_a_habit_says_nothing_of_the_loads(unscored):
    """The others' pairs alone give the points; the sentence on the habit stays."""
    habit = pairs(0, 7, each=14, first=True).query("assessor == 'A2'")
    honest = of_batches(pairs(*[10] * 10, each=20)).assign(
        assessor=lambda p: "B" + p["assessor"].str[1:])
    with_it, without = (pair_test(replace(unscored, pairs=p)) for p in (
        pd.concat([honest, habit], ignore_index=True), honest))
    assert with_it.table.loc[0, "most"] == without.table.loc[0, "most"]
    assert "was not noticed" in with_it.sentence
    assert "A2 named the first piece in 14 of 14 pairs" in with_it.sentence


def test_the_higher_load_always_first_is_no_habit(unscored):
    """In one order only, naming the first may be smelling the higher load."""
    named = pairs(12, 12)
    named = named[named["load_pct"] == HIGH]
    assert (named["stronger"] == "first").all()
    assert pair_test(replace(unscored, pairs=named)).table.loc[0, "habits"] == ""


def test_pairs_of_one_load_are_no_test(unscored):
    same = pairs(6, low=9.0)
    with pytest.raises(FitError, match="^no two loads of a blend were compared"):
        pair_test(replace(unscored, pairs=same))


def test_an_order_that_no_tester_shows_alone_is_noted(unscored):
    given = of_batches(pairs(*[2] * 6, each=4, first=True))
    found = pair_test(replace(unscored, pairs=given))
    assert found.table.loc[0, "habits"] == ""
    assert found.notes == (
        "soft, 6.0 % and 9.0 %: 24 pairs by 6 testers. The count treats them as independent; the "
        "points allow for differences between testers.",
        "soft, 6.0 % and 9.0 %: the piece smelt first was named 24 of 24 times. Order matters to "
        "your testers, so keep it balanced, as planned.")

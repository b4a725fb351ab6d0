"""The sweat fit: recovery, identities, degenerate series, and guards against tempting mistakes."""

import re
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
import pytest

from scentlab.fitting.looks import settle_looks
from scentlab.fitting.sweat import (
    AGEING,
    ages_apart,
    evidence_notes,
    find_peak,
    fit_sweat,
    load_at_risk_draws,
    look_counts,
    sweat_risk,
    sweat_risk_draws,
    weak_prior,
)
from scentlab.maths.graded import CapacityModel, CapacityPrior
from scentlab.maths.ordinal import log_likelihood
from scentlab.maths.sampling import adaptive_draws, quantile_error, weighted_quantile
from scentlab.results import FitError
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth({"soft": BlendTruth(9.0), "hard": BlendTruth(12.0)}, spread=0.8, pot_sd=0.6)
LOADS = [6, 8, 10, 12, 14, 16]
KNOWN = {"soft": 10.0, "hard": 10.0}
fit_quickly = partial(fit_sweat, precise=None)


def looks(seed, truth=TRUTH, **layout):
    options = {"pots": 3, "sweat": 4, "sweat_heat": 2} | layout
    return simulate_series(even_layout(list(truth.blends), LOADS, **options), truth, seed).sweat()


@pytest.fixture(scope="module")
def fit():
    return fit_quickly(looks(1), KNOWN, draws=1500, seed=1)


def estimates(fit):
    return fit.table.set_index("parameter")


class TestRecovery:
    @pytest.mark.parametrize("seed", [1, 2, 3, 4])
    def test_within_four_standard_errors(self, seed):
        found = estimates(fit_quickly(looks(seed), KNOWN, draws=500, seed=seed))
        true = {"capacity of soft": 9.0, "capacity of hard": 12.0, "spread of soft": 0.8}
        true |= {"spread of hard": 0.8}
        true |= {"effect of heat": 1.0, "threshold of grade 2": 1.5, "threshold of grade 4": 4.5}
        for name, value in true.items():
            assert abs(found.at[name, "estimate"] - value) < 4 * found.at[name, "se"], name

    def test_more_pieces_and_pots_narrow_the_interval(self):
        widths = [
            np.ptp(
                estimates(fit_quickly(looks(5, pots=p), KNOWN, draws=500))
                .loc["capacity of soft", ["lower", "upper"]]
                .to_numpy(float)
            )
            for p in (2, 8)
        ]
        assert widths[1] < 0.75 * widths[0]


class TestTable:
    def test_limits_enclose_the_estimate(self, fit):
        table = fit.table
        assert ((table["lower"] < table["estimate"]) & (table["estimate"] < table["upper"])).all()
        assert (table["se"] > 0).all() and (table["unit"] != "").all()

    def test_trust_in_the_draws(self, fit):
        assert fit.k_hat < 0.7 and fit.effective_size > 150
        assert fit.weights.sum() == pytest.approx(1.0) and fit.notes == ()

    def test_counts_and_tested_loads(self, fit):
        assert fit.counts["n"].sum() == 2 * 3 * 6 * 6
        assert list(fit.counts.columns) == [
            *("pour", "pot", "blend", "load_pct", "stress", "n"),
            *(f"g{g}" for g in range(5)),
            "age_days",
        ]
        tested = fit.tested.set_index("blend")
        assert tested.at["soft", "pots"] == 3
        assert tested.at["hard", "lowest_pct"] == pytest.approx(6.0, abs=0.15)

    def test_sentence_names_unit_basis_and_uncertainty(self, fit):
        assert re.fullmatch(
            r"Half of the pieces from a typical pot show some sweat, grade 1 or more "
            r"\(at room temperature\), at: "
            r"soft \d+\.\d % of wax \(\d+\.\d % of total\), "
            r"90 % interval \d+\.\d to \d+\.\d % of wax; "
            r"hard \d+\.\d % of wax \(\d+\.\d % of total\), "
            r"90 % interval \d+\.\d to \d+\.\d % of wax\.",
            fit.sentence,
        )


class TestRisk:
    def test_load_at_risk_has_that_risk(self, fit):
        """Draw by draw, at rest and in heat, for every limit grade."""
        for grade, stress, risk in ((1, "rest", 0.05), (2, "heat", 0.05), (3, "rest", 0.2)):
            loads = load_at_risk_draws(fit, risk, grade, stress)[:60, 0]
            risks = sweat_risk_draws(fit, "soft", loads, grade, stress)
            assert np.diag(risks[:60]) == pytest.approx(np.full(60, risk), rel=5e-3)

    def test_rises_with_the_load_and_falls_with_the_grade(self, fit):
        risk = sweat_risk(fit, "soft", [6, 8, 10, 12])
        assert np.all(np.diff(risk["risk"]) > 0)
        assert (risk["lower"] < risk["risk"]).all() and (risk["risk"] < risk["upper"]).all()
        worse = sweat_risk(fit, "soft", [6, 8, 10, 12], limit_grade=3)
        assert (worse["risk"] < risk["risk"]).all()

    def test_heat_is_the_harsher_and_the_one_taken_unasked(self, fit):
        rest, heat, unasked = (
            sweat_risk(fit, "soft", [8.0], stress=s).at[0, "risk"] for s in ("rest", "heat", None)
        )
        assert rest < heat == unasked

    def test_a_new_pot_is_riskier_than_the_typical_pot_at_small_risks(self, fit):
        """The tempting mistake: leaving the pots' differences out of a small risk."""
        named = fit.named
        typical = named["capacity"][:, 0] + named["spread"][:, 0] * (
            named["tau"][:, 1] + np.log(0.05 / 0.95)
        )
        logit = fit.draw_link == 0
        new = load_at_risk_draws(fit, 0.05, 2, "rest")[:, 0]
        assert np.all(new[logit] < typical[logit] + 1e-9)
        gap = np.sum((fit.weights * (typical - new))[logit]) / fit.weights[logit].sum()
        assert gap > 0.05

    @pytest.mark.parametrize(
        "ask, text",
        [
            (
                lambda f: load_at_risk_draws(f, 0.05, 5),
                "the limit grade is 5; give a sweat grade from 1 to 4",
            ),
            (
                lambda f: sweat_risk(f, "soft", [8.0], limit_grade=0),
                "the limit grade is 0; give a sweat grade from 1 to 4",
            ),
            (
                lambda f: sweat_risk(f, "soft", [0.08]),
                "loads asked for, row 0, column load_pct: found '0.08', expected g of fragrance "
                "per 100 g of wax, such as 9 for 9 %. No load is over 0.4, so they look like "
                "shares of 1: multiply the column by 100.",
            ),
            (
                lambda f: sweat_risk(f, "none", [8.0]),
                "no blend is called 'none'; fitted were soft, hard",
            ),
            (
                lambda f: sweat_risk(f, "soft", [8.0], stress="frozen"),
                "no piece was graded frozen, only at room temperature and heat-cycled; grade some, "
                "or choose by what was graded",
            ),
        ],
    )
    def test_what_is_not_known_is_refused(self, fit, ask, text):
        with pytest.raises(FitError) as error:
            ask(fit)
        assert str(error.value) == text


class TestIdentities:
    def test_same_seed_same_fit(self):
        one, two = (fit_quickly(looks(6), KNOWN, draws=400, seed=9) for _ in range(2))
        assert np.array_equal(one.draws, two.draws) and np.array_equal(one.weights, two.weights)

    def test_names_of_pots_blends_and_order_of_rows_do_not_matter(self):
        frame = looks(6)
        one = fit_quickly(frame, KNOWN, draws=400)
        blends, pots = {"soft": "zz", "hard": "aa"}, {}
        other = frame.assign(
            blend=frame["blend"].map(blends),
            pot=[pots.setdefault(p, f"P{99 - len(pots)}") for p in frame["pot"]],
        ).sample(frac=1.0, random_state=1, ignore_index=True)
        two = fit_quickly(other, {"zz": 10.0, "aa": 10.0}, draws=400)
        places = [two.blends.index(blends[b]) for b in one.blends]
        # Each blend's shift of the spread goes with it.
        order = [*places, 2, *(3 + i for i in places), *range(5, len(one.point))]
        assert two.point[order] == pytest.approx(one.point, abs=2e-3)
        best, other = (f.model.log_parts(f.point[None])[0, :-1].sum() for f in (two, one))
        assert best == pytest.approx(other, abs=2e-3)

    def test_a_pour_lost_and_one_never_scored_leave_an_answer(self):
        frame = looks(6)
        lost = frame["pour"].unique()[3]
        frame.loc[frame["pour"] == lost, "grade"] = pd.NA
        found = fit_quickly(frame[frame["load_pct"].round() != 12], KNOWN, draws=400)
        assert found.notes == (
            f"6 sweat inspections have no grade or no weighed load and were left out (test "
            f"batches {lost}).",
        ) or lost.endswith("-4")
        assert abs(estimates(found).at["capacity of soft", "estimate"] - 9.0) < 2.0

    def test_pieces_of_one_pot_are_not_taken_as_independent(self):
        """Each piece called a pot of its own: the interval comes out too narrow."""
        truth = Truth({"soft": BlendTruth(10.0)}, spread=0.8, pot_sd=2.0)
        frame = looks(3, truth, pots=5, sweat=6, sweat_heat=0)
        right = fit_quickly(frame, {"soft": 10.0}, draws=500)
        each = frame.assign(pour=frame["code"], pot=frame["code"])
        wrong = fit_quickly(each, {"soft": 10.0}, draws=500)
        se = [estimates(f).at["capacity of soft", "se"] for f in (right, wrong)]
        assert se[0] > 1.5 * se[1]


class TestDegenerate:
    def test_perfect_separation_has_a_finite_answer(self, looks_of):
        found = fit_quickly(
            looks_of(lambda b, k, x, s, i: 3 if x > 11 else 0), {"soft": 10.0}, draws=500
        )
        row = estimates(found).loc["capacity of soft"]
        assert 10.0 < row["estimate"] < 12.0 and row["upper"] - row["lower"] < 4.0
        assert found.notes == ()

    def test_one_wet_piece_among_dry_ones_shows_how_sweat_begins(self, looks_of):
        found = fit_quickly(
            looks_of(lambda b, k, x, s, i: 3 if x > 11 or (x > 9 and i == 0) else 0),
            {"soft": 10.0}, draws=300,
        )
        assert found.notes == ()

    def test_blends_that_behave_alike(self, looks_of):
        frame = looks_of(lambda b, k, x, s, i: 3 if x > 11 else 0, blends=("soft", "hard"))
        found = fit_quickly(frame, KNOWN, draws=400)
        soft, hard = (estimates(found).loc[f"capacity of {b}"] for b in ("soft", "hard"))
        assert abs(soft["estimate"] - hard["estimate"]) < 0.5 and soft["upper"] < 13.0

    def test_all_dry(self, looks_of):
        found = fit_quickly(looks_of(lambda *a: 0), {"soft": 10.0}, draws=500)
        assert (
            "All that was seen of soft, 48 pieces, stayed dry: the load at which half would sweat "
            "is above the loads tested, and what is usual alone bounds it from above."
        ) in found.notes
        assert estimates(found).at["capacity of soft", "lower"] > 15.0

    def test_all_wet(self, looks_of):
        found = fit_quickly(looks_of(lambda *a: 3), {"soft": 10.0}, draws=500)
        assert found.notes[0] == (
            "All that was seen of soft, 48 pieces, sweated: the load at which half would sweat is "
            "below the loads tested, and what is usual alone bounds it from below."
        )
        assert estimates(found).at["capacity of soft", "upper"] < 6.5

    def test_one_pot(self, looks_of):
        frame = looks_of(lambda b, k, x, s, i: 2 if x + 0.5 * i > 11 else 0, pots=1)
        found = fit_quickly(frame, {"soft": 10.0}, draws=500)
        assert found.notes == (
            "soft was poured from only one pot, so how much pots differ is taken from what is "
            "usual.",
        )
        sigma = estimates(found).loc["sd between pots"]
        assert sigma["upper"] > 1.5  # the prior's own: one pot says nothing

    def test_one_pot_each_is_said_once(self, looks_of):
        frame = looks_of(lambda b, k, x, s, i: 2 if x + 0.5 * i > 11 else 0, pots=1,
                         blends=("soft", "hard"))
        assert evidence_notes(frame, ("soft", "hard")) == (
            "soft, hard were poured from only one pot each, so how much pots differ is taken from "
            "the other blends and what is usual.",)

    def test_sweat_that_falls_from_some_load_on(self, looks_of):
        """Dry, wet and dry again, as where wax sets in another form; pieces that are all wet at the
        top, or one dry one among them, are no fall."""
        found, = evidence_notes(looks_of(lambda b, k, x, s, i: 2 * (9 < x < 12)), ("soft",))
        assert found.startswith("Sweat of soft falls as the load rises above 10.0 % of wax (")
        for grade in (lambda b, k, x, s, i: 2 * (x > 9),
                      lambda b, k, x, s, i: 2 * (x > 9) * ((k, i, x) != (1, 0, 14))):
            assert evidence_notes(looks_of(grade), ("soft",)) == ()

    def test_no_limit_known(self, looks_of):
        found = fit_quickly(looks_of(lambda b, k, x, s, i: 3 if x > 11 else 0), draws=400)
        assert found.notes[:1] == (
            "No wax maker's limit is known for soft; half of its pieces are expected to sweat near "
            "the middle of the tested loads, or at 12.5 % of wax if that is less: 11.0 % of wax.",
        )

    def test_a_batch_far_above_does_not_raise_what_is_expected(self, looks_of):
        """Wet at 19 % and wet at 35 % of wax say the same of a blend that is dry at 12 %."""
        near, far = (
            fit_quickly(looks_of(lambda b, k, x, s, i: 4 * (x > 12), pots=1, pieces=2,
                                 loads=(6, 9, 12, top)), draws=2000)
            for top in (19, 35)
        )
        low, high = (
            weighted_quantile(load_at_risk_draws(fit, 0.05)[:, 0], fit.weights, 0.05)
            for fit in (near, far)
        )
        assert high == pytest.approx(low, abs=1.0)  # it was 3.2 higher

    def test_only_looks_in_heat(self, looks_of):
        frame = looks_of(lambda b, k, x, s, i: 3 if x > 11 else 0).assign(stress="heat")
        found = fit_quickly(frame, {"soft": 10.0}, draws=400)
        assert found.stresses == ("heat",)
        assert "effect of heat" not in set(found.table["parameter"])
        # Nothing is said of what plays no part in it; looks are of one age.
        assert not {"heat", AGEING} & set(found.prior)

    def test_empty(self, looks_of):
        with pytest.raises(FitError) as error:
            fit_quickly(looks_of(lambda *a: 0).iloc[:0])
        assert str(error.value) == "there are no sweat grades to fit; grade some pieces first"


def test_the_prior_is_outvoted_by_a_plain_series():
    """Prior centred 6 points too high, 6 pots of 6 pieces: the capacity hardly moves."""
    frame = looks(8, pots=6, sweat=6)
    near, far = (
        estimates(fit_quickly(frame, {"soft": c, "hard": c + 3}, draws=500)) for c in (9.0, 15.0)
    )
    shift = far.at["capacity of soft", "estimate"] - near.at["capacity of soft", "estimate"]
    assert abs(shift) < near.at["capacity of soft", "se"]


def test_prior_words_are_those_used(fit):
    assert "about 10.0 % of wax" in fit.prior["half-sweat load of soft"]
    assert fit.prior["heat"] == "normal about 0, sd 2"


@pytest.mark.parametrize("load, times", [(4.0, 1.0), (12.5, 1.0), (20.0, 1.6)])
def test_what_differs_in_points_differs_by_as_large_a_part_of_higher_loads(load, times):
    usual, found = weak_prior([10.0, 11.0]), weak_prior([10.0, 11.0], load=load)
    assert found.capacity_centre == usual.capacity_centre
    for name in ("capacity_scale", "shift_scale", "pool_median", "spread_median", "sigma_scale",
                 "ageing_scale"):
        assert getattr(found, name) == pytest.approx(times * getattr(usual, name)), name
    assert found.stress_scale == usual.stress_scale, "it is in latent units"


def test_quantiles_of_the_table_are_those_of_the_draws(fit):
    capacity = fit.named["capacity"][:, 1]
    row = estimates(fit).loc["capacity of hard"]
    expected = weighted_quantile(capacity, fit.weights, (0.05, 0.5, 0.95))
    assert [row["lower"], row["estimate"], row["upper"]] == pytest.approx(list(expected))


@pytest.mark.parametrize("link", ["logit", "skewed"])
def test_even_nodes_in_single_precision_are_enough(link):
    """The weights of the draws against those of exact nodes: their error, root mean square, moves
    a 5 % point of a normal by its square root of 0.05 x 0.95 over the density there, 2.1 sd, times
    itself at most; the sd of a load at risk is about a point."""
    frame = looks(7, replace(TRUTH, pot_sd=1.0))
    fit = fit_quickly(frame, KNOWN, links=[link], draws=300, seed=2)
    model = fit.model
    shared = model.shared(fit.draws)
    fine = log_likelihood(
        model.data, shared["tau"], model.location(fit.draws),
        model.group_sd(fit.draws, shared["sigma"]), link=link, misread=shared["misread"],
        exact=True,
    ).value
    away = model.log_parts(fit.draws)[:, :-1].sum(axis=1) - fine
    assert np.sqrt(fit.weights @ (away - fit.weights @ away) ** 2) < 0.03 / 2.1


def aged_looks(seed, *, ageing=0.5, days=(1, 4, 16), capacity=10.0, pots=4, pieces=4):
    """Pieces that keep their own latent value and are looked at again and again, while the
    capacity falls by ``ageing`` points of load with each doubling of the age up to the last."""
    rng = np.random.default_rng(seed)
    rows = []
    for pot in range(pots):
        moved = 0.4 * rng.standard_normal()
        for load in (6.0, 8.0, 10.0, 12.0, 14.0):
            for piece in range(pieces):
                noise = rng.logistic()
                for age in days:
                    lost = ageing * np.log2(age / days[-1])
                    latent = (load + lost + moved - capacity) / 0.6 + noise
                    grade = int((latent > np.array([0.0, 1.5, 3.0, 4.5])).sum())
                    rows.append((f"{pot}-{load}-{piece}", f"{pot}-{load}", f"p{pot}", "soft",
                                 load, "rest", float(age), grade))
    names = ["code", "pour", "pot", "blend", "load_pct", "stress", "age_days", "grade"]
    return pd.DataFrame(rows, columns=names).astype({"grade": "Int64"})


def aged_model(frame):
    settled, _ = settle_looks(frame, "sweat", ages=True)
    data = look_counts(settled, ("soft",), ("rest",), ages_apart(settled))
    prior = CapacityPrior(capacity_centre=(10.0,))
    return CapacityModel(data, 1, prior, aged=ages_apart(settled))


def posterior_means(frame):
    """Posterior means of capacity and ageing, and the sd of the first, by importance sampling."""
    model = aged_model(frame)
    draws = adaptive_draws(model.log_posterior, find_peak(model), size=600, seed=1)
    capacity = draws.points[:, 0]
    mean = draws.weights @ capacity
    ageing = model.of_score(draws.points, "ageing")[0]
    sd = np.sqrt(draws.weights @ (capacity - mean) ** 2)
    return mean, sd, (draws.weights @ ageing)[0] if ageing.size else None


class TestAges:
    @pytest.mark.parametrize("ageing", [0.2, 1.0])
    def test_ageing_is_recovered(self, ageing):
        """80 pieces in four pots tell the ageing to some 10 %; a capacity to some 0.3 points."""
        for seed in range(3):
            capacity, _, found = posterior_means(aged_looks(seed, ageing=ageing))
            assert found == pytest.approx(ageing, abs=0.1 + 0.4 * ageing)
            assert capacity == pytest.approx(10.0, abs=1.3)

    def test_dry_early_and_wet_late_is_not_the_mean_of_both(self):
        """What is told is of the oldest look: as a fit of the last looks alone, and not as one
        that takes each look for a piece of its own."""
        looks = aged_looks(5, ageing=1.0)
        last = looks[looks["age_days"] == 16]
        apart = looks.assign(code=looks["code"] + looks["age_days"].astype(str), age_days=16.0)
        (aged, *_), (plain, error, _), (wrong, *_) = (
            posterior_means(frame) for frame in (looks, last, apart)
        )
        assert abs(aged - plain) < 2 * error
        assert wrong - plain > 2 * error

    def test_all_looks_at_one_age_are_looks_without_ages(self):
        looks = aged_looks(6, days=(7,))
        aged, plain = (
            fit_quickly(frame, {"soft": 10.0}, draws=300)
            for frame in (looks, looks.drop(columns="age_days"))
        )
        assert np.array_equal(aged.draws, plain.draws)
        assert AGEING not in set(aged.table["parameter"]) and aged.ages == (7.0, 7.0)

    def test_a_look_without_an_age_counts_as_of_day_1(self):
        looks = aged_looks(7, days=(1, 4, 16))
        unknown = looks.assign(age_days=looks["age_days"].where(looks["age_days"] > 1))
        one, other = (aged_model(frame).data for frame in (looks, unknown))
        for name in ("grade", "cell", "times"):
            own, others = (getattr(data.histories, name) for data in (one, other))
            assert np.array_equal(own, others), name
        assert np.array_equal(one.design, other.design)

    def test_ages_that_hardly_differ_say_nothing_of_ageing(self):
        assert aged_model(aged_looks(8, days=(10, 14))).data.histories is None
        assert aged_model(aged_looks(8, days=(10, 20))).data.histories is not None


def test_one_load_has_an_answer_of_its_own(looks_of):
    """Half of the pieces wet at 10 %: the capacity lies there; the prior says how sweat begins."""
    looks = looks_of(lambda b, k, x, s, i: 2 * (i % 2), loads=(10.0,), pots=3, pieces=8)
    row = estimates(fit_quickly(looks, {"soft": 12.0}, draws=300)).loc["capacity of soft"]
    assert row["lower"] < 10.0 < row["upper"] and abs(row["estimate"] - 10.0) < 1.0


def test_draws_until_the_ceiling_is_precise():
    """The error that is asked for is kept for a ceiling among the loads tested, or eight times the
    draws are reached; and fewer draws are no more precise."""
    frame = looks(2)
    rough, fine = (fit_sweat(frame, KNOWN, draws=300, precise=p) for p in (None, 0.05))
    errors = [
        quantile_error(
            load_at_risk_draws(f, 0.05)[:, f.blends.index("hard")], f.weights, f.draw_lot, 0.05
        )
        for f in (rough, fine)
    ]
    assert len(fine.weights) >= len(rough.weights)
    assert errors[1] <= 0.06 or len(fine.weights) >= 8 * 300
    assert errors[1] <= 1.2 * errors[0]


def test_the_error_that_is_asked_for_is_that_of_the_stress_that_decides():
    truth = Truth({"soft": BlendTruth(10.0)}, heat=-2.5)
    layout = even_layout(["soft"], (6, 8, 10, 12, 14), sweat=3, sweat_heat=2)
    fit = fit_sweat(simulate_series(layout, truth, 1).sweat(), draws=1000, precise=0.03)
    error = quantile_error(load_at_risk_draws(fit, 0.05)[:, 0], fit.weights, fit.draw_lot, 0.05)
    assert fit.harshest == "rest" and (error <= 0.03 or len(fit.weights) >= 8 * 1000)

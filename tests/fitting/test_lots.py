"""Lots: published and outside fits, recovery of a known shift, and guards."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.miscmodels.ordinal_model import OrderedModel

from scentlab.choosing.ceiling import find_ceiling
from scentlab.fitting.lots import (
    LotModel,
    LotPrior,
    cell_name,
    fit_lots,
    lot_contrasts,
)
from scentlab.fitting.sweat import fit_sweat
from scentlab.maths.optimum import climb
from scentlab.maths.ordinal import count_looks
from scentlab.results import FitError, Result
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth({"soft": BlendTruth(9.0), "hard": BlendTruth(12.0)}, spread=0.8, pot_sd=0.6)
LOADS = [6, 8, 10, 12, 14, 16]


def series(seed, shift=0.0, truth=TRUTH, **layout):
    """Sweat looks of a series whose capacities all lie ``shift`` from the truth."""
    moved = {b: replace(t, capacity=t.capacity + shift) for b, t in truth.blends.items()}
    options = {"pots": 2, "sweat": 4, "sweat_heat": 2} | layout
    plan = even_layout(list(moved), LOADS, **options)
    return simulate_series(plan, replace(truth, blends=moved), seed).sweat()


def pooled(seed, shift, draws=500, **options):
    looks = [series(1000 + seed), series(5000 + seed, shift)]
    return fit_lots(looks, ["lot A", "lot B"], draws=draws, seed=seed, **options)


@pytest.fixture(scope="module")
def fit():
    return pooled(3, -1.5, draws=1500)


class TestOutside:
    def test_wine_with_the_contact_as_lot(self, reference):
        """Christensen, tutorial on clmm2: wine, 10-point quadrature, judges random: warm 3.0619,
        contact 1.8334, sd of the judges 1.1348. The load is the temperature."""
        wine = reference("wine")
        load = (wine["temp"] == "warm").to_numpy(float)
        place = (wine["contact"] == "yes").to_numpy(int)
        design = np.column_stack([load, np.ones(len(wine)), lot_contrasts(2)[place]])
        grades = wine["rating"].to_numpy(int) - 1
        data = count_looks(grades, design, wine["assessor"].to_numpy(str), 5)
        model = LotModel(data, 1, 2, None)
        peak = climb(model.value_and_gradient, model.start())
        spread = np.exp(model.take(peak.point, "log_spread")[0])
        shift = np.diff(lot_contrasts(2) @ model.take(peak.point, "lot"))[0]
        assert 1.0 / spread == pytest.approx(3.0619, abs=1e-3)
        assert -shift / spread == pytest.approx(1.8334, abs=1e-3)
        # Pots, here judges, differ in units of the load: the latent sd times the spread.
        sigma = model.sigma(peak.point)[0][0]
        assert sigma / spread == pytest.approx(1.1348, abs=1e-3)

    def test_against_the_ordered_logit_of_statsmodels(self):
        """Many pieces, no pots, wide priors: the shift is the ratio of two coefficients there."""
        truth = replace(TRUTH, blends={"soft": BlendTruth(11.0)}, pot_sd=0.0)
        looks = [series(s, d, truth, pots=3, sweat=24, sweat_heat=0) for s, d in ((1, 0), (2, -1))]
        prior = LotPrior(
            capacity_centre=(11.0,), capacity_scale=100.0, misread_median=None, sigma_scale=1e-3,
            spread_log_sd=10.0, gap_log_sd=10.0, lot_sd_median=100.0, lot_sd_log_sd=0.1,
        )
        row = fit_lots(looks, prior=prior, links=("logit",)).table.iloc[0]
        both = pd.concat([own.assign(lot=float(i)) for i, own in enumerate(looks)])
        other = OrderedModel(
            both["grade"].astype(int).to_numpy(), both[["load_pct", "lot"]].to_numpy(float),
            distr="logit",
        ).fit(method="bfgs", disp=False)
        slope, lot = other.params[:2]
        toward = np.array([lot / slope**2, -1.0 / slope])
        error = np.sqrt(toward @ other.cov_params()[:2, :2] @ toward)
        assert row["estimate"] == pytest.approx(-lot / slope, abs=0.1 * error)
        assert row["se"] == pytest.approx(error, rel=0.1)
        assert row["upper"] == pytest.approx(-lot / slope + 1.645 * error, abs=0.2 * error)


class TestGradient:
    def test_against_differences(self):
        looks = [series(1), series(2, -1.0), series(3, 1.0)]
        place = np.repeat(np.arange(3), [len(own) for own in looks])
        all_looks = pd.concat(looks)
        design = np.column_stack([
            all_looks["load_pct"], all_looks["blend"] == "soft", all_looks["blend"] == "hard",
            lot_contrasts(3)[place], all_looks["stress"] == "heat",
        ]).astype(float)
        pots = [f"{i}{p}" for i, p in zip(place, all_looks["pot"], strict=True)]
        data = count_looks(all_looks["grade"].to_numpy(int), design, pots, 5)
        prior = LotPrior(
            capacity_centre=(9.0, 9.0), shared=((1.0,), (1.0,)), shared_scale=(5.0,)
        )
        model = LotModel(data, 2, 3, prior)
        point = model.start() + 0.2 * np.random.default_rng(1).standard_normal(model.size)
        for step in np.eye(model.size) * 1e-5:
            ahead, behind = (model.value_and_gradient(point + s)[0] for s in (step, -step))
            slope = model.value_and_gradient(point)[1] @ step / 1e-5
            assert (ahead - behind) / 2e-5 == pytest.approx(slope, rel=1e-4, abs=1e-4)

    def test_prior_of_the_shifts_is_normal_given_its_sd(self):
        model = LotModel(count_looks([0, 1, 2, 3, 4], np.ones((5, 4)), list("aabbb"), 5), 1, 3,
                         LotPrior(capacity_centre=(9.0,)))
        points = np.tile(model.start(), (2, 1))
        points[:, model.places["lot"]] = [[0.3, -0.4], [1.2, 0.1]]
        points[:, model.places["log_lot_sd"]] = [[-0.5], [0.4]]
        by_hand = []
        for p in points:
            shifts, log_sd = p[model.places["lot"]], p[model.places["log_lot_sd"]][0]
            value = stats.norm.logpdf(shifts, 0, np.exp(log_sd)).sum()
            by_hand.append(value + stats.norm.logpdf(log_sd, np.log(0.8), 0.8))
        found = model.log_prior(points)[0]
        assert found[1] - found[0] == pytest.approx(by_hand[1] - by_hand[0], abs=1e-9)


@pytest.mark.parametrize("shift, least", [(0.0, 5), (-2.0, 5)])
def test_a_known_shift_lies_in_most_intervals(shift, least):
    """8 pairs of series: a binomial (8, 0.9) is below 5 in 1 of 200; a shift of 0, to which the
    prior draws, is held more often."""
    rows = [pooled(seed, shift, draws=300, links=("logit",)).table.iloc[0] for seed in range(8)]
    held = sum(r["lower"] <= shift <= r["upper"] for r in rows)
    assert held >= least
    middle = np.mean([r["estimate"] for r in rows])
    assert abs(middle - shift) < 4 * np.std([r["estimate"] for r in rows]) / np.sqrt(8)


def test_pooling_narrows_what_is_known_of_each_lot():
    """Capacity: the mean width over blends, lots and two pairs is less than that of each alone."""
    alone, together = [], []
    options = {"draws": 300, "links": ("logit",)}
    for seed in range(2):
        looks = [series(1000 + seed), series(5000 + seed, -0.6)]
        table = fit_lots(looks, seed=seed, **options).cells.table.set_index("parameter")
        for i, own in enumerate(looks, start=1):
            single = fit_sweat(own, seed=seed, precise=None, **options).table
            single = single.set_index("parameter")
            for blend in ("soft", "hard"):
                name = f"capacity of {blend}"
                alone.append(np.ptp(single.loc[name, ["lower", "upper"]].astype(float)))
                name = f"capacity of {cell_name(blend, f'series {i}')}"
                together.append(np.ptp(table.loc[name, ["lower", "upper"]].astype(float)))
    assert np.mean(together) < 0.92 * np.mean(alone)


class TestIdentities:
    def test_exchanging_the_lots_turns_the_sign(self):
        looks = [series(1003), series(5003, -1.5)]
        one, other = (fit_lots(two, draws=1000).table.iloc[0] for two in (looks, looks[::-1]))
        assert one["estimate"] == pytest.approx(-other["estimate"], abs=0.15 * one["se"])
        assert one["lower"] == pytest.approx(-other["upper"], abs=0.3 * one["se"])

    def test_capacity_of_a_cell_is_that_of_the_blend_and_its_lot(self, fit):
        capacity = fit.cells.named["capacity"].reshape(len(fit.weights), 2, 2)
        assert np.allclose(capacity - capacity[:, :, :1], (fit.shifts - fit.shifts[:, :1])[:, None])
        assert np.allclose(fit.shifts.sum(axis=1), 0.0)

    def test_ceilings_of_the_lots_lie_apart_by_about_the_shift(self, fit):
        ceiling = find_ceiling(fit.cells)
        names = [cell_name("hard", lot) for lot in fit.lots]
        loads = [ceiling.of(n)["load_at_risk_pct"] for n in names]
        assert loads[1] - loads[0] == pytest.approx(fit.table["estimate"].iloc[0], abs=0.1)

    def test_pieces_of_one_code_in_two_series_are_two(self):
        """Both series number their pieces and pots alike; they must not be joined."""
        looks = [series(1), series(2)]
        cells = fit_lots(looks, draws=200).cells
        assert cells.counts["n"].sum() == sum(own["code"].nunique() for own in looks)
        assert cells.counts["pot"].nunique() == 8

    def test_back_from_data(self, fit):
        again = Result.from_dict(fit.to_dict())
        assert again.sentence == fit.sentence and again.cells.blends == fit.cells.blends


def said(lower, estimate, upper):
    """The sentence of a shift with those numbers."""
    from scentlab.fitting.lots import LotFit

    table = pd.DataFrame([("lot B", "lot A", estimate, 0.3, lower, upper)], columns=[
        "lot", "against", "estimate", "se", "lower", "upper"])
    empty = np.zeros((0, 2))
    return LotFit(("lot A", "lot B"), ("soft",), table, None, empty, empty).sentence


def test_the_sentence_claims_a_direction_only_where_it_is_told():
    assert said(-1.1, -0.6, -0.1) == (
        "Lot B sweats 0.6 points of load (% of wax) earlier than lot A, 90 % interval 0.1 to 1.1 "
        "points."
    )
    assert said(0.2, 0.5, 0.9).startswith("Lot B sweats 0.5 points of load (% of wax) later than")
    assert said(-0.9, -0.2, 0.3) == (
        "Whether lot B sweats earlier or later than lot A is too close to call: 0.2 earlier, 90 % "
        "interval 0.9 earlier to 0.3 later, in points of load (% of wax)."
    )


class TestRefusals:
    def test_one_series_alone(self):
        with pytest.raises(FitError, match="^lots are set apart by two or more series; give "):
            fit_lots([series(1)])

    def test_two_of_one_name(self):
        with pytest.raises(FitError, match="^there are 2 series and the lots A, A; give each "):
            fit_lots([series(1), series(2)], ["A", "A"])

    def test_a_blend_that_is_not_in_all(self):
        other = series(2)
        with pytest.raises(FitError) as error:
            fit_lots([series(1), other[other["blend"] == "soft"]])
        assert str(error.value) == (
            "series 2 has no sweat grade of the blend hard, which another series has; fit only "
            "what all series have"
        )

    def test_a_stress_that_is_not_in_all(self):
        with pytest.raises(FitError, match="^series 2 has no sweat grade of the stress heat, whi"):
            fit_lots([series(1), series(2, sweat_heat=0)])


def test_all_dry_in_one_lot_is_answered_and_wide():
    dry = series(2).assign(grade=pd.array([0] * len(series(2)), dtype="Int64"))
    row = fit_lots([series(1), dry], draws=500).table.iloc[0]
    assert row["lower"] > 1.0 and row["upper"] - row["lower"] > 2.0

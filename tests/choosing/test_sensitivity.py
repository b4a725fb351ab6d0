"""The answer under other assumptions: reweighted draws against a fit made anew under them."""

from dataclasses import replace

import numpy as np
import pytest

from scentlab.choosing.ceiling import find_ceiling
from scentlab.choosing.pick import Evidence
from scentlab.choosing.rules import Rules
from scentlab.choosing.sensitivity import AS_IS, find_sensitivity
from scentlab.fitting.sweat import at_age, fit_sweat, load_at_risk_draws
from scentlab.maths.graded import CapacityPrior
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth({"soft": BlendTruth(9.0), "hard": BlendTruth(11.0)}, pot_sd=0.8)
LIMITS = {"soft": 10.0, "hard": 10.0}
SEPARATE = CapacityPrior(capacity_centre=(10.0, 10.0))


@pytest.fixture(scope="module")
def series():
    return simulate_series(even_layout(list(LIMITS), [6, 8, 10, 12, 14], pots=3), TRUTH, 5)


def fitted(series, prior=SEPARATE, **options):
    options = {"draws": 1500, "precise": None} | options
    return fit_sweat(series.sweat(), LIMITS, pooled=False, prior=prior, **options)


@pytest.fixture(scope="module")
def fit(series):
    return fitted(series)


@pytest.fixture(scope="module")
def told(series, fit):
    return ceilings(series, fit)


def ceilings(series, fit):
    evidence = Evidence(fit, None, None, series)
    return find_sensitivity(evidence, Rules()).set_index(["assumption", "blend"])


@pytest.mark.parametrize("words, change", [
    ("pots differ twice as much", {"sigma_scale": 1.2}),
    ("how gradually sweat sets in differs half as much", {"spread_shift_sd": 0.3}),
])
def test_weights_say_what_a_fit_made_anew_says(series, told, words, change):
    anew = find_ceiling(fitted(series, replace(SEPARATE, **change)), Rules())
    for blend in LIMITS:
        row = anew.of(blend)
        assert told.at[(words, blend), "ceiling_load_pct"] == pytest.approx(
            row["ceiling_load_pct"], abs=0.05 + 4.0 * row["error_pct"])


def test_as_assumed_is_the_ceiling_and_a_link_alone_is_its_own_fit(series, fit, told):
    told = told["ceiling_load_pct"]
    own = find_ceiling(fit, Rules()).table.set_index("blend")["ceiling_load_pct"]
    assert told[AS_IS].to_dict() == pytest.approx(own.to_dict())
    alone = find_ceiling(fitted(series, links=["skewed"]), Rules())
    for blend in LIMITS:
        row = alone.of(blend)
        assert told["sweat sets in early and slowly"][blend] == pytest.approx(
            row["ceiling_load_pct"], abs=0.3 + 4.0 * row["error_pct"], nan_ok=True)


def test_an_age_moves_capacities_by_what_each_doubling_takes(series):
    grades = series.sweat()
    young = grades.assign(age_days=4.0, grade=np.maximum(grades["grade"] - 1, 0))
    both = np.concatenate([young.to_numpy(), grades.assign(age_days=16.0).to_numpy()])
    looks = type(grades)(both, columns=young.columns).astype({"load_pct": float})
    looks["grade"] = looks["grade"].astype("Int64")
    fit = fit_sweat(looks, LIMITS, draws=1000, precise=None, links=["logit"])
    assert fit.ages == (4.0, 16.0)
    told = load_at_risk_draws(at_age(fit, 4.0), 0.05) - load_at_risk_draws(fit, 0.05)
    assert told == pytest.approx(np.repeat(2.0 * fit.named["ageing"][:, None], 2, axis=1))
    assert at_age(fit, 40.0) is fit and at_age(fit, None) is fit

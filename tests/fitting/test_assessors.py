"""How an assessor follows the others, by hand."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from scentlab.fitting.assessors import OF_TWO, agreements, parted, slipped


def test_slope_on_the_others_leaves_his_own_scores_out():
    """Least squares of A1's scores on the mean of A2 and A3, by numpy; shifts do not matter."""
    rng = np.random.default_rng(4)
    wide = pd.DataFrame(rng.uniform(0, 10, (8, 3)), columns=["A1", "A2", "A3"])
    wide["pour"] = [f"p{i}" for i in range(8)]
    scores = wide.melt("pour", var_name="assessor", value_name="throw")
    found = agreements(scores, {"A1": 0.5, "A2": -0.2, "A3": -0.3})["A1"]
    (slope, _), covariance = np.polyfit((wide["A2"] + wide["A3"]) / 2, wide["A1"], 1, cov=True)
    assert found.slope == pytest.approx(slope)
    assert found.se == pytest.approx(np.sqrt(covariance[0, 0]))
    assert found.df == 6


def test_too_few_pours_in_common():
    scores = pd.DataFrame(
        {"assessor": ["A1", "A2"] * 4, "pour": list("aabbccdd"), "throw": np.arange(8.0)}
    )
    assert agreements(scores, {"A1": 0.0, "A2": 0.0}) == {}


def by_load(gains, blends=("soft", "hard"), noise=0.3):
    """Scores of testers who gain so much for each point of load; the blends' levels differ."""
    rng = np.random.default_rng(3)
    return pd.DataFrame([
        (who, blend, f"{blend}{load}{pot}", load,
         4.0 * place + gain * load + noise * rng.standard_normal())
        for who, gain in gains.items() for place, blend in enumerate(blends)
        for load in (6.0, 8.0, 10.0) for pot in (1, 2)
    ], columns=["assessor", "blend", "pour", "load_pct", "throw"])


def test_of_two_testers_the_one_who_smells_no_more_is_named():
    assert parted(by_load({"A1": 1.0, "A2": 0.0})) == {"A2": OF_TWO}
    assert parted(by_load({"A1": 1.0, "A2": 0.7})) == {}
    assert parted(by_load({"A1": 0.0, "A2": 0.0})) == {}
    assert parted(by_load({"A1": 1.0, "A2": 0.0, "A3": 1.0})) == {}, "those follow each other"
    assert parted(by_load({"A1": 1.0, "A2": 0.0}, ("soft",)).query("load_pct < 10")) == {}


def test_a_slip_is_what_statsmodels_calls_an_outlier():
    """Bonferroni's chance of the largest externally studentised residual is under 1 %, as
    ``outlier_test`` has it; what the others make likely is the fit without it."""
    scores = by_load({"A1": 1.0, "A2": 0.7, "A3": 0.9}, noise=0.6).reset_index(drop=True)
    model = "throw ~ C(assessor) + C(blend) * (load_pct + I(load_pct ** 2))"
    for given in (scores["throw"][20], 1.0):
        scores.loc[20, "throw"] = given
        chances = smf.ols(model, scores).fit().outlier_test()["bonf(p)"]
        found = slipped(scores)
        assert (found is not None) == (chances.min() < 0.01) == (given == 1.0)
    others = smf.ols(model, scores.drop(index=20)).fit().predict(scores.loc[[20]])
    assert found == (20, pytest.approx(others.iloc[0]))


def test_honest_scores_near_the_end_of_the_scale_hold_no_slip_and_a_slip_there_is_found():
    """There most scores are 10, so that a 7 among them lies many of their own standard deviations
    off, as ``outlier_test`` has it."""
    scores = by_load({"A1": 1.0, "A2": 1.0, "A3": 1.0}, noise=0.0).reset_index(drop=True)
    scores["throw"] = 10.0
    scores.loc[[3, 11], "throw"] = 9.0
    for given, named in ((7.0, False), (1.0, True)):
        scores.loc[20, "throw"] = given
        chances = smf.ols("throw ~ C(assessor) + C(blend) * (load_pct + I(load_pct ** 2))",
                          scores).fit().outlier_test()["bonf(p)"]
        assert chances.min() < 0.01 and (slipped(scores) is not None) == named


def test_too_few_scores_or_all_as_expected_hold_no_slip():
    assert slipped(by_load({"A1": 1.0}, ("soft",)).iloc[:4].reset_index(drop=True)) is None
    assert slipped(by_load({"A1": 1.0, "A2": 1.0}, noise=0.0).reset_index(drop=True)) is None

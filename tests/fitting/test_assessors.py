"""How an assessor follows the others, by hand."""

import numpy as np
import pandas as pd
import pytest

from scentlab.fitting.assessors import agreements


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

"""A series: what was weighed decides the load, joins keep every row."""

import numpy as np
import pandas as pd
import pytest

from scentlab.series import (
    BLEND_COLUMNS,
    GRADE_COLUMNS,
    POUR_COLUMNS,
    THROW_COLUMNS,
    Series,
    tidy,
    tidy_pours,
)


@pytest.fixture
def pours():
    return tidy_pours(
        pd.DataFrame(
            {
                "pour": ["P1", "P2"],
                "pot": ["K1", "K1"],
                "blend": ["soft", "soft"],
                "wax_g": [200.0, 160.0],
                "fragrance_g": [18.0, 16.0],
                "planned_load_pct": [9.0, 9.0],
            }
        )
    )


@pytest.fixture
def looks():
    return pd.DataFrame(
        {
            "code": ["101", "102", "103"],
            "pour": ["P1", "P2", "P9"],
            "test": ["sweat", "frost", "sweat"],
            "stress": "rest",
            "age_days": 14.0,
            "assessor": "A1",
            "grade": pd.array([0, 2, None], dtype="Int64"),
        }
    )


def test_load_is_what_was_weighed_not_what_was_planned(pours):
    assert list(pours.columns) == list(POUR_COLUMNS)
    assert pours["load_pct"].tolist() == [9.0, 10.0]
    assert pours["content_pct"].to_numpy() == pytest.approx([100 * 18 / 218, 100 * 16 / 176])
    assert pours["planned_load_pct"].tolist() == [9.0, 9.0]


def test_looks_take_the_load_of_their_pour(pours, looks):
    grades = tidy("grades", looks, pours)
    assert list(grades.columns) == list(GRADE_COLUMNS)
    assert grades["load_pct"].tolist()[:2] == [9.0, 10.0]
    assert len(grades) == 3 and np.isnan(grades["load_pct"][2])  # a pour that was never logged


def test_a_pour_logged_twice_is_no_load(pours, looks):
    with pytest.raises(pd.errors.MergeError):
        tidy("grades", looks, pd.concat([pours, pours]))


def test_scores_take_the_load_of_their_pour(pours):
    scores = pd.DataFrame({"code": ["104"], "pour": ["P2"], "assessor": ["A1"], "throw": [4.5]})
    throws = tidy("throws", scores, pours)
    assert list(throws.columns) == list(THROW_COLUMNS)
    assert throws["load_pct"].tolist() == [10.0] and throws["throw"].tolist() == [4.5]


def test_sweat_and_frost_looks(pours, looks):
    blends = pd.DataFrame([["soft"] + [None] * 5], columns=list(BLEND_COLUMNS))
    series = Series(
        "a test",
        "invented",
        pours,
        tidy("grades", looks, pours),
        tidy("throws", pd.DataFrame(columns=["code", "pour", "assessor", "throw"]), pours),
        blends,
    )
    assert series.sweat()["code"].tolist() == ["101", "103"]
    assert series.frost()["code"].tolist() == ["102"]
    assert repr(series) == "Series('a test': 2 pours, 3 grades, 0 throw scores)"


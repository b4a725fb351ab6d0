"""Pictures of foresight: what is drawn where, and what is refused."""

import numpy as np
import pandas as pd
import pytest

from scentlab.foresight.precision import ALL, CEILING_OVER, NO_ANSWER, SHORTFALL, SPREAD, Precision
from scentlab.sharing.pictures import plot
from scentlab.sharing.pictures.drawing import picture


@pytest.fixture
def expected():
    rows = [
        (blend, measure, value, 0.05, 40, "")
        for blend, values in {"soft": (1.0, 0.5, 0.05, 0.1), "hard": (np.nan, np.nan, 0.0, 1.0),
                              ALL: (1.0, 0.5, 0.03, 0.5)}.items()
        for measure, value in zip((SHORTFALL, SPREAD, CEILING_OVER, NO_ANSWER), values, strict=True)
    ]
    table = pd.DataFrame(rows, columns=["blend", "measure", "estimate", "se", "series", "unit"])
    truth = pd.DataFrame({"blend": ["soft", "hard"], "load_at_risk_pct": [8.0, 10.0]})
    return Precision(table, truth, 40, 40, 600, 1, 4, {}, {})


def texts(ax):
    return [t.get_text() for t in ax.texts]


def marks(ax, marker):
    return [tuple(map(float, line.get_data()[0])) for line in ax.lines
            if line.get_marker() == marker]


def test_a_precision_shows_truth_ceiling_and_what_goes_wrong(expected):
    ax = plot(expected)
    assert marks(ax, "|") == [(8.0, 10.0)]
    found = marks(ax, "^")[0]
    assert found[0] == 7.0 and np.isnan(found[1])  # true load less the shortfall; none for hard
    (arm,) = ax.collections[0].get_segments()
    assert arm[:, 0] == pytest.approx([7.0 - 1.645 * 0.5, 7.0 + 1.645 * 0.5])
    assert texts(ax) == ["too high 5 (1 to 15) %, no answer 10 (3 to 21) %",
                         "too high 0 (0 to 7) %, no answer 100 (93 to 100) %"]
    assert "% of wax" in ax.get_xlabel() and "% of total" in ax.get_xlabel()


def test_results_stay_as_they_were_and_can_be_kept_as_pictures(expected):
    result = expected
    before = result.table.copy(deep=True)
    assert b"<svg" in picture(plot(result), "svg")[:1500]
    pd.testing.assert_frame_equal(result.table, before)

"""Pictures of foresight: what is drawn where, and what is refused."""

import re

import numpy as np
import pandas as pd
import pytest

from scentlab.foresight.comparison import Comparison
from scentlab.foresight.next_round import NextRound
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


@pytest.fixture
def compared():
    table = pd.DataFrame({
        "plan": ["few", "more"], "wax_g": [1500.0, 3000.0], "fragrance_g": [150.0, 300.0],
        "days": [20, 22], "money": [np.nan, np.nan], "panel_hours": [4.0, 8.0],
        "shortfall_pct": [2.0, 1.2], "shortfall_pct_se": [0.1, 0.1], "p_none": [0.2, 0.0],
    })
    return Comparison(table, "EUR", 5.0)


@pytest.fixture
def following():
    table = pd.DataFrame({
        "pot": ["n1", "n2"], "blend": ["soft", "soft"], "loads_pct": [(8.0, 9.0), (8.0,)],
        "contents_pct": [(7.4, 8.3), (7.4,)], "pours": [2, 1], "width_after_pct": [1.8, 1.5],
        "safe_after_pct": [8.1, 8.3],
    })
    gain = pd.DataFrame({"blend": ["soft", "hard"], "width_now_pct": [2.5, 2.0],
                         "width_after_pct": [1.5, 1.95], "safe_now_pct": [7.0, 9.0],
                         "safe_after_pct": [7.5, 9.1]})
    return NextRound(table, gain, 3, 4, "rest", 0.2, 1, 0.02, 0.03)


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


def test_a_comparison_against_one_thing(compared):
    ax = plot(compared)
    assert ax.get_xlabel() == "wax, g"
    assert ax.get_ylabel() == "highest safe load below the true\nload at risk, points of load"
    drawn = [tuple(line.get_data()[i][0] for i in (0, 1)) for line in ax.lines
             if line.get_marker() in "os" and len(line.get_xdata())]
    assert drawn[:2] == [(1500.0, 2.0), (3000.0, 1.2)]
    said = [t.get_text() for t in ax.get_legend().get_texts()]
    assert set(said) == {"few\n(no answer in 20 % of blends)",
                         "more\n(no answer in 0 % of blends)", "± 2 Monte Carlo errors"}
    words = ("against is 'weight'; give one of wax_g, fragrance_g, days, money, panel_hours")
    with pytest.raises(ValueError, match=f"^{re.escape(words)}$"):
        plot(compared, against="weight")


def test_a_next_round_shows_every_pour_and_what_it_brings(following):
    ax = plot(following)
    assert marks(ax, "o") == [(8.0, 9.0), (8.0,)]
    assert texts(ax) == ["90 % interval 2.5 to 1.5 points", "90 % interval 2.0 to 1.9 points"]
    assert ax.get_title(loc="left") == "The next round: 3 test batches from 2 new pots"


@pytest.mark.parametrize("name", ["expected", "compared", "following"])
def test_results_stay_as_they_were_and_can_be_kept_as_pictures(name, request):
    result = request.getfixturevalue(name)
    before = result.table.copy(deep=True)
    assert b"<svg" in picture(plot(result), "svg")[:1500]
    pd.testing.assert_frame_equal(result.table, before)

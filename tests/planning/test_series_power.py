"""Power of a series: the noncentral F of a split plot, by hand 2 x 16 / (4 + 1) = 6.4."""

import json

import numpy as np
import pytest

from scentlab.maths.power import f_power
from scentlab.planning.power import SeriesPower, series_power
from scentlab.planning.refusal import PlanError


def given(**changes):
    one = dict(n_blends=3, n_loads=4, pots=4, blend_difference=2, load_difference=0.9, pot_sd=1,
               piece_sd=1)
    return series_power(**{**one, **changes})


def test_power_of_the_planned_pots_comes_first():
    row = given().table.iloc[0]
    assert row.tolist() == pytest.approx([4, 0.46609576, 0.414727445], abs=1e-6)
    assert given().table["pots"].tolist() == [4, 3, 6, 8]
    assert given().sentence == (
        "4 pots of each of 3 blends and 4 loads give a power of 47 % for a difference of 2 points "
        "of throw between the outermost blends and 41 % for a difference of 0.9 points of throw "
        "between the outermost loads."
    )


def test_pots_help_to_compare_blends_and_pieces_hardly_do():
    base = given().table["blends"][0]
    assert given(pots=8).table["blends"][0] > base + 0.3
    assert given(piece_sd=0.5).table["blends"][0] < base + 0.1


def test_one_blend_has_no_power_to_compare_blends():
    one = given(n_blends=1)
    assert np.isnan(one.table["blends"]).all()
    # by hand: 4 pots times 0.45 = 1.8, with 3 and 9 degrees of freedom
    assert one.table["loads"][0] == pytest.approx(f_power(1.8, 3, 9))
    assert "between the outermost blends" not in one.sentence


def test_json():
    back = SeriesPower.from_dict(json.loads(json.dumps(given().to_dict())))
    assert back.sentence == given().sentence


def test_one_pot_is_refused():
    with pytest.raises(PlanError) as caught:
        given(pots=1)
    assert str(caught.value) == "pots of each blend is 1; give a whole number from 2 to 50 pots"

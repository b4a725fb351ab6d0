"""What blends share beforehand, and every refusal in full."""

import pytest

from scentlab.fitting.blending import share_capacities
from scentlab.results import FitError


def test_separate_shares_nothing():
    shared = share_capacities("separate", ("a", "b"), None, [9.0, 11.0])
    assert (shared["kind"], shared["scale"]) == ("separate", ())
    assert shared["columns"].shape == (2, 0) and shared["centre"].tolist() == [9.0, 11.0]


def test_pooled_shares_one_shift():
    shared = share_capacities("pooled", ("a", "b"), None, [9.0, 11.0])
    assert shared["columns"].tolist() == [[1.0], [1.0]] and shared["scale"] == (5.0,)
    assert shared["centre"].tolist() == [9.0, 11.0]


def test_one_blend_has_nothing_to_pool():
    assert share_capacities("pooled", ("a",), None, [9.0])["kind"] == "separate"


def test_unknown_kind():
    with pytest.raises(FitError) as error:
        share_capacities("linear", ("a",), None, [9.0])
    assert str(error.value) == "no blending is called 'linear'; there are pooled, separate"

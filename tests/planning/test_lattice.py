"""Lattices of blends: the {q, m} lattice, and corners of a limited region from McLean & Anderson.

McLean and Anderson 1966 (Technometrics 8:447) limit four parts of a flare to .40-.60, .10-.50,
.10-.50 and .03-.08 and find the eight corners below (from memory; checked by hand).
"""

from math import comb

import numpy as np
import pytest

from scentlab.materials import Wax
from scentlab.planning.lattice import lattice_blends
from scentlab.planning.refusal import PlanError

A, B, C, D = (Wax(name) for name in "abcd")


@pytest.mark.parametrize("waxes, divisions", [((A, B), 4), ((A, B, C), 2), ((A, B, C, D), 3)])
def test_a_lattice_has_its_number_of_points(waxes, divisions):
    blends = lattice_blends(waxes, divisions)
    assert len(blends) == comb(len(waxes) + divisions - 1, divisions)
    for blend in blends:
        for fraction in blend.fractions.values():
            assert (fraction * divisions) % 1 == pytest.approx(0, abs=1e-6) or (
                fraction * divisions) % 1 == pytest.approx(1, abs=1e-6)


def test_lower_fractions_shrink_the_lattice():
    blends = lattice_blends((A, B, C), 2, lower={"a": 0.4, "b": 0.2})
    # by hand: 0.4 of the weight is free, in halves
    points = {tuple(round(b.fractions.get(n, 0), 6) for n in "abc") for b in blends}
    assert points == {(0.8, 0.2, 0), (0.6, 0.4, 0), (0.6, 0.2, 0.2), (0.4, 0.6, 0),
                      (0.4, 0.4, 0.2), (0.4, 0.2, 0.4)}


def test_corners_of_mclean_and_anderson():
    lower = {"a": 0.40, "b": 0.10, "c": 0.10, "d": 0.03}
    upper = {"a": 0.60, "b": 0.50, "c": 0.50, "d": 0.08}
    blends = lattice_blends((A, B, C, D), 1, lower, upper)
    points = {tuple(round(b.fractions[n], 6) for n in "abcd") for b in blends}
    assert points == {
        (0.40, 0.10, 0.47, 0.03), (0.40, 0.10, 0.42, 0.08), (0.60, 0.10, 0.27, 0.03),
        (0.60, 0.10, 0.22, 0.08), (0.40, 0.47, 0.10, 0.03), (0.40, 0.42, 0.10, 0.08),
        (0.60, 0.27, 0.10, 0.03), (0.60, 0.22, 0.10, 0.08),
    }


def test_blends_are_named_after_their_percentages_and_add_up():
    blends = lattice_blends((Wax("soft"), Wax("hard")), 3)
    assert [b.name for b in blends] == [
        "soft 100", "soft 66.67 / hard 33.33", "soft 33.33 / hard 66.67", "hard 100"]
    assert all(np.isclose(sum(b.fractions.values()), 1, atol=1e-9) for b in blends)


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda: lattice_blends([A], 2), "the number of different waxes is 1; give two to four"),
        (lambda: lattice_blends([A, B], 0),
         "divisions of the lattice is 0; give a whole number from 1 to 6"),
        (lambda: lattice_blends([A, B], 2, lower={"x": 0.1}),
         "a fraction is limited for 'x'; the waxes are a, b"),
        (lambda: lattice_blends([A, B], 2, {"a": 0.8}, {"a": 0.5}),
         "wax a: fractions from 0.8 to 0.5; give limits between 0 and 1, the lower one first"),
        (lambda: lattice_blends([A, B], 2, {"a": 0.8, "b": 0.5}),
         "the lower fractions add up to 1.3 and the upper ones to 2; no blend can be: the lower "
         "ones must leave room and the upper ones must reach 1"),
    ],
)
def test_refusals(call, words):
    with pytest.raises(PlanError) as caught:
        call()
    assert str(caught.value) == words

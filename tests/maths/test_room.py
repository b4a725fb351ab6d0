"""The room model against hand arithmetic of the textbook box model, and scipy's straight line.

95 % at t = 3/a is the usual rule of thumb.
"""

import numpy as np
import pytest
from scipy.stats import linregress

from scentlab.maths import room


def test_half_an_hour_is_22_percent_of_steady_at_half_a_change_an_hour():
    assert room.share_of_steady(0.5, 0.5) == pytest.approx(0.2212, abs=5e-5)


def test_rules_of_thumb():
    assert room.hours_to_share(0.95, 1.0) == pytest.approx(3.0, abs=0.005)
    assert room.hours_to_share(0.95, 0.71) == pytest.approx(4.2, abs=0.05)
    assert room.airing_hours(0.01, 0.5) == pytest.approx(np.log(100) / 0.5)
    assert room.share_of_steady(room.hours_to_share(0.9, 0.7), 0.7) == pytest.approx(0.9)


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda: room.share_of_steady(1, 0), "air_changes_per_h must be a number above 0"),
        (lambda: room.share_of_steady(float("nan"), 1), "hours must be a number of 0 or more"),
        (
            lambda: room.hours_to_share(1.0, 0.5),
            "share must be from 0 to under 1: the steady state itself is never reached",
        ),
        (
            lambda: room.airing_hours(0.0, 0.5),
            "remaining must be a share above 0 and up to 1, such as 0.01 for 1 %",
        ),
    ],
)
def test_impossible_rooms_are_refused(call, words):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == words


def test_decay_gives_the_air_changes_as_a_straight_line_fit_does():
    rng = np.random.default_rng(5)
    hours = np.arange(0, 3, 0.25)
    readings = 420 + 800 * np.exp(-0.71 * hours) * np.exp(rng.normal(0, 0.02, len(hours)))
    rate, se, freedom = room.decay_rate(hours, readings, 420)
    line = linregress(hours, np.log(readings - 420))
    assert (rate, se, freedom) == pytest.approx((-line.slope, line.stderr, 10))
    assert abs(rate - 0.71) < 4 * se


@pytest.mark.parametrize(
    "hours, readings, words",
    [
        ([0, 1], [5, 4], "a decay needs at least three readings, each with its time in hours"),
        ([0, 1, 2], [900, 500, 420],
         "every reading must lie above the background; leave out those that have died away"),
        ([1, 1, 1], [900, 800, 700], "the readings of a decay must be taken at different times"),
    ],
)
def test_a_decay_that_tells_nothing_is_refused(hours, readings, words):
    with pytest.raises(ValueError) as caught:
        room.decay_rate(hours, readings, 420 if readings[-1] == 420 else 0)
    assert str(caught.value) == words

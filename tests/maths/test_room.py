"""The room model against hand arithmetic of the textbook box model.

95 % at t = 3/a is the usual rule of thumb.
"""

import numpy as np
import pytest

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

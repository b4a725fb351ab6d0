"""The room model against hand arithmetic of the textbook box model."""

import numpy as np
import pytest

from scentlab.maths.room import airing_hours


def test_rules_of_thumb():
    """5 % are left after 3 / a, the usual rule of thumb, and 1 % after ln(100) / a."""
    assert airing_hours(0.05, 1.0) == pytest.approx(3.0, abs=0.005)
    assert airing_hours(0.05, 0.71) == pytest.approx(4.2, abs=0.05)
    assert airing_hours(0.01, 0.5) == pytest.approx(np.log(100) / 0.5)


@pytest.mark.parametrize("given, words", [
    ((0.1, 0), "air_changes_per_h must be a number above 0"),
    ((0.1, float("nan")), "air_changes_per_h must be a number above 0"),
    ((0.0, 0.5), "remaining must be a share above 0 and up to 1, such as 0.01 for 1 %"),
])
def test_impossible_rooms_are_refused(given, words):
    with pytest.raises(ValueError) as caught:
        airing_hours(*given)
    assert str(caught.value) == words

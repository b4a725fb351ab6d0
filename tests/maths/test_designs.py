"""Panel orders: properties from Williams 1949."""

import numpy as np
import pytest

from scentlab.maths.designs import williams_square


def test_small_squares_by_hand():
    assert williams_square(1).tolist() == [[0]]
    assert williams_square(2).tolist() == [[0, 1], [1, 0]]
    assert williams_square(3).tolist() == [
        [0, 1, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0], [0, 2, 1], [1, 0, 2],
    ]
    assert williams_square(4).tolist() == [[0, 1, 3, 2], [1, 2, 0, 3], [2, 3, 1, 0], [3, 0, 2, 1]]


@pytest.mark.parametrize("t", range(3, 11))
def test_williams_square_is_balanced_for_position_and_for_the_one_before(t):
    square = williams_square(t)
    times = 1 if t % 2 == 0 else 2
    assert square.shape == (times * t, t)
    for column in square.T:
        assert np.bincount(column, minlength=t).tolist() == [times] * t
    followed = np.zeros((t, t), dtype=int)
    for row in square:
        assert sorted(row) == list(range(t))
        np.add.at(followed, (row[:-1], row[1:]), 1)
    assert followed.tolist() == (times * (1 - np.eye(t, dtype=int))).tolist()


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda: williams_square(0), "a square of 0 treatments does not exist; give 1 or more"),
    ],
)
def test_designs_that_do_not_exist_are_refused(call, words):
    with pytest.raises(ValueError) as caught:
        call()
    assert str(caught.value) == words

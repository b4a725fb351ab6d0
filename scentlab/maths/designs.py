"""Orders for a panel: Williams squares.

Arrays only: treatments are the whole numbers 0, 1, ..., t - 1; who or what they stand for is the
business of the caller.
"""

import numpy as np


def williams_square(t):
    """Orders of t treatments in which each follows each other one equally often.

    Williams 1949. An even t gives t orders, every ordered pair of neighbours once; an odd t gives
    2t orders, every ordered pair twice. Each treatment stands equally often in every position.

    Returns an integer array of shape (t or 2t, t), one order a row.

    >>> williams_square(4).tolist()
    [[0, 1, 3, 2], [1, 2, 0, 3], [2, 3, 1, 0], [3, 0, 2, 1]]
    """
    if t < 1:
        raise ValueError(f"a square of {t} treatments does not exist; give 1 or more")
    steps = np.arange(t)
    first = np.where(steps % 2 == 1, (steps + 1) // 2, (t - steps // 2) % t)
    square = (first[None, :] + np.arange(t)[:, None]) % t
    if t % 2 and t > 1:
        square = np.vstack([square, square[:, ::-1]])
    return square

"""The well-mixed room: with a air changes an hour what is in the air falls as exp(-a t), t in h.

This is the textbook box model; near the source a real room is not well mixed, and walls take up
scent, which acts like a larger a.
"""

import numpy as np


def airing_hours(remaining, air_changes_per_h):
    """Hours of airing until only so large a share of the concentration remains: ln(1/share) / a.

    >>> round(float(airing_hours(0.01, 0.5)), 2)
    9.21
    """
    left, changes = (np.asarray(v, dtype=float) for v in (remaining, air_changes_per_h))
    if np.any(~((left > 0) & (left <= 1))):
        raise ValueError("remaining must be a share above 0 and up to 1, such as 0.01 for 1 %")
    if np.any(~((changes > 0) & np.isfinite(changes))):
        raise ValueError("air_changes_per_h must be a number above 0")
    return -np.log(left) / changes

"""The well-mixed room: how scent builds up, levels off and airs out.

With a air changes an hour the concentration of a constant source goes as 1 - exp(-a t), t in
hours. This is the textbook box model; near the source a real room is not well mixed, and walls
take up scent, which acts like a larger a.
"""

import numpy as np


def share_of_steady(hours, air_changes_per_h):
    """Share of the steady concentration reached after so many hours: 1 - exp(-a t).

    >>> round(float(share_of_steady(0.5, 0.5)), 3)
    0.221
    """
    time = _not_negative(hours, "hours")
    return -np.expm1(-_positive(air_changes_per_h, "air_changes_per_h") * time)


def hours_to_share(share, air_changes_per_h):
    """Hours until a constant source stands at a share of its steady concentration.

    >>> round(float(hours_to_share(0.9, 0.5)), 3)
    4.605
    """
    share = np.asarray(share, dtype=float)
    if np.any(~((share >= 0) & (share < 1))):
        raise ValueError(
            "share must be from 0 to under 1: the steady state itself is never reached"
        )
    return -np.log1p(-share) / _positive(air_changes_per_h, "air_changes_per_h")


def airing_hours(remaining, air_changes_per_h):
    """Hours of airing until only so large a share of the concentration remains: ln(1/share) / a.

    >>> round(float(airing_hours(0.01, 0.5)), 2)
    9.21
    """
    left = np.asarray(remaining, dtype=float)
    if np.any(~((left > 0) & (left <= 1))):
        raise ValueError("remaining must be a share above 0 and up to 1, such as 0.01 for 1 %")
    return -np.log(left) / _positive(air_changes_per_h, "air_changes_per_h")


def _positive(value, name):
    value = np.asarray(value, dtype=float)
    if np.any(~((value > 0) & np.isfinite(value))):
        raise ValueError(f"{name} must be a number above 0")
    return value


def _not_negative(value, name):
    value = np.asarray(value, dtype=float)
    if np.any(~((value >= 0) & np.isfinite(value))):
        raise ValueError(f"{name} must be a number of 0 or more")
    return value

"""The well-mixed room: how scent builds up, levels off and airs out.

One room of volume V (m³) with a air changes an hour: dC/dt = E/V - a C. C is in mg per m³, time
in hours. This is the textbook box model; near the source a real room is not well mixed, and
walls take up scent, which acts like a larger a.
"""

import numpy as np


def constant_source(hours, emission_mg_per_h, volume_m3, air_changes_per_h):
    """Concentration (mg/m³) so many hours after a constant source E was put into clean air.

    C(t) = E / (a V) (1 - exp(-a t)).

    >>> round(float(constant_source(1.0, 10.0, 30.0, 0.5)), 5)
    0.26231
    """
    time = _not_negative(hours, "hours")
    air = _positive(air_changes_per_h, "air_changes_per_h")
    steady = steady_state(emission_mg_per_h, volume_m3, air)
    return steady * -np.expm1(-air * time)


def steady_state(emission_mg_per_h, volume_m3, air_changes_per_h):
    """Concentration (mg/m³) that a constant source approaches: E / (a V).

    >>> round(float(steady_state(10.0, 30.0, 0.5)), 5)
    0.66667
    """
    source = _not_negative(emission_mg_per_h, "emission_mg_per_h")
    volume = _positive(volume_m3, "volume_m3")
    return source / (_positive(air_changes_per_h, "air_changes_per_h") * volume)


def first_order_source(hours, mass_mg, rate_per_h, volume_m3, air_changes_per_h):
    """Concentration (mg/m³) when a mass M0 leaves the wax at the rate k times what is left.

    C(t) = M0 k / (V (a - k)) (exp(-k t) - exp(-a t)); the limit M0 k t exp(-a t) / V at a = k.

    >>> round(float(first_order_source(2.0, 500.0, 0.1, 30.0, 0.5)), 5)
    1.87855
    """
    time = _not_negative(hours, "hours")
    mass = _not_negative(mass_mg, "mass_mg")
    rate = _positive(rate_per_h, "rate_per_h")
    volume = _positive(volume_m3, "volume_m3")
    air = _positive(air_changes_per_h, "air_changes_per_h")
    # exp(-kt) - exp(-at) over (a - k), written so that nothing cancels as a approaches k
    gap = (air - rate) * time
    return mass * rate / volume * time * np.exp(-rate * time) * _one_minus_exp_over(gap)


def peak_hours(rate_per_h, air_changes_per_h):
    """Hours until a first-order source gives its highest concentration: ln(a/k) / (a - k).

    >>> round(float(peak_hours(0.1, 0.5)), 5)
    4.02359
    """
    rate = _positive(rate_per_h, "rate_per_h")
    air = _positive(air_changes_per_h, "air_changes_per_h")
    ratio = (air - rate) / rate
    small = np.abs(ratio) < 1e-8
    return np.where(small, 1.0, np.log1p(ratio) / np.where(small, 1.0, ratio)) / rate


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


def _one_minus_exp_over(x):
    """(1 - exp(-x)) / x, which is 1 at x = 0."""
    x = np.asarray(x, dtype=float)
    safe = np.where(x == 0, 1.0, x)
    return np.where(x == 0, 1.0, -np.expm1(-safe) / safe)


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


def decay_rate(hours, readings, background=0.0):
    """Air changes an hour from a decay: slope of log(reading - background) against time.

    Returns the rate, its standard error and the degrees of freedom. The source must be off and
    the room mixed while the readings are taken.

    >>> rate, se, freedom = decay_rate([0, 1, 2, 3], 800 * np.exp(-0.7 * np.arange(4)) + 420, 420)
    >>> round(rate, 6), freedom
    (0.7, 2)
    """
    time = np.asarray(hours, dtype=float)
    above = np.asarray(readings, dtype=float) - background
    if len(time) != len(above) or len(time) < 3:
        raise ValueError("a decay needs at least three readings, each with its time in hours")
    if np.any(~(above > 0)):
        raise ValueError(
            "every reading must lie above the background; leave out those that have died away"
        )
    spread = time - time.mean()
    if not np.sum(spread**2) > 0:
        raise ValueError("the readings of a decay must be taken at different times")
    rate = -np.sum(spread * np.log(above)) / np.sum(spread**2)
    left = np.log(above) - np.mean(np.log(above)) + rate * spread
    freedom = len(time) - 2
    return float(rate), float(np.sqrt(np.sum(left**2) / freedom / np.sum(spread**2))), freedom

"""The room model against hand arithmetic of the textbook box model.

Numbers: V = 30 m³, a = 0.5 per hour, E = 10 mg/h (constant) and M0 = 500 mg, k = 0.1 per hour
(first order), each computed from the closed form to five decimals. 95 % at t = 3/a is the usual
rule of thumb. The differential equation itself is checked by numerical integration in scipy.
"""

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.stats import linregress

from scentlab.maths import room


def test_constant_source_against_the_closed_form_by_hand():
    times = [0.5, 1, 2, 3, 6]
    expected = [0.14747, 0.26231, 0.42141, 0.51791, 0.63348]
    assert room.constant_source(times, 10, 30, 0.5) == pytest.approx(expected, abs=5e-6)
    assert room.steady_state(10, 30, 0.5) == pytest.approx(0.66667, abs=5e-6)


def test_first_order_source_against_the_closed_form_by_hand():
    times = [0.5, 1, 2, 4, 8]
    expected = [0.71845, 1.24294, 1.87855, 2.22910, 1.79589]
    assert room.first_order_source(times, 500, 0.1, 30, 0.5) == pytest.approx(expected, abs=5e-6)
    peak = room.peak_hours(0.1, 0.5)
    assert peak == pytest.approx(4.02359, abs=5e-6)
    assert room.first_order_source(peak, 500, 0.1, 30, 0.5) == pytest.approx(2.22913, abs=5e-6)


@pytest.mark.parametrize("rate", [0.1, 0.5 - 1e-9, 0.5, 0.5 + 1e-9, 2.0])
def test_first_order_source_solves_the_differential_equation(rate):
    def change(t, c):
        return 500 * rate * np.exp(-rate * t) / 30 - 0.5 * c

    solved = solve_ivp(change, (0, 8), [0.0], rtol=1e-10, atol=1e-12, t_eval=[1, 3, 8])
    got = room.first_order_source([1, 3, 8], 500, rate, 30, 0.5)
    assert got == pytest.approx(solved.y[0], rel=1e-7)


def test_peak_is_where_the_curve_is_highest_also_when_both_rates_are_equal():
    for rate in (0.2, 0.5, 0.5 * (1 + 1e-12), 3.0):
        peak = float(room.peak_hours(rate, 0.5))
        near = room.first_order_source([peak - 0.01, peak, peak + 0.01], 1, rate, 1, 0.5)
        assert near[1] > near[0] and near[1] > near[2]


def test_half_an_hour_is_22_percent_of_steady_at_half_a_change_an_hour():
    assert room.share_of_steady(0.5, 0.5) == pytest.approx(0.2212, abs=5e-5)


def test_rules_of_thumb():
    assert room.hours_to_share(0.95, 1.0) == pytest.approx(3.0, abs=0.005)
    assert room.hours_to_share(0.95, 0.71) == pytest.approx(4.2, abs=0.05)
    assert room.airing_hours(0.01, 0.5) == pytest.approx(np.log(100) / 0.5)
    assert room.share_of_steady(room.hours_to_share(0.9, 0.7), 0.7) == pytest.approx(0.9)


def test_twice_the_volume_halves_the_concentration():
    small = room.constant_source(2, 10, 30, 0.5)
    assert room.constant_source(2, 10, 60, 0.5) == pytest.approx(small / 2)


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda: room.steady_state(10, 0, 0.5), "volume_m3 must be a number above 0"),
        (lambda: room.steady_state(10, 30, 0), "air_changes_per_h must be a number above 0"),
        (lambda: room.steady_state(-1, 30, 1), "emission_mg_per_h must be a number of 0 or more"),
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

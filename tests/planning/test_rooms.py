"""Rooms: the box model's textbook numbers in words, and an interval of an air change."""

import json

import numpy as np
import pytest
from scipy import stats

from scentlab.planning.refusal import PlanError
from scentlab.planning.rooms import (
    Room,
    RoomTimes,
    air_change_from_decay,
    compare_rooms,
    room_times,
)


def test_half_an_air_change_an_hour_in_words():
    # ln(10)/0.5 = 4.6 h, 1 - exp(-0.25) = 22 %, ln(100)/0.5 = 9.2 h
    one = room_times(Room("kitchen", 30, 0.5))
    assert one.sentence == (
        "Room kitchen at 0.5 air changes an hour: 90 % of the steady scent after 4.6 h, a score "
        "at 30 min stands at 22 % of it, and airing down to 1 % takes 9.2 h."
    )
    assert RoomTimes.from_dict(json.loads(json.dumps(one.to_dict()))).sentence == one.sentence


def test_rooms_are_compared_at_the_minute_of_the_score():
    # early on the air change hardly matters and the volume does; at the steady state both do
    # by hand: (1 - exp(-0.44)) / 0.88 over (1 - exp(-0.235)) / 0.47 is 0.4045 / 0.4456
    early = compare_rooms([Room("a", 30, 0.47), Room("b", 30, 0.88), Room("c", 60, 0.47)])
    assert early.table["ratio"].tolist() == pytest.approx([1, 0.9078, 0.5], abs=5e-5)
    assert early.table["comparable"].tolist() == [True, True, False]
    assert early.sentence == (
        "Not comparable with room a: c at 0.50 times its concentration at the score, outside a "
        "factor 1.25."
    )
    late = compare_rooms([Room("a", 30, 0.37, 1440), Room("b", 30, 1.13, 1440)])
    assert late.table["ratio"][1] == pytest.approx(0.37 / 1.13, rel=1e-3)
    alike = compare_rooms([Room("a", 30, 0.5), Room("b", 31, 0.5)])
    assert alike.sentence == ("All rooms stand within a factor 1.25 of room a at the score: their "
                              "throws can be compared.")


def test_what_a_ratio_means_for_the_throw():
    # by hand: 2 ** 0.2 = 1.15, 2 ** 0.8 = 1.74
    one = compare_rooms([Room("a", 30, 0.5), Room("c", 60, 0.5)])
    assert one.notes == ("The widest ratio, 2.00, would change the throw by a factor 1.15 to 1.74 "
                         "(exponents 0.2 to 0.8, published range).",)


def test_interval_of_an_air_change_is_that_of_the_straight_line():
    rng = np.random.default_rng(2)
    hours = np.arange(8) / 4
    readings = 420 + 800 * np.exp(-0.7 * hours + rng.normal(0, 0.05, 8))
    row = air_change_from_decay(hours, readings, 420).table.iloc[0]
    line = stats.linregress(hours, np.log(readings - 420))
    half = stats.t.ppf(0.975, 6) * line.stderr
    assert row[["estimate", "lower", "upper"]].tolist() == pytest.approx(
        [-line.slope, -line.slope - half, -line.slope + half])


@pytest.mark.parametrize(
    "call, words",
    [
        (lambda: Room("a", 0, 0.5),
         "room a: volume_m3 is 0; give a number above 0 and up to 2000 m³"),
        (lambda: compare_rooms([Room("a", 30, 0.5)]),
         "a comparison needs at least two rooms; give a list of Room"),
        (lambda: air_change_from_decay([0, 1], [5, 4]),
         "a decay needs at least three readings, each with its time in hours"),
        (lambda: air_change_from_decay([0, 1, 2], [500, 600, 700]),
         "the readings do not fall (rate -0.168 per h); take the source out, close the doors and "
         "read again"),
    ],
)
def test_refusals(call, words):
    with pytest.raises(PlanError) as caught:
        call()
    assert str(caught.value) == words

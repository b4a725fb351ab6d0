"""A room: the box model's textbook numbers in words."""

import json

import pytest

from scentlab.planning.refusal import PlanError
from scentlab.planning.rooms import Room


def test_half_an_air_change_an_hour():
    # ln(10)/0.5 = 4.6 h, 1 - exp(-0.25) = 22 %, ln(20)/0.5 = 6.0 h, ln(100)/0.5 = 9.2 h
    room = Room("kitchen", 0.5)
    assert room.table["value"].tolist() == pytest.approx([4.605, 22.12, 5.991, 9.210], abs=5e-3)
    assert Room.from_dict(json.loads(json.dumps(room.to_dict()))).sentence == room.sentence


def test_refusal():
    with pytest.raises(PlanError) as caught:
        Room("a", 0)
    assert str(caught.value) == (
        "room a: air_changes_per_h is 0; give a number above 0 and up to 30 per h")
    assert (caught.value.field, caught.value.value) == ("air_changes_per_h", 0)

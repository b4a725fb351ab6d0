"""A room for smelling: how long to warm up, how long to air."""

from dataclasses import dataclass

import pandas as pd

from scentlab.maths.room import airing_hours, hours_to_share, share_of_steady
from scentlab.planning.refusal import need_above_zero
from scentlab.results import Result


@dataclass(frozen=True, repr=False)
class Room(Result):
    """A room by its air changes per hour and the minutes on the warmer at which a piece is scored.

    ``table`` : what, value, unit, meaning. The room is a well-mixed box (mass balance of a box
    with a constant source: dC/dt = E/V - a C).

    >>> Room("kitchen", 0.5).sentence
    'Room kitchen: air for 9.2 h until 1 % of the scent is left.'
    """

    name: str
    air_changes_per_h: float
    minutes: float = 30.0
    notes: tuple = ("The room is taken as well mixed; near the warmer it is not.",)

    def __post_init__(self):
        for field, most, unit in (("air_changes_per_h", 30, "per h"), ("minutes", 1440, "min")):
            what = f"room {self.name}: {field}"
            need_above_zero(getattr(self, field), what, most, unit, field=field)

    @property
    def table(self):
        air = float(self.air_changes_per_h)
        reached = 100 * float(share_of_steady(self.minutes / 60, air))
        return pd.DataFrame([
            ("90 % of steady", float(hours_to_share(0.9, air)), "h", "how long to warm up"),
            ("reached at the score", reached, "%", "of the strength that it settles at"),
            ("airing to 5 %", float(airing_hours(0.05, air)), "h", "before another room test"),
            ("airing to 1 %", float(airing_hours(0.01, air)), "h", "before another fragrance"),
        ], columns=["name", "value", "unit", "meaning"])

    @property
    def sentence(self):
        hours = self.table["value"].iloc[-1]
        return f"Room {self.name}: air for {hours:.1f} h until 1 % of the scent is left."

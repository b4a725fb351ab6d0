"""A plan small enough to be simulated in a moment, and a guess for it."""

import pytest

from scentlab.foresight.guess import guess_truth
from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.plan import PieceNumbers, make_plan


def small_plan(title="small", pots=2, loads=(6, 9, 12), throw=1, **more):
    soft = Wax("soft wax", "S-1", limit_load_pct=10, price_per_kg=8.0)
    firm = Wax("firm wax", "F-1", limit_load_pct=12, price_per_kg=9.0)
    blends = [Blend("soft", ((soft, 1.0),)), Blend("firm", ((firm, 1.0),))]
    fragrance = Fragrance("invented fragrance", "I-1", price_per_kg=60.0)
    pieces = PieceNumbers(sweat=3, sweat_heat=0, frost=0, throw=throw, reserve=0)
    options = {"currency": "EUR", "assessors": 4 if throw else (), "piece_g": 25,
               "start": "2026-09-07", "seed": 3}
    return make_plan(title, fragrance, blends, loads, pots_per_blend=pots, pieces=pieces,
                     **(options | more))


@pytest.fixture(scope="session")
def plan():
    return small_plan()


@pytest.fixture(scope="session")
def guess():
    return guess_truth({"soft": 9.0, "firm": 11.0})

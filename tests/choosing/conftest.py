"""One analysed series with a known truth, and quick variations of its evidence."""

from dataclasses import replace

import pytest

from scentlab.choosing.analysis import analyse
from scentlab.choosing.rules import Rules
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth(
    {"soft": BlendTruth(10.0), "hard": BlendTruth(13.0, throw_rise=4.0, throw_floor=2.0)},
    spread=0.6,
    pot_sd=0.8,
    scale_sd=0.0,
)


@pytest.fixture(scope="session")
def analysis():
    layout = even_layout(
        list(TRUTH.blends),
        [5, 7, 9, 11, 13],
        pots=3,
        sweat=5,
        frost=2,
        throw=2,
        assessors=8,
        limit_load_pct=20.0,
    )
    layout.blends["wax_price_per_kg"] = 8.0
    layout.blends["fragrance_price_per_kg"] = 40.0
    layout.details["piece_g"] = 20.0
    return analyse(simulate_series(layout, TRUTH, 7), Rules(), draws=400)


@pytest.fixture
def with_blends(analysis):
    """Evidence whose blends have the limits or prices given."""

    def make(**columns):
        return replace(analysis.evidence, blends=analysis.series.blends.assign(**columns))

    return make

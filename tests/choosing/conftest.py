"""One analysed series with a known truth, and quick variations of its evidence."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import special

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
def with_even_grades():
    """Maker of a series whose sweat grades no chance is in: the pieces of each pour lie at the
    quantiles of the latent noise, the pots of a blend evenly about it, one spoiled by 4 points."""

    def make(series, truth, spoiled=None):
        sweat = series.grades["test"] == "sweat"
        looks = series.grades[sweat]
        own = looks.groupby("blend")["pot"].transform(lambda pots: pd.factorize(pots)[0])
        middle = looks.groupby("blend")["pot"].transform("nunique").sub(1) / 2.0
        capacity = looks["blend"].map({b: one.capacity for b, one in truth.blends.items()})
        capacity = capacity + truth.pot_sd * truth.spread * (own - middle)
        capacity = capacity - 4.0 * (looks["pot"] == spoiled)
        pieces = looks.groupby("pour")["code"].transform("size")
        chance = (looks.groupby("pour").cumcount() + 0.5) / pieces
        latent = (looks["load_pct"] - capacity) / truth.spread + special.logit(chance)
        grade = (latent.to_numpy()[:, None] > np.asarray(truth.tau)).sum(axis=1)
        grades = series.grades.copy()
        grades.loc[sweat, "grade"] = pd.array(grade, dtype="Int64")
        return replace(series, grades=grades)

    return make


@pytest.fixture(scope="session")
def analysis(with_even_grades):
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
    series = simulate_series(layout, replace(TRUTH, weighing_sd_g=0.0), 7)
    return analyse(with_even_grades(series, TRUTH), Rules(), draws=400)


@pytest.fixture
def with_blends(analysis):
    """Evidence whose blends have the limits or prices given."""

    def make(**columns):
        blends = analysis.series.blends.assign(**columns)
        return replace(analysis, series=replace(analysis.series, blends=blends))

    return make

"""The way from a series to its pick when bleed was weighed too."""

import dataclasses

import numpy as np
import pytest

from scentlab.choosing.analysis import analyse
from scentlab.choosing.ceiling import find_ceiling
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

TRUTH = Truth({"soft": BlendTruth(10.0), "hard": BlendTruth(12.0)})


@pytest.fixture(scope="module")
def series():
    layout = even_layout(
        list(TRUTH.blends), [5, 7, 9, 11, 13, 15], pots=2, sweat=4, bleed=2, limit_load_pct=20.0
    )
    return simulate_series(layout, TRUTH, 5)


@pytest.fixture(scope="module")
def both(series):
    return analyse(series, draws=300)


def test_ceiling_and_pick_rest_on_both_witnesses(both):
    assert both.joint.table["used"].all()
    assert both.believed is both.joint.sweat and both.evidence.sweat is both.believed
    expected = find_ceiling(both.joint.sweat, both.rules).table["ceiling_load_pct"]
    assert both.ceiling.table["ceiling_load_pct"].tolist() == expected.tolist()
    assert both.sweat.weights is not both.joint.sweat.weights


def test_without_weighings_there_is_no_second_witness(series, both):
    bare = dataclasses.replace(series, bleeds=series.bleeds.iloc[:0])
    alone = analyse(bare, draws=300)
    assert alone.bleed is None and alone.joint is None and alone.believed is alone.sweat
    assert not any("bleed" in note for note in alone.notes)
    assert not np.allclose(
        alone.ceiling.table["load_at_risk_pct"], both.ceiling.table["load_at_risk_pct"], atol=1e-3)


def test_bleed_that_cannot_be_fitted_is_said(series):
    few = dataclasses.replace(series, bleeds=series.bleeds[series.bleeds["load_pct"] < 8])
    found = analyse(few, draws=300)
    assert found.bleed is None and found.joint is None
    assert (
        "Bleed was weighed at too few loads: soft (2), hard (2); a join needs at least 3 loads of "
        "a blend."
    ) in found.notes

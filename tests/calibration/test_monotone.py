"""A wetter piece seldom raises a ceiling, and never by much, in the standard layout."""

import importlib.util
import sys
from pathlib import Path

import numpy as np

_SPEC = importlib.util.spec_from_file_location("monotone", Path(__file__).with_name("monotone.py"))
monotone = sys.modules["monotone"] = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(monotone)
# Three series in full: 7 % of 696 changes by more than 0.1 points of load, 0.40 at most.
MOST_SHARE, MOST_RISE = 0.2, 0.8


def test_a_wetter_piece_hardly_raises_a_ceiling_of_the_standard_layout():
    tally = monotone.Tally()
    monotone.measure(monotone.random_looks("standard", 1), tally, draws=2000, every=3)
    assert len(tally.rises) > 30
    assert tally.share < MOST_SHARE, tally.share
    assert tally.largest < MOST_RISE, tally.largest
    assert np.mean(tally.rises) < 0.0  # and mostly it lowers them or leaves them

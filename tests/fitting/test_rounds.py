"""Rounds of pouring: a planted difference is found, none is not, and one pot tells nothing."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from scentlab.fitting.rounds import fit_rounds, rounds_words
from scentlab.fitting.sweat import fit_sweat
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """Likelihoods of rounds are averaged over fewer draws than a maker's."""
    monkeypatch.setattr("scentlab.fitting.rounds.DRAWS", 100)


LOADS = (6.0, 7.5, 9.0, 10.5, 12.0)


def rounds(later, pots, seed):
    """Two rounds, the second of a wax that takes so many points more before it sweats."""
    truth, looks, pours = Truth({"soft": BlendTruth(9.0)}, pot_sd=0.3), [], []
    for number, capacity in enumerate((9.0, 9.0 + later)):
        moved = replace(truth, blends={"soft": BlendTruth(capacity)})
        series = simulate_series(even_layout(["soft"], LOADS, pots=pots), moved, [seed, number])
        name = {c: (lambda s, n=number: s.astype(str) + f"-{n}") for c in ("code", "pour", "pot")}
        looks.append(series.sweat().assign(**{c: f(series.sweat()[c]) for c, f in name.items()}))
        pours.append(pd.DataFrame({"pot": looks[-1]["pot"].unique()}).assign(
            poured_on=pd.Timestamp(2026, 3, 1 + 7 * number).date()))
    fit = fit_sweat(pd.concat(looks, ignore_index=True), draws=400, precise=None)
    return fit_rounds(fit, pd.concat(pours, ignore_index=True))


def test_a_planted_difference_is_found():
    found = [rounds(2.0, 3, seed) for seed in range(4)]
    later = np.array([f["earlier_pct"].iloc[1] for f in found])
    assert (later < 0).all()  # the second round sweats later
    said = [rounds_words(f) for f in found]
    assert all("fitted together" in s for s in said)
    assert sum("Check lot, scale and temperatures." in s for s in said) >= 3


def test_rounds_that_are_alike_are_said_to_be():
    found = [rounds(0.0, 3, seed) for seed in range(4)]
    assert sum(rounds_words(f).endswith("they differ no more than pots do.") for f in found) >= 3


@pytest.mark.parametrize(("pots", "words"), [
    (1, "with too few pots to separate rounds from pots"),
])
def test_one_pot_a_round_cannot_be_told(pots, words):
    found = rounds(2.0, pots, 1)
    assert words in rounds_words(found) and not found["told"].any()
    assert found["earlier_pct"].isna().all()

"""Each tested load in one of three words.

The exact bounds are those of Clopper & Pearson (1934): of 2 dry pieces 1 - 0.05^(1/2) = 77.6 % can
still sweat, of 3 63.2 %, of 20 13.9 % (one-sided 95 %; by hand from the formula).
"""

import numpy as np
import pytest

from scentlab.choosing.analysis import analyse
from scentlab.choosing.so_far import DRY, SWEATED, USE, loads_so_far
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

LOADS = (6.25, 9.375, 12.5, 18.75)


def quick(capacity, seed, heated=2):
    layout = even_layout(["soft wax"], LOADS, pots=1, sweat=1, sweat_heat=heated)
    truth = Truth({"soft wax": BlendTruth(capacity)})
    return analyse(simulate_series(layout, truth, seed), draws=1000, precise=None)


@pytest.fixture(scope="module")
def checked():
    return loads_so_far(quick(12.0, 2))


def test_one_word_a_load(checked):
    assert list(checked.table["word"]) == [USE, DRY, SWEATED, SWEATED]
    assert checked.table["load_pct"].to_numpy() == pytest.approx(np.array(LOADS), abs=0.1)


def test_counts_and_exact_bounds(checked):
    assert list(checked.table["pieces"]) == [2, 2, 2, 2]  # heat-cycled ones decide
    assert list(checked.table["sweated"]) == [0, 0, 2, 2]
    assert checked.table["could_pct"].to_numpy() == pytest.approx([77.639, 77.639, 100, 100], 1e-4)
    three = loads_so_far(quick(25.0, 3, heated=3)).table
    assert three["could_pct"].to_numpy() == pytest.approx(np.full(4, 63.160), 1e-4)


def test_the_words(checked):
    answer, seen = checked.lines
    assert answer.startswith("soft wax: use 6.")
    assert "Dry so far: 6.25 % (1 oz/lb), 2 of 2 (up to 78 % could)" in seen
    assert "Sweated, not for sale: 12.5 % (2 oz/lb), 2 of 2" in seen
    assert "At most 5 % of pieces of a new pot would sweat (95 % sure)." in answer
    assert "Nobody scored hot throw" in answer and "independent" in checked.notes[0]
    assert checked.sentence == f"{answer} {seen}"


def test_no_load_is_recommended_where_the_pick_has_none():
    found = loads_so_far(quick(5.0, 4))
    assert set(found.table["word"]) <= {DRY, SWEATED}
    assert found.answer.startswith("soft wax: no load is shown to be safe yet (95 % sure). Until "
                                   "then keep to the wax maker's sheet.")


def test_a_recommended_load_is_never_one_that_sweated_or_lies_above_the_pick():
    for seed in range(6):
        analysis = quick(11.0, seed)
        table = loads_so_far(analysis).table
        own = table[table["word"] == USE]
        assert len(own) <= 1 and (own["sweated"] == 0).all()
        pick = analysis.pick.table["load_pct"].iloc[0]
        assert (own["load_pct"] <= pick + 0.125).all()


def test_what_a_word_means(checked):
    use, dry, sweated = (checked.table.set_index("word").loc[[w], "meaning"].iloc[0]
                         for w in (USE, DRY, SWEATED))
    assert use == ("none of 2 pieces reached sweat grade 2; with what the other loads showed, at "
                   "most 5 % of pieces would (95 % sure)")
    assert dry == "none of 2 pieces reached sweat grade 2; up to 78 % of pieces could still"
    assert sweated == "2 of 2 pieces reached sweat grade 2"

"""Pairs in the answer: in the pick, its words, what it rests on, and in a package."""

import re
from dataclasses import replace

import pandas as pd
import pytest
from comparing import pairs

from scentlab.choosing.analysis import analyse, what_if
from scentlab.choosing.rules import Rules
from scentlab.choosing.so_far import loads_so_far
from scentlab.series import PAIR_COLUMNS
from scentlab.sharing.opening import open_package
from scentlab.sharing.package import prepare_package
from scentlab.sharing.redaction import Choices
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

RULES = Rules(risk=0.1)
FAST = {"draws": 400, "precise": None}


@pytest.fixture(scope="module")
def dry():
    """A wax that takes all four loads; nobody scored throw."""
    layout = even_layout(["soft"], [6, 7, 8, 9, 14], pots=6, sweat=2, frost=1, throw=0)
    series = simulate_series(layout, Truth({"soft": BlendTruth(12.0)}), 2)
    codes = [f"{100 + int(code)}" for code in series.grades["code"]]
    return replace(series, grades=series.grades.assign(code=codes))


def compared(series, *named, each, low=6.0, high=9.0):
    """The series with pairs of two of its loads, of its pots by turns, each tester with pieces of
    his own."""
    found = pairs(*named, each=each, low=low, high=high)
    pours = series.pours.assign(pot=series.pours["pot"].astype(str)).sort_values("pot")
    of = {x: pours[(pours["load_pct"] - x).abs() < 0.3].reset_index(drop=True) for x in (low, high)}
    turn = found["position"] // 2 % len(of[low])
    for name, code in (("", "code"), ("second_", "second")):
        load, own = found[f"{name}load_pct"].to_numpy(), {}
        for column in ("pour", "pot", "blend", "load_pct"):
            own[column] = [of[x].at[t, column] for x, t in zip(load, turn, strict=True)]
        high_ones = [500 * (x == high) for x in load]
        found[code] = [str(200 + h + 20 * int(a[1:]) + t) for h, a, t in zip(
            high_ones, found["assessor"], turn, strict=True)]
        found = found.assign(**{f"{name}{column}": v for column, v in own.items()})
    return replace(series, pairs=found[list(PAIR_COLUMNS)])


@pytest.fixture(scope="module")
def alike(dry):
    return analyse(compared(dry, *[10] * 10, each=20), RULES, **FAST)


def test_pairs_alone_settle_a_pick(dry, alike):
    """200 pairs that go either way: less fragrance will do, without a single score."""
    before, row = analyse(dry, RULES, **FAST).pick.table.iloc[0], alike.pick.table.iloc[0]
    assert "was not scored" in before["reason"] and row["load_pct"] < before["load_pct"] - 1.0
    assert row["throw_chance"] >= 0.8 and row["load_pct"] < 7.0
    assert pd.isna(row["throw"])  # differences are known and no level is
    said = alike.pick.sentence
    assert re.search(r"Of 200 pairs of [56][\d.]* % and [89][\d.]* % the", said)
    assert "was not noticed" in said
    rests = alike.rests.table.set_index("name")
    assert rests.at["pairs", "value"] == "200 by 10 testers"
    assert "was not noticed" in loads_so_far(alike).answer


def test_other_rules_say_no_word_that_was_for_another_loss(alike):
    other = what_if(alike, throw_loss=1.0)
    assert "Of 200 pairs" not in other.sentence and other.table.at[0, "load_pct"] < 7.0


def test_a_plain_difference_keeps_the_higher_load(dry):
    found = analyse(compared(dry, *[20] * 6, each=20), RULES, **FAST)
    assert "points more hot throw (" in found.pick.sentence
    assert found.pick.table.at[0, "load_pct"] > 7.5


def test_pairs_travel_in_a_package(alike, tmp_path):
    """Whoever opens it gets the same load from the records."""
    choices = Choices(renumber_assessors=True)
    package = prepare_package(alike, choices)
    opened = open_package(package.write(tmp_path / "one.zip")).analysis
    assert len(opened.series.pairs) == 200
    assert opened.pick.sentence == package.analysis.pick.sentence
    assert "was not noticed" in opened.pick.sentence
    assert not set(opened.series.pairs["assessor"]) & set(alike.series.pairs["assessor"])

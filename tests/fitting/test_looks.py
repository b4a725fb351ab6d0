"""Which looks count: left-out and repeated ones, with the full text of what is said."""

import numpy as np
import pandas as pd
import pytest

from scentlab.fitting.looks import by_load, count_pours, next_look, settle_looks
from scentlab.results import FitError


@pytest.fixture
def looks(looks_of):
    return looks_of(lambda b, k, x, s, i: 2 if x > 11 else 0)


def test_all_usable_looks_are_kept_without_a_note(looks):
    settled, notes = settle_looks(looks, "sweat")
    assert len(settled) == 48 and notes == ()


def test_missing_stress_counts_as_rest(looks):
    looks["stress"] = None
    assert set(settle_looks(looks, "sweat")[0]["stress"]) == {"rest"}


def test_looks_without_a_grade_or_a_weighed_load_are_left_out(looks):
    looks.loc[looks["pour"] == "soft1-8", "grade"] = pd.NA
    looks.loc[looks["pour"] == "soft2-16", "load_pct"] = float("nan")
    settled, notes = settle_looks(looks, "sweat")
    assert len(settled) == 40
    assert notes == (
        "8 sweat inspections have no grade or no weighed load and were left out "
        "(test batches soft1-8, soft2-16).",
    )


def test_the_worst_of_several_looks_at_a_piece_counts(looks):
    again = looks.iloc[[0, 1, 47]].assign(grade=pd.array([3, 0, 1], dtype="Int64"))
    settled, notes = settle_looks(pd.concat([looks, again]), "sweat")
    grades = settled.set_index("code")["grade"]
    assert grades["0000"] == 3 and grades["0001"] == 0 and grades["0047"] == 2
    assert notes == (
        "3 repeated sweat inspections merged with others of the same piece: the worst grade "
        "counts.",
    )
    _, notes = settle_looks(pd.concat([looks, again.tail(1)]), "sweat")
    assert notes[0].startswith("1 repeated sweat inspection merged with others ")


def test_looks_at_several_ages_keep_the_worst_grade_up_to_each(looks):
    """By hand: grades 0, 2, 1 at 1, 4 days and a day not told are 1, 2: that counts as day 1, or
    as the youngest told where this is less."""
    one = looks.iloc[[0, 0, 0]].assign(
        age_days=[4.0, None, 1.0], grade=pd.array([2, 1, 0], dtype="Int64")
    )
    other = looks.iloc[[1]].assign(age_days=9.0)
    settled, _ = settle_looks(pd.concat([one, other]), "sweat", ages=True)
    own = settled[settled["code"] == "0000"]
    assert own["age_days"].tolist() == [1.0, 4.0] and own["grade"].tolist() == [1, 2]
    for told, counts in ((9.0, 1.0), (0.6, 0.6), (None, 1.0)):
        blank = one.assign(age_days=[told, None, None], code=["a", "b", "c"])
        ages = settle_looks(blank, "sweat", ages=True)[0].set_index("code")["age_days"]
        assert ages["b"] == ages["c"] == counts


def test_the_next_look_is_the_first_by_which_half_of_every_test_batch_was_seen(looks):
    """By hand, of two pours of two pieces."""
    def seen(*ages):
        rows = [(p, f"{p}{i}", age, grade) for p, i, age, grade in ages]
        return pd.DataFrame(rows, columns=["pour", "code", "age_days", "grade"]).assign(blend="a")

    both = seen(*((p, i, age, 0) for p in "AB" for i in (1, 2) for age in (3.0, 7.0, 14.0)))
    asked = {0.5: 3, 3: 3, 3.5: 3.5, 4: 7, 7: 7, 7.9: 7.9, 8: 14, 14: 14, 15: np.inf}
    assert {days: next_look(both, days) for days in asked} == asked
    # one piece of a pour, or one pour alone, that was looked at early is no look
    late = both[(both["pour"] == "A") | (both["age_days"] > 3)]
    assert next_look(late, 2.0) == 7.0
    assert next_look(pd.concat([late, seen(("B", 1, 3.0, 0))]), 2.0) == 3.0
    # a piece that sweated and was put away was seen for good; a dry one was not
    away = seen(("A", 1, 3.0, 2), ("A", 2, 3.0, 2), ("B", 1, 14.0, 0), ("B", 2, 3.0, 0))
    assert next_look(away, 7.0) == 14.0
    assert next_look(away.assign(grade=0), 7.0) == np.inf


def test_looks_of_one_load_are_kept(looks):
    assert len(settle_looks(looks[looks["load_pct"] == 8.0], "sweat")[0]) == 8


def test_a_piece_at_rest_and_in_heat_is_looked_at_twice(looks):
    both = pd.concat([looks, looks.assign(stress="heat")])
    assert len(settle_looks(both, "sweat")[0]) == 96


@pytest.mark.parametrize(
    "spoil, text",
    [
        (
            lambda d: d.drop(columns=["pot", "grade"]),
            "the sweat looks lack the columns grade, pot",
        ),
        (lambda d: d.iloc[:0], "there are no sweat grades to fit; grade some pieces first"),
        (
            lambda d: d.assign(grade=pd.NA),
            "there are no sweat grades to fit; grade some pieces first",
        ),
    ],
)
def test_nothing_to_fit(looks, spoil, text):
    with pytest.raises(FitError) as error:
        settle_looks(spoil(looks), "sweat")
    assert str(error.value) == text


def test_counts_by_hand(looks):
    looks.loc[0, "grade"] = 4
    table = count_pours(settle_looks(looks, "sweat")[0])
    row = table[table["pour"] == "soft1-6"].iloc[0]
    assert [row[f"g{g}"] for g in range(5)] == [3, 0, 0, 0, 1] and row["n"] == 4
    assert len(table) == 12 and table["n"].sum() == 48


def test_a_blend_that_was_not_looked_at_later_holds_up_no_other():
    looks = pd.DataFrame([
        (f"{blend}{piece}", blend, blend, age, 0) for blend, ages in (("a", (1.0, 7.0, 28.0)),
                                                                      ("b", (1.0,)))
        for piece in range(3) for age in ages],
        columns=["code", "pour", "blend", "age_days", "grade"])
    assert next_look(looks, 5.0) == 7.0 and next_look(looks, 8.0) == 28.0
    assert next_look(looks, 1.0) == 1.0 and next_look(looks, 40.0) == np.inf


def test_batches_of_one_planned_load_have_one_count():
    """By hand: 9.29 and 9.51 % are one load, 9.80 % is another."""
    counts = pd.DataFrame({"load_pct": [9.29, 9.40, 9.51, 9.80], "n": 1, "g1": [0, 1, 0, 1],
                           "g2": [1, 0, 0, 0], "g3": [0, 0, 1, 0]})
    found = by_load(counts, 2, 0.25)
    assert found[["pieces", "sweated"]].to_numpy().tolist() == [[3, 2], [1, 0]]
    assert found[["load_pct", "lowest", "highest"]].to_numpy() == pytest.approx(
        np.array([[9.4, 9.29, 9.51], [9.8, 9.8, 9.8]]))
    assert by_load(counts[:0], 2, 0.25).empty

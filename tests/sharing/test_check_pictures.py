"""Pictures of the checks: what is drawn are the numbers of the tables, and what is odd is named."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.diagnosis import Diagnosis
from scentlab.sharing import pictures


def pot_points(ax):
    return {
        line.get_label().split()[1].strip(","): line for line in ax.lines
        if line.get_label().startswith("pot ")
    }


def words_on(ax):
    return [t.get_text() for t in ax.texts]


@pytest.fixture
def odd(diagnosis):
    """The check with one pour outside its range and one odd pot."""
    check = diagnosis.sweat
    pours, pots = check.pours.copy(), check.pots.copy()
    pours.loc[3, "odd"] = True
    pots.loc[2, "odd"] = True
    return dataclasses.replace(check, pours=pours, pots=pots)


class TestCheck:
    def test_each_pot_has_a_marker_of_its_own_at_its_pours(self, diagnosis):
        check = diagnosis.sweat
        drawn = pot_points(pictures.plot(check))
        assert set(drawn) == set(check.pots["pot"])
        assert len({line.get_marker() for line in drawn.values()}) == len(drawn)
        for pot, line in drawn.items():
            own = check.pours[check.pours["pot"] == pot]
            np.testing.assert_array_equal(line.get_xydata(), own[["expected", "seen"]])

    def test_the_bars_are_the_ranges(self, diagnosis):
        pours = diagnosis.sweat.pours
        bars = pictures.plot(diagnosis.sweat).collections[0].get_segments()
        expected = pours[["expected", "lower", "expected", "upper"]].to_numpy(float)
        np.testing.assert_allclose(np.array(bars).reshape(-1, 4), expected)

    def test_odd_pours_and_pots_are_named(self, odd):
        ax = pictures.plot(odd)
        pours, pot = odd.pours, odd.pots.at[2, "pot"]
        own = pours[pours["pot"] == pot]
        furthest = own.loc[(own["seen"] - own["expected"]).abs().idxmax()]
        assert words_on(ax) == [pours.at[3, "pour"], f"{furthest['pour']} (odd pot {pot})"]
        named = [t.xy for t in ax.texts]
        assert named[0] == (pours.at[3, "expected"], pours.at[3, "seen"])
        assert named[1] == (furthest["expected"], furthest["seen"])
        assert f"pot {pot}, odd ({odd.pots.at[2, 'blend']})" in [
            line.get_label() for line in ax.lines
        ]

    def test_nothing_is_named_where_nothing_is_odd(self, diagnosis):
        check = diagnosis.sweat
        calm = dataclasses.replace(
            check, pours=check.pours.assign(odd=False), pots=check.pots.assign(odd=False)
        )
        assert words_on(pictures.plot(calm)) == []

    def test_axes_say_what_they_measure(self, diagnosis):
        ax = pictures.plot(diagnosis.sweat)
        assert ax.get_xlabel() == "mean sweat grade expected (0 dry to 4 pooled)"
        assert ax.get_ylabel() == "mean sweat grade seen\nin a test batch"
        assert ax.get_xlim()[0] < 0 and ax.get_xlim()[1] > 4


def changes(ax):
    """Row and change of every end mark."""
    marks = [line for line in ax.lines if line.get_marker() in ("o", "^")]
    return {
        y: (x, line.get_marker()) for line in marks for x, y in line.get_xydata().tolist()
        if not np.isnan(x)
    }


class TestDiagnosis:
    @pytest.fixture
    def by_hand(self, diagnosis):
        rows = [
            ("b1", "b", 9.0, 1.5, 0.2, True), ("a1", "a", 8.0, -0.25, 0.1, False),
            ("a2", "a", np.nan, np.nan, np.nan, False), ("b2", "b", 7.0, 0.5, 0.3, False),
            ("c1", "c", 6.0, np.nan, np.nan, True),
        ]
        columns = ["pot", "blend", "ceiling_load_pct", "change_pct", "error_pct", "hangs"]
        table = pd.DataFrame(rows, columns=columns)
        return Diagnosis(diagnosis.sweat, table)

    def test_every_change_stands_in_its_row(self, by_hand):
        ax = pictures.plot(by_hand)
        rows = [t.get_text() for t in ax.get_yticklabels()]
        assert rows == ["a1, a", "a2, a", "b1, b", "b2, b", "c1, c"]
        assert changes(ax) == {0: (-0.25, "o"), 2: (1.5, "^"), 3: (0.5, "o")}
        texts = [(t.get_position()[1], t.get_text()) for t in ax.texts]
        assert texts == [(1, "no load to compare"), (4, "a load qualifies only without it")]
        assert ax.get_xlim()[0] < -1.9 and ax.get_xlim()[1] > 1.9

    def test_a_bar_is_twice_the_error_of_the_draws(self, by_hand):
        bars = {ends[0][1]: ends[:, 0] for lines in pictures.plot(by_hand).collections
                for ends in lines.get_segments()}
        assert bars[2] == pytest.approx([1.1, 1.9]) and bars[0] == pytest.approx([-0.45, -0.05])

    def test_the_demo_draws_its_table(self, diagnosis):
        table = diagnosis.table.sort_values(["blend", "pot"])["change_pct"]
        drawn = changes(pictures.plot(diagnosis))
        assert [drawn[y][0] for y in sorted(drawn)] == table.dropna().tolist()

    def test_nothing_to_compare_still_has_a_picture(self, by_hand):
        table = by_hand.table.assign(change_pct=np.nan)
        ax = pictures.plot(dataclasses.replace(by_hand, pots_left_out=table))
        assert changes(ax) == {} and len(ax.texts) == 5

    def test_the_axis_names_unit_and_basis(self, by_hand):
        assert pictures.plot(by_hand).get_xlabel() == (
            "change of the highest safe load without the pot,\npoints of load (% of wax)"
        )

    def test_the_result_is_left_alone(self, by_hand):
        before = by_hand.table.copy()
        pictures.plot(by_hand)
        pd.testing.assert_frame_equal(by_hand.table, before)

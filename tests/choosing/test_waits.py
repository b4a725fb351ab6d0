"""What is planned and not graded comes before any further pot; counted by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.analysis import analyse
from scentlab.choosing.waits import comes_first, planned_pieces, what_to_test
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

LOADS = (6.0, 8.0, 10.0, 12.0)
TEST_LOWER = ("wax: test lower loads or more pots; page Share, The next step, or scentlab quick "
              "FOLDER shows which loads and how many pieces, and adds them to the plan.")


@pytest.fixture(scope="module")
def wet():
    """One pot in which all 8 heat-cycled pieces and the 4 others sweated; all of it is planned."""
    layout = even_layout(["wax"], LOADS, pots=1, sweat=1, sweat_heat=2)
    series = simulate_series(layout, Truth({"wax": BlendTruth(9.0)}), 1)
    grades = series.grades.assign(grade=pd.array(np.full(len(series.grades), 3), "Int64"))
    pieces = grades.drop_duplicates("code")[["code", "pour", "stress"]].assign(test="sweat")
    pours = series.pours[["pour", "pot", "blend", "load_pct"]]
    plan = {"pieces": pieces.to_dict("records"), "pours": pours.to_dict("records")}
    return analyse(replace(series, grades=grades, plan=plan), draws=200, precise=None)


def grown(analysis, *batches, poured=True, pieces=2, stress="heat", **of_pour):
    """The series with further test batches (name, pot, load) and ungraded pieces of each."""
    series, plan = analysis.series, analysis.series.plan
    rows = [{"pour": n, "pot": pot, "blend": "wax", "load_pct": load, **of_pour}
            for n, pot, load in batches]
    more = [{"code": f"{n}{i}", "pour": n, "test": "sweat", "stress": stress}
            for n, _, _ in batches for i in range(pieces)]
    plan = {**plan, "pours": plan["pours"] + rows, "pieces": plan["pieces"] + more}
    pours = pd.concat([series.pours, pd.DataFrame(rows).reindex(columns=series.pours.columns)
                       ] if poured else [series.pours], ignore_index=True)
    return replace(series, plan=plan, pours=pours)


def test_where_all_is_graded_lower_loads_are_next_and_the_page_is_named(wet):
    assert comes_first(wet.series, wet.ceiling) == ""
    assert what_to_test(wet.series, wet.ceiling, "wax") == TEST_LOWER
    assert TEST_LOWER in wet.pick.notes
    assert planned_pieces(wet.series)["graded"].all() and len(planned_pieces(wet.series)) == 12
    # Nothing can be added to the plan of a series that has none.
    assert what_to_test(replace(wet.series, plan=None), wet.ceiling, "wax") == (
        "wax: test lower loads or more pots; page Share, The next step, shows which loads and how "
        "many pieces; plan them as a quick check in a new folder (scentlab quick).")


def test_a_pot_of_which_nothing_is_graded_comes_first(wet):
    series = grown(wet, ("n", "P9", 8.0))
    assert comes_first(series, wet.ceiling) == "grade what is poured (P9: 2 pieces)"
    assert what_to_test(series, wet.ceiling, "wax") == (
        "wax: grade what is poured (P9: 2 pieces) first; that will show what to do next.")


def test_so_does_one_that_is_planned_and_not_poured_but_no_check_of_a_lot(wet):
    series = grown(wet, ("n", "P9", 8.0), poured=False)
    assert comes_first(series, wet.ceiling) == "pour what is planned (P9)"
    assert comes_first(series, wet.ceiling, ["other"]) == ""
    for mark in ({"lot": "B-7"}, {"finish": "as sold"}):
        assert comes_first(grown(wet, ("n", "P9", 8.0), poured=False, **mark), wet.ceiling) == ""


def test_of_a_pot_that_is_begun_a_few_pieces_are_lost_unless_they_hold_less(wet):
    """Two of ten heated pieces are under a quarter, four of twelve over it."""
    pot = wet.series.pours["pot"].iloc[0]
    higher, lower = (grown(wet, ("n", pot, load)) for load in (10.0, 4.0))
    assert comes_first(higher, wet.ceiling) == ""
    assert what_to_test(higher, wet.ceiling, "wax") == TEST_LOWER
    assert comes_first(lower, wet.ceiling) == f"grade what is poured ({pot}: 2 pieces)"
    many = grown(wet, ("n", pot, 10.0), pieces=4)
    assert comes_first(many, wet.ceiling) == f"grade what is poured ({pot}: 4 pieces)"


def test_where_heated_pieces_decide_no_other_is_waited_for(wet):
    assert wet.ceiling.stress == "heat"
    assert comes_first(grown(wet, ("n", "P9", 4.0), stress="rest"), wet.ceiling) == ""


def test_a_blend_that_nobody_graded_is_waited_for(wet):
    series = grown(wet, ("n", "P9", 8.0))
    series = replace(series, pours=series.pours.assign(
        blend=series.pours["blend"].mask(series.pours["pour"] == "n", "other")))
    assert comes_first(series, wet.ceiling) == "grade what is poured (P9: 2 pieces)"
    assert what_to_test(series, wet.ceiling, "wax") == TEST_LOWER

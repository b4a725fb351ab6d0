"""Series side by side: when they can be compared, what is found, and where it is shown."""

import copy
import dataclasses
import html
import re
from types import SimpleNamespace

import numpy as np
import pytest

from scentlab.choosing.analysis import analyse
from scentlab.results import FitError
from scentlab.sharing.beside import compare_sweat, differences, lot_names, why_not_compared
from scentlab.sharing.redaction import HIDDEN_FRAGRANCE
from scentlab.simulate import BlendTruth, Truth, layout_of_plan, simulate_series
from scentlab.units import Shown, showing
from scentlab.workshop import demo_plan

CAPACITIES = {"soft": 10.5, "soft-firm 70/30": 13.0, "creamy-firm 60/40": 12.0}


def lot(name, seed, shifts, plan=None):
    """A series of the demo's plan under another fragrance lot, its capacities moved."""
    plan = copy.deepcopy(plan or demo_plan())
    plan["fragrance"]["lot"], plan["title"] = name, f"Lot {name}"
    truth = Truth({b: BlendTruth(c + shifts.get(b, 0.0)) for b, c in CAPACITIES.items()})
    return analyse(simulate_series(layout_of_plan(plan), truth, seed), seed=1, draws=1000)


@pytest.mark.parametrize("first, second", [("M-1", "M-2"), ("lot M-1", "Lot M-2")])
def test_a_lot_is_said_once_in_the_names_of_series(first, second):
    analyses = [SimpleNamespace(series=SimpleNamespace(
        plan={"fragrance": {"lot": name}}, waxes=lambda blend: []))
                for name in (first, second)]
    names = [name.lower() for name in lot_names(analyses)]
    assert names == ["series 1 (fragrance lot m-1)", "series 2 (fragrance lot m-2)"]


@pytest.fixture(scope="module")
def first():
    return lot("A", 11, {})


@pytest.fixture(scope="module")
def second():
    return lot("B", 12, dict.fromkeys(CAPACITIES, -1.5))


@pytest.fixture(scope="module")
def found(first, second):
    return compare_sweat([first, second])


def test_the_shift_of_each_blend_is_found(found):
    table = found.table
    assert set(table["blend"]) == set(CAPACITIES)
    se = (table["upper"] - table["lower"]) / 3.29
    assert ((table["estimate"] + 1.5).abs() < 4 * se).all()
    assert (table["upper"] < 0).any()


def test_a_shift_is_the_difference_of_the_half_sweat_loads(found, first, second):
    one, other = ({b: np.average(a.sweat.named["capacity"][:, i], weights=a.sweat.weights)
                   for i, b in enumerate(a.sweat.blends)} for a in (first, second))
    for row in found.table.itertuples():
        assert row.estimate == pytest.approx(other[row.blend] - one[row.blend], abs=0.3)


def test_the_direction_is_said_only_where_it_is_known(found):
    row = found.table.assign(estimate=-1.5, lower=-2.0, upper=-1.0)
    said = dataclasses.replace(found, table=row.iloc[:1]).sentence
    assert said == (
        f"{row['blend'].iloc[0]}: series 2 (fragrance lot B) sweats 1.5 points of load (% of wax) "
        "earlier than series 1 (fragrance lot A), 90 % interval 2.0 earlier to 1.0 earlier.")
    with showing(Shown("oz")):  # 0.16 oz/lb is 1 % of wax
        assert dataclasses.replace(found, table=row.iloc[:1]).sentence.endswith(
            "sweats 0.24 oz/lb earlier than series 1 (fragrance lot A), 90 % interval 0.32 "
            "earlier to 0.16 earlier.")
    said = dataclasses.replace(found, table=row.assign(upper=0.2).iloc[:1]).sentence
    assert ("is too close to call: 1.5 points of load (% of wax) earlier, 90 % interval 2.0 "
            "earlier to 0.2 later") in said


def test_alike_series_are_not_told_apart(first):
    assert "is too close to call" in compare_sweat([first, lot("C", 21, {})]).sentence


def test_a_notebook_shows_it_all_and_the_lots_are_named(found, first, second):
    page = html.unescape(found._repr_html_())
    assert found.sentence in page and all(note in page for note in found.notes)
    assert "Lots differ: series 1 (fragrance lot A); series 2 (fragrance lot B)." in differences(
        [first, second]
    )


def test_only_the_blends_in_common_are_compared(first):
    plan = demo_plan()
    for part, fraction in zip(plan["blends"][1]["parts"], (0.6, 0.4), strict=True):
        part["fraction"] = fraction
    found = compare_sweat([first, lot("B", 12, {}, plan)])
    assert set(found.table["blend"]) == {"soft", "creamy-firm 60/40"}
    assert (
        "soft-firm 70/30 is not compared: the wax fractions of soft-firm 70/30 differ (1: 70 % "
        "soft wax + 30 % firm wax; 2: 60 % soft wax + 40 % firm wax)."
    ) in found.notes


def changed(analysis, **fields):
    return dataclasses.replace(analysis, series=dataclasses.replace(analysis.series, **fields))


def with_fragrance(analysis, name):
    plan = copy.deepcopy(analysis.series.plan)
    plan["fragrance"]["name"] = name
    return changed(analysis, plan=plan, fragrance=name)


def with_loads(analysis, **change):
    table = analysis.ceiling.table.assign(**change)
    return dataclasses.replace(analysis, ceiling=dataclasses.replace(analysis.ceiling, table=table))


def test_a_fragrance_spelt_in_another_way_is_the_same(demo_analysis):
    analyses = [with_fragrance(demo_analysis, name) for name in ("Fig leaf", "fig leaf")]
    assert "fragrances" not in why_not_compared(analyses)


@pytest.mark.parametrize("change, said", [
    (lambda a: with_fragrance(a, "fig leaf"),
     "the fragrances differ (1: cedar and fig (invented); 2: fig leaf)"),
    (lambda a: with_fragrance(a, HIDDEN_FRAGRANCE),
     "the fragrance of 2 is not on record, so it may be a different one; add it with: scentlab "
     "import FOLDER --oil NAME"),
    (lambda a: changed(a, invented=False),
     "invented data are no evidence beside real data (1: invented; 2: real)"),
    (lambda a: dataclasses.replace(a, sweat=dataclasses.replace(a.sweat, stresses=("rest",))),
     "the pieces were stored differently before grading (1: rest and heat; 2: rest)"),
    (lambda a: dataclasses.replace(a, sweat=dataclasses.replace(a.sweat, blends=("new",))),
     "no blend is in all of them (1: soft, soft-firm 70/30, creamy-firm 60/40; 2: new)"),
    (lambda a: changed(a, fractions=a.series.fractions.iloc[:0]),
     "the wax fractions of soft in 2 are not known"),
    (lambda a: with_loads(a, lowest_tested_pct=15.0, highest_tested_pct=18.0),
     "the loads tested of soft do not overlap (1: 4.0 to 14.0 % of wax; 2: 15.0 to 18.0 % of wax)"),
])
def test_plans_that_do_not_allow_it_say_why_in_one_sentence(first, second, change, said):
    others = [first, change(second)]
    blend = first.sweat.blends[0]
    reason = why_not_compared(others)
    assert why_not_compared([first, second]) == ""
    said = said.replace("soft, soft-firm 70/30, creamy-firm 60/40", ", ".join(first.sweat.blends))
    said = re.sub(r"(?<=of )soft(?= in| do)", blend, said)
    assert re.sub(r"\d+\.\d(?= to| %)", "N", reason) == re.sub(
        r"\d+\.\d(?= to| %)", "N", f"The loads at which the series sweat are not compared: {said}."
    )
    with pytest.raises(FitError, match="^The loads at which the series sweat are not compared: "):
        compare_sweat(others)


def test_records_that_are_the_same_twice_are_no_two_series(first):
    shorter = changed(first, grades=first.series.grades.iloc[:-30])
    for others in ([first, first], [first, shorter]):
        assert why_not_compared(others) == (
            "The loads at which the series sweat are not compared: 1 and 2 contain mostly the same "
            "records."
        )


def test_currencies_do_not_stand_in_the_way(first, second):
    other = changed(second, currency="USD")
    assert why_not_compared([first, other]) == ""

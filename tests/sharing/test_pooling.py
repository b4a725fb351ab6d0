"""Series fitted as one: when their plans allow it, what is found, and where it is shown."""

import copy
import dataclasses
import html
import re
from types import SimpleNamespace

import pytest

from scentlab.choosing.analysis import analyse
from scentlab.choosing.ceiling import find_ceiling
from scentlab.results import FitError
from scentlab.sharing import pictures
from scentlab.sharing.pooling import differences, lot_names, pool_series, why_not_pooled
from scentlab.sharing.redaction import HIDDEN_FRAGRANCE
from scentlab.simulate import BlendTruth, Truth, layout_of_plan, simulate_series
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
    analyses = [SimpleNamespace(series=SimpleNamespace(plan={"fragrance": {"lot": name}}))
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
def pooled(first, second):
    return pool_series([first, second], draws=1000)


def test_the_lots_are_named_and_their_shift_found(pooled):
    row = pooled.fit.table.iloc[0]
    assert row["lower"] < -1.5 < row["upper"] < 0
    assert pooled.sentence.startswith("Series 2 (fragrance lot B) sweats ")
    assert " points of load (% of wax) earlier than series 1 (fragrance lot A), " in pooled.sentence


def test_each_lot_has_its_ceiling_beside_that_of_its_series(pooled, first, second):
    assert len(pooled.table) == 6
    for row in pooled.table.to_dict("records"):
        own = (first, second)[row["series"] - 1]
        assert row["own_ceiling_pct"] == own.ceiling.of(row["blend"])["ceiling_load_pct"]
        assert row["pooled_lower_pct"] < row["pooled_upper_pct"]
        before = row["own_upper_pct"] - row["own_lower_pct"]
        after = row["pooled_upper_pct"] - row["pooled_lower_pct"]
        assert row["gain"] == pytest.approx(1 - after / before)
        highest = own.ceiling.of(row["blend"])["highest_tested_pct"]
        assert row["pooled_ceiling_pct"] <= highest
    assert pooled.table["gain"].mean() > 0.05


def test_a_notebook_shows_it_all_and_the_lots_are_named(pooled, first, second):
    page = html.unescape(pooled._repr_html_())
    assert pooled.sentence in page and all(note in page for note in pooled.notes)
    assert "Lots differ: series 1 (fragrance lot A); series 2 (fragrance lot B)." in differences(
        [first, second]
    )


def test_the_picture_has_two_marks_and_bars_for_each_lot(pooled):
    ax = pictures.plot(pooled)
    marks = [line for line in ax.lines if line.get_marker() == "^"]
    assert sorted(float(x) for m in marks for x in m.get_xdata()) == sorted(
        [*pooled.table["own_ceiling_pct"], *pooled.table["pooled_ceiling_pct"]]
    )
    assert [t.get_text().replace("\n", " ") for t in ax.get_yticklabels()] == [
        f"{r.series}: {r.blend}" for r in pooled.table.itertuples()
    ]


def test_blends_that_move_apart_are_told(first):
    other = lot("B", 13, {"soft": 2.5, "soft-firm 70/30": -2.5, "creamy-firm 60/40": 0.0})
    notes = " ".join(pool_series([first, other], draws=500).notes)
    assert "the lots do not move every blend alike" in notes
    assert "soft-firm 70/30 alone is shifted by -" in notes


def test_only_the_blends_in_common_are_pooled(first, second):
    plan = demo_plan()
    for part, fraction in zip(plan["blends"][1]["parts"], (0.6, 0.4), strict=True):
        part["fraction"] = fraction
    found = pool_series([first, lot("B", 12, {}, plan)], draws=500)
    assert set(found.table["blend"]) == {"soft", "creamy-firm 60/40"}
    assert (
        "soft-firm 70/30 is not pooled: the wax fractions of soft-firm 70/30 differ (1: 70 % soft "
        "wax + 30 % firm wax; 2: 60 % soft wax + 40 % firm wax)."
    ) in found.notes


def changed(analysis, **fields):
    return dataclasses.replace(analysis, series=dataclasses.replace(analysis.series, **fields))


def with_fragrance(analysis, name):
    plan = copy.deepcopy(analysis.series.plan)
    plan["fragrance"]["name"] = name
    return changed(analysis, plan=plan, fragrance=name)


def with_rules(analysis, **rules):
    rules = dataclasses.replace(analysis.rules, **rules)
    return dataclasses.replace(analysis, rules=rules, ceiling=find_ceiling(analysis.sweat, rules))


def with_loads(analysis, **change):
    table = analysis.ceiling.table.assign(**change)
    return dataclasses.replace(analysis, ceiling=dataclasses.replace(analysis.ceiling, table=table))


@pytest.mark.parametrize("change, said", [
    (lambda a: with_fragrance(a, "fig leaf"),
     "the fragrances differ (1: cedar and fig (invented); 2: fig leaf)"),
    (lambda a: with_fragrance(a, HIDDEN_FRAGRANCE),
     "the fragrance of 2 is not given, so it may be another"),
    (lambda a: with_rules(a, limit_grade=3), "the limit grade differs (1: 2; 2: 3)"),
    (lambda a: with_rules(a, stress="rest"),
     "the stress that decides differs (1: the harshest tested; 2: rest)"),
    (lambda a: changed(a, invented=False),
     "invented data are no evidence beside real ones (1: invented; 2: real)"),
    (lambda a: dataclasses.replace(a, sweat=dataclasses.replace(a.sweat, stresses=("rest",))),
     "the pieces were graded under other stresses (1: rest and heat; 2: rest)"),
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
    reason = why_not_pooled(others)
    assert why_not_pooled([first, second]) == ""
    said = said.replace("soft, soft-firm 70/30, creamy-firm 60/40", ", ".join(first.sweat.blends))
    said = re.sub(r"(?<=of )soft(?= in| do)", blend, said)
    assert re.sub(r"\d+\.\d(?= to| %)", "N", reason) == re.sub(
        r"\d+\.\d(?= to| %)", "N", f"The series are not pooled: {said}."
    )
    with pytest.raises(FitError, match="^The series are not pooled: "):
        pool_series(others)


def test_records_that_are_the_same_twice_are_not_counted_twice(first):
    shorter = changed(first, grades=first.series.grades.iloc[:-30])
    for others in ([first, first], [first, shorter]):
        assert why_not_pooled(others) == (
            "The series are not pooled: 1 and 2 hold the same records, and each piece would count "
            "twice."
        )


def test_currencies_do_not_stand_in_the_way(first, second):
    other = changed(second, currency="USD")
    assert why_not_pooled([first, other]) == ""

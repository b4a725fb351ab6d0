"""The pair test as it is planned and printed."""

import math
import re
import subprocess
from collections import Counter
from dataclasses import replace

import pytest
from printing import printed

from scentlab.materials import Fragrance, Wax
from scentlab.planning.pairs import (
    ALIKE,
    MOST_A_SESSION,
    pair_care,
    pair_words,
    pairs_needed,
    plan_pairs,
)
from scentlab.planning.panel import Sittings
from scentlab.planning.plan import Plan, PlanError
from scentlab.planning.quick import quick_plan
from scentlab.planning.sheets import pair_sheets_html
from scentlab.workshop import demo_plan


@pytest.fixture
def plan():
    return Plan.from_dict(demo_plan())


def loads_of(plan, row):
    pours = {p.pour: p.load_pct for p in plan.pour_rows}
    codes = {p.code: pours[p.pour] for p in plan.piece_rows}
    return codes[row.first], codes[row.second]


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("kind", "number"), [("warm", 24), ("cold", 50), ("warm", 7)])
def test_orders_are_balanced(plan, kind, number, seed):
    """Each two pieces in both orders by the same tester in one session, so that each piece is
    first as often as second."""
    found = plan_pairs(plan, [6, 8], seed=seed, kind=kind, number=number)
    rows = found.pair_rows
    assert number <= len(rows) < number + 2 * len(plan.assessors)
    assert Counter(r.first for r in rows) == Counter(r.second for r in rows)
    for tester in plan.assessors:
        own = [r for r in rows if r.assessor == tester]
        seen = Counter((r.sitting, r.first, r.second) for r in own)
        assert set(seen.values()) == {1}
        assert all(seen[s, b, a] == 1 for s, a, b in seen)
        for sitting in {r.sitting for r in own}:
            positions = [r.position for r in own if r.sitting == sitting]
            assert positions == list(range(1, len(positions) + 1))
            assert len(positions) <= MOST_A_SESSION
    assert {tuple(sorted(loads_of(plan, r))) for r in rows} == {(6.0, 8.0)}
    firsts = [loads_of(plan, r)[0] for r in rows]
    assert firsts.count(6.0) == firsts.count(8.0)


def test_pieces_are_used_evenly(plan):
    used = Counter(r.first for r in plan_pairs(plan, [6, 8], seed=3, number=60).pair_rows)
    assert max(used.values()) <= 3 * min(used.values())


def test_a_plan_without_pairs_is_written_as_before(plan):
    assert "pairs" not in plan.to_dict()
    more = plan_pairs(plan, [6, 8], seed=1, testers=("A1", "B7"), number=8)
    assert Plan.from_dict(more.to_dict()) == more and more.assessors == (*plan.assessors, "B7")
    assert (more.pour_rows, more.piece_rows) == (plan.pour_rows, plan.piece_rows)
    again = plan_pairs(more, [6, 8], seed=1, testers=("A1",), number=8)
    assert not {r.sitting for r in more.pair_rows} & {r.sitting for r in again.pair_rows[8:]}


def test_a_quick_check_can_be_smelt_cold():
    quick = quick_plan(Wax("soft wax"), Fragrance("fig"), [6.25, 9.375], start="2026-12-01", seed=1)
    found = plan_pairs(quick, [6.25, 9.375], seed=1, number=10)
    stress = {p.code: p.stress for p in quick.piece_rows}
    assert len(found.pair_rows) == 10 and {r.sitting for r in found.pair_rows} == {"Q1"}
    assert all(stress[r.first] == stress[r.second] for r in found.pair_rows)
    with pytest.raises(PlanError, match="^no pieces of both loads are free for hot throw; cast "
                       "pieces for throw or reserve, or compare cold$"):
        plan_pairs(quick, [6.25, 9.375], seed=1, kind="warm")


@pytest.mark.parametrize(("change", "said"), [
    ({"loads_pct": [6, 6.1]}, "give two more than 0.25 points apart"),
    ({"loads_pct": [6, 7.3]}, "use two of its planned loads"),
    ({"kind": "hot"}, "the kind of throw is 'hot'"),
    ({"number": 1}, "number is 1"),
])
def test_what_cannot_be_planned(plan, change, said):
    with pytest.raises(PlanError, match=re.escape(said)):
        plan_pairs(plan, **{"loads_pct": [6, 8], "seed": 1, **change})


def test_loads_that_sweat_are_not_compared(plan):
    wet = next(p for p in plan.pour_rows if p.load_pct == 8 and p.blend == plan.blends[0].name)
    with pytest.raises(PlanError, match=rf"a piece sweated \({wet.pour}\); compare two dry loads"):
        plan_pairs(plan, [6, 8], seed=1, sweated=[wet.pour])


def test_what_a_number_of_pairs_can_show():
    assert pair_words(24) == ("24 pairs find a difference of 1 point of throw with a chance of "
                              "81 %.", ALIKE)
    assert "That is too few: 26 would find it with 80 %." in pair_words(8)[1]
    assert pair_words(100, 0.5)[1:] == (ALIKE,)
    with pytest.raises(PlanError, match="points is 0.1; give a number from 0.3 to 10"):
        pairs_needed(0.1)


def test_the_sheet_tells_no_load(plan):
    found = plan_pairs(plan, [6, 8], seed=1, number=24)
    text = re.sub(r"<style>.*?</style>", "", pair_sheets_html(found))
    sheets = {(r.assessor, r.sitting) for r in found.pair_rows}
    assert text.count("<section") == len(sheets)
    for row in found.pair_rows:
        assert f"<b>{row.first}</b>" in text and row.sitting in text
    assert not re.search(r"% of wax|oz/lb|P0\d", text)
    with pytest.raises(PlanError, match="the plan has no pairs; plan them first"):
        pair_sheets_html(plan)


@pytest.mark.browser
@pytest.mark.parametrize("paper", ["A4", "letter"])
def test_a_session_is_a_page(chromium, plan, paper, tmp_path):
    found = plan_pairs(plan, [6, 8], seed=1, number=120)
    pdf = printed(chromium, pair_sheets_html(found, paper), tmp_path)
    told = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout
    sheets = {(r.assessor, r.sitting) for r in found.pair_rows}
    assert int(re.search(r"Pages: +(\d+)", told)[1]) == len(sheets)


def test_a_piece_that_is_in_all_pairs_is_named(plan):
    """Six pieces of one load against a single one of the other, which its code gives away."""
    many = plan_pairs(plan, [6, 8], seed=1, kind="cold", number=24)
    care = list(pair_care(many, many.pair_rows))
    codes = [sorted({c for r in many.pair_rows for c in (r.first, r.second)
                     if {r.first: loads_of(many, r)[0], r.second: loads_of(many, r)[1]}[c] == load})
             for load in (6.0, 8.0)]
    assert min(map(len, codes)) > 1 and len(care) == 1
    keep = codes[0][0]
    lone = replace(plan, piece_rows=tuple(
        p for p in plan.piece_rows if p.code == keep or p.code not in codes[0]))
    lone = plan_pairs(lone, [6, 8], seed=1, kind="cold", number=24)
    care = list(pair_care(lone, lone.pair_rows))
    assert care[0].startswith(f"In all {len(lone.pair_rows)} pairs, the only free piece of its "
                              f"load: {keep} at 6.0 % (0.96 oz/lb). Testers soon know")


def test_how_long_pairs_take_is_said_with_warming_and_airing(plan):
    """30 min on the warmers and 5 to smell each of two, and between pairs 36 min of airing: until
    5 % of the scent is left at 5 air changes an hour, ln(20) / 5 h."""
    assert math.ceil(60 * math.log(20) / 5) == 36
    rules = replace(plan, sittings=Sittings(warm_min=30, smell_min=5))
    hot = plan_pairs(rules, [6, 8], seed=1, kind="warm", number=4, testers=["A1"])
    assert list(pair_care(hot, hot.pair_rows))[-1] == (
        "Time: 4 pairs of one tester in a session take 4.5 h, more than an evening: do the rest on "
        "other days, since unanswered pairs wait.")  # 4 x 40 + 3 x 36 = 268 min
    # Hot throw fills a room (planning/panel), so two pieces in one are not smelt apart.
    assert list(pair_care(hot, hot.pair_rows))[-2] == (
        "Hot pairs need two similar rooms, each with a warmer: in one room the scents mix and "
        "there is nothing to compare.")
    cold = plan_pairs(rules, [6, 8], seed=1, kind="cold", number=4, testers=["A1"])
    assert "rooms" not in " ".join(pair_care(cold, cold.pair_rows))
    assert list(pair_care(cold, cold.pair_rows)) == [
        "Time: 4 pairs of one tester in a session take 16 min."]
    page = " ".join(pair_sheets_html(hot).split())
    assert ("Warm each for 30 minutes in its own room, and air both rooms for 36 minutes "
            "after each pair.") in page
    assert "air both" not in " ".join(pair_sheets_html(cold).split())

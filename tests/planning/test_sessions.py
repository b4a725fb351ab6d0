"""Sessions that can be held: their orders, their clock and their days, recomputed by hand."""

import datetime as dt
from collections import Counter
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from scentlab.materials import Blend, Fragrance, Wax
from scentlab.maths.designs import williams_square
from scentlab.planning.costs import plan_costs
from scentlab.planning.diary import busy_days, diary, later_looks
from scentlab.planning.panel import Sittings, timetable
from scentlab.planning.plan import Calendar, CureDays, PieceNumbers, Plan, make_plan
from scentlab.planning.refusal import PlanError
from scentlab.planning.sheets import grade_sheets_html, throw_slips_html
from scentlab.workshop import demo_plan


def plan(**changes):
    given = dict(
        title="t", fragrance=Fragrance("fig"), blends=[Blend("soft", {Wax("soft wax"): 1.0})],
        loads_pct=(4, 6, 8, 10), piece_g=28, assessors=3, start="2026-12-01", seed=3,
        pieces=PieceNumbers(1, 2, 0, 1, 0), pots_per_blend=1,
    )
    return make_plan(**given | changes)


def held_together(**changes):
    """The demo plan with its sessions held as they are by default."""
    demo = Plan.from_dict(demo_plan())
    names = ("title", "fragrance", "blends", "loads_pct", "piece_g", "assessors", "start", "seed",
             "pots_per_blend", "cure_days", "heat_cycle", "pouring", "works_with_fragrance")
    given = {name: getattr(demo, name) for name in names}
    return make_plan(**given, pieces=demo.piece_numbers, **changes)


def test_squares_are_those_that_are_published():
    """R package crossdes (Sailer), example output of williams(3) and williams(10) in its manual
    page of that name, as read on rdrr.io; the first six rows of the second are kept here."""
    assert (williams_square(3) + 1).tolist() == [
        [1, 2, 3], [2, 3, 1], [3, 1, 2], [3, 2, 1], [1, 3, 2], [2, 1, 3]]
    assert (williams_square(10)[:6] + 1).tolist() == [
        [1, 2, 10, 3, 9, 4, 8, 5, 7, 6], [2, 3, 1, 4, 10, 5, 9, 6, 8, 7],
        [3, 4, 2, 5, 1, 6, 10, 7, 9, 8], [4, 5, 3, 6, 2, 7, 1, 8, 10, 9],
        [5, 6, 4, 7, 3, 8, 2, 9, 1, 10], [6, 7, 5, 8, 4, 9, 3, 10, 2, 1]]


def test_hours_of_the_demo_plan_by_hand():
    """As it is planned, with orders of each tester: 12 sessions of 6 pieces, 30 min on the warmer
    and 5 min a piece, so 60 min by the clock, and six testers. One piece at a time in one room:
    72 pieces, two and the anchor in 36 evenings; 30 + 5 min each and 36 min of airing (60 ln(20)/5
    = 35.9) between them, 177 min an evening."""
    costs = plan_costs(Plan.from_dict(demo_plan()))
    assert (costs["sessions"], costs["session_hours"], costs["panel_hours"]) == (12, 12, 72)
    costs = plan_costs(held_together())
    assert costs["sessions"] == 36
    assert costs["session_hours"] == pytest.approx(36 * (3 * 35 + 2 * 36) / 60)
    assert costs["panel_hours"] == pytest.approx(36 * 177 * 6 / 60)


def test_the_old_demo_plan_is_laid_out_as_it_was():
    demo = Plan.from_dict(demo_plan())
    assert held_together(sittings=demo.sittings).smelling_rows == demo.smelling_rows


def test_all_testers_smell_one_piece_at_once_after_the_anchor():
    one = plan(pots_per_blend=2)
    pours = dict(zip(one.pieces["code"], one.pieces["pour"], strict=True))
    for _, rows in one.smellings.groupby("sitting"):
        orders = rows.groupby("assessor")["code"].agg(tuple)
        assert len(orders) == 3 and len(set(orders)) == 1
        assert pours[orders.iloc[0][0]] == one.anchor_pour
    first = one.smellings[one.smellings["position"] == 1]
    assert first["code"].nunique() == first["sitting"].nunique() == 4
    assert Counter(one.smellings["code"]) == dict.fromkeys(set(one.smellings["code"]), 3)
    assert Plan.from_dict(one.to_dict()) == one


def test_what_comes_before_is_balanced_over_sessions():
    """24 pots of three loads, three a session and no anchor: four rounds of the six orders of three
    (Williams 1949), in which each rank of load follows each other eight times."""
    one = plan(loads_pct=(4, 8, 12), pots_per_blend=24, sittings=Sittings(anchor=False))
    joined = one.smellings[one.smellings["assessor"] == "A1"].merge(one.pieces, on="code").merge(
        one.pours, on="pour")
    follows = Counter(pair for _, rows in joined.groupby("sitting")
                      for pair in pairwise(rows.sort_values("position")["load_pct"]))
    assert set(follows.values()) == {8} and len(follows) == 6


@pytest.mark.parametrize("loads", [(4, 6, 8), (4, 6, 8, 10), (4, 6, 8, 10, 12)])
@pytest.mark.parametrize("pots", [2, 3])
def test_no_session_holds_a_load_twice_where_others_could_stand_beside_it(loads, pots):
    """A load that has a session to itself is told from the others by the sessions' anchors alone.
    By hand: two pieces a session beside the anchor, of pots that hold each load once."""
    one = plan(loads_pct=loads, pots_per_blend=pots)
    joined = one.smellings[one.smellings["position"] > 1].merge(one.pieces, on="code").merge(
        one.pours, on="pour")
    held = joined.groupby(["sitting", "assessor"])["load_pct"]
    assert held.size().max() == 2 and (held.size() == held.nunique()).all()


def test_the_clock_of_one_room_by_hand():
    one = plan(sittings=Sittings(pieces_per_sitting=2))
    a, b = one.smellings[one.smellings["sitting"] == "S01"]["code"].unique()
    assert timetable(one, "S01") == (
        ("19:00", 1, "warm", a), ("19:30", 1, "all smell", a),
        ("19:35", 1, "off, air for 36 min", a), ("20:11", 1, "warm", b),
        ("20:41", 1, "all smell", b), ("20:46", 1, "off, air for 36 min", b))


def test_sessions_of_a_day_share_its_evening_and_its_rooms():
    """By hand: two sessions of two pieces take 30 + 5 + 36 + 30 + 5 = 106 min each and 36 min of
    airing between them, 248 min; three pieces would take 390."""
    one = plan(pots_per_blend=2, sittings=Sittings(per_day=2),
               calendar=Calendar(evening_min=248))
    days = one.smellings.groupby("sitting_on", sort=False)["sitting"].unique()
    first, second = next(own for own in days if len(own) == 2)
    assert [timetable(one, s)[i][0] for s in (first, second) for i in (0, -1)] == [
        "19:00", "20:46", "21:22", "23:08"]
    assert one.smellings["position"].max() == 2
    with pytest.raises(PlanError, match="an evening of 247 min and 2 sessions a day hold 1; use "
                                        "fewer pieces"):
        plan(sittings=Sittings(per_day=2), calendar=Calendar(evening_min=247))


def test_a_day_of_jars_that_is_longer_than_its_evening_is_said():
    """By hand: 20 min to melt and 2 min a nose of five jars: 20 + 2 x 5 x 17 = 190 for 17 testers,
    180 for 16."""
    said = ("Smelling takes up to 190 min a day, more than the 180 min of an evening: use fewer "
            "pieces per session or fewer sessions a day.")
    assert said in plan(sittings=Sittings("jar"), assessors=17).notes
    assert "Smelling takes" not in " ".join(plan(sittings=Sittings("jar"), assessors=16).notes)


@pytest.mark.parametrize("rooms", [1, 2, 3, 5])
def test_no_room_and_no_nose_is_asked_twice_at_once(rooms):
    rules = Sittings(rooms=rooms, smell_min=4)
    times, busy = [minute for minute, _ in rules.smelt_at(12)], {}
    assert all(later - sooner >= 4 for sooner, later in pairwise(times))
    for minute in times:
        free = [r for r in range(rooms) if busy.get(r, 0) <= minute - 30]
        assert free, "a piece is on the warmer in a room that is not aired"
        busy[free[0]] = minute + 4 + rules.air_min
    assert rules.minutes("warm", 12, 3) == times[-1] + 4


@pytest.mark.parametrize(("evening", "said"), [(125, True), (126, False)])
def test_airing_between_hot_sessions_counts_in_the_evening(evening, said):
    """By hand: 30 min and 3 x 5 min of smelling, twice, and 36 min of airing between: 126."""
    sittings = Sittings(together=False, rooms=3, pieces_per_sitting=3, per_day=2)
    one = plan(pots_per_blend=2, sittings=sittings, calendar=Calendar(evening_min=evening))
    assert any(n.startswith("Smelling takes up to 126 min a day") for n in one.notes) == said


def test_a_hot_session_after_a_cold_one_waits_for_no_airing():
    """By hand: five cold pieces for three noses are 2 x 5 x 3 = 30 min."""
    one = plan(sittings=Sittings(("cold", "warm"), per_day=2), assessors=3,
               calendar=Calendar(evening_min=400))
    assert timetable(one, "S02")[0][0] == "19:30"


def test_more_rooms_hold_more_and_too_much_is_refused():
    assert [Sittings(rooms=r).places("warm", 180) for r in (1, 2, 3)] == [3, 5, 6]
    with pytest.raises(PlanError) as caught:
        plan(sittings=Sittings(pieces_per_sitting=4))
    assert str(caught.value) == (
        "a hot session of 4 pieces does not fit: 1 warmed at a time, with 36 min of airing after "
        "each, an evening of 180 min and 1 session a day hold 3; use fewer pieces per session, "
        "fewer sessions a day, more rooms with a warmer, or a longer evening")
    with pytest.raises(PlanError) as caught:
        plan(sittings=Sittings(together=False, rooms=2))
    assert str(caught.value).startswith(
        "separate orders for testers in hot sessions of 6 pieces need 6 similar rooms, and there "
        "are 2")


def test_jars_are_many_in_a_session_each_tester_in_an_own_order():
    one = plan(sittings=Sittings(("jar", "warm")), assessors=4)
    jars = one.smellings[one.smellings["kind"] == "jar"]
    assert jars["sitting"].nunique() == 1 and len(jars) == 5 * 4
    orders = jars[jars["position"] > 1].groupby("assessor")["code"].agg(tuple)
    neighbours = [pair for order in orders for pair in pairwise(order)]
    assert len(set(neighbours)) == len(neighbours) == 12
    assert timetable(one, "S01") == () and timetable(one, "S02") != ()


@pytest.mark.parametrize("days", ["weekdays", "weekend"])
def test_only_days_with_time_are_used(days):
    one = plan(pots_per_blend=3, calendar=Calendar(days), cure_days=CureDays(again=(28, 56)))
    allowed = {"weekdays": range(5), "weekend": (5, 6)}[days]
    assert {d.weekday() for d in busy_days(one)} <= set(allowed)
    merged = one.pieces.merge(one.pours, on="pour")
    ages = [(a - b).days for a, b in zip(merged["due_on"], merged["poured_on"], strict=True)]
    assert ages == merged["cure_days"].tolist() and min(ages) >= 7


def test_sweat_is_looked_at_again_at_the_planned_ages():
    one = plan(cure_days=CureDays(again=(28,)))
    looks = later_looks(one)
    assert [(day, stress, len(codes)) for day, stress, codes in looks] == [
        (dt.date(2026, 12, 29), "rest", 4), (dt.date(2026, 12, 29), "heat", 8)]
    assert "Inspect sweat again" in set(diary(one)["task"])
    html = grade_sheets_html(one)
    assert "Sweat, room temperature, again: 2026-12-29" in html
    assert "Sweat, heat-cycled, again: 2026-12-29" in html
    assert plan_costs(one)["days"] == 29


def test_the_session_sheet_has_the_clock_and_room_for_what_was_used():
    html = throw_slips_html(plan(sittings=Sittings(rooms=2)), "letter")
    assert "19:00" in html and "all smell" in html and "Which room" in html
    assert "Melted piece" in html and html.count("<section") == 1
    jars = throw_slips_html(plan(sittings=Sittings("jar")))
    assert "lidded jar" in jars and "lidded jar" not in html and "all smell" not in jars


def test_airing_follows_the_room_model():
    """60 ln(100 / left) / a minutes of a well-mixed room (textbook box model)."""
    for changes, left in ((0.5, 1.0), (5.0, 5.0), (2.0, 10.0)):
        rules = Sittings(air_changes_per_h=changes, left_pct=left)
        assert rules.air_min == int(np.ceil(60 * np.log(100 / left) / changes))
    slow = replace(Sittings(), air_changes_per_h=0.5)
    assert slow.air_min == 360  # 5 % are left after 3 / a, the usual rule of thumb

"""What can be and is more likely a slip is asked about before it is stored."""

import datetime as dt

import pytest

from scentlab.recording.importing import dry_run
from scentlab.recording.store import Store

TODAY = dt.date(2026, 6, 1)
HEAD = "pour,pot,blend,poured_on,wax_g,fragrance_g,room_temp_c\n"
POURS = [("P1", "2026-03-01"), ("P2", "2026-03-03"), ("P3", "2026-05-20")]


@pytest.fixture
def store(tmp_path):
    return Store.create(tmp_path / "series")


def file(tmp_path, rows):
    path = tmp_path / "pours.csv"
    lines = [f"{pour},A,soft,{day},{wax or 200},{(wax or 200) * 0.09:g},{room or ''}"
             for pour, day, *more in rows for wax, room in [(*more, None, None)[:2]]]
    path.write_text(HEAD + "\n".join(lines) + "\n")
    return path


def said(store, path, **how):
    return [(p.row, p.column, p.expected, p.remedy)
            for p in dry_run(store, pours=path, today=TODAY, **how).problems]


TRULY = "Correct it. If it really is so, import it with --beyond-plan, or tick that in the form."


def test_with_a_plan_the_planned_day_counts(store, tmp_path):
    store.save_plan({"pours": [{"pour": "P1", "pot": "A", "blend": "soft", "load_pct": 9.0,
                                "poured_on": "2025-05-20"}]})
    assert said(store, file(tmp_path, [("P1", "2026-05-20")])) == [
        (2, "poured_on", "a day within 200 days of 2025-05-20, as planned",
         f"Check the year. {TRULY}")]
    assert said(store, file(tmp_path, [("P1", "2025-05-27")])) == []
    assert said(store, file(tmp_path, [("P1", "2026-05-20")]), beyond_plan=True) == []
    assert said(store, file(tmp_path, [("P9", "2020-05-20")]), beyond_plan=True) == []


def test_another_wax_than_planned_is_asked_about(store, tmp_path):
    """The pieces of a wrong wax count for the wax that went in, once somebody says so."""
    store.save_plan({"pours": [{"pour": "P1", "pot": "A", "blend": "hard"},
                               {"pour": "P2", "pot": "B", "blend": "Soft"}]})
    path = file(tmp_path, [("P1", "2026-05-20"), ("P2", "2026-05-20")])
    assert said(store, path) == [(2, "blend", "hard, as planned", TRULY)]
    assert said(store, path, beyond_plan=True) == []


def test_weights_far_from_the_planned_ones_are_asked_about(store, tmp_path):
    """As on the pour page: a slipped point, or oil in oz beside wax in g."""
    store.save_plan({"pours": [
        {"pour": "P1", "pot": "A", "blend": "soft", "load_pct": 12.5, "wax_g": 200.0},
        {"pour": "P2", "pot": "A", "blend": "soft", "load_pct": 10.0, "wax_g": 500.0}]})
    path = file(tmp_path, [("P1", "2026-05-20"), ("P2", "2026-05-20")])
    # 12.5 % of 200 g are 25 g; 18 g are 9 %.
    assert said(store, path) == [
        (2, "fragrance_g", "about 25 g, as 12.5 % of wax is planned and with 200 g of wax this is "
                           "9.00 %", TRULY),
        (3, "wax_g", "about 500 g, as planned", TRULY)]
    assert said(store, path, beyond_plan=True) == []


def test_a_lot_that_no_plan_checks_is_asked_about(store, tmp_path):
    """"Lot" in a maker's file is that of the oil; here it would take the pour out of the answer."""
    store.save_plan({"pours": [{"pour": "P1", "pot": "A", "blend": "soft"},
                               {"pour": "P2", "pot": "A", "blend": "soft", "lot": "B-7"}]})
    path = tmp_path / "pours.csv"
    path.write_text("pour,pot,blend,poured_on,wax_g,fragrance_g,lot\n"
                    + "".join(f"{p},A,soft,2026-05-20,200,18,b-7\n" for p in ("P1", "P2")))
    assert said(store, path) == [(2, "lot", "no lot to check, as planned",
                                  f"Leave the cell empty or remove the column. {TRULY}")]
    assert said(store, path, beyond_plan=True) == []


def test_a_heat_cycle_far_from_the_planned_one_is_asked_about(store, tmp_path):
    """A room of 70 to 79 °F is no cycle of as many °C."""
    store.save_plan({"pours": [], "rules": {"heat_cycle": {"temp_c": 38.0}}})
    path = tmp_path / "heats.csv"
    path.write_text("started_on,low_c,high_c,hours,cycles\n2026-05-20,70,79,12,3\n"
                    "2026-05-24,37,39,12,3\n")
    for beyond, expected in ((True, []), (False, ["low_c", "high_c"])):
        found = dry_run(store, heats=path, today=TODAY, beyond_plan=beyond).problems
        assert [p.column for p in found] == expected
    assert {(p.row, p.expected, p.remedy) for p in found} == {
        (2, "about 38 °C, as planned", TRULY)}


@pytest.mark.parametrize("nothing", ["-", "–", "n/a", "NA", "#N/A", "#REF!", "#DIV/0!", "?"])
def test_a_sign_for_nothing_is_no_name(store, tmp_path, nothing):
    """A lot of "-" would take its pour out of the answer, and #N/A be a wax."""
    path = tmp_path / "pours.csv"
    path.write_text("pour,pot,blend,poured_on,wax_g,fragrance_g,lot,note\n"
                    f"P1,A,{nothing},2026-05-20,200,18,,{nothing}\n"
                    f"P2,B,soft,2026-05-20,200,18,{nothing},\n")
    expected = "a name, or an empty cell if allowed"
    assert said(store, path) == [(2, "blend", expected, TRULY), (3, "lot", expected, TRULY)]
    assert said(store, path, beyond_plan=True) == []


@pytest.mark.parametrize(("wax", "room", "column", "expected"), [
    (2, 21, "wax_g", "a wax weighed into this pour of 5 to 20000 g, as is usual"),
    (45000, 21, "wax_g", "a wax weighed into this pour of 5 to 20000 g, as is usual"),
    (200, 48, "room_temp_c", "a room temperature of 5 to 45 °C, as is usual"),
])
def test_an_unusual_number_is_asked_about(store, tmp_path, wax, room, column, expected):
    path = file(tmp_path, [*POURS, ("P4", "2026-03-01", wax, room)])
    assert said(store, path) == [(5, column, expected, TRULY)]
    assert said(store, path, beyond_plan=True) == []

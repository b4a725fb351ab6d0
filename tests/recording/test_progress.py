"""What is still to be done, per test, sitting and assessor."""

import datetime as dt

import pytest

from scentlab.guide.stages import see_stages
from scentlab.recording.correcting import stored_about
from scentlab.recording.progress import (
    pairs_waiting,
    score_days,
    score_words,
    see_progress,
    waiting,
    waits_long,
)
from scentlab.recording.store import RefusedError, Store
from scentlab.recording.unpoured import leave_out, make_void, take_up, unpoured

PLAN = {
    "title": "Cedar",
    "pours": [
        {"pour": "P01", "pot": "A", "blend": "mix", "poured_on": "2026-03-01", "load_pct": 9.0},
        {"pour": "P02", "pot": "A", "blend": "mix", "poured_on": "2026-03-01", "load_pct": 12.0},
    ],
    "pieces": [
        {"code": "700", "pour": "P01", "test": "sweat", "stress": "rest", "due_on": "2026-03-08"},
        {"code": "300", "pour": "P02", "test": "sweat", "stress": "heat", "due_on": "2026-03-09"},
        {"code": "400", "pour": "P01", "test": "frost", "stress": "rest", "due_on": "2026-03-15"},
        {"code": "500", "pour": "P01", "test": "throw", "stress": None, "due_on": "2026-03-15"},
        {"code": "501", "pour": "P02", "test": "throw", "stress": None, "due_on": "2026-03-15"},
        {"code": "900", "pour": "P01", "test": "reserve", "stress": None, "due_on": "2026-06-01"},
    ],
    "smellings": [
        {"sitting": s, "sitting_on": day, "kind": "warm", "assessor": a, "position": n, "code": c}
        for s, day in (("S1", "2026-03-15"), ("S2", "2026-03-16"))
        for a, codes in (("A1", ("500", "501")), ("A2", ("501", "500")))
        for n, c in enumerate(codes, 1)
    ],
}


def pour(name, day="2026-03-01"):
    return {"pour": name, "pot": "A", "blend": "mix", "poured_on": day, "wax_g": 200.0,
            "fragrance_g": 18.0}


def sweat(code, assessor="A1"):
    return {"code": code, "test": "sweat", "stress": "rest", "assessor": assessor, "grade": 1}


@pytest.fixture
def store(folder):
    store = Store.create(folder)
    store.save_plan(PLAN)
    return store


def day(text):
    return dt.date.fromisoformat(text)


def test_before_the_first_pour(store):
    seen = see_progress(store, day("2026-03-03"))
    assert seen.sentence == (
        "0 of 11 planned scores are in on 2026-03-03; 2 test batches are not logged, and 0 pieces "
        "are overdue."
    )
    assert seen.pours[["pour", "days_late"]].to_numpy().tolist() == [["P01", 2], ["P02", 2]]
    assert waiting(store, "A1", "sweat", day("2026-03-20")).empty


def test_counts_per_test_sitting_and_assessor(store):
    store.add_all({"pours": [pour("P01"), pour("P02")]})
    store.add("grades", sweat("700"))
    store.add("throws", {"code": "501", "assessor": "A2", "sitting": "S1", "kind": "warm",
                         "throw": 4})
    seen = see_progress(store, day("2026-03-16"))
    assert seen.scores.to_numpy().tolist() == [
        ["sweat", "", "", 2, 1, 1], ["frost", "", "", 1, 0, 1],
        ["hot throw", "S1", "A1", 2, 0, 2], ["hot throw", "S1", "A2", 2, 1, 1],
        ["hot throw", "S2", "A1", 2, 0, 2], ["hot throw", "S2", "A2", 2, 0, 2],
    ]
    assert seen.overdue.to_numpy().tolist() == [
        ["300", "sweat", "heat", day("2026-03-09"), 7],
        ["400", "frost", "rest", day("2026-03-15"), 1],
        ["500", "throw", None, day("2026-03-15"), 1],
    ]
    assert seen.pours.empty


def test_what_waits_for_an_assessor_in_the_planned_order(store):
    store.add_all({"pours": [pour("P01"), pour("P02")]})
    found = waiting(store, "A2", today=day("2026-03-15"))
    assert found[["code", "test", "sitting", "position", "age_days"]].to_numpy().tolist() == [
        ["700", "sweat", None, None, 14.0], ["300", "sweat", None, None, 14.0],
        ["400", "frost", None, None, 14.0], ["501", "throw", "S1", 1, 14.0],
        ["500", "throw", "S1", 2, 14.0],
    ]
    assert not {"pour", "blend", "load_pct"} & set(found.columns), "the key stays hidden"


def test_a_piece_graded_by_another_waits_no_more_unless_two_looks_are_wanted(store):
    store.add_all({"pours": [pour("P01"), pour("P02")]})
    store.add("grades", sweat("700"))
    today = day("2026-03-20")
    assert list(waiting(store, "A2", "sweat", today)["code"]) == ["300"]
    assert list(waiting(store, "A2", "sweat", today, looks_per_piece=2)["code"]) == ["700", "300"]
    assert list(waiting(store, "A1", "sweat", today, looks_per_piece=2)["code"]) == ["300"]


# Codes, pours and days laid out so that every wrong order differs from the right one.
MIXED = PLAN | {
    "pours": [PLAN["pours"][0] | {"pour": p, "poured_on": d} for p, d in
              (("P01", "2026-03-02"), ("P02", "2026-03-01"), ("P03", "2026-03-01"))],
    "pieces": [
        {"code": c, "pour": p, "test": "sweat", "stress": s, "due_on": d} for c, p, s, d in (
            ("110", "P02", "heat", "2026-03-08"), ("150", "P01", "rest", "2026-03-09"),
            ("220", "P03", "rest", "2026-03-08"), ("330", "P02", "rest", "2026-03-08"),
            ("440", "P03", "rest", "2026-03-08"), ("120", "P01", "heat", "2026-03-09"))
    ],
}


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("late", ["2026-03-01", "2026-03-03"])
def test_rest_comes_before_heat_then_the_planned_day_then_the_code(folder, turned, late):
    """Not by pour: a pour that was late keeps its place, for else its pieces would stand apart."""
    store = Store.create(folder)
    turn = -1 if turned else 1
    store.save_plan(MIXED | {n: MIXED[n][::turn] for n in ("pours", "pieces")})
    for name, poured_on in (("P03", late), ("P01", "2026-03-02"), ("P02", "2026-03-01"))[::turn]:
        store.add("pours", pour(name, poured_on))
    found = waiting(store, "A1", "sweat", day("2026-03-20"))
    assert list(found["code"]) == ["220", "330", "440", "150", "110", "120"]


def test_the_planned_age_stands_beside_the_age_and_a_late_pour_does_not_change_it(store):
    store.add_all({"pours": [pour("P01", "2026-03-04"), pour("P02")]})
    found = waiting(store, "A1", today=day("2026-03-20")).set_index("code")
    assert found.loc[["700", "300", "400"], ["age_days", "planned_age_days"]].to_numpy(
    ).tolist() == [[16.0, 7.0], [19.0, 8.0], [16.0, 14.0]]


def test_without_a_plan_no_age_is_planned(folder):
    store = Store.create(folder)
    store.add("pours", pour("P01"))
    store.add("pieces", {"code": "250", "pour": "P01", "test": "sweat"})
    found = waiting(store, "A1", "sweat", day("2026-03-05"))
    assert found[["age_days", "planned_age_days"]].to_numpy().tolist() == [[4.0, None]]


def test_a_void_score_waits_again(store):
    store.add_all({"pours": [pour("P01"), pour("P02")]})
    first = store.add("grades", sweat("700"))
    store.void("grades", first.entry_id, "wrong piece")
    assert list(waiting(store, "A1", "sweat", day("2026-03-20"))["code"]) == ["700", "300"]


def test_a_late_pour_cures_later(store):
    store.add("pours", pour("P01", "2026-03-04"))
    assert waiting(store, "A1", "sweat", day("2026-03-10")).empty
    found = waiting(store, "A1", "sweat", day("2026-03-11"))
    assert found[["code", "age_days"]].to_numpy().tolist() == [["700", 7.0]]


@pytest.mark.parametrize("late_pour", ["P01", "P02"])
def test_a_late_pour_holds_its_whole_sitting_until_it_has_cured(store, late_pour):
    """Planned: poured on the 1st, smelt on the 15th. Poured on the 4th, it is smelt on the 18th."""
    for name in ("P01", "P02"):
        store.add("pours", pour(name, "2026-03-04" if name == late_pour else "2026-03-01"))
    for today in ("2026-03-15", "2026-03-17"):
        assert waiting(store, "A1", "throw", day(today)).empty, "uncured, or half a sitting"
    found = waiting(store, "A1", "throw", day("2026-03-18"))
    assert found[["code", "sitting", "due_on"]].to_numpy().tolist() == [
        [code, sitting, day("2026-03-18")] for sitting in ("S1", "S2") for code in ("500", "501")
    ]
    assert see_progress(store, day("2026-03-15")).notes == tuple(
        f"Session {s} was planned for {p} and waits until 2026-03-18: a test batch was late, so "
        "its pieces are not cured before then."
        for s, p in (("S1", "2026-03-15"), ("S2", "2026-03-16"))
    )
    assert see_progress(store, day("2026-03-18")).notes == ()


def test_a_pour_that_was_never_logged_holds_nobody_up_and_is_not_smelt(store):
    store.add("pours", pour("P02"))
    found = waiting(store, "A1", "throw", day("2026-03-15"))
    assert found[["code", "sitting", "position"]].to_numpy().tolist() == [["501", "S1", 2]]


def test_a_pour_dated_tomorrow_has_no_age_below_zero(folder):
    store = Store.create(folder)
    store.add("pours", pour("P01", "2026-03-06"))
    store.add("pieces", {"code": "250", "pour": "P01", "test": "sweat"})
    assert waiting(store, "A1", "sweat", day("2026-03-05"))["age_days"].tolist() == [0.0]


def test_without_a_plan_the_stored_pieces_wait(folder):
    store = Store.create(folder)
    store.add("pours", pour("P01"))
    store.add_all({"pieces": [{"code": "250", "pour": "P01", "test": "sweat"},
                              {"code": "150", "pour": "P01", "test": "sweat"},
                              {"code": "350", "pour": "P01"}]})
    assert list(waiting(store, "A1", "sweat", day("2026-03-05"))["code"]) == ["150", "250"]
    assert see_progress(store, day("2026-03-05")).scores["waiting"].tolist() == [2]


def test_an_empty_store(folder):
    store = Store.create(folder)
    seen = see_progress(store, day("2026-03-05"))
    assert seen.scores.empty and seen.overdue.empty and seen.pours.empty
    assert waiting(store, "A1").empty


def test_sweat_waits_again_at_each_planned_age(folder):
    store = Store.create(folder)
    store.save_plan({**PLAN, "rules": {"cure_days": {"again": [28, 56]}}})
    for name in ("P01", "P02"):
        store.add("pours", pour(name))

    def codes(text, who="A1"):
        found = waiting(store, who, "sweat", today=day(text))
        return dict(zip(found["code"], found["planned_age_days"], strict=True))

    assert codes("2026-03-10") == {"700": 7.0, "300": 8.0}
    for code in ("700", "300"):
        store.add("grades", {**sweat(code), "age_days": 9})
    # poured on 1 March: day 28 is 29 March, day 56 is 26 April
    assert codes("2026-03-28") == {}
    assert codes("2026-03-29") == {"700": 28.0, "300": 28.0}
    store.add("grades", {**sweat("700"), "age_days": 28})
    assert codes("2026-03-30") == {"300": 28.0} and codes("2026-03-30", "A2") == {"300": 28.0}
    assert codes("2026-04-26") == {"700": 56.0, "300": 56.0}
    assert waiting(store, "A1", "frost", today=day("2026-04-26"))["planned_age_days"].tolist() == [
        14.0]
def test_what_is_due_in_words(tmp_path):
    from scentlab.materials import Fragrance, Wax
    from scentlab.planning.quick import quick_plan

    store, day = Store.create(tmp_path), dt.date(2026, 12, 1)
    assert score_words(store, day) == ("", "")
    plan = quick_plan(Wax("wax"), Fragrance("fig"), [6, 9], start=day, seed=1)
    store.save_plan(plan.to_dict())
    assert score_words(store, day) == ("", "")
    first = plan.pour_rows[0]
    store.add("pours", {"pour": first.pour, "pot": first.pot, "blend": first.blend,
                        "poured_on": day, "wax_g": 80.0, "fragrance_g": 5.0})
    assert score_words(store, day) == ("", "3 pieces to grade on 8 December")
    code = next(p for p in plan.piece_rows if p.pour == first.pour)
    store.add("grades", {"code": code.code, "test": "sweat", "stress": code.stress,
                         "age_days": 8.0, "assessor": "A1", "grade": 0})
    assert score_words(store, dt.date(2026, 12, 9)) == ("2 pieces to grade", "")


# --- what will not be poured

LATER = day("2026-03-20")


def test_nothing_waits_for_it_any_more(store, folder):
    store.add("pours", pour("P01"))
    assert list(see_progress(store, LATER).pours["pour"]) == ["P02"]
    leave_out(store, "p02", "spilled")
    seen = see_progress(store, LATER)
    assert seen.pours.empty and seen.unpoured == {"P02": "spilled"}
    assert seen.sentence.startswith("0 of 6 planned scores are in"), "11 with those of P02"
    codes = {code for a in ("A1", "A2") for code in waiting(store, a, today=LATER)["code"]}
    assert codes == {"700", "400", "500"}
    stages = see_stages(store, folder, LATER)
    assert stages.table["told"][1] == (
        "1 of 2 planned test batches are logged; P02 will not be poured (spilled)")
    assert list(stages.table["state"])[:3] == ["done", "done", "now"]


def test_a_session_of_its_pieces_alone_waits_no_more(store):
    store.add("pours", pour("P01"))
    alone = [{**PLAN["smellings"][0], "sitting": "S9", "code": "501"}]
    store.save_plan({**PLAN, "smellings": PLAN["smellings"] + alone})
    for code, test in (("700", "sweat"), ("400", "frost")):
        store.add("grades", {**sweat(code), "test": test})
    for s in PLAN["smellings"]:
        if s["code"] == "500":
            store.add("throws", {n: s[n] for n in ("sitting", "kind", "assessor", "code")}
                      | {"throw": 4})
    assert "S9" in set(see_progress(store, LATER).scores["sitting"])
    leave_out(store, "P02")
    scores = see_progress(store, LATER).scores
    assert set(scores["sitting"]) == {"", "S1", "S2"} and scores["waiting"].sum() == 0
    assert score_days(store, LATER) == {}


def test_nothing_waits_for_a_piece_a_session_or_a_tester_that_will_not_come(store, folder):
    """What was scored of them stays."""
    store.save_plan({**PLAN, "assessors": ["A1", "A2"], "pairs": [
        {"sitting": "S3", "kind": "warm", "assessor": "A1", "position": n, "first": first,
         "second": "501"} for n, first in enumerate(("500", "900"), 1)]})
    store.add_all({"pours": [pour("P01"), pour("P02")]})
    store.add("throws", {"sitting": "S1", "kind": "warm", "assessor": "A2", "code": "501",
                         "throw": 4})
    assert waits_long(store, LATER) and not waits_long(store, day("2026-03-15"))
    for name in ("700", "s2", "a2"):
        leave_out(store, name, "a cold")
    seen = see_progress(store, LATER)
    assert seen.left_out == ("piece 700 will not be scored (a cold); tester A2 will not score (a "
                             "cold); session S2 will not be held (a cold)")
    assert seen.unpoured == {} and "700" not in set(seen.overdue["code"])
    assert seen.scores.query("test == 'hot throw'").to_numpy().tolist() == [
        ["hot throw", "S1", "A1", 2, 0, 2], ["hot throw", "S1", "A2", 1, 1, 0]]
    assert waiting(store, "A2", today=LATER).empty
    assert list(waiting(store, "A1", today=LATER)["code"]) == ["300", "400", "500", "501"]
    assert f"; {seen.left_out}" in see_stages(store, folder, LATER).table["told"][2]
    assert [p["first"] for p in pairs_waiting(store, "A1")] == ["500", "900"]
    leave_out(store, "500")
    assert [p["first"] for p in pairs_waiting(store, "A1")] == ["900"]
    assert take_up(store, "700") == "700 counts as planned again"
    said = store.rows("unpoured", history=True)["void_reason"].dropna().iloc[-1]
    assert said == "it will come after all"
    assert "700" in set(waiting(store, "A1", today=LATER)["code"])


def test_it_is_taken_back_and_waits_again(store):
    leave_out(store, "P02", "spilled")
    entry, = stored_about(store, "P02")
    assert (entry.table, entry.words) == ("unpoured", "P02 will not be poured (spilled)")
    assert take_up(store, "p02") == "P02 waits to be poured again" and unpoured(store) == {}
    assert list(see_progress(store, LATER).pours["pour"]) == ["P01", "P02"]
    with pytest.raises(RefusedError, match="^P02 was not marked as not coming$"):
        take_up(store, "P02")
    leave_out(store, "P02", "out of wax")
    assert unpoured(store) == {"P02": "out of wax"}, "and once more"


def test_what_is_poured_all_the_same_counts(store):
    leave_out(store, "P02")
    store.add_all({"pours": [pour("P01"), pour("P02")]})
    assert unpoured(store) == {} and see_progress(store, LATER).scores["planned"].sum() == 11


def test_one_that_was_logged_is_made_void_with_its_reason(store):
    store.add_all({"pours": [pour("P01"), pour("P02")]})
    receipt = leave_out(store, "P02", "dropped", key="tap")
    assert list(store.rows("pours")["pour"]) == ["P01"]
    assert store.rows("pours", history=True)["void_reason"].iloc[-1] == "dropped"
    assert leave_out(store, "P02", "dropped", key="tap") == receipt, "a resend stores nothing twice"
    assert see_progress(store, LATER).pours.empty


def test_one_that_is_poured_again_can_be_left_out_again_and_taken_back(store):
    store.add_all({"pours": [pour("P01"), pour("P02")]})
    leave_out(store, "P02", "dropped")
    store.add("pours", pour("P02") | {"note": "second"})
    leave_out(store, "P02", "dropped again")
    assert unpoured(store) == {"P02": "dropped again"} and len(store.rows("pours")) == 1
    assert take_up(store, "P02").startswith("P02 counts: ") and unpoured(store) == {}
    assert store.rows("pours")["note"].tolist() == [None, "second"], "as it was weighed"
    leave_out(store, "P02")
    entry, = stored_about(store, "P02")
    assert make_void(store, entry.table, entry.entry_id, "slip").startswith("P02 counts: ")
    row = store.records("pours", ("pour",), "P02")[0]
    assert row["note"] == "second" and store.check() == ()
    assert make_void(store, "pours", row["entry_id"], "slip") == "P02 waits to be poured again"
    leave_out(store, "P02", "spilled")
    assert take_up(store, "P02") == "P02 waits to be poured again", "nothing was void with it"
    leave_out(store, "P02", "spilled")
    store.add("pours", pour("P02"))
    row = store.records("pours", ("pour",), "P02")[0]
    assert make_void(store, "pours", row["entry_id"], "slip") == "P02 will not be poured (spilled)"


def test_what_cannot_be_left_out(store):
    store.add_all({"pours": [pour("P01"), pour("P02")]})
    store.add("grades", sweat("700"))
    with pytest.raises(RefusedError) as error:
        leave_out(store, "P01", "spilled")
    assert str(error.value) == (
        "test batch P01 was poured: its pieces 700 have scores; make these void first if they "
        "belong to other pieces")
    assert len(store.rows("pours")) == 2, "all or nothing"
    with pytest.raises(RefusedError) as error:
        leave_out(store, "P09")
    assert str(error.value) == (
        "the plan has no test batch, piece, session or tester 'P09'; check its name on the sheet")
    leave_out(store, "P02")
    with pytest.raises(RefusedError) as error:
        leave_out(store, "P02", "spilled")
    assert str(error.value) == (
        "it is already on record: P02 will not be poured; nothing waits for it")

"""Scores from paper in a grid: by blind code, all or none."""

import datetime as dt
import html
import re

import pandas as pd
import pytest

from scentlab import Blend, CureDays, Fragrance, PieceNumbers, Wax, make_plan
from scentlab.forms.paper import PaperForm
from scentlab.planning.sheets import grade_sheets_html, throw_slips_html
from scentlab.recording.draft import DraftError, draft_path, keep_draft, read_draft
from scentlab.recording.progress import waiting
from scentlab.recording.store import Store

TODAY = dt.date.today()
SHEET = TODAY - dt.timedelta(days=2)
PIECES = pd.DataFrame(
    [
        ("417", "sweat", "rest", None, None, None, 14.0),
        ("211", "sweat", "rest", None, None, None, 14.0),
        ("305", "sweat", "heat", None, None, None, 2.0),
        ("620", "frost", "rest", None, None, None, 14.0),
        ("500", "throw", None, "S1", "warm", 1, 14.0),
        ("501", "throw", None, "S1", "warm", 2, 14.0),
        ("510", "throw", None, "S2", "cold", 1, 14.0),
    ],
    columns=["code", "test", "stress", "sitting", "kind", "position", "age_days"],
).assign(sheet_on=SHEET)


@pytest.fixture
def store(tmp_path):
    store = Store.create(tmp_path / "s")
    store.add_all({"pieces": [{"code": c, "pour": "P01"} for c in PIECES["code"]]})
    return store


@pytest.fixture
def form(store):
    return PaperForm(PIECES, "A2", store.add_all, works_with_fragrance="no")


def said(form):
    return html.unescape(re.sub("<[^>]+>", "\n", form.message.value.replace("<br>", "\n"))).strip()


def cell_of(form, code, column):
    return next(cell for cell in form.cells.values() if cell.column == column
                and cell.piece["code"] == code)


def day_of(form, code):
    """The cell with the day of the grade sheet that a piece is on."""
    sheet = cell_of(form, code, "grade").sheet
    return next(cell for cell in form.cells.values() if not cell.piece and cell.sheet == sheet)


def fill(form, **cells):
    for name, value in cells.items():
        _, code, column = name.split("_")
        cell_of(form, code, column).value = value


def test_it_begins_empty_with_a_row_for_each_code(form):
    assert list(form.grid.values.values()) == 3 * [str(SHEET)]
    assert "Scores of A2 from paper (7 to come)" in form.children[1].value
    shown = [(s["title"], s["heads"], [r["code"] for r in s["rows"]]) for s in form.grid.sections]
    assert shown == [
        (f"Sweat, room temperature: {SHEET}", ["Code", "Grade 0 to 4"], ["417", "211"]),
        (f"Sweat, heat-cycled: {SHEET}", ["Code", "Grade 0 to 4"], ["305"]),
        (f"Frost: {SHEET}", ["Code", "Grade 0 to 4"], ["620"]),
        (f"Hot throw, session S1, {SHEET}",
         ["Code", "Throw 0 to 10", "Minutes on the warmer"], ["500", "501"]),
        (f"Cold throw, session S2, {SHEET}", ["Code", "Throw 0 to 10"], ["510"]),
    ]
    days = [s["day"] for s in form.grid.sections if s["day"]]
    assert [d["label"] for d in days] == [
        f"{title}: day of the inspection" for title, *_ in shown[:3]
    ], "a throw is stored with its sitting, so its slip has no day"
    cells = [c for s in form.grid.sections for r in s["rows"] for c in r["cells"]]
    assert {c["name"] for c in [*days, *cells]} == set(form.cells)
    assert len({c["label"] for c in [*days, *cells]}) == 12, "each cell has a name of its own"
    assert f"day|sweat|rest|||{SHEET}|" in form.cells, "by which an earlier draft has its day"


def test_all_that_is_filled_in_is_saved_at_once(form, store):
    fill(form, g_417_grade="2", g_620_grade="0", t_500_throw="6,5", t_500_minutes="30",
         t_510_throw="0")
    form.save.click()
    assert re.fullmatch(r"Saved at \d\d:\d\d:\d\d: 2 grades and 2 throw scores of A2. Inspected "
                        rf"on {SHEET}.", said(form))
    names = ["code", "test", "stress", "age_days", "assessor", "grade"]
    assert store.rows("grades")[names].to_numpy().tolist() == [
        ["417", "sweat", "rest", 12.0, "A2", 2], ["620", "frost", "rest", 12.0, "A2", 0]
    ]
    throws = store.rows("throws")
    assert throws[["code", "sitting", "kind", "throw", "position"]].to_numpy().tolist() == [
        ["500", "S1", "warm", 6.5, 1], ["510", "S2", "cold", 0.0, 1]
    ]
    assert throws["minutes"].tolist()[0] == 30.0 and pd.isna(throws["minutes"][1])
    assert set(throws["works_with_fragrance"]) == {"no"}
    form.save.click()
    assert said(form) == (
        "NOT SAVED. Nothing is filled in: type what is on the paper, then save."
    ), "what was saved is closed"
    fill(form, g_417_grade="4")
    form.save.click()
    assert len(store.rows("grades")) == 2
    fill(form, g_211_grade="1")
    form.save.click()
    assert list(store.rows("grades")["code"]) == ["417", "620", "211"]


def test_wrong_cells_are_all_told_marked_and_nothing_is_saved(form, store):
    fill(form, g_417_grade="2", g_211_grade="5", g_305_grade="1.5", t_500_throw="11",
         t_501_minutes="30")
    form.save.click()
    assert said(form).splitlines() == [
        "NOT SAVED. Nothing was saved because these cells are wrong:",
        "Piece 211: grade: found '5', expected a whole number from 0 to 4 (grade). Correct the "
        "value.",
        "Piece 305: grade: found '1.5', expected a whole number from 0 to 4 (grade). Correct the "
        "value.",
        "Piece 500: throw: found '11', expected a number with a decimal "
        "point from 0 to 10 (throw, 0 to 10). Correct the value.",
        "Piece 500: time on the warmer before the score: nothing is filled in, expected a number "
        "with a decimal point from 0 to 1440 (min). Fill it in.",
        "Piece 501: throw: nothing is filled in, expected a number with a "
        "decimal point from 0 to 10 (throw, 0 to 10). Fill it in.",
    ]
    assert len(form.grid.wrong) == 5 and store.rows("grades").empty
    assert cell_of(form, "417", "grade").value == "2", "what was typed stays"


def test_one_refused_row_keeps_all_out(form, store):
    store.add("grades", {"code": "211", "test": "sweat", "stress": "rest", "age_days": 12.0,
                         "assessor": "A2", "grade": 0})
    fill(form, g_417_grade="2", g_211_grade="3")
    form.save.click()
    assert said(form) == (
        "NOT SAVED. grades: code 211, test sweat, stress rest, age_days 12.0, assessor A2 is "
        "stored already (entry 1); correct or void that entry first")
    assert len(store.rows("grades")) == 1
    assert form.grid.saved == []


def test_the_day_of_each_sheet_counts_for_the_age(form, store):
    day_of(form, "417").value = f"{TODAY - dt.timedelta(days=4):%d.%m.%Y}"
    day_of(form, "620").value = str(TODAY)
    fill(form, g_417_grade="2", g_620_grade="0")
    form.save.click()
    assert store.rows("grades")["age_days"].tolist() == [10.0, 14.0]
    assert said(form).endswith(f"Inspected on {TODAY - dt.timedelta(days=4)}, {TODAY}.")
    day_of(form, "305").value = str(TODAY - dt.timedelta(days=4))
    fill(form, g_305_grade="1")
    form.save.click()
    assert said(form).splitlines()[1] == (
        f"Piece 305: the day of the inspection, {day_of(form, '305').value}, is before the day it "
        "was poured. Correct the day."
    )
    day_of(form, "305").value = late = str(TODAY + dt.timedelta(days=2))
    form.save.click()
    assert said(form).splitlines()[1].startswith(
        f"Sweat, heat-cycled: {SHEET}: day of the inspection: found '{late}', which is in the "
        "future."
    )


@pytest.mark.parametrize("typed, words", [
    ("", "nothing is filled in, give the day it was inspected"),
    ("10/11/2026", "found '10/11/2026', which is not a date; write it as 14 Mar 2026, 2026-03-14 "
     "or 14.03.2026."),
])
def test_a_day_that_nobody_gave_is_not_today(form, store, typed, words):
    day_of(form, "417").value = typed
    fill(form, g_417_grade="2")
    form.save.click()
    assert said(form).splitlines() == [
        "NOT SAVED. Nothing was saved because these cells are wrong:",
        f"Sweat, room temperature: {SHEET}: day of the inspection: {words}",
    ]
    assert form.grid.wrong == [day_of(form, "417").name] and store.rows("grades").empty
    fill(form, g_417_grade="", g_620_grade="0")
    form.save.click()
    assert len(store.rows("grades")) == 1, "the day of a sheet from which nothing is typed"


def test_without_a_plan_the_day_is_asked_for(store):
    form = PaperForm(PIECES.drop(columns="sheet_on"), "A2", store.add_all)
    assert [s["title"] for s in form.grid.sections][:3] == [
        "Sweat, room temperature", "Sweat, heat-cycled", "Frost"
    ]
    assert form.grid.values == {}


@pytest.fixture
def planned(tmp_path):
    """A series of 2 pour days and 2 sittings, and its plan; all was due some days ago."""
    start = TODAY - dt.timedelta(days=60)
    plan = make_plan(
        "paper", Fragrance("cedar"), [Blend("soft", {Wax("soft wax"): 1})], loads_pct=(6, 8, 10),
        pots_per_blend=2, piece_g=25, start=start.isoformat(), assessors=3, seed=4,
        pieces=PieceNumbers(sweat=3, sweat_heat=2, frost=2, throw=2, reserve=0),
    )
    store = Store.create(tmp_path / "planned")
    store.save_plan(plan.to_dict())
    return store, plan


def log_pours(store, plan, late=()):
    for pour in plan.pour_rows:
        day = pour.poured_on + dt.timedelta(days=3 * (pour.pour in late))
        store.add("pours", {
            "pour": pour.pour, "pot": pour.pot, "blend": pour.blend, "poured_on": day,
            "wax_g": pour.wax_g, "fragrance_g": pour.fragrance_g,
        })


def shown_blocks(form):
    return [(s["title"].lower(), [r["code"] for r in s["rows"]]) for s in form.grid.sections]


def printed_blocks(plan, assessor):
    """Headings and codes of the printed sheets, read from the pages that are printed."""
    found = []
    for page in grade_sheets_html(plan).split("<section>")[1:-1]:  # the last one has only words
        found.append((re.search("<h1>(.*?)</h1>", page)[1].lower(),
                      re.findall('<td class="text"><b>(.*?)</b>', page)))
    slips = throw_slips_html(plan) if plan.smelling_rows else ""
    for slip in slips.split('<div class="slip">')[1:]:
        head = re.search("<b>(.*?)</b>", slip, re.DOTALL)[1].replace("\n", " ")
        if head.endswith(f", tester {assessor}"):
            found.append((head.removesuffix(f", tester {assessor}").lower(),
                          re.findall('<td class="text"><b>(.*?)</b>', slip)))
    return found


def test_the_blocks_are_the_printed_sheets_in_their_order(planned):
    store, plan = planned
    log_pours(store, plan)
    form = PaperForm(waiting(store, "A2"), "A2", store.add_all)
    printed = printed_blocks(plan, "A2")
    assert len(printed) >= 6 and shown_blocks(form) == printed
    days = [s["title"][-10:] for s in form.grid.sections if s["day"]]
    assert list(form.grid.values.values()) == days
    code = printed[0][1][0]
    cell_of(form, code, "grade").value = "1"
    form.save.click()
    row = store.rows("grades").iloc[0]
    piece = next(p for p in plan.piece_rows if p.code == code)
    assert row["age_days"] == piece.cure_days, "the age at the look, not on the day of typing"


def test_pieces_of_a_late_pour_have_a_block_with_the_day_on_which_they_were_ready(planned):
    store, plan = planned
    late = plan.pour_rows[0].pour
    log_pours(store, plan, late=[late])
    form = PaperForm(waiting(store, "A2"), "A2", store.add_all)
    codes = {p.code for p in plan.piece_rows if p.pour == late}
    for section in (s for s in form.grid.sections if s["day"]):
        rows = {r["code"] for r in section["rows"]}
        assert form.grid.values[section["day"]["name"]] == section["title"][-10:]
        assert rows <= codes if "poured late" in section["title"] else not rows & codes
    printed = printed_blocks(plan, "A2")
    assert {c for _, rows in shown_blocks(form) for c in rows} == {c for _, r in printed for c in r}
    own = [s["rows"] for s in form.grid.sections if "poured late" in s["title"]]
    for code in (row["code"] for rows in own for row in rows):
        cell_of(form, code, "grade").value = "2"
    form.save.click()
    cure = {p.code: p.cure_days for p in plan.piece_rows}
    stored = store.records("grades")
    assert len(stored) > 1 and all(r["age_days"] == cure[r["code"]] for r in stored)


def test_a_sheet_typed_after_the_next_look_holds_its_pieces(tmp_path):
    """Sheets printed for a first and a later look, both typed when both days have passed."""
    plan = make_plan(
        "paper", Fragrance("cedar"), [Blend("soft", {Wax("soft wax"): 1})], loads_pct=(6, 8),
        pots_per_blend=1, piece_g=25, start=(TODAY - dt.timedelta(days=40)).isoformat(), seed=4,
        assessors=("A1",), cure_days=CureDays(again=(28,)),
        pieces=PieceNumbers(sweat=2, sweat_heat=2, frost=0, throw=0, reserve=0))
    store = Store.create(tmp_path / "again")
    store.save_plan(plan.to_dict())
    log_pours(store, plan)

    def made():
        return PaperForm(waiting(store, "A1", every_look=True), "A1", store.add_all)

    form = made()
    assert shown_blocks(form) == printed_blocks(plan, "A1") and len(form.grid.sections) == 4
    days = [s["title"][-10:] for s in form.grid.sections]
    assert list(form.grid.values.values()) == days and days[0] < days[-1]
    assert len({c.name for c in form.cells.values()}) == 4 + 2 * 8
    codes = [r["code"] for r in form.grid.sections[0]["rows"]]
    for cell in form.cells.values():
        if cell.sheet == 0 and cell.piece:
            cell.value = "1"
    form.save.click()
    first = plan.cure_days.sweat
    assert [(r["code"], r["age_days"]) for r in store.records("grades")] == [
        (code, first) for code in codes]
    assert shown_blocks(made()) == printed_blocks(plan, "A1")[1:]
    again = next(c for c in form.cells.values() if c.piece and c.piece["look"] == "28"
                 and c.piece["code"] == codes[0])
    again.value = "3"
    form.save.click()
    assert store.records("grades")[-1]["age_days"] == 28
    assert codes[0] not in set(waiting(store, "A1")["code"]), "its last look is done"


def test_a_tap_brings_what_was_typed(form, store):
    name = next(n for n in form.cells if "417" in n)
    form._heard({"press": "save", "key": "k" * 32, "fields": {name: "3"}})
    form._heard({"press": "save", "key": "k" * 32, "fields": {name: "3"}})
    assert store.rows("grades")["grade"].tolist() == [3]


def at_desk(store, folder, assessor="A2", pieces=PIECES):
    """The form as the notebook makes it, with the draft of this assessor."""
    return PaperForm(
        pieces, assessor, store.add_all, draft=read_draft(folder, f"paper-{assessor}"),
        on_change=lambda draft: keep_draft(folder, draft, f"paper-{assessor}"),
    )


def test_what_was_typed_comes_back_after_a_restart_to_who_typed_it(store, tmp_path):
    form = at_desk(store, tmp_path)
    assert said(form) == "" and not draft_path(tmp_path, "paper-A2").exists()
    fill(form, g_417_grade="2", g_305_grade="1.5", t_500_throw="6,5", t_500_minutes="30")
    day_of(form, "417").value = "no day"
    again = at_desk(store, tmp_path)
    assert again.grid.values == form.grid.values
    assert said(again) == "Typed earlier and not saved: 3. Check it, days included, then save."
    other = at_desk(store, tmp_path, "A3")
    assert said(other) == "" and cell_of(other, "417", "grade").value == ""
    fill(other, g_417_grade="4")
    assert cell_of(at_desk(store, tmp_path), "417", "grade").value == "2"
    fill(again, g_417_grade="", g_305_grade="", t_500_throw="", t_500_minutes="")
    assert said(at_desk(store, tmp_path)) == "", "what was taken out does not come back"


def test_what_was_saved_leaves_the_draft_and_the_rest_stays(store, tmp_path):
    form = at_desk(store, tmp_path)
    fill(form, g_417_grade="2")
    form.save.click()
    fill(form, g_620_grade="0", t_510_throw="3")
    assert list(read_draft(tmp_path, "paper-A2")["cells"].values()) == ["0", "3"]
    left = PIECES[PIECES["code"] != "417"]
    again = at_desk(store, tmp_path, pieces=left)
    assert said(again) == "Typed earlier and not saved: 2. Check it, days included, then save."
    again.save.click()
    assert read_draft(tmp_path, "paper-A2") == {"cells": {}, "days": {}}
    assert len(store.rows("grades")) == 2 and len(store.rows("throws")) == 1


def test_a_refused_save_leaves_the_draft(store, tmp_path):
    form = at_desk(store, tmp_path)
    fill(form, g_417_grade="7")
    form.save.click()
    assert said(form).startswith("NOT SAVED. Nothing was saved")
    assert cell_of(at_desk(store, tmp_path), "417", "grade").value == "7"


def test_a_typed_day_is_that_of_what_is_saved_now_alone(store, tmp_path):
    form = at_desk(store, tmp_path)
    other = TODAY - dt.timedelta(days=3)
    day_of(form, "417").value = f"{other:%d.%m.%Y}"
    assert read_draft(tmp_path, "paper-A2")["days"] == {}, "without a grade it is no draft"
    fill(form, g_417_grade="2")
    form.save.click()
    assert store.rows("grades")["age_days"].tolist() == [11.0]
    assert day_of(form, "211").value == str(SHEET)
    assert day_of(at_desk(store, tmp_path), "211").value == str(SHEET)


def test_what_does_not_wait_any_more_is_told_once(store, tmp_path):
    fill(at_desk(store, tmp_path), g_417_grade="2", t_500_minutes="30", g_211_grade="1")
    left = PIECES[~PIECES["code"].isin(["417", "500"])]
    form = at_desk(store, tmp_path, pieces=left)
    assert said(form).splitlines() == [
        "Typed earlier and not saved: 1. Check it, days included, then save.",
        "Dropped, because these pieces are no longer waiting: 417 (2), 500 (30).",
    ]
    form.save.click()
    assert read_draft(tmp_path, "paper-A2")["cells"] == {}


def test_a_draft_that_cannot_be_kept_is_said_until_it_can(store):
    full = [True]

    def keep(draft):
        if full:
            raise DraftError("the draft could not be kept")

    form = PaperForm(PIECES, "A2", store.add_all, on_change=keep)
    fill(form, g_417_grade="2")
    assert said(form) == "NOT SAVED. the draft could not be kept"
    full.clear()
    fill(form, g_211_grade="2")
    assert said(form) == ""

"""The pages in a maker's own series folder, at every state in which they may be opened."""

import datetime as dt
from dataclasses import replace

import nbformat
import pytest
from storing import keep_demo_plan, log, store_series, store_simulated
from walking import fields_in_sight, of_kind, open_folds, said, widgets

import scentlab
from scentlab import files, workshop
from scentlab.amounts import keep_units, units_here
from scentlab.foresight import next_step
from scentlab.forms.fields import Chooser
from scentlab.forms.materials import materials_draft
from scentlab.forms.planning import series_draft
from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.kitchen import propose_plans
from scentlab.planning.pairs import plan_pairs
from scentlab.planning.plan import Plan, make_plan
from scentlab.planning.rules import PieceNumbers
from scentlab.recording.draft import DRAFT_NAME, keep_draft
from scentlab.recording.store import Store
from scentlab.recording.unpoured import leave_out, left_out
from scentlab.screens import frame, start
from scentlab.screens.answer import answer_page
from scentlab.screens.plan import plan_page
from scentlab.screens.pour import pour_page
from scentlab.screens.score import left_to_score, score_page
from scentlab.screens.share import share_page
from scentlab.screens.start import DEMO_NAME, start_page
from scentlab.units import Shown, say_load

TABLES = ("pours", "pieces", "grades", "throws", "warmings")


@pytest.fixture
def own(tmp_path):
    """A new series folder and its store."""
    folder = tmp_path / "mine"
    return folder, workshop.make_series(folder, title="Mine")


def test_planning_in_a_new_folder_starts_empty_and_keeps_nothing_unasked(own):
    folder, store = own
    page = plan_page(folder)
    assert open_folds(page) == [] and not page.bench.demo
    assert page.desk.plan is None and "There is no plan yet" in said(page)
    assert store.plan() is None
    assert not list((folder / "exports").iterdir()) and not (folder / DRAFT_NAME).exists()


def test_planning_with_a_draft_brings_it_back_and_keeps_nothing_unasked(own):
    folder, store = own
    plan = Plan.from_dict(workshop.demo_plan())
    keep_draft(folder, {"materials": materials_draft(plan.fragrance, plan.blends),
                        "series": series_draft(plan)})
    assert "The plan is NOT kept yet." in plan_page(folder).desk.keeping.state.value
    assert store.plan() is None and not list((folder / "exports").iterdir())


def test_at_most_twelve_fields_stand_before_the_first_proposal(own):
    page = plan_page(own[0])
    first = [f for f in fields_in_sight(page) if not isinstance(f, Chooser)]  # paper comes last
    assert 1 < len(first) <= 12
    for name, text in {"wax": "soft wax", "oil": "fig", "loads": "1 to 3 oz/lb", "wax_g": "4 lb",
                       "warmers": "2", "rooms": "2", "evenings": "9", "days": "weekdays",
                       "start": "2026-12-01"}.items():
        page.desk.have.fields[name].value = text
    page.desk.have.show.click()
    assert [p.size for p in page.desk.have.proposals] == ["small", "medium", "large"]
    page.desk.have.takes["small"].click()
    assert fields_in_sight(page) == [*first, page.desk.keeping.paper]
    page.desk.keeping.keep.click()
    page.desk.keeping.keep.click()
    assert own[1].plan() is not None, page.desk.keeping.message.value
    sheets = {path.name for path in (own[0] / "exports").glob("*.html")}
    assert "pour-sheets.html" in sheets and "throw-slips.html" not in sheets, "nobody smells"
    page.again.click()
    assert len(fields_in_sight(page)) == 1, "what is kept is folded, but for the paper"


def test_what_is_begun_by_hand_is_in_sight_with_what_it_needs(own):
    keep_draft(own[0], {"materials": {}, "series": {"title": "mine"}})
    assert "Still to fill in" in said(plan_page(own[0])) and len(fields_in_sight(
        plan_page(own[0]))) > 12


def test_pour_day_before_a_plan_shows_the_demo_and_says_so(own):
    folder, store = own
    page = pour_page(folder)
    assert "DEMO: your series has no plan yet" in said(page)
    left = [name for name, button in page.desk.pours.pours.items() if not button.disabled]
    page.desk.pours.pours[left[-1]].click()
    assert store.rows("pours", history=True).empty


def test_a_pour_is_logged_and_shown_once_the_page_is_brought_up_to_date(own):
    folder, store = own
    plan = keep_demo_plan(store)
    page = pour_page(folder)
    assert open_folds(page) == []
    assert "never water on burning wax" in said(page)
    name, form = plan.pours["pour"].iloc[0], page.desk.pours
    form.pours[name].click()
    form.fields["wax_g"].value = "200"
    form.fields["fragrance_g"].value = f"{2 * plan.pours['load_pct'].iloc[0]:.1f}"
    form.save.click()
    assert list(store.rows("pours")["pour"]) == [name]
    page.again.click()
    assert page.desk.pours.pours[name].disabled
    assert open_folds(page) == [] and f"<td>{name}</td>" in said(page)


def test_weights_that_are_typed_outlast_the_page_until_they_are_saved(own):
    folder, store = own
    plan = keep_demo_plan(store)
    name, other = plan.pours["pour"].iloc[1], plan.pours["pour"].iloc[2]
    form = pour_page(folder).desk.pours
    form.pours[name].click()
    form.fields["wax_g"].box.value = "200"
    form = pour_page(folder).desk.pours
    assert "Typed earlier and not saved" in form.message.value and name in form.planned_view.value
    assert form.fields["wax_g"].text == "200" and not form.fields["poured_on"].text
    assert "is stored as the day of pouring" in form.day.value, "the planned day lies behind"
    form.fields["fragrance_g"].value = f"{2 * plan.pours['load_pct'].iloc[1]:.1f}"
    form.fields["room_temp_c"].value = "21"
    form.save.click()
    again = pour_page(folder).desk.pours
    assert not again.message.value and not again.fields["room_temp_c"].text, "it is on record"
    form.pours[other].click()
    form.fields["wax_g"].value = "210"
    log(store, plan.pours[plan.pours["pour"] == other])  # on a phone
    assert not pour_page(folder).desk.pours.fields["wax_g"].text


def test_a_pour_that_was_made_void_comes_back_and_is_left_out_by_a_tap(own):
    folder, store = own
    plan = keep_demo_plan(store)
    log(store, plan.pours)
    page, name = pour_page(folder), plan.pours["pour"].iloc[1]
    open_folds(page)
    form = of_kind(page, "CorrectForm")
    form.name.value = name
    form.show.click()
    form.chooser.choose(next(iter(form.chooser.buttons)))
    form.reason.value = "spilled"
    form.drop.click()
    assert "waits to be poured again" in form.message.value
    cards = page.desk.pours
    assert not cards.pours[name].disabled and name in cards.planned_view.value
    cards.leave.click()
    assert "All other test batches are logged." in cards.planned_view.value
    assert "All other test batches are logged." in pour_page(folder).desk.pours.planned_view.value
    assert "to pour" not in said(start_page(folder))
    other = plan.pours["pour"].iloc[2]
    leave_out(store, other, "the wrong one")
    cards = pour_page(folder).desk.pours
    cards.pours[other].click()
    cards.leave.click()
    assert f"{other} counts: " in cards.message.value and cards.pours[other].disabled


def test_scoring_with_a_few_pours_and_no_score_shows_no_load(own):
    folder, store = own
    plan = keep_demo_plan(store)
    log(store, plan.pours.head(3))
    page = score_page(folder)
    page.desk.who.choose("A1")
    assert open_folds(page) == [] and store.rows("grades", history=True).empty
    shown = said(page)
    assert "Sweat grade by A1" in shown
    assert not any(f"{blend.name}<" in shown or f"{blend.name} " in shown for blend in plan.blends
                   if blend.name != "soft")
    assert not any(say_load(load) in shown for load in plan.loads_pct)
    assert not any(pour in shown for pour in plan.pours["pour"])


@pytest.mark.parametrize(("named", "offered"), [
    (["A1"], ["A1"]), ([], [f"A{n}" for n in range(1, 9)])])
def test_somebody_can_grade_the_pieces_of_a_small_plan(own, named, offered):
    """A small plan, and one of before it had a tester; neither is a quick check."""
    folder, store = own
    soft = Blend("soft", {Wax("soft"): 1.0})
    small = propose_plans("wax 3 lb", soft, Fragrance("fig"), start="2026-03-02", seed=1)[0].plan
    store.save_plan({**small.to_dict(), "assessors": named})
    log(store, small.pours)
    page = score_page(folder)
    assert list(page.desk.who.options) == offered
    page.desk.who.choose("A1")
    assert "A1 has pieces to score: 12 sweat." in said(page)
    assert "Go on: Score" in start.card_html(folder, dt.date(2026, 4, 20))


def test_pairs_that_wait_are_due_and_what_is_left_is_said_in_words_of_the_trade(own):
    folder, store = own
    plan = keep_demo_plan(store)
    log(store, plan.pours)
    store.save_plan(plan_pairs(plan, [6, 8], seed=1, testers=["A2"], number=4).to_dict())
    workshop = said(start_page(folder.parent))
    assert "4 pairs to compare" in workshop and f"<p>Folder {folder.name}</p>" in workshop
    page = score_page(folder)
    page.desk.who.choose("A2")
    assert ("A2 has 4 pairs to compare, on a phone (scentlab panel) or from paper (scentlab pairs "
            "FOLDER --tester A2).") in said(page)
    page.desk.who.choose("A1")
    assert "A1 has 4 pairs" not in said(page)
    left = left_to_score(store, 1)[1].to_html()
    for words in (">session<", ">tester<", ">hot throw<"):
        assert words in left
    assert "warm" not in left and "sitting" not in left


def test_a_lost_piece_is_closed_where_it_is_said_to_be_due(own):
    folder, store = own
    plan = keep_demo_plan(store)
    log(store, plan.pours.head(1))
    hint = "Lost a piece or cancelled a session? Say so on page Score, Scoring progress."
    assert hint in said(start_page(folder)), "the demo was planned long ago"
    page = score_page(folder)
    open_folds(page)
    form = of_kind(page, "LeaveForm")
    code = plan.pieces.loc[plan.pieces["pour"] == plan.pours["pour"].iloc[0], "code"].iloc[0]
    form.save.click()
    assert "NOT SAVED. the plan has no test batch, piece, session or tester" in (
        form.message.value)
    form.name.value, form.reason.value = code, "behind the stove"
    form.save.click()
    words = f"Piece {code} will not be scored (behind the stove)."
    assert words in form.message.value and form.name.value == ""
    assert left_out(store) == {code: "behind the stove"}
    page = score_page(folder)
    open_folds(page)
    assert words in of_kind(page, "LeaveForm").message.value
    form.name.value = code
    form.back.click()
    assert f"{code} counts as planned again." in form.message.value and left_out(store) == {}


def test_a_piece_is_scored_in_each_form_of_the_demo():
    page = score_page()
    store = page.bench.store
    before = len(store.rows("grades")), len(store.rows("throws"))
    page.desk.who.choose("A6")
    assert "A6 has pieces to score: " in said(page)
    assert open_folds(page) == []
    sweat, frost = (w for w in widgets(page) if type(w).__name__ == "GradeForm")
    throw, warmer = of_kind(page, "ThrowForm"), of_kind(page, "WarmingForm")
    sweat.choices[0].click()
    frost.choices[1].click()
    throw.minutes.value = "30"
    throw.choices[6].click()
    warmer.fields["hours"].value, warmer.fields["weight_g"].value = "15", "23.9"
    warmer.save.click()
    assert len(store.rows("grades")) == before[0] + 2
    assert store.rows("throws")["throw"].iloc[-1] == 6.0
    assert store.rows("warmings")["weight_g"].iloc[-1] == 23.9


@pytest.mark.parametrize("make", [plan_page, pour_page, score_page])
def test_a_full_record_is_left_as_it_is(tmp_path, make):
    store = workshop.make_demo_series(tmp_path / "full")
    before = {t: len(store.rows(t, history=True)) for t in TABLES}
    page = make(tmp_path / "full")
    assert open_folds(page) == [] and not page.bench.demo
    assert {t: len(store.rows(t, history=True)) for t in before} == before


def test_sharing_writes_what_it_says_and_compares_with_nothing_of_another_sort(tmp_path):
    folder = store_simulated(tmp_path / "full", {"soft": 10.0}, frost=2, throw=1, assessors=4)
    store_series(replace(scentlab.read_series(Store.open(folder)), invented=False),
                 tmp_path / "real")
    page = share_page(folder)
    assert open_folds(page) == []
    assert "There is no scored series in the neighbouring folders to compare with." in said(page)
    written = sorted(p.name for p in (folder / "exports").iterdir())
    assert written == ["grades.csv", "pieces.csv", "plan.json", "pours.csv", "report.html",
                       "throws.csv", "warmings.csv"] or "report.html" in written
    for name in ("hide_costs", "hide_notes", "renumber_assessors"):
        page.share.choices[name].click()
    page.share.look.click()
    page.share.write.click()
    assert scentlab.open_package(page.share.written).same


def test_the_next_step_joins_the_plan_of_a_full_series_by_a_tap(tmp_path, monkeypatch):
    """A full series of two pots of a wax, in which the pieces at the two higher loads sweat."""
    monkeypatch.setattr(next_step, "_LOOKS", 30)
    monkeypatch.setattr(next_step, "GAPS_PCT", (1.0, 2.0))
    plan = make_plan("full", Fragrance("fig"), [Blend("soft", {Wax("soft"): 1.0})],
                     [6.0, 8.0, 10.0, 12.0], start="2026-03-02", pots_per_blend=1, seed=3,
                     assessors=("A1",), piece_g=25, pieces=PieceNumbers(0, 3, 0, 1, 0))
    store = workshop.make_series(tmp_path / "full", title="full")
    store.save_plan(plan.to_dict())
    log(store, plan.pours)
    wet = {p.pour for p in plan.pour_rows if p.load_pct > 9}
    for p in plan.piece_rows:
        if p.test == "sweat":
            store.add("grades", {"code": p.code, "test": "sweat", "stress": p.stress,
                                 "age_days": 7, "assessor": "A1", "grade": 3 * (p.pour in wet)})
    def opened():
        page = share_page(tmp_path / "full")
        next(f for f in widgets(page) if getattr(f, "_title", "") == "The next step").turn(True)
        return page

    page = opened()
    of_kind(page, "NextStepForm").add.click()
    form, after = of_kind(page, "NextStepForm"), store.plan()
    assert "Pot P02: melt " in form.message.value and "quick-sheet-P02.html" in form.message.value
    assert after["pours"][:4] == plan.to_dict()["pours"] and len(after["pours"]) > 5
    page = opened()
    assert "Pour what is planned (P02" in said(page)
    assert "NextStepForm" not in {type(f).__name__ for f in widgets(page)}


def test_a_workshop_shows_its_series_and_begins_new_ones(tmp_path):
    page = start_page(tmp_path)
    assert open_folds(page) == [] and "No series here yet." in said(page)
    page.new.title.value = "Cedar & fig <b>"
    page.new.make.click()
    assert Store.open(tmp_path / "cedar-fig-b").about()["title"] == "Cedar & fig <b>"
    assert sorted(p.name for p in (tmp_path / "cedar-fig-b").iterdir()) == [
        "exports", "series.sqlite"]
    assert "Cedar &amp; fig &lt;b&gt;" in said(page) and "no plan is kept yet" in said(page)
    page.new.demo.click()
    assert (tmp_path / DEMO_NAME).is_dir() and "Demo: cedar and fig" in said(page)


def seen_again(page):
    """What the browser says when the page comes back into sight."""
    page._foot.browser._handle_custom_msg({"seen": True}, [])


def test_what_is_made_elsewhere_is_there_when_the_page_is_seen_again(tmp_path, monkeypatch):
    page = start_page(tmp_path)
    page.new.title.value = "Half typed"
    workshop.make_series(tmp_path / "fig", title="Fig elsewhere")
    assert "No series here yet." in said(page)
    seen_again(page)
    assert "Fig elsewhere" in said(page) and "No series here yet." not in said(page)
    assert page.new.title.value == "Half typed"
    shown, card_html = said(page), start.card_html
    monkeypatch.setattr(start, "card_html", lambda place, day: made.append(place.name)
                        or card_html(place, day))
    made = []
    seen_again(page)
    assert said(page) == shown and not made, "nothing was written meanwhile"
    keep_demo_plan(Store.open(tmp_path / "fig"))
    seen_again(page)
    assert made == ["fig"] and "no plan is kept yet" not in said(page)


def test_a_series_whose_plan_is_kept_elsewhere_says_so_when_it_is_seen_again(own):
    folder, store = own
    page = start_page(folder)
    assert "no plan is kept yet" in said(page)
    keep_demo_plan(store)
    seen_again(page)
    assert "no plan is kept yet" not in said(page)


@pytest.mark.parametrize("make", [answer_page, share_page])
def test_a_page_that_is_seen_again_says_that_the_record_changed(tmp_path, make):
    folder = store_simulated(tmp_path / "mine", {"soft": 10.0}, frost=2)
    page, other = make(folder), Store.open(folder)
    seen_again(page)
    assert page.changed.layout.display == "none", "nothing changed"
    row = other.records("grades")[0]
    other.void("grades", row["entry_id"], "another piece")
    assert page.changed.layout.display == "none", "nobody looks"
    before = page.children[2]
    seen_again(page)
    assert page.children[1] is page.changed and page.changed.layout.display == ""
    assert "The record or the day has changed since this" in page.changed.message.value
    assert page.children[2] is before, "what is half typed stays"
    page.changed._heard({"press": "renew", "key": "k" * 32})
    assert page.changed.layout.display == "none" and page.children[2] is not before
    seen_again(page)
    assert page.changed.layout.display == "none"


def test_what_is_stored_on_the_page_itself_is_no_news(own, monkeypatch):
    folder, store = own
    log(store, keep_demo_plan(store).pours.head(3))
    page = score_page(folder)
    page.desk.who.choose("A1")
    open_folds(page)
    of_kind(page, "GradeForm").choices[1].click()
    of_kind(page, "GradeForm").undo.click()
    assert len(store.rows("grades", history=True)) == 2
    seen_again(page)
    assert page.changed.layout.display == "none"

    class Tomorrow(dt.date):
        @classmethod
        def today(cls):
            return dt.date.fromordinal(dt.date.toordinal(super().today()) + 1)

    monkeypatch.setattr(frame.dt, "date", Tomorrow)
    seen_again(page)
    assert "The record or the day has changed since this" in page.changed.message.value


def test_a_quick_check_that_is_begun_on_the_page_has_its_card_there(tmp_path):
    page = start_page(tmp_path)
    fold = next(w for w in widgets(page) if "A quick check" in getattr(w, "_title", ""))
    fold.fold.click()
    form = of_kind(page, "QuickPlanForm")
    for name, text in {"wax": "soft wax", "oil": "fig", "loads": "1, 1.5 oz/lb"}.items():
        form.fields[name].value = text
    form.make.click()
    assert "Go on: Quick check" in said(page)


def test_a_workshop_is_shown_in_the_units_of_its_series(own):
    folder, store = own
    keep_demo_plan(store)
    assert start_page(folder.parent).units.fold.description.endswith("Units: g and °C")
    keep_units(Shown("oz", "F"), folder, chosen=False)
    page = start_page(folder.parent)
    assert page.units.fold.description.endswith("Units: oz and °F")
    assert open_folds(page) == [] and "1.6 oz/lb (10.0 %) (plan: Mine)" in said(page)
    page.new.title.value = "next"
    page.new.make.click()
    assert units_here(folder.parent / "next") == (Shown("oz", "F"), "typed")


def test_a_title_alone_names_the_folder_too(tmp_path):
    page = start_page(tmp_path)
    for _ in range(2):
        page.new.title.value = "Cedar & fig: 2 waxes"
        page.new.make.click()
    assert {p.name for p in tmp_path.iterdir()} == {"cedar-fig-2-waxes", "cedar-fig-2-waxes-2"}
    page.new.title.value = " & "
    page.new.make.click()
    assert "NOT SAVED. The series has no name yet: type a title." in page.new.message.value


def test_units_stay_open_for_the_second_choice(tmp_path):
    page = start_page(tmp_path)
    page.units.turn(True)
    page.units.body.children[0].weight.choose("oz")
    assert page.units.is_open and "oz and °C" in page.units.fold.description
    page.units.body.children[0].temperature.choose("F")
    assert page.units.is_open and "oz and °F" in page.units.fold.description


@pytest.mark.parametrize("name", ["../out", "a/b", ".hidden"])
def test_a_title_never_leads_elsewhere_makes_nothing(tmp_path, name):
    folder = tmp_path / "shop"
    folder.mkdir()
    page = start_page(folder)
    page.new.title.value = name
    page.new.make.click()
    assert len(list(folder.iterdir())) == 1 and [p.name for p in tmp_path.iterdir()] == ["shop"]


def test_what_a_plan_keeps_is_on_the_shelf_of_the_workshop_and_offered_to_the_next(own):
    folder, store = own
    plan = keep_demo_plan(store)
    page = start_page(folder.parent)
    assert open_folds(page) == []
    assert "creamy wax" in said(page) and "10.0 % (1.6 oz/lb) (plan: Mine)" in said(page)
    workshop.make_series(folder.parent / "next", title="Next")
    desk = plan_page(folder.parent / "next").desk
    assert desk.planning.fields["assessors"].text == ", ".join(plan.assessors)
    box = next(x for x in widgets(desk.materials)
               if "scent-field-shelf-blend" in getattr(x, "_dom_classes", ()))
    box.value = "soft-firm 70/30"
    desk.materials.fill({**desk.materials.draft, "fragrance": {"name": "rose"}})
    assert desk.materials.blends == (plan.blend("soft-firm 70/30"),)


def test_a_damaged_series_does_not_hide_the_others(tmp_path):
    workshop.make_series(tmp_path / "whole", title="Whole")
    workshop.make_series(tmp_path / "broken")
    (tmp_path / "broken" / "series.sqlite").write_bytes(b"x" * 5000)
    shown = said(start_page(tmp_path))
    assert "Whole" in shown and "broken" in shown and "is not a database" in shown


def test_what_is_due_is_said_on_the_card(own):
    folder, store = own
    plan = keep_demo_plan(store)
    day = max(plan.pours["poured_on"])
    assert "36 test batches to pour" in said(start_page(folder.parent, day))
    log(store, plan.pours)
    assert "Nothing is due today." in said(start_page(folder, day))
    # the first session is the day after the last piece is ready to smell
    first = min(s["sitting_on"] for s in store.plan()["smellings"])
    graded = sum(p["test"] in ("sweat", "frost") for p in store.plan()["pieces"])
    late = day.replace(year=day.year + 1)
    shown = said(start_page(folder, late))
    assert f"{graded} pieces to grade and sessions S01 to " in shown and "Next:" not in shown
    early = said(start_page(folder, dt.date.fromisoformat(first) - dt.timedelta(1)))
    assert "pieces to grade</a>" in early
    assert f"and session S01 to smell on {int(first[-2:])} " in early.partition("Next: ")[2]


def test_the_notebooks_are_short_and_hold_no_outputs():
    names = {p.name for p in files.shipped("notebooks").glob("*.ipynb")}
    assert set(files.PAGE_NAMES) <= names
    for name in files.PAGE_NAMES:
        notebook = nbformat.read(files.shipped("notebooks") / name, as_version=4)
        code = [c for c in notebook.cells if c.cell_type == "code"]
        words = sum(len(c.source.split()) for c in notebook.cells if c.cell_type == "markdown")
        assert not any(c.outputs or c.execution_count for c in code)
        assert len(code) <= (15 if name == "in-python.ipynb" else 3) and words <= 150, name

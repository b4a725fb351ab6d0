"""The desk of the first notebook: forms, draft, planner and store together, without a browser."""

import dataclasses
import datetime as dt

import pytest
from storing import keep_demo_plan, log

import scentlab
from scentlab import workshop
from scentlab.forms import desk as desk_module
from scentlab.forms.desk import PlanDesk, RecordDesk
from scentlab.planning.lot import lot_plan
from scentlab.planning.plan import CureDays, HeatCycle, Plan, Pouring, Sittings, make_plan
from scentlab.planning.quick import PIECES, grow_plan
from scentlab.planning.sheets import SHEETS
from scentlab.quick import QuickCheck, plan_asked
from scentlab.recording.draft import DRAFT_NAME, keep_draft, read_draft
from scentlab.recording.store import Store
from scentlab.units import Shown, say_load_oz, showing


@pytest.fixture
def folder(tmp_path):
    workshop.make_series(tmp_path / "mine", title="Mine")
    return tmp_path / "mine"


def desk_of(folder):
    return PlanDesk(scentlab.series_here(folder=folder))


MATERIALS = {
    "waxes": [{"name": "soft", "limit_load_pct": "10", "add_temp_c": "80"},
              {"name": "firm", "limit_load_pct": "12", "add_temp_c": "82"}],
    "fragrance": {"name": "fig", "flash_point_c": "77"},
    "blends": [{"parts": ["100", ""]}, {"parts": ["70", "30"]}],
}
SERIES = {"title": "Mine", "loads": "4, 8, 12", "piece_g": "20", "assessors": "2",
          "start": "2026-03-14"}


def fill_in(desk):
    """Two waxes, two blends, a fragrance and the series."""
    desk.materials.fill(MATERIALS)
    desk.planning.fill(SERIES)


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """A desk for tests that keep nothing and fill the planning form anew."""
    folder = tmp_path_factory.mktemp("filled") / "mine"
    workshop.make_series(folder, title="Mine")
    desk = desk_of(folder)
    fill_in(desk)
    return desk


def test_the_plan_of_the_demo_is_the_shipped_one(tmp_path):
    desk = desk_of(tmp_path)
    assert desk.plan.to_dict() == workshop.demo_plan()
    assert "This is the kept plan: 3 blends in 6 pots" in desk.keeping.state.value
    assert not (desk._bench.folder / DRAFT_NAME).exists(), "nobody has typed anything"


def test_a_new_series_starts_empty_and_asks_for_what_it_lacks(folder):
    desk = desk_of(folder)
    assert desk.plan is None and desk.kept is None
    assert desk.planning.fields["title"].value == "Mine"
    for name, text in (("loads", "4, 8"), ("piece_g", "20"), ("assessors", "1"),
                       ("start", "2026-03-14")):
        desk.planning.fields[name].value = text
    assert "What goes into the pots, above: fragrance: the name of the fragrance is still to be " \
        "filled in." in desk.planning.message.value
    assert "scent-flag" in desk.planning.message.value


def test_what_is_typed_comes_back_and_is_kept_only_when_confirmed(folder):
    desk = desk_of(folder)
    fill_in(desk)
    assert [b.name for b in desk.plan.blends] == ["soft", "soft 70 / firm 30"]
    assert (desk.plan.seed, len(desk.plan.pours)) == (20260314, 12)
    assert "flash point of 77 °C (171 °F) is below the add temperature" in (
        desk.planning.takes.value)
    again = desk_of(folder)
    assert again.plan.to_dict() == desk.plan.to_dict()
    assert Store.open(folder).plan() is None and not list((folder / "exports").iterdir())
    again.keeping.keep.click()
    assert Store.open(folder).plan() is None
    again.keeping.paper.buttons["letter"].click()
    again.keeping.keep.click()
    assert f"entry 1 in {folder}" in again.keeping.message.value
    assert Plan.from_dict(Store.open(folder).plan()).to_dict() == again.plan.to_dict()
    assert {p.stem for p in (folder / "exports").iterdir()} == set(SHEETS)
    assert "size: letter" in (folder / "exports" / "pour-sheets.html").read_text()
    assert "This is the kept plan: " in again.keeping.state.value


def test_what_the_plan_asks_is_shown_with_units_and_missing_prices_are_said(folder):
    desk = desk_of(folder)
    assert "There is no plan yet" in desk.asks.value
    fill_in(desk)
    for words in ("<th>to buy, with spare</th>", "<td>not known</td>",
                  "<th>wax to melt, with spare</th>", "<td>Inspect frost</td>"):
        assert words in desk.asks.value
    desk.materials.wax_cards[0].fields["price_per_kg"].value = "7,5"
    assert "<td>7.50</td>" in desk.asks.value
    desk.planning.fields["pots"].value = ""
    assert "There is no plan yet" in desk.asks.value


def test_a_half_filled_form_comes_back_as_it_was(folder):
    desk = desk_of(folder)
    desk.materials.wax_cards[0].fields["name"].value = "so"
    desk.planning.fields["loads"].value = "4, si"
    again = desk_of(folder)
    assert again.materials.draft["waxes"][0]["name"] == "so"
    assert again.planning.fields["loads"].value == "4, si"
    assert set(read_draft(folder)) == {"materials", "series"}


def test_a_slip_over_a_kept_plan_says_that_it_holds_and_gives_it_back(folder):
    desk = desk_of(folder)
    fill_in(desk)
    desk.keeping.keep.click()
    desk.keeping.keep.click()
    desk.planning.fields["loads"].value = "4, six"
    again = desk_of(folder)  # after a restart, too
    for keeping in (desk.keeping, again.keeping):
        assert f"The kept plan still applies: {desk.kept.sentence}" in keeping.state.value
        assert keeping.back.layout.display != "none" and keeping.keep.disabled
    again.keeping.back.click()
    assert again.plan == again.kept and again.keeping.back.layout.display == "none"


def test_a_change_before_any_pour_warns_that_codes_change(folder):
    desk = desk_of(folder)
    fill_in(desk)
    desk.keeping.keep.click()
    desk.keeping.keep.click()
    desk.planning.fields["pots"].value = "1"
    assert "This is NOT the kept plan" in desk.keeping.state.value
    desk.keeping.keep.click()
    assert "labels and key you printed are now wrong" in (
        desk.keeping.message.value)
    desk.keeping.keep.click()
    store = Store.open(folder)
    assert store.plan()["pots_per_blend"] == 1
    assert set(store.rows("pieces")["code"]) == {p["code"] for p in store.plan()["pieces"]}


def test_what_was_typed_before_another_plan_was_kept_elsewhere_is_not_that_plan(folder):
    desk = desk_of(folder)
    fill_in(desk)
    other = dataclasses.replace(desk.plan, title="Other")
    Store.open(folder).save_plan(other.to_dict())
    desk.planning.renew()
    assert desk.plan.title != "Other"
    assert "This is NOT the kept plan" in desk.keeping.state.value


def test_a_change_that_unsays_a_logged_pour_is_refused_and_the_kept_plan_comes_back(folder):
    desk = desk_of(folder)
    fill_in(desk)
    desk.keeping.keep.click()
    desk.keeping.keep.click()
    pour = desk.plan.pours.iloc[0]
    store = Store.open(folder)
    log(store, desk.plan.pours.head(1))
    kept = store.plan()
    desk.planning.fields["loads"].value = "5, 9, 13"
    assert desk.keeping.keep.disabled
    load = say_load_oz(pour["load_pct"])
    assert f"test batch {pour['pour']} is logged as {pour['blend']} at {load}" in (
        desk.keeping.state.value)
    assert "For more pots of the same blends: page Share" in desk.keeping.state.value
    with pytest.raises(ValueError, match="cannot be kept here"):
        desk._keep(desk.plan, "key")
    assert store.plan() == kept
    desk.keeping.back.click()
    assert desk.planning.fields["loads"].value == "4, 8, 12"
    assert desk.plan.to_dict() == kept
    desk.planning.fields["title"].value = "Mine, renamed"
    assert "1 test batch logged already" in desk._look(desk.plan).warning
    assert "Blind codes change" not in desk._look(desk.plan).warning


QUICK = {"wax": "soft", "oil": "fig", "loads": "1, 1.5, 1.85 oz/lb", "flash": "200 F",
         "add": "185 F", "limit": "1.6 oz/lb", "wax_price": "3.99 per lb", "currency": "USD"}


def test_a_plan_made_in_the_terminal_is_the_one_that_is_kept(tmp_path):
    """200 F is 93.33... degrees C there and 93.33 in a form, and a price per lb has no end."""
    with showing(Shown("oz", "F")):
        folder = tmp_path / "fig"
        check = QuickCheck.begin(folder, plan_asked(QUICK, folder, dt.date(2026, 3, 2))[0])
        assert check.plan.fragrance.flash_point_c != 93.33
        desk = desk_of(folder)
        assert "This is the kept plan" in desk.keeping.state.value
        assert desk.plan.to_dict() == check.store.plan() and desk.keeping.keep.disabled
        scent = desk.materials.scent_card.fields["flash_point_c"]
        scent.value = "201 F"
        assert "This is NOT the kept plan" in desk.keeping.state.value
        desk.keeping.back.click()
        assert desk.plan.to_dict() == check.store.plan()


def test_a_plan_with_pots_from_elsewhere_is_the_one_that_is_kept(tmp_path):
    folder = tmp_path / "fig"
    plan = plan_asked(QUICK, folder, dt.date(2026, 3, 2))[0]
    check = QuickCheck.begin(folder, plan)
    grown = grow_plan(plan, [7, 8], start="2026-03-09", seed=3, blend="soft", pieces=PIECES)
    kept = lot_plan(grown, "soft", [7, 8], "B2", stress="heat", start="2026-03-20", seed=4)
    check.store.save_plan(kept.to_dict())
    desk = desk_of(folder)
    assert desk.plan.to_dict() == kept.to_dict()
    assert ("The kept plan includes what was planned elsewhere (the next step, a new lot, pairs): "
            "P02, P03, P04.") in desk.keeping.state.value
    desk.planning.fields["title"].value = "Mine"
    warning = desk._look(desk.plan).warning
    assert ". The kept plan includes what was planned elsewhere (the next step" in warning
    assert "Keeping this one drops that." in warning
    log(check.store, kept.pours[kept.pours["pour"] == "P02-1"])
    desk.planning.renew()
    assert "test batch P02-1 is logged" in desk.keeping.state.value
    desk.keeping.back.click()
    assert "This is the kept plan" in desk.keeping.state.value


def test_what_was_kept_is_no_draft_that_stands_before_a_plan_which_has_grown(folder):
    desk = desk_of(folder)
    fill_in(desk)
    desk.keeping.keep.click()
    desk.keeping.keep.click()
    log(desk._store, desk.plan.pours)
    for lot, loads in (("B1", [4.5, 8]), ("B2", [5.5, 8.5])):  # after it was kept, and gone back to
        grown = lot_plan(desk.kept, "soft", loads, lot, stress="heat", start="2026-06-20", seed=4)
        desk._store.save_plan(grown.to_dict())
        log(desk._store, grown.pours[grown.pours["lot"] == lot])
        desk = desk_of(folder)
        assert desk.plan.to_dict() == grown.to_dict()
        desk.planning.fields["loads"].value = "5, 9, 13"
        desk.keeping.back.click()


@pytest.mark.parametrize("typed", [False, True])
def test_a_corrected_limit_holds_for_the_plan_that_is_kept_whatever_was_typed_before(folder, typed):
    store = Store.open(folder)
    plan = keep_demo_plan(store)
    log(store, plan.pours.head(1))
    if typed:  # a draft with the limits as they were
        title = desk_of(folder).planning.fields["title"]
        title.value = "Other"
        title.value = "Mine"
        assert (folder / DRAFT_NAME).exists()
    (pour,) = store.rows("pours").to_dict("records")
    store.correct("pours", pour["entry_id"], {"limit_load_pct": 7.0}, reason="a new sheet")
    desk = desk_of(folder)
    assert "This is the kept plan" in desk.keeping.state.value
    limits = {b.name: b.limit_load_pct for b in desk.plan.blends}
    assert limits == {b.name: b.limit_load_pct for b in plan.blends} | {pour["blend"]: 7.0}


def test_the_limits_are_read_anew_at_no_key_but_after_a_correction(folder, monkeypatch):
    store, read = Store.open(folder), []
    log(store, keep_demo_plan(store).pours.head(1))
    desk, now = desk_of(folder), desk_module.plan_now
    monkeypatch.setattr(desk_module, "plan_now", lambda store: read.append(1) or now(store))
    for title in ("Other", "Mine", "Other"):
        desk.planning.fields["title"].value = title
    assert not read
    (pour,) = store.rows("pours").to_dict("records")
    store.correct("pours", pour["entry_id"], {"limit_load_pct": 7.0}, reason="a new sheet")
    desk.planning.fields["title"].value = "Mine"
    assert len(read) == 1
    assert {b.name: b.limit_load_pct for b in desk.kept.blends}[pour["blend"]] == 7.0


def test_all_rules_of_the_kept_plan_come_into_the_form_and_back(folder):
    demo = Plan.from_dict(workshop.demo_plan())
    plan = make_plan(
        "Mine", demo.fragrance, demo.blends, (4, 8), piece_g=25, assessors=("A1", "A4"),
        start="2026-03-14", seed=5, pouring=Pouring(stir_min=4, confirm=True, dye_pct=0.05),
        cure_days=CureDays(reserve=30, throw=20), heat_cycle=HeatCycle(40.5, 8, 2),
        sittings=Sittings(kinds=("cold", "warm"), pieces_per_sitting=3),
    )
    Store.open(folder).save_plan(plan.to_dict())
    desk = desk_of(folder)
    assert desk.plan.to_dict() == plan.to_dict()
    assert desk.planning.fields["assessors"].value == "A1, A4"
    # A draft of before the form asked for them: they are not set back to the usual ones.
    old = {n: t for n, t in desk.planning.draft.items() if n not in ("heat_temp", "kinds")}
    keep_draft(folder, {"materials": desk.materials.draft, "series": old})
    assert desk_of(folder).plan.to_dict() == plan.to_dict()


def test_heat_cycle_pouring_and_sittings_are_typed(filled):
    filled.planning.fill(SERIES | {
        "heat_temp": "40", "heat_hours": "8", "heat_cycles": "2", "stir": "4", "add_temp": "75",
        "days_between": "3", "pots_a_day": "2", "rooms": "4", "per_sitting": "4",
        "per_day": "2", "kinds": "cold, warm", "cure_reserve": "30", "heat_pack": "shut",
        "days": "weekdays", "begin": "18:30", "again": "28, 56"})
    plan = filled.plan
    assert plan.heat_cycle == HeatCycle(40.0, 8.0, 2, "shut")
    assert (plan.pouring.stir_min, plan.pouring.add_temp_c) == (4.0, 75.0)
    assert sorted({p.poured_on.isoformat() for p in plan.pour_rows}) == ["2026-03-16", "2026-03-19"]
    assert {s.kind for s in plan.smelling_rows} == {"cold", "warm"}
    assert plan.sittings.rooms == 4 and plan.cure_days.reserve == 30
    assert plan.calendar.begin == "18:30" and plan.cure_days.again == (28, 56)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"loads": "4"}, "the loads are 4.0 % (0.64 oz/lb); give at least two different loads"),
        ({"loads": "4, 45"}, "Loads: found &#x27;4, 45&#x27;, expected a number above 0 and up to "
         "40 g per 100 g"),
        ({"assessors": "0"}, "1 throw pieces of each test batch but no tester to smell them; give "
         "testers, such as A1, or no throw pieces"),
        ({"works_with": "A9"}, "&#x27;A9&#x27; works with the fragrance but is not among the "
                               "testers A1, A2"),
        ({"pots": "50"}, "900 three-digit codes: use fewer loads, pots or pieces"),
        ({"cure_sweat_heat": "1"}, "use fewer cycles, or cure longer"),
        ({"per_sitting": "1"}, "Most pieces in a session: found &#x27;1&#x27;, "
         "expected a whole number from 2 to 40 pieces"),
        ({"per_sitting": "5"}, "a hot session of 5 pieces does not fit"),
        ({"together": "no"}, "need 6 similar rooms, and there are 1"),
        ({"begin": "seven"}, "write it as 19:00"),
        ({"confirm": "yes"}, "give its add temperature, or the maximum of every wax"),
        ({"confirm": "yes", "confirm_add_temp": "70"}, "a hotter addition than usual; give its "
                                                       "add"),
        ({"confirm": "yes", "confirm_add_temp": "85", "confirm_stir": "1"}, "no longer than the "
         "usual 2 min; raise its minutes"),
        ({n: "0" for n in ("sweat", "sweat_heat", "frost", "throw", "reserve")},
         "a test batch has no piece; give at least one, such as 4 for sweat"),
    ],
)
def test_a_refusal_of_the_planner_is_said_in_words_and_below_its_field(filled, fields, words):
    filled.planning.fill(SERIES | fields)
    said = filled.planning.message.value
    assert words in said and "scent-error" in said
    assert "_" not in said and "set " not in said, said
    below = [f for f in filled.planning.fields.values() if f.said.value]
    assert len(below) == 1 and "scent-error" in below[0].said.value
    assert all(section.is_open for section in filled.planning.folds.values()
               if below[0] in section.body.children[0].children), "what is to be mended is seen"
    assert filled.plan is None and filled.keeping.keep.disabled


def test_the_run_on_paper_says_what_is_expected(filled):
    desk = filled
    desk.planning.fill(SERIES)
    for field in desk.planning.guess.values():
        field.value = "9"
    desk.planning.fields["series"].value = "1"
    desk.planning.run.click()
    desk.planning._thread.join(60)
    told = desk.planning.expected.value
    assert "Poured and scored 1 time on paper" in told, desk.planning.message.value


def test_a_piece_left_for_later_keeps_its_place_where_the_page_is_opened_anew(folder):
    store, demo = Store.open(folder), Plan.from_dict(workshop.demo_plan())
    plan = make_plan("Mine", demo.fragrance, demo.blends[0], (4, 8), piece_g=25,
                     assessors=("A1",), start="2026-03-14", seed=5, sittings=Sittings("cold"))
    store.save_plan(plan.to_dict())
    log(store, plan.pours)
    bench = scentlab.series_here(folder=folder)
    first = RecordDesk(bench)._throw("A1")
    order = [p["code"] for p in first._pieces]
    first.choices[5].click()
    first.later.click()
    first.choices[6].click()
    again = RecordDesk(bench)._throw("A1")
    for _ in order[2:]:
        again.choices[7].click()
    rows = store.rows("throws")
    assert rows["code"].tolist() == [order[n] for n in (0, 2, 1, *range(3, len(order)))]
    assert rows["position"].tolist() == list(range(1, len(order) + 1))

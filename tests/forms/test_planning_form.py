"""The planning form, driven by its fields and buttons as a person would, without a browser."""

import datetime as dt
import threading
from types import SimpleNamespace

import pytest

from scentlab.forms.fields import NotYet
from scentlab.forms.planning import PlanningForm
from scentlab.planning.refusal import PlanError, need_whole

START = {"title": "Mine", "loads": "4, 6.5, 9", "pots": "2", "piece_g": "25", "assessors": "3",
         "start": "2026-03-14", "currency": "EUR", "guess": {"mix": "9,5"}}


def make(asked):
    if len(asked["loads_pct"]) < 2:
        raise ValueError("a plan has 1 load; give at least two")
    need_whole(asked["pots_per_blend"], "pots_per_blend", 1, 50, "pots")
    if asked["heat_cycle.temp_c"] > 80:
        raise PlanError("the heat cycle melts the wax", "lower it", field="heat_cycle.temp_c")
    return SimpleNamespace(
        loads_pct=asked["loads_pct"], pots_per_blend=asked["pots_per_blend"],
        takes=(f"<{len(asked['loads_pct']) * asked['pots_per_blend']} test batches>",),
        notes=("Cure days are <common practice>.",), blends=(SimpleNamespace(name="mix"),),
        asked=asked,
    )


class Run:
    """A run that can be held after its first series and that counts what it was asked."""

    def __init__(self):
        self.go, self.first, self.plans = threading.Event(), threading.Event(), []
        self.go.set()

    def __call__(self, plan, guess, series, progress, stop):
        self.plans.append(plan)
        self.guess, self.series = guess, series
        progress(1, 3)
        self.first.set()
        self.go.wait(10)
        if stop():
            return SimpleNamespace(sentence="1 series only", notes=("The run was stopped.",))
        progress(3, 3)
        return SimpleNamespace(sentence=f"shortfall <1> for {plan.pots_per_blend} pots", notes=())


@pytest.fixture
def run():
    return Run()


@pytest.fixture
def form(run):
    return PlanningForm(make, run, START)


def test_a_new_form_says_what_is_missing_and_makes_no_plan(run):
    form = PlanningForm(make, run)
    assert form.message.value == (
        '<div class="scent-flag" role="status">Still to fill in: Title; First pour day; Loads, g '
        "of fragrance per 100 g of wax; Weight of a piece, g; Number of testers.</div>"
    )
    assert form.plan is None and form.takes.value == ""
    assert form._foresight.layout.display == "none"


def test_what_is_typed_comes_to_the_planner_read_and_checked(form):
    typed = {"dye": "0,05", "pots_a_day": "3", "assessors": "a1, A3", "works_with": "a3",
             "sweat_heat": "0", "cure_throw": "21", "seed": "77", "piece_g": "22,5",
             "add_temp": "176 F", "heat_temp": "40", "kinds": "cold, warm", "anchor": "no"}
    for name, text in typed.items():
        form.fields[name].value = text
    assert form.message.value == ""
    assert form.plan.asked == {
        "title": "Mine", "start": dt.date(2026, 3, 14), "currency": "EUR",
        "loads_pct": (4.0, 6.5, 9.0), "pots_per_blend": 2, "pouring.pots_per_day": 3,
        "piece_g": 22.5, "pouring.dye_pct": 0.05,
        "pieces.sweat": 1, "pieces.sweat_heat": 0, "pieces.frost": 1, "pieces.throw": 1,
        "pieces.reserve": 0, "cure_days.sweat": 7, "cure_days.sweat_heat": 7,
        "cure_days.frost": 14, "cure_days.throw": 21, "cure_days.reserve": 90,
        "assessors": ("A1", "A3"), "works_with_fragrance": ("A3",), "seed": 77,
        # 176 °F is (176 - 32) / 1.8 = 80 °C
        "pouring.scale": "g", "pouring.spare_pct": 5.0, "pouring.add_temp_c": 80.0,
        "pouring.pour_temp_c": None,
        "pouring.stir_min": 2.0, "pouring.confirm": False, "pouring.confirm_add_temp_c": None,
        "pouring.confirm_stir_min": 10.0, "heat_cycle.temp_c": 40.0, "heat_cycle.hours": 12.0,
        "heat_cycle.cycles": 3, "pouring.days_between": 1, "sittings.kinds": ("cold", "warm"),
        "sittings.pieces_per_sitting": None, "sittings.per_day": 1, "sittings.rooms": 1,
        "sittings.warm_min": 30.0, "sittings.smell_min": 5.0, "sittings.left_pct": 5.0,
        "sittings.air_changes_per_h": 5.0, "sittings.together": True,
        "sittings.anchor": False, "calendar.days": "any", "calendar.begin": "19:00",
        "calendar.evening_min": 180, "heat_cycle.pack": "open", "cure_days.again": (28,),
    }
    for name in ("dye", "pots_a_day", "works_with", "seed", "currency"):
        form.fields[name].value = " "
    asked = form.plan.asked
    names = ("pouring.dye_pct", "pouring.pots_per_day", "works_with_fragrance", "seed", "currency")
    assert [asked[n] for n in names] == [0.0, None, [], None, ""]


def test_the_draft_comes_back(form, run):
    form.fields["loads"].value = "4, six"
    form.guess["mix"].value = "10"
    form.fields["series"].value = "50"
    again = PlanningForm(make, run, form.draft)
    assert again.draft == form.draft and again.draft["guess"] == {"mix": "10"}
    again.fields["loads"].value = "4, 6"
    assert again.guess["mix"].value == "10" and again.fields["series"].value == "50"


def test_loads_are_understood_as_people_write_them(form):
    form.fields["loads"].value = "4, 6, 8.5"
    assert form.plan.loads_pct == (4.0, 6.0, 8.5)
    # 1 oz in a pound of wax is 100 / 16 = 6.25 g in 100 g
    form.fields["loads"].value = "1, 1.5, 2 oz/lb"
    assert form.plan.loads_pct == (6.25, 9.375, 12.5)
    form.fields["loads"].value = "4 to 12"
    assert form.plan is None and "Loads: found &#x27;4 to 12&#x27;" in form.message.value


def test_what_another_form_lacks_is_said_as_missing_not_as_wrong(run):
    def lacking(asked):
        raise NotYet("a wax has no name")

    form = PlanningForm(lacking, run, START)
    assert form.message.value == '<div class="scent-flag" role="status">a wax has no name</div>'
    form._make = make
    form.renew()
    assert form.message.value == "" and "6 test batches" in form.takes.value


def test_every_change_is_told_also_one_that_makes_no_plan(run):
    plans = []
    form = PlanningForm(make, run, START, on_change=lambda: plans.append(form.plan))
    assert plans == []
    form.fields["pots"].value = "x"
    form.fields["pots"].value = "1"
    form.guess["mix"].value = "8"
    assert [p and p.pots_per_blend for p in plans] == [None, 1, 1]


def test_without_a_guess_there_is_no_run(form, run):
    form.guess["mix"].value = ""
    form.run.click()
    assert run.plans == []
    assert "First type your guess for: mix." in form.message.value
    form.guess["mix"].value = "99"
    form.run.click()
    assert "expected a number with a decimal point from 0.1 to 60 (% of wax)" in form.message.value


def test_a_changed_guess_cancels_the_run_and_its_answer_is_not_shown(form, run):
    run.go.clear()
    form.run.click()
    assert run.first.wait(10)
    form.guess["mix"].value = "12"
    run.go.set()
    form._thread.join(10)
    assert (form.found, form.expected.value) == (None, "")


def test_it_starts_from_the_draft_and_shows_what_it_takes(form):
    assert [form.fields[n].value for n in ("loads", "pots", "assessors")] == [
        "4, 6.5, 9", "2", "3"]
    assert "<li>Cure days are &lt;common practice&gt;.</li>" in form.takes.value
    assert "<li>&lt;6 test batches&gt;</li>" in form.takes.value
    assert form.expected.value == "" and form.found is None


def test_what_it_takes_follows_the_fields(form):
    form.fields["pots"].value = "3"
    assert "9 test batches" in form.takes.value
    form.fields["loads"].value = "4; 6; 8, 10"
    assert form.plan.loads_pct == (4.0, 6.0, 8.0, 10.0)
    assert "12 test batches" in form.takes.value


@pytest.mark.parametrize(
    ("field", "text", "words"),
    [
        ("loads", "4, six", "Loads: found &#x27;six&#x27;, which does not start with a number of 0 "
                            "or more; write it as 1.5 oz/lb, 8 % or 80 g/kg."),
        ("loads", "1, 2, 30 oz/lb", "Loads: found &#x27;30 oz/lb&#x27;, which is more fragrance "
         "than wax; write it as 1.5 oz/lb, 8 % or 80 g/kg."),
        ("pots", "two", "Pots of each blend: found &#x27;two&#x27;, expected a whole number. "
         "Correct the value."),
        ("pots", "51", "Pots of each blend: found &#x27;51&#x27;, expected a whole number from 1 "
         "to 50 pots."),
        ("assessors", "Ann", "Testers: found &#x27;Ann&#x27;, expected a whole number from 0 to "
         "200. Correct the value."),
        ("assessors", "A1, Ann", "Testers: found &#x27;ANN&#x27;, expected a letter and a "
         "number, such as A1, never a name"),
        ("start", "14 Mai", "First pour day: found &#x27;14 Mai&#x27;, which is not a date; write "
         "it as 14 Mar 2026, 2026-03-14 or 14.03.2026."),
        ("heat_temp", "99", "the heat cycle melts the wax; lower it"),
        ("add_temp", "hot F", "Add fragrance at: found &#x27;hot F&#x27;, expected a number with a "
         "decimal point (°C). Correct the value or leave it empty."),
        ("loads", "4", "a plan has 1 load; give at least two"),
    ],
)
def test_what_makes_no_plan_is_shown_and_the_run_is_closed(form, run, field, text, words):
    form.fields[field].value = text
    assert form.message.value == f'<div class="scent-error" role="alert">{words}</div>'
    assert (form.plan, form.takes.value, form.run.disabled) == (None, "", True)
    form.run.click()
    assert form._thread is None
    assert run.plans == []
    assert "There is no plan to judge: correct the fields above." in form.message.value


def test_the_button_runs_and_shows_the_precision(form, run):
    form.run.click()
    form._thread.join(10)
    assert form.found.sentence == "shortfall <1> for 2 pots"
    assert (run.guess, run.series) == ({"mix": 9.5}, 50)
    assert "shortfall &lt;1&gt; for 2 pots" in form.expected.value
    assert (form.bar.value, form.bar.max) == (3, 3)
    assert form.told.value == "<p>3 of 3 simulated series</p>"
    assert form.cancel.disabled and not form.run.disabled


def test_cancel_ends_the_run_and_the_result_says_so(form, run):
    run.go.clear()
    form.run.click()
    assert run.first.wait(10)
    assert form.run.disabled and not form.cancel.disabled
    form.cancel.click()
    run.go.set()
    form._thread.join(10)
    assert "The run was stopped." in form.expected.value
    assert not form.run.disabled and form.cancel.disabled
    form.run.click()
    form._thread.join(10)
    assert "The run was stopped." not in form.expected.value


def test_a_changed_plan_cancels_the_run_and_its_answer_is_not_shown(form, run):
    run.go.clear()
    form.run.click()
    assert run.first.wait(10)
    form.fields["pots"].value = "4"
    assert form.run.disabled
    run.go.set()
    form._thread.join(10)
    assert (form.found, form.expected.value) == (None, "")
    assert form.plan.pots_per_blend == 4 and not form.run.disabled


def test_a_run_that_fails_is_shown(run):
    def refuse(plan, guess, series, progress, stop):
        raise ValueError("the guess knows no blend <hard>")

    form = PlanningForm(make, refuse, START)
    form.run.click()
    form._thread.join(10)
    assert "the guess knows no blend &lt;hard&gt;" in form.message.value
    assert not form.run.disabled


@pytest.mark.parametrize(
    ("typed", "loads"), [("4, 5", (4.0, 5.0)), ("4; 6.5; 8", (4.0, 6.5, 8.0)), ("4;6", (4.0, 6.0))]
)
def test_loads_are_taken_however_they_are_parted(form, typed, loads):
    form.fields["loads"].value = typed
    assert form.plan.loads_pct == loads


def test_a_comma_that_may_be_a_decimal_sign_is_asked_about(form):
    form.fields["loads"].value = "4,5; 6,5"
    assert form.plan is None
    assert "use a point, as in 1.5" in form.message.value


def test_every_control_has_a_name_and_the_browser_part_is_there(form):
    names = form.browser.names
    assert names["loads"] == "Loads, g of fragrance per 100 g of wax"
    assert names["guess-0"] == "Your guess for mix: half of the pieces sweat at, % of wax"
    assert names["run"] == "How precise would it be? (a run on paper)"
    assert len(set(names.values())) == len(names) == len(form.fields) + 3 + len(form.folds)
    assert "scent-form" in form._dom_classes


def test_a_day_with_dots_is_understood(form):
    form.fields["start"].value = "26.10.2026"
    assert form.plan.asked["start"] == dt.date(2026, 10, 26)


def test_what_is_seldom_changed_is_folded_away_and_tells_what_it_says(form):
    assert not any(section.is_open for section in form.folds.values())
    assert [b.description for b in (s.fold for s in form.folds.values())] == [
        "▸ How the pots are poured: weighed in g, stirred for 2 min, 5 % spare",
        "▸ Heat cycle: 3 times 12 h at 38 °C, pack open",
        "▸ More days: pour days every 1 d, reserve pieces kept for 90 d",
        "▸ Sessions: throw hot, in a room; sessions on a day: 1, from 19:00; rooms: 1; pieces "
        "are smelt by all at once",
    ]
    form.folds["heat"].fold.click()
    form.fields["heat_temp"].value = "104 F"
    assert form.folds["heat"].fold.description == "▾ Heat cycle: 3 times 12 h at 104 F, pack open"
    assert form.browser.names["fold-heat"] == "Heat cycle: 3 times 12 h at 104 F, pack open: close"
    form.fields["sweat_heat"].value = "0"
    assert form.folds["heat"].fold.description == "▾ Heat cycle: no piece is kept warm"
    form.folds["heat"].fold.click()
    assert form.folds["heat"].body.layout.display == "none"


def test_what_must_be_mended_is_unfolded(form, run):
    form.fields["per_day"].value = "none"
    assert form.folds["sittings"].body.layout.display == ""
    assert form.folds["heat"].body.layout.display == "none"
    again = PlanningForm(make, run, {**START, "heat_hours": "", "days": "nobody"})
    assert "Still to fill in: Each time for, h." in again.message.value
    assert again.folds["heat"].body.layout.display == ""
    assert again.fields["days"].value == "any", "an unknown choice of a draft is as in a new form"


@pytest.mark.parametrize("days, noted", [(-30, False), (0, False), (7, False), (8, True)])
def test_a_first_pour_day_well_in_the_past_gets_a_note(form, days, noted):
    start = dt.date.today() - dt.timedelta(days=days)
    form.fields["start"].value = start.isoformat()
    assert form.plan is not None, "a note and no refusal"
    words = f"{start.day} {start:%B %Y}, was {days} days ago"
    assert (words in form.takes.value) == noted
    assert ("if not, give another day" in form.takes.value) == noted

"""The planning form, driven by its fields and buttons as a person would, without a browser."""

import threading
from types import SimpleNamespace

import pytest

from scentlab.recording.planning_form import PlanningForm

COSTS = {"wax_g": 3200.0, "fragrance_g": 290.0, "days": 22, "money": 43.5, "panel_hours": 12.0,
         "pours": 12, "pots": 4, "pieces": 48}


def make(loads_pct, pots_per_blend, assessors):
    if len(loads_pct) < 2:
        raise ValueError("a plan has 1 load; give at least two")
    return SimpleNamespace(loads_pct=loads_pct, pots_per_blend=pots_per_blend,
                           assessors=tuple(f"A{i}" for i in range(1, assessors + 1)))


def costs(plan):
    return COSTS | {"pours": len(plan.loads_pct) * plan.pots_per_blend}


class Run:
    """A run that can be held after its first series and that counts what it was asked."""

    def __init__(self):
        self.go, self.first, self.plans = threading.Event(), threading.Event(), []
        self.go.set()

    def __call__(self, plan, progress, stop):
        self.plans.append(plan)
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
    return PlanningForm(make((4.0, 6.5, 9.0), 2, 3), make, costs, run, currency="EUR")


def test_it_starts_from_the_plan_and_shows_what_it_takes(form):
    assert [f.value for f in form.fields.values()] == ["4, 6.5, 9", "2", "3"]
    for words in ("6 pours from 4 pots, 48 pieces", "3200 g", "290 g", "43.50 EUR",
                  "22, first pour to last look", "12.0 hours of all assessors together"):
        assert words in form.takes.value
    assert form.expected.value == "" and form.found is None


def test_what_it_takes_follows_the_fields(form):
    form.fields["pots"].value = "3"
    assert "9 pours" in form.takes.value
    form.fields["loads"].value = "4 6; 8, 10"
    assert form.plan.loads_pct == (4.0, 6.0, 8.0, 10.0)
    assert "12 pours" in form.takes.value


def test_a_missing_price_is_said(run):
    form = PlanningForm(make((4, 6), 1, 0), make, lambda p: COSTS | {"money": float("nan")}, run)
    assert "not known, a price is missing" in form.takes.value


@pytest.mark.parametrize(
    ("field", "text", "words"),
    [
        ("loads", "4, six",
         "loads: found &#x27;4, six&#x27;, expected numbers with commas between, such as 4, 6, "
         "8.5"),
        ("pots", "two", "pots of a blend: found &#x27;two&#x27;, expected a whole number"),
        ("assessors", "", "assessors: found &#x27;&#x27;, expected a whole number"),
        ("loads", "4", "a plan has 1 load; give at least two"),
    ],
)
def test_what_makes_no_plan_is_shown_and_the_run_is_closed(form, run, field, text, words):
    form.fields[field].value = text
    assert form.message.value == f'<div class="scent-error" role="alert">{words}</div>'
    assert (form.plan, form.takes.value, form.run.disabled) == (None, "", True)
    form.run.click()
    form.wait(10)
    assert run.plans == []
    assert "There is no plan to judge: mend the fields above." in form.message.value


def test_the_button_runs_and_shows_the_precision(form):
    form.run.click()
    form.wait(10)
    assert form.found.sentence == "shortfall <1> for 2 pots"
    assert "shortfall &lt;1&gt; for 2 pots" in form.expected.value
    assert (form.progress.bar.value, form.progress.bar.max) == (3, 3)
    assert form.progress.said.value == "<p>3 of 3 simulated series</p>"
    assert form.progress.cancel.disabled and not form.run.disabled


def test_cancel_ends_the_run_and_the_result_says_so(form, run):
    run.go.clear()
    form.run.click()
    assert run.first.wait(10)
    assert form.run.disabled and not form.progress.cancel.disabled
    form.progress.cancel.click()
    run.go.set()
    form.wait(10)
    assert "The run was stopped." in form.expected.value
    assert not form.run.disabled and form.progress.cancel.disabled
    form.run.click()
    form.wait(10)
    assert "The run was stopped." not in form.expected.value


def test_a_changed_plan_cancels_the_run_and_its_answer_is_not_shown(form, run):
    run.go.clear()
    form.run.click()
    assert run.first.wait(10)
    form.fields["pots"].value = "4"
    assert form.run.disabled
    run.go.set()
    form.wait(10)
    assert (form.found, form.expected.value) == (None, "")
    assert form.plan.pots_per_blend == 4 and not form.run.disabled


def test_a_run_that_fails_is_shown(run):
    def refuse(plan, progress, stop):
        raise ValueError("the guess knows no blend <hard>")

    form = PlanningForm(make((4, 6), 1, 2), make, costs, refuse)
    form.run.click()
    form.wait(10)
    assert "the guess knows no blend &lt;hard&gt;" in form.message.value
    assert not form.run.disabled


@pytest.mark.parametrize(
    ("typed", "loads"), [("4,5", (4.0, 5.0)), ("4 6.5 8,", (4.0, 6.5, 8.0)), ("4;6", (4.0, 6.0))]
)
def test_what_was_understood_of_the_loads_is_shown(form, typed, loads):
    form.fields["loads"].value = typed
    assert form.plan.loads_pct == loads
    assert f"<td>{', '.join(f'{x:g}' for x in loads)}</td>" in form.takes.value


def test_a_comma_that_may_be_a_decimal_sign_is_asked_about(form):
    form.fields["loads"].value = "4,5; 6,5"
    assert form.plan is None
    assert "Write the decimal sign as a point, such as 4, 6, 8.5" in form.message.value


def test_every_control_has_a_name_and_the_browser_part_is_there(form):
    assert form.browser.names == {
        "loads": "Loads, g of fragrance per 100 g of wax", "pots": "Pots of each blend",
        "assessors": "Number of assessors", "run": "How precise would it be? (a quick run)",
        "cancel": "Cancel the run",
    }
    assert "scent-form" in form._dom_classes

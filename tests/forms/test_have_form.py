"""The first form of planning: what there is in, three plans out, one into the forms below."""

import pytest

import scentlab
from scentlab.forms.desk import PlanDesk
from scentlab.forms.fields import TABLES
from scentlab.units import Shown, showing
from scentlab.workshop import make_series

TYPED = {"wax": "soft wax", "oil": "fig", "loads": "1 to 3 oz/lb", "wax_g": "4 lb", "warmers": "2",
         "rooms": "2", "evenings": "9", "days": "weekdays", "start": "2026-12-01"}


@pytest.fixture
def desk(tmp_path):
    make_series(tmp_path / "mine", title="mine")
    return PlanDesk(scentlab.series_here(folder=tmp_path / "mine"))


def fill(form, **more):
    for name, text in (TYPED | more).items():
        form.fields[name].value = text
    form.show.click()


def test_no_more_than_twelve_fields_come_before_the_first_proposal():
    assert len(TABLES["have"]["fields"]) <= 12


def test_three_plans_are_shown_and_one_is_taken_into_the_forms_below(desk):
    fill(desk.have)
    assert [p.size for p in desk.have.proposals] == ["small", "medium", "large"]
    shown = " ".join(getattr(c, "value", "") for c in desk.have.found.children)
    assert "Small: 1 pot of 4 loads" in shown and "No answer: about" in shown
    desk.have.takes["medium"].click()
    plan = next(p.plan for p in desk.have.proposals if p.size == "medium")
    assert desk.plan.to_dict() == plan.to_dict() | {"title": "mine"}  # which was given before
    assert desk.materials.wax_cards[0].fields["name"].value == "soft wax"
    assert "The plan is NOT kept yet." in desk.keeping.state.value
    said = desk.have.message.value  # holds when kept, too
    assert said.endswith("keep it at the end of this page.</div>")


def test_what_is_taken_is_typed_in_the_units_of_the_workshop(tmp_path):
    with showing(Shown("oz", "F")):
        make_series(tmp_path / "mine")
        desk = PlanDesk(scentlab.series_here(folder=tmp_path / "mine"))
        fill(desk.have)
        desk.have.takes["medium"].click()
        loads = desk.planning.fields["loads"]
        assert loads.value.endswith(" oz/lb") and loads.read() == desk.plan.loads_pct


def test_what_cannot_be_held_has_no_button_and_says_why(desk):
    fill(desk.have, wax_g="300 g")
    assert desk.have.takes == {}
    shown = " ".join(getattr(c, "value", "") for c in desk.have.found.children)
    assert "does not fit" in shown and "more, or lighter pieces, it fits" in shown


@pytest.mark.parametrize(("typed", "words"), [
    ({"wax": ""}, "Wax: nothing is filled in"), ({"wax": "soy + palm"}, "reads as several waxes"),
    ({"wax_g": "much"}, "Wax you have: found"),
    ({"loads": "many"}, "Loads to test: found"), ({"testers": "-1"}, "expected a whole number"),
])
def test_what_is_wrong_is_said(desk, typed, words):
    fill(desk.have, **typed)
    assert words in desk.have.message.value and desk.have.proposals == ()

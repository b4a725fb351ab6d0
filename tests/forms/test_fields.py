"""One field: typed, read with its unit, checked by the schema, refused below itself."""

import dataclasses
import inspect

import pytest

from scentlab.forms.fields import TABLES, Chooser, Field, FieldError, Wrong, placed, read_all
from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning import plan as planner
from scentlab.schema import POURS, WARMINGS


def typed(column, text):
    field = Field("f", column)
    field.value = text
    return field


@pytest.mark.parametrize(("name", "text", "value"), [
    ("wax_g", "200", 200.0), ("wax_g", "200,5", 200.5), ("wax_g", ",56 oz", 15.88),
    ("wax_g", " 7 oz ", 198.45),
    # NIST SP 811: 1 oz is 28.349523 g, 1 lb is 453.59237 g; °C = (°F - 32) / 1.8
    ("wax_g", "1 lb", 453.59), ("add_temp_c", "176 F", 80.0), ("add_temp_c", "80 °C", 80.0),
    ("add_temp_c", "", None), ("stir_min", "2", 2.0), ("note", "a bit, of foam", "a bit, of foam"),
])
def test_what_is_typed_is_read_with_its_unit(name, text, value):
    assert typed(POURS[name], text).read() == value


@pytest.mark.parametrize(("name", "text", "words"), [
    ("wax_g", "", "nothing is filled in, expected a number with a decimal point from 1 to 100000"),
    ("wax_g", "2 cups",
     "found '2 cups', which is not a weight; write it as 450 g, 9.5 oz or 1 lb 2 oz."),
    ("add_temp_c", "400 F", "found '400 F', expected a number with a decimal point from 20 to 150"),
    ("stir_min", "1,200", "Write it with a point"),
    ("wax_g", "inf", "found 'inf', expected a number"),
])
def test_what_cannot_be_taken_names_field_value_and_remedy(name, text, words):
    field = typed(POURS[name], text)
    with pytest.raises(FieldError) as error:
        field.read()
    assert words in str(error.value) and error.value.value == text
    assert str(error.value).startswith(error.value.field) and error.value.source is field
    assert (error.value.remedy in field.said.value) == bool(text), "one that is empty is waited for"


def test_what_was_wrong_is_put_away_when_it_is_read_again():
    field = typed(WARMINGS["hours"], "soon")
    with pytest.raises(Wrong):
        read_all({"hours": field})
    assert "scent-error" in field.said.value and "scent-told" in field._dom_classes
    field.value = "2"
    assert read_all({"hours": field}) == {"hours": 2.0}
    assert field.said.value == "" and "scent-told" not in field._dom_classes


def test_a_refusal_from_behind_is_said_below_the_field_it_names():
    field = Field("per", POURS["wax_g"], at="sittings.rooms")
    field.value = "99"
    with pytest.raises(planner.PlanError) as error:
        planner.Sittings(rooms=99)
    error.value.field = f"sittings.{error.value.field}"
    found = placed(error.value, [field])
    assert str(found).endswith("found '99', expected a whole number from 1 to 40.")
    assert "expected a whole number from 1 to 40" in field.said.value
    assert placed(ValueError("another"), [field]).args == ("another",)


def test_every_field_of_the_tables_is_of_something_that_is_made():
    arguments = set(inspect.signature(planner.make_plan).parameters)
    rules = {"pieces": planner.PieceNumbers, "cure_days": planner.CureDays,
             "pouring": planner.Pouring, "heat_cycle": planner.HeatCycle,
             "sittings": planner.Sittings, "calendar": planner.Calendar}
    known = {f"{group}.{f.name}" for group, kind in rules.items() for f in dataclasses.fields(kind)}
    asked = [row["at"] for part in TABLES["planning"].values() for row in part["fields"]]
    assert set(asked) <= known | arguments and len(set(asked)) == len(asked)
    assert known <= set(asked), "every rule of a plan has a field"
    for kind, made in (("wax", Wax), ("fragrance", Fragrance), ("blend", Blend)):
        names = [row["name"] for row in TABLES["materials"][kind]]
        assert set(names) <= {f.name for f in dataclasses.fields(made)}


def test_an_option_is_named_in_the_browser():
    seen = []
    row = Chooser("blend", ["soft", "firm 60/40", ("pours", 3)], seen.append)
    assert [b._dom_classes[0] for b in row.buttons.values()] == [
        "scent-press-blend-soft", "scent-press-blend-1", "scent-press-blend-pours-3"]
    row.buttons["firm 60/40"].click()
    assert seen == ["firm 60/40"] and [b.on for b in row.buttons.values()] == [False, True, False]

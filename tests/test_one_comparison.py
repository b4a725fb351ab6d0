"""Names that differ only in look are one name, wherever they come in."""

from dataclasses import replace

import pytest

from scentlab.choosing.analysis import analyse
from scentlab.choosing.known_load import known_load
from scentlab.choosing.rules import Rules
from scentlab.materials import Blend, Fragrance, Wax
from scentlab.planning.plan import PlanError, make_plan
from scentlab.recording.store import Store
from scentlab.results import FitError
from scentlab.sharing.package import prepare_package
from scentlab.sharing.redaction import Choices
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series

# In capitals with a space too many, and with a Cyrillic o (U+043E).
LOOKS = ("SOFT ", "s\u043eft")
POUR = {"pot": "A", "blend": "soft", "poured_on": "2026-03-01", "wax_g": 200, "fragrance_g": 12}


@pytest.fixture(scope="module")
def analysis():
    layout = even_layout(["soft", "firm"], [6.0, 8.0, 10.0], pots=2, sweat=2, sweat_heat=2, throw=1,
                         assessors=2, limit_load_pct=8.0)
    series = simulate_series(layout, Truth({"soft": BlendTruth(9.0), "firm": BlendTruth(11.0)}), 1)
    return analyse(series, seed=1, draws=200, precise=None)


@pytest.mark.parametrize(("column", "first", "other"), [
    ("lot", "B-7", "b\u20117"), ("room", "Kitchen", "kitchen "), ("warmer", "Tart 1", "tart 1"),
])
def test_lots_rooms_and_warmers_have_one_spelling(tmp_path, column, first, other):
    store = Store.create(tmp_path / "series")
    named = {column: first} if column == "lot" else {}
    store.add("pours", {"pour": "P1", **POUR, **named})
    store.add("pours", {"pour": "P2", **POUR, **({column: other} if named else {})})
    if column != "lot":
        store.add_all({"pieces": [{"code": c, "pour": "P1"} for c in ("417", "418")]})
        for code, name in (("417", first), ("418", other)):
            store.add("throws", {"code": code, "assessor": "A1", "sitting": "S1", "kind": "cold",
                                 "throw": 5, column: name})
    found = store.rows("pours" if column == "lot" else "throws")[column]
    assert list(found) == [first, first] and store.known_names(column) == [first]


@pytest.mark.parametrize("look", LOOKS)
def test_a_blend_in_the_rules_is_that_of_the_series(analysis, look):
    rules = Rules(override_blends=(look,), override_reason="a letter of the maker")
    found = analyse(analysis.series, rules, seed=1, draws=200, precise=None).rules
    assert found.override_blends == ("soft",)
    with pytest.raises(FitError, match="there is no blend softer"):
        analyse(analysis.series, replace(rules, override_blends=("softer",)), seed=1, draws=200,
                precise=None)


@pytest.mark.parametrize("look", LOOKS)
def test_a_blend_that_is_asked_for_is_found(analysis, look):
    assert known_load(analysis, look, 6.0).blend == "soft"
    plan = make_plan("t", Fragrance("fig"), [Blend("soft", {Wax("soft"): 1.0})], [6, 8],
                     start="2026-03-02", seed=1, piece_g=20, assessors=("A1", "A2"))
    assert plan.blend(look).name == "soft"
    with pytest.raises(PlanError, match="the plan has no blend 'softer'; it has soft"):
        plan.blend("softer")


def test_a_blend_that_is_left_out_is_left_out_of_all(demo_analysis):
    rules = replace(demo_analysis.rules, override_blends=("creamy-firm 60/40", "soft"),
                    override_reason="agreed for creamy-firm 60/40")
    held = Choices(leave_out=("Creamy‑firm  60/40",))
    package = prepare_package(replace(demo_analysis, rules=rules), held)
    assert "creamy-firm 60/40" not in set(package.analysis.series.pours["blend"])
    assert package.analysis.rules.override_blends == ("soft",)
    assert all(b"creamy" not in data for data in package.files.values())

"""A refusal names the argument that is to be mended, so that a form can say it there."""

import pytest

from scentlab.materials import Blend, Fragrance, MaterialError, Wax
from scentlab.planning.plan import CureDays, HeatCycle, PieceNumbers, Pouring, Sittings, make_plan
from scentlab.planning.refusal import PlanError

SOFT = Blend("soft", ((Wax("soft wax", melt_temp_c=50, add_temp_c=80, max_temp_c=93), 1.0),))


@pytest.mark.parametrize(("given", "field"), [
    ({"title": ""}, "title"), ({"loads_pct": (4,)}, "loads_pct"),
    ({"loads_pct": (4, 45)}, "loads_pct"), ({"piece_g": 0}, "piece_g"),
    ({"seed": -1}, "seed"), ({"start": "soon"}, "start"), ({"assessors": ("Ann",)}, "assessors"),
    ({"assessors": ()}, "assessors"), ({"works_with_fragrance": ("A9",)}, "works_with_fragrance"),
    ({"cure_days": CureDays(sweat_heat=1)}, "heat_cycle.cycles"),
    ({"heat_cycle": HeatCycle(temp_c=55)}, "heat_cycle.temp_c"),
    ({"pouring": Pouring(add_temp_c=94)}, "pouring.add_temp_c"),
    ({"pouring": Pouring(confirm=True, confirm_add_temp_c=94)}, "pouring.confirm_add_temp_c"),
    ({"pouring": Pouring(confirm=True, confirm_stir_min=1)}, "pouring.confirm_stir_min"),
    ({"sittings": Sittings(pieces_per_sitting=6)}, "sittings.pieces_per_sitting"),
    ({"sittings": Sittings(together=False)}, "sittings.together"),
])
def test_a_refused_plan_names_its_field(given, field):
    usual = dict(title="t", fragrance=Fragrance("fig"), blends=[SOFT], loads_pct=(4, 6, 8),
                 piece_g=25, assessors=("A1", "A2"), start="2026-03-14", seed=1)
    with pytest.raises(PlanError) as error:
        make_plan(**usual | given)
    assert error.value.field == field


@pytest.mark.parametrize(("make", "field", "remedy"), [
    (lambda: PieceNumbers(frost=51), "frost", "give a whole number from 0 to 50 pieces"),
    (lambda: CureDays(throw=-1), "throw", "give a whole number from 0 to 3650 days"),
    (lambda: HeatCycle(hours=99), "hours", "give a number from 0.5 to 72 hours"),
    (lambda: Pouring(stir_min=121), "stir_min", "give a number from 0 to 120 min"),
    (lambda: Sittings(per_day=0), "per_day", "give a whole number from 1 to 12"),
    (lambda: Wax("w", limit_load_pct=41), "limit_load_pct",
     "give a number from 0.1 to 40 % of wax"),
    (lambda: Fragrance(" "), "name", "give a name of 1 to 80 characters"),
])
def test_a_refused_value_names_its_field_and_the_remedy(make, field, remedy):
    with pytest.raises((PlanError, MaterialError)) as error:
        make()
    assert (error.value.field, error.value.remedy) == (field, remedy)
    assert str(error.value).endswith(remedy) or field == "name"

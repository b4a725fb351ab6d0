"""Waxes, fragrances and blends: their limits and every refusal in full."""

import json

import pytest

from scentlab.materials import Blend, Fragrance, MaterialError, Wax

SOFT = Wax("soft", "L1", limit_load_pct=10, melt_temp_c=50, add_temp_c=80, pour_temp_c=70,
           max_temp_c=93, price_per_kg=6)
HARD = Wax("hard", limit_load_pct=6, melt_temp_c=62, add_temp_c=85, pour_temp_c=75, max_temp_c=110,
           price_per_kg=10)


def test_a_blend_takes_the_lowest_limit_the_highest_needs_and_the_lowest_maximum():
    mix = Blend("mix", {SOFT: 0.75, HARD: 0.25})
    assert mix.limit_load_pct == 6
    assert (mix.melt_temp_c, mix.add_temp_c, mix.pour_temp_c, mix.max_temp_c) == (62, 85, 75, 93)
    assert mix.price_per_kg == pytest.approx(7.0)
    assert mix.fractions == {"soft": 0.75, "hard": 0.25}
    assert mix.composition == "75 % soft, 25 % hard"


def test_a_limit_of_its_own_replaces_those_of_the_waxes():
    assert Blend("mix", {SOFT: 0.75, HARD: 0.25}, own_limit_load_pct=9).limit_load_pct == 9


def test_one_unknown_wax_leaves_limit_and_price_unknown_but_keeps_the_known_maximum():
    mix = Blend("mix", {SOFT: 0.5, Wax("new"): 0.5})
    assert mix.limit_load_pct is None and mix.price_per_kg is None
    assert mix.max_temp_c == 93 and mix.add_temp_c == 80
    assert Blend("new", {Wax("new"): 1}).max_temp_c is None


def test_a_regulatory_limit_is_converted_to_the_wax_basis():
    # 12 % of total is 13.636 % of wax: by hand 100 * 12 / 88
    limited = Fragrance("cedar", limit_content_pct=12)
    assert limited.limit_load_pct == pytest.approx(13.636, abs=5e-4)
    assert Fragrance("cedar", limit_content_pct=100).limit_load_pct is None
    assert Fragrance("cedar").limit_load_pct is None


def test_a_blend_goes_through_json_unchanged():
    mix = Blend("mix", {SOFT: 0.75, HARD: 0.25}, own_limit_load_pct=9)
    assert Blend.from_dict(json.loads(json.dumps(mix.to_dict()))) == mix


REFUSED = [
    (lambda: Wax(""), "a wax is called ''; give a name of 1 to 80 characters"),
    (lambda: Fragrance("x" * 81),
     f"a fragrance is called {'x' * 81!r}; give a name of 1 to 80 characters"),
    (lambda: Blend("  ", {SOFT: 1}), "a blend is called '  '; give a name of 1 to 80 characters"),
    (lambda: Wax("soft", limit_load_pct=41),
     "wax soft: limit_load_pct is 41; give a number from 0.1 to 40 % of wax"),
    (lambda: Wax("soft", limit_load_pct=0),
     "wax soft: limit_load_pct is 0; give a number from 0.1 to 40 % of wax"),
    (lambda: Wax("soft", limit_load_pct=float("nan")),
     "wax soft: limit_load_pct is nan; give a number from 0.1 to 40 % of wax"),
    (lambda: Wax("soft", limit_load_pct="10"),
     "wax soft: limit_load_pct is '10'; give a number from 0.1 to 40 % of wax"),
    (lambda: Wax("soft", melt_temp_c=10),
     "wax soft: melt_temp_c is 10; give a number from 20 to 150 °C"),
    (lambda: Wax("soft", add_temp_c=185),
     "wax soft: add_temp_c is 185; give a number from 20 to 150 °C"),
    (lambda: Wax("soft", pour_temp_c=151),
     "wax soft: pour_temp_c is 151; give a number from 20 to 150 °C"),
    (lambda: Wax("soft", max_temp_c=200),
     "wax soft: max_temp_c is 200; give a number from 20 to 150 °C"),
    (lambda: Wax("soft", price_per_kg=-1),
     "wax soft: price_per_kg is -1; give a number from 0 to 100000 per kg"),
    (lambda: Wax("soft", add_temp_c=95, max_temp_c=93),
     "wax soft: adding fragrance at 95 °C is above the wax maker's maximum of 93 °C; lower it or "
     "correct the maximum"),
    (lambda: Wax("soft", melt_temp_c=95, max_temp_c=93),
     "wax soft: melting at 95 °C is above the wax maker's maximum of 93 °C; lower it or correct "
     "the maximum"),
    (lambda: Wax("soft", pour_temp_c=95, max_temp_c=93),
     "wax soft: pouring at 95 °C is above the wax maker's maximum of 93 °C; lower it or correct "
     "the maximum"),
    (lambda: Fragrance("cedar", flash_point_c=-4),
     "fragrance cedar: flash_point_c is -4; give a number from 0 to 300 °C"),
    (lambda: Fragrance("cedar", limit_content_pct=0),
     "fragrance cedar: limit_content_pct is 0; give a number from 0.01 to 100 % of total"),
    (lambda: Fragrance("cedar", density_g_per_ml=9),
     "fragrance cedar: density_g_per_ml is 9; give a number from 0.5 to 2 g per mL"),
    (lambda: Fragrance("cedar", price_per_kg=1e6),
     "fragrance cedar: price_per_kg is 1000000.0; give a number from 0 to 100000 per kg"),
    (lambda: Blend("mix", {}), "blend mix: the fractions are none; give fractions by weight that "
                               "add up to 1, such as 0.7 and 0.3"),
    (lambda: Blend("mix", ((SOFT, 0.5), (SOFT, 0.5))),
     "blend mix names a wax twice; add up its fractions"),
    (lambda: Blend("mix", {SOFT: 0.7, HARD: 0.2}),
     "blend mix: the fractions are 0.7, 0.2; give fractions by weight that add up to 1, such as "
     "0.7 and 0.3"),
    (lambda: Blend("mix", {SOFT: 70, HARD: 30}),
     "blend mix: the fractions are 70, 30; give fractions by weight that add up to 1, such as 0.7 "
     "and 0.3"),
    (lambda: Blend("mix", {SOFT: 1, HARD: 0}),
     "blend mix: the fractions are 1, 0; give fractions by weight that add up to 1, such as 0.7 "
     "and 0.3"),
    (lambda: Blend("mix", {SOFT: 1}, own_limit_load_pct=50),
     "blend mix: own_limit_load_pct is 50; give a number from 0.1 to 40 % of wax"),
    (lambda: Blend("mix", {SOFT: 0.5, Wax("hot", add_temp_c=95): 0.5}),
     "blend mix: one wax asks for fragrance at 95 °C, another must stay below 93 °C; choose waxes "
     "whose sheets agree, or correct the temperatures"),
]


@pytest.mark.parametrize("call, words", REFUSED)
def test_impossible_materials_are_refused(call, words):
    with pytest.raises(MaterialError) as caught:
        call()
    assert str(caught.value) == words


def test_a_material_error_is_a_value_error():
    assert issubclass(MaterialError, ValueError)

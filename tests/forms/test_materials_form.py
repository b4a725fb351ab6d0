"""The materials form, driven by its fields and buttons as a person would, without a browser."""

import pytest

from scentlab.forms.fields import NotYet
from scentlab.forms.materials import MaterialsForm, materials_draft
from scentlab.materials import Blend, Fragrance, Wax

SOFT = Wax("soft wax", "S-1", 10.0, 50.0, 80.0, 65.0, 93.0, 7.5)
FIRM = Wax("firm wax", limit_load_pct=12.0, add_temp_c=82.0, max_temp_c=95.0)
CEDAR = Fragrance("cedar", "77", 77.0, 12.5, 0.96, 60.0, ("limonene", "linalool"))
BLENDS = (Blend("soft", ((SOFT, 1.0),)), Blend("mix", ((SOFT, 0.7), (FIRM, 0.3)), 9.0))


@pytest.fixture
def form():
    return MaterialsForm(materials_draft(CEDAR, BLENDS))


def type_in(card, **texts):
    for name, text in texts.items():
        card.fields[name].value = text


def test_an_empty_form_guesses_nothing_and_says_what_is_missing():
    form = MaterialsForm()
    assert (form.waxes, form.fragrance, form.blends) == ((), None, ())
    assert isinstance(form.problem, NotYet)
    assert str(form.problem) == "fragrance: the name of the fragrance is still to be filled in"
    assert "scent-flag" in form.wax_cards[0].said.value
    assert "fill in the parts" in form.blend_cards[0].said.value
    assert all(text == "" for text in form.draft["waxes"][0].values())


def test_materials_are_the_same_through_the_form(form):
    assert form.problem is None
    assert form.waxes == (SOFT, FIRM)
    assert (form.fragrance, form.blends) == (CEDAR, BLENDS)
    again = MaterialsForm(form.draft)
    assert (again.fragrance, again.blends, again.draft) == (CEDAR, BLENDS, form.draft)


def test_typed_by_hand_with_a_decimal_comma_and_empty_for_not_known():
    form = MaterialsForm()
    type_in(form.wax_cards[0], name=" palm ", limit_load_pct="9,5")
    type_in(form.scent_card, name="fig", allergens="limonene, , citral")
    next(iter(form.blend_cards[0].parts.values())).value = "100"
    assert form.waxes == (Wax("palm", limit_load_pct=9.5),)
    assert form.fragrance == Fragrance("fig", allergens=("limonene", "citral"))
    assert form.blends == (Blend("palm", ((form.waxes[0], 1.0),)),)  # named after its wax
    told = form.blend_cards[0].said.value
    assert "palm: 100 % palm; highest load 9.5 % of wax (8.7 % of total)" in told
    assert "never over a temperature not known" in told


def test_a_blend_without_a_name_is_called_by_its_parts(form):
    type_in(form.blend_cards[1], name="")
    assert form.blends[1].name == "soft wax 70 / firm wax 30"


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        (("70", "20"), "the parts add up to 90 %, not to 100 %: 10 % are missing"),
        (("70", "40,5"), "the parts add up to 110.5 %, not to 100 %: 10.5 % too much"),
        (("70", "much"), "Found &#x27;much&#x27;, expected a number with a decimal point from 0 to "
         "100 (% of the blend)."),
        (("", ""), "fill in the parts: % of each wax, adding up to 100"),
    ],
)
def test_the_parts_of_a_blend_are_added_up_as_they_are_typed(form, parts, words):
    card = form.blend_cards[1]
    for field, text in zip(card.parts.values(), parts, strict=True):
        field.value = text
    assert words in card.said.value + "".join(f.said.value for f in card.parts.values())
    assert form.blends == () and str(form.problem).startswith("blend 2 (mix): ")
    assert form.blend_cards[0].said.value.startswith('<div role="status">soft: 100 % soft wax')


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        ({"limit_load_pct": "55"}, "Found &#x27;55&#x27;, expected a number from 0.1 to 40 % of "
         "wax."),
        ({"limit_load_pct": "ten"}, "Found &#x27;ten&#x27;, expected a number with a decimal point "
         "(% of wax)."),
        ({"add_temp_c": "94"}, "wax soft wax: adding fragrance at 94 °C is above the wax "
         "maker&#x27;s maximum of 93 °C; lower it or correct the maximum"),
        ({"name": "x" * 81}, "expected a name of 1 to 80 characters"),
        ({"name": "firm wax"}, "two waxes are called firm wax; give each its own name"),
    ],
)
def test_what_cannot_be_is_refused_beside_its_card_in_the_words_of_the_form(form, texts, words):
    type_in(form.wax_cards[0], **texts)
    said = "".join(f.said.value for c in form.wax_cards for f in (c, *c.fields.values()))
    assert words in said and "scent-error" in said
    assert "_" not in str(form.problem)
    assert form.blends == ()
    assert "its waxes above are not complete yet" in form.blend_cards[1].said.value


def test_waxes_that_cannot_be_poured_together_are_refused(form):
    type_in(form.wax_cards[1], max_temp_c="", add_temp_c="94")
    assert "one wax asks for fragrance at 94 °C, another must stay below 93 °C" in (
        form.blend_cards[1].said.value)


def test_a_temperature_may_be_typed_in_fahrenheit(form):
    before = form.blends
    # by hand: 80 °C * 9 / 5 + 32
    type_in(form.wax_cards[0], add_temp_c="176 F")
    assert form.blends == before
    type_in(form.wax_cards[0], add_temp_c="185°f")
    assert form.waxes[0].add_temp_c == 85.0
    type_in(form.wax_cards[0], add_temp_c="400 F")
    said = form.wax_cards[0].fields["add_temp_c"].said.value
    assert "expected a number from 20 to 150 °C" in said


def test_rows_come_and_go_and_what_was_removed_comes_back(form):
    form.add_wax.click()
    form.add_blend.click()
    assert len(form.wax_cards) == 3 and len(form.blend_cards[1].parts) == 3
    type_in(form.wax_cards[2], name="palm")
    assert [f.label for f in form.blend_cards[2].parts.values()] == [
        "soft wax, %", "firm wax, %", "palm, %"]
    form.blend_cards[2].gone.click()
    assert "palm is in no blend yet." in form.wax_cards[2].said.value
    before = form.draft
    form.wax_cards[1].gone.click()
    assert "Removed: firm wax." in form.message.value
    assert [len(c.parts) for c in form.blend_cards] == [2, 2]
    assert "30 % are missing" in form.blend_cards[1].said.value
    form.back.click()
    assert form.draft == before and form.blends == BLENDS
    assert form.back.layout.display == "none"


def test_the_last_row_stays():
    form = MaterialsForm()
    assert form.wax_cards[0].gone.layout.display == "none"
    assert form.blend_cards[0].gone.layout.display == "none"


def test_a_flash_point_below_the_temperature_of_adding_is_a_caution(form):
    told = form.blend_cards[0].said.value
    assert "flash point of 77 °C (171 °F) is below the temperature at which it is added" in told
    type_in(form.scent_card, flash_point_c="93")
    assert "flash point" not in form.blend_cards[0].said.value


def test_every_change_is_told_once_the_form_has_read_it():
    seen = []
    form = MaterialsForm(on_change=lambda: seen.append(form.waxes))
    assert seen == []
    type_in(form.wax_cards[0], name="a")
    assert seen == [(Wax("a"),)]


def test_every_field_has_a_name_of_its_own_for_screen_readers(form):
    names = form.browser.names
    assert names["part-5-0"] == "blend 2 (mix): soft wax, % of the blend"
    assert names["wax-3-add_temp_c"] == "wax 2 (firm wax): Add fragrance at, °C"
    assert len(set(names.values())) == len(names)
    assert "scent-form" in form._dom_classes

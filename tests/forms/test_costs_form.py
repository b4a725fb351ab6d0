"""The maker's own numbers, and what follows from them at each key."""

from types import SimpleNamespace

import pytest

from scentlab.choosing.costs import Costs
from scentlab.forms.costs import CostsForm


@pytest.fixture
def made():
    """A form, what it asked for and what it kept."""
    asked, kept = [], []

    def weigh(blend, **numbers):
        costs = Costs(**numbers)
        asked.append((blend, costs))
        return SimpleNamespace(sentence=f"{blend} <b>", notes=("rests on it",))

    return CostsForm(["soft", "firm"], weigh, lambda found: "a table",
                     {"pots": "7", "gone": "x"}, kept.append), asked, kept


def shown(form):
    return " ".join(child.value for child in form.said.children)


def test_it_begins_with_no_money_and_what_was_typed_before(made):
    form, asked, _ = made
    assert asked == [("soft", Costs(pots=7))]
    assert "soft &lt;b&gt;" in shown(form) and "a table" in shown(form)


def test_each_key_is_weighed_and_kept(made):
    form, asked, kept = made
    form.fields["complaint"].box.value = "8,5"
    form.blend.choose("firm")
    assert asked[-1] == ("firm", Costs(complaint=8.5, pots=7))
    assert kept[-1]["complaint"] == "8,5"


def test_a_number_that_cannot_be_is_said_below_its_field(made):
    form, _, _ = made
    form.fields["pots"].box.value = "200"
    assert "expected at most the 100 pieces of the batch" in form.fields["pots"].said.value
    assert form.found is None and not form.said.children
    form.fields["pots"].box.value = "4"
    form.fields["lost_sale"].box.value = "6"
    assert "both or neither" in form.fields["lost_pct"].said.value
    form.fields["lost_pct"].box.value = "4"
    assert not form.fields["lost_pct"].said.value and form.found

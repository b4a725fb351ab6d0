"""One comparison of text: what is one name, what cannot be seen, what a spreadsheet would run."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scentlab.materials import Blend, Fragrance, MaterialError, Wax
from scentlab.planning.checks import check_assessors, check_blends
from scentlab.planning.refusal import PlanError
from scentlab.planning.rules import PieceNumbers
from scentlab.text import alike, armed, disarmed, kept, searchable, unseen, visible


@given(st.text())
def test_comparison_is_stable_whatever_the_text(text):
    assert alike(alike(text)) == alike(text)
    assert kept(kept(text)) == kept(text)
    assert armed(disarmed(text)) == text
    plain, places = searchable(text)
    assert len(plain) == len(places) and all(p < len(text) for p in places)


@given(st.text())
def test_what_is_printed_cannot_steer_a_terminal(text):
    """Categories of the Unicode Character Database, UAX 44, table 12."""
    shown = visible(text)
    assert not any(unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")
                   for c in shown.replace("\r\n", "\n") if c not in "\n\t")


# Unicode Standard Annex 15, figures 3 to 6: the two spellings are equivalent under NFKC.
@pytest.mark.parametrize("one, other", [
    ("\u00c5", "A\u030a"), ("\u212b", "\u00c5"), ("\ufb01", "fi"), ("2\u2075", "25"),
    ("\u1e9b\u0323", "\u1e69"), ("Soft", "soft "), ("P01-1", "p01\u20131"),
    ("stra\u00dfe", "STRASSE"),
])
def test_names_that_are_one(one, other):
    assert alike(one) == alike(other)


@pytest.mark.parametrize("one, other", [("soft", "softer"), ("A1", "A11"), ("P01", "PO1")])
def test_names_that_are_two(one, other):
    assert alike(one) != alike(other)


def test_a_plan_refuses_names_that_differ_only_in_look_and_shows_both():
    soft, again = (Blend(n, ((Wax(n), 1.0),)) for n in ("soft", "Soft"))
    rename = "give one thing one name, or two things clearly different names"
    with pytest.raises(PlanError) as error:
        check_blends([soft, again])
    assert str(error.value) == f"the blends 'soft' and 'Soft' have the same name; {rename}"
    with pytest.raises(PlanError) as error:
        check_blends([Blend("a", ((Wax("soy"), 1.0),)), Blend("b", ((Wax("Soy"), 1.0),))])
    assert str(error.value) == f"the waxes 'soy' and 'Soy' have the same name; {rename}"
    with pytest.raises(PlanError) as error:
        check_assessors(["A1", "a1"], PieceNumbers())
    assert str(error.value) == f"the testers 'A1' and 'a1' have the same name; {rename}"


def test_a_material_has_no_sign_that_cannot_be_seen():
    assert Wax(" soft wax ").name == "soft wax"
    with pytest.raises(MaterialError, match="give a text of visible characters"):
        Wax("soft\u202e")
    assert (Wax("soft", "L\u200b-2").lot, Fragrance("fig", "L\u202e 2").lot) == ("L-2", "L 2")
    assert unseen("note\nof two lines", lines=True) == ()

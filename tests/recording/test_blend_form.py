"""Blends by a tap: what stands below follows."""

import pytest

from scentlab.recording.blend_form import BlendForm, as_widget


class Table:
    def _repr_html_(self):
        return "<table></table>"


class Picture:
    def _repr_png_(self):
        return b"png"


def test_the_first_blend_is_chosen_and_a_tap_chooses_another():
    form = BlendForm(["soft", "firm"])
    place = form.show(lambda blend: f"about {blend}", "Words")
    assert (form.blend, form.browser.pressed) == ("soft", ["blend-0"])
    assert place.children[0].value == "<p>about soft</p>"
    form.blends["firm"].click()
    assert (form.blend, form.browser.pressed) == ("firm", ["blend-1"])
    assert place.children[0].value == "<p>about firm</p>"
    assert "Shown for firm." in form.message.value


def test_what_one_place_cannot_show_leaves_the_others():
    form = BlendForm(["soft", "firm"])

    def fail(blend):
        raise ValueError(f"no <throw> of {blend}")

    bad, good = form.show(fail, "Throw"), form.show(str.upper, "Name")
    form.choose("firm")
    assert "no &lt;throw&gt; of firm" in bad.children[0].value
    assert good.children[0].value == "<p>FIRM</p>"


def test_an_unknown_blend_is_refused():
    with pytest.raises(ValueError, match="^blend is 'hard'; give one of soft, firm$"):
        BlendForm(["soft", "firm"]).choose("hard")


def test_pictures_have_words_and_tables_scroll():
    picture = as_widget(Picture(), 'Throw of "soft"').value
    assert 'alt="Throw of &quot;soft&quot;"' in picture and "base64,cG5n" in picture
    assert as_widget(Table(), "").value == '<div style="overflow-x:auto"><table></table></div>'
    assert as_widget("<b>", "").value == "<p>&lt;b&gt;</p>"


def test_buttons_are_named_by_their_blend():
    assert BlendForm(["soft", "firm 60/40"]).browser.names == {
        "blend-0": "soft", "blend-1": "firm 60/40"}

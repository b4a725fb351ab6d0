"""One of several by a tap: who scores, a blend, an answer. What is shown for it follows."""


import ipywidgets as w

from scentlab.forms.choose import ChooseForm
from scentlab.forms.frame import as_widget


class Table:
    def _repr_html_(self):
        return "<table></table>"


def test_the_first_is_chosen_and_a_tap_chooses_another():
    form = ChooseForm("Which blend?", ["soft", "firm 60/40"], "blend", begin=True)
    place = form.show(lambda blend: f"about {blend}", "Words")
    assert (form.chosen, form.browser.pressed) == ("soft", ["blend-soft"])
    assert place.children[0].value == "<p>about soft</p>"
    form.options["firm 60/40"].click()
    assert (form.chosen, form.browser.pressed) == ("firm 60/40", ["blend-1"])
    assert place.children[0].value == "<p>about firm 60/40</p>"
    assert "Shown for firm 60/40." in form.message.value
    assert form.browser.names == {"blend-soft": "soft", "blend-1": "firm 60/40"}


def test_nobody_is_chosen_until_a_tap_and_what_is_shown_later_follows_at_once():
    form = ChooseForm("Who?", ("A1", "A2"), "assessor", said="{0} scores.")
    place = form.show(lambda code: w.HTML(f"form of {code}"))
    assert form.chosen is None and "Choose above first" in place.children[0].value
    form.options["A2"].click()
    assert form.browser.pressed == ["assessor-A2"] and "A2 scores." in form.message.value
    assert place.children[0].value == "form of A2"
    assert form.show(lambda code: w.HTML(code)).children[0].value == "A2"


def test_what_one_place_cannot_show_leaves_the_others():
    form = ChooseForm("Which?", ["soft", "firm"], begin=True)

    def fail(blend):
        raise ValueError(f"no <throw> of {blend}")

    bad, good = form.show(fail, "Throw"), form.show(str.upper, "Name")
    form.choose("firm")
    assert "no &lt;throw&gt; of firm" in bad.children[0].value
    assert good.children[0].value == "<p>FIRM</p>"


def test_options_that_came_later_are_found_by_a_tap():
    lying = {}
    form = ChooseForm("Answers", lambda: lying, "answer")
    assert not form.options and "No answer here yet." in form.message.value
    place = form.show(str.upper)
    assert not place.children, "there is nothing above to choose"
    lying["late.json"] = "Show late.json"
    form.look.click()
    assert "Choose above first" in place.children[0].value
    assert form.browser.names["answer-late.json"] == "Show late.json"
    form.options["late.json"].click()
    assert form.chosen == "late.json" and "Shown for late.json." in form.message.value


def test_pictures_have_words_and_tables_scroll():
    assert 'aria-label="Throw of &quot;soft&quot;"' in as_widget(Table(), 'Throw of "soft"').value
    assert as_widget(Table(), "").value == '<div style="overflow-x:auto"><table></table></div>'
    assert as_widget("<b>", "").value == "<p>&lt;b&gt;</p>"

"""The batch sheet by a button."""

from types import SimpleNamespace

from scentlab.forms.batch import BatchForm


def form():
    made = []

    def make(blend, load_pct, **much):
        made.append((blend, load_pct, much))
        return SimpleNamespace(sentence="weigh <this>", warnings=())

    return BatchForm(["soft", "firm"], make, lambda batch: "exports/batch.html"), made


def test_a_tap_writes_what_is_typed_at_the_recommended_load():
    one, made = form()
    one.go.click()
    one.blend.choose("firm")
    one.fields["much"].value, one.fields["load"].value = "40 packs", "1.5 oz/lb"
    one.go.click()
    assert made[0][:2] == ("soft", None) and round(made[0][2]["wax_g"], 2) == 453.59
    assert made[1] == ("firm", 9.375, {"packs": 40})
    assert "Written: exports/batch.html" in one.message.value
    assert "weigh &lt;this&gt;" in one.said.value


def test_what_cannot_be_read_writes_nothing_and_says_what_to_type():
    one, made = form()
    for text in ("much", "1 ml", ""):
        one.fields["much"].value = text
        one.go.click()
        assert not made and "NOT SAVED" in one.message.value, text
    assert one.batch is None

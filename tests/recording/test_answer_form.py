"""Answers that came back: a button for each, a tap shows it."""

from pathlib import Path

from scentlab.recording.answer_form import AnswerForm


class Weighed:
    def __init__(self, path):
        self.path = path

    def _repr_html_(self):
        return f"<p>{self.path.name} weighed</p>"


def test_a_tap_shows_an_answer():
    form = AnswerForm(lambda: [Path("b.json"), Path("a.json")], Weighed)
    assert list(form.answers) == ["a.json", "b.json"] and form.weighed is None
    assert "Tap an answer." in form.message.value
    form.answers["b.json"].click()
    assert "b.json weighed" in form.place.children[0].value
    assert "nothing of the series was changed" in form.message.value
    assert form.browser.names["answer-1"] == "Show b.json"


def test_answers_that_came_later_are_found_by_a_tap():
    lying = []
    form = AnswerForm(lambda: lying, Weighed)
    assert not form.answers and "No answer lies here yet." in form.message.value
    lying.append(Path("late.json"))
    form.look.click()
    assert list(form.answers) == ["late.json"] and "answer-0" in form.browser.names


def test_what_cannot_be_shown_is_said_and_shows_nothing_old():
    def weigh(path):
        if path.name == "bad.json":
            raise ValueError("the answer sets a limit for 'tallow'")
        return Weighed(path)

    form = AnswerForm(lambda: [Path("bad.json"), Path("good.json")], weigh)
    form.answers["good.json"].click()
    form.answers["bad.json"].click()
    assert "bad.json cannot be shown: the answer sets a limit for" in form.message.value
    assert "NOT SAVED" not in form.message.value and not form.place.children

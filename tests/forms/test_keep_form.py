"""The form that keeps a plan: nothing by one tap, and what keeping changes is said before."""

import datetime as dt
from types import SimpleNamespace

import pytest

from scentlab.forms.keep import KeepForm
from scentlab.recording.store import Receipt

PLAN = SimpleNamespace(name="plan")


class Desk:
    """What the form may ask of the outside; it notes what it was asked."""

    def __init__(self):
        self.kept, self.written, self.back = [], [], 0
        self.seen = SimpleNamespace(words="NOT kept <yet>.", same=False, warning="")

    def look(self, plan):
        if isinstance(self.seen, Exception):
            raise self.seen
        return self.seen

    def write(self, plan, paper):
        self.written.append(paper)
        return [("Pour sheets", "exports/pour-sheets.html")]

    def keep(self, plan, key):
        self.kept.append((plan, key))
        self.seen = SimpleNamespace(words="This is kept.", same=True, warning="")
        return Receipt(7, key, dt.datetime(2026, 3, 14, tzinfo=dt.UTC))

    def go_back(self):
        self.back += 1


@pytest.fixture
def desk():
    return Desk()


@pytest.fixture
def form(desk):
    form = KeepForm(desk.look, desk.write, desk.keep, "mine/series.sqlite", desk.go_back)
    form.take(PLAN)
    return form


def test_without_a_plan_there_is_nothing_to_keep_or_write(desk):
    form = KeepForm(desk.look, desk.write, desk.keep, "mine")
    assert form.keep.disabled and form.sheets.disabled
    assert "There is no plan yet: start above and take one of the plans" in form.state.value


def test_one_tap_asks_and_the_second_keeps_and_says_where(form, desk):
    assert "NOT kept &lt;yet&gt;." in form.state.value
    form.keep.click()
    assert desk.kept == []
    assert "NOT SAVED YET. Keep this plan? This fixes pours, codes and orders" in form.message.value
    key = form._key
    form.keep.click()
    assert desk.kept == [(PLAN, key)] and form._key != key
    words = ("entry 7 in mine/series.sqlite. The sheets are written for A4 paper. Next: "
             "pour.")
    assert words in form.message.value
    assert "This is kept." in form.state.value and form.keep.disabled


def test_another_plan_puts_the_question_away(form, desk):
    form.keep.click()
    form.take(SimpleNamespace(name="other"))
    assert form.message.value == ""
    form.keep.click()
    assert desk.kept == [] and "Keep this plan?" in form.message.value


def test_what_keeping_would_change_is_asked_first_and_the_kept_plan_can_come_back(form, desk):
    desk.seen = SimpleNamespace(words="Another is kept.", same=False, warning="Codes change.")
    form.take(PLAN)
    assert form.back.layout.display == ""
    form.keep.click()
    assert "Keep this plan? Codes change." in form.message.value
    form.back.click()
    assert desk.back == 1 and desk.kept == []


def test_a_plan_that_is_refused_cannot_be_kept(form, desk):
    desk.seen = ValueError("pour P01-1 is logged")
    form.take(PLAN)
    assert form.keep.disabled and form.back.layout.display == ""
    assert form.state.value == '<div class="scent-error" role="alert">pour P01-1 is logged</div>'


def test_a_store_that_refuses_is_shown(form, desk):
    def refuse(plan, key):
        raise RuntimeError("the disk is full; nothing was saved")

    form._keep = refuse
    form.keep.click()
    form.keep.click()
    assert "NOT SAVED. the disk is full; nothing was saved" in form.message.value
    assert not form.keep.disabled


def test_sheets_that_cannot_be_written_keep_nothing(form, desk):
    def refuse(plan, paper):
        raise OSError("no room")

    form._write = refuse
    form.keep.click()
    form.keep.click()
    assert desk.kept == [] and "NOT SAVED. no room" in form.message.value


def test_sheets_are_written_on_the_paper_that_is_chosen(form, desk):
    assert form.browser.pressed == ["paper-A4"]
    form.paper.buttons["letter"].click()
    form.sheets.click()
    assert desk.written == ["letter"] and form.browser.pressed == ["paper-letter"]
    assert "Pour sheets: exports/pour-sheets.html" in form.links.value


def test_in_the_lab_of_the_kit_a_sheet_is_a_link(form, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("SCENTLAB_LAB_ROOT", str(tmp_path))
    form.sheets.click()
    assert '<a href="#" data-scentlab-file="exports/pour-sheets.html">Pour sheets</a>' in (
        form.links.value)
    monkeypatch.setenv("SCENTLAB_LAB_ROOT", str(tmp_path / "elsewhere"))
    form.sheets.click()
    assert "<a" not in form.links.value


def test_nothing_is_kept_by_writing_sheets(form, desk):
    form.sheets.click()
    assert desk.kept == []

"""The forms, driven without a browser."""

import datetime as dt
import html
import re

import pytest

from scentlab.recording import forms
from scentlab.recording.forms import GradeForm, PourForm, ThrowForm
from scentlab.recording.store import Receipt, Store
from scentlab.schema import FROST_GRADES, SWEAT_GRADES

MOMENT = dt.datetime(2026, 3, 1, 12, 0, 0, tzinfo=dt.UTC)
PLANNED = [
    {"pour": "P01", "pot": "A", "blend": "soft <mix>", "wax_g": 200.0, "fragrance_g": 18.0,
     "load_pct": 9.0},
    {"pour": "P02", "pot": "A", "blend": "soft <mix>", "wax_g": 200.0, "fragrance_g": 24.0,
     "load_pct": 12.0},
]


class Desk:
    """Takes rows as a store would, and fails when told to."""

    def __init__(self):
        self.rows, self.undone, self.fault = [], [], None

    def save(self, row):
        if self.fault:
            raise RuntimeError(self.fault)
        self.rows.append(row)
        return Receipt(len(self.rows), row["key"], MOMENT)

    def undo(self, receipt):
        self.undone.append(receipt.entry_id)


@pytest.fixture
def desk():
    return Desk()


def text(widget):
    return html.unescape(re.sub("<[^>]+>", "", widget.value))


CLOCK = f"{MOMENT.astimezone():%H:%M:%S}"


def test_a_grade_is_saved_on_one_tap_and_shown(desk):
    form = GradeForm(["417", "211"], "sweat", "A1", desk.save, desk.undo)
    assert text(form.heading) == "Sweat grade by A1: piece 417 (1 of 2)"
    assert text(form.message) == ""
    form.choices[2].click()
    row = dict(desk.rows[0])
    assert len(row.pop("key")) == 32
    assert row == {"code": "417", "test": "sweat", "stress": None, "age_days": None,
                   "assessor": "A1", "grade": 2}
    assert text(form.message) == (
        f"Saved at {CLOCK}: piece 417, sweat grade 2 (visible film)."
    )
    assert text(form.heading) == "Sweat grade by A1: piece 211 (2 of 2)"
    form.choices[0].click()
    assert text(form.heading) == "Sweat grade by A1: all 2 pieces are done."
    assert all(b.disabled for b in form.choices)


@pytest.mark.parametrize("test, words", [("sweat", SWEAT_GRADES), ("frost", FROST_GRADES)])
def test_the_grades_stand_in_words(desk, test, words):
    form = GradeForm(["417"], test, "A1", desk.save)
    assert [b.description for b in form.choices] == [f"{i}: {w}" for i, w in enumerate(words)]


def test_an_error_is_shown_and_the_entry_keeps_its_key(desk):
    form = GradeForm(["417"], "sweat", "A1", desk.save)
    seen = []
    form._on_save = lambda row: (seen.append(row["key"]), desk.save(row))[1]
    desk.fault = "the disk of <here> is full"
    form.choices[2].click()
    assert text(form.message) == "NOT SAVED. the disk of <here> is full"
    assert "<here>" not in form.message.value
    assert 'role="alert"' in form.message.value
    assert form.piece["code"] == "417"
    desk.fault = None
    form.choices[2].click()
    assert seen[0] == seen[1] == desk.rows[0]["key"]


def test_undo_goes_back_to_the_piece(desk):
    form = GradeForm(["417", "211"], "frost", "A1", desk.save, desk.undo)
    assert form.undo.layout.display == "none"
    form.choices[4].click()
    form.undo.click()
    assert desk.undone == [1]
    assert form.piece["code"] == "417"
    assert text(form.message) == (
        "Undone: piece 417, frost grade 4 (more than half of the face). The entry stays in the "
        "history as void."
    )
    form.choices[0].click()
    assert desk.rows[0]["key"] != desk.rows[1]["key"]


def test_a_piece_can_wait(desk):
    form = GradeForm(["417", "211"], "sweat", "A1", desk.save)
    form.later.click()
    assert form.piece["code"] == "211"
    form.choices[0].click()
    form.choices[1].click()
    assert [r["code"] for r in desk.rows] == ["211", "417"]


def test_throw_needs_the_minutes_on_the_warmer(desk, monkeypatch):
    now = [1000.0]
    monkeypatch.setattr(forms.time, "monotonic", lambda: now[0])
    form = ThrowForm(["417", "211", "305"], "A1", "S1", "warm", desk.save,
                     works_with_fragrance=False)
    form.choices[5].click()
    assert text(form.message) == (
        "NOT SAVED. Start the timer when the warmer goes on, or type the minutes."
    )
    form.start.click()
    now[0] += 30 * 60
    form.choices[5].click()
    form.choices[5].click()
    assert text(form.message).startswith("NOT SAVED. Start the timer"), "each piece has its own"
    form.minutes.value = "20,5"
    form.choices[5].click()
    assert text(form.message) == (
        "NOT SAVED. time on the warmer before the score: found '20,5', expected a number with a "
        "decimal point from 0 to 1440 (min). Write the decimal sign as a point."
    )
    form.minutes.value = "20.5"
    form.choices[10].click()
    assert [(r["code"], r["throw"], r["minutes"], r["position"]) for r in desk.rows] == [
        ("417", 5.0, 30.0, 1), ("211", 10.0, 20.5, 2)
    ]
    assert desk.rows[0]["works_with_fragrance"] is False


def test_cold_throw_asks_for_no_minutes(desk):
    form = ThrowForm(["417"], "A1", "S1", "cold", desk.save)
    form.choices[0].click()
    assert desk.rows[0]["minutes"] is None
    assert text(form.message) == f"Saved at {CLOCK}: piece 417, cold throw 0 of 10."


def test_a_pour_beside_its_plan(desk):
    form = PourForm(PLANNED, desk.save, done=["P02"], on_undo=desk.undo)
    assert form.pours["P02"].disabled
    assert text(form.planned_view) == "Choose the pour that you weigh."
    assert form.save.disabled
    form.pours["P01"].click()
    assert text(form.planned_view) == (
        "Plan of P01: pot A, blend soft <mix>, 200.0 g of wax and 18.00 g of fragrance, 9.00 % of "
        "wax (8.26 % of total)."
    )
    assert "<mix>" not in form.planned_view.value
    form.fields["wax_g"].value = "200"
    form.fields["fragrance_g"].value = "18.6"
    assert text(form.load) == (
        "True load 9.30 % of wax (8.51 % of total), planned 9.00 % of wax (8.26 % of total)."
    )
    form.fields["fragrance_g"].value = "19"
    assert text(form.load) == (
        "True load 9.50 % of wax (8.68 % of total), planned 9.00 % of wax (8.26 % of total). Off "
        "by +0.50 points of wax basis: weigh again, or keep it and say why in the note."
    )
    assert "scent-flag" in form.load.value
    form.fields["poured_on"].value = "2026-03-01"
    form.save.click()
    assert text(form.message) == (
        f"Saved at {CLOCK}: pour P01 at 9.50 % of wax (8.68 % of total)."
    )
    assert desk.rows[0]["wax_g"] == 200.0
    assert desk.rows[0]["poured_on"] == dt.date(2026, 3, 1)
    assert all(f.value == "" for f in form.fields.values())
    assert text(form.planned_view) == "All pours are logged."
    form.undo.click()
    assert not form.pours["P01"].disabled


def test_a_wrong_weight_is_told_while_typing_and_on_saving(desk):
    form = PourForm(PLANNED, desk.save)
    form.pours["P01"].click()
    form.fields["wax_g"].value = "200"
    form.fields["fragrance_g"].value = "18,5"
    assert text(form.load) == (
        "fragrance weighed into this pour: found '18,5', expected a number with a decimal point "
        "from 0 to 40000 (g). Write the decimal sign as a point."
    )
    form.save.click()
    assert text(form.message) == (
        "NOT SAVED. pours, column fragrance_g: found '18,5', expected a number with a decimal "
        "point from 0 to 40000 (g). Correct the value."
    )
    assert desk.rows == []


def test_a_day_left_empty_is_today(desk):
    form = PourForm(PLANNED, desk.save)
    form.pours["P02"].click()
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "24"
    form.save.click()
    assert desk.rows[0]["poured_on"] == dt.date.today()


@pytest.mark.parametrize("make, words", [
    (lambda s: GradeForm(["417"], "bleed", "A1", s),
     "test is 'bleed'; give one of sweat, frost"),
    (lambda s: GradeForm(["417"], "sweat", "Anna", s),
     "assessor is 'Anna'; give an assessor's code, never a name, such as A1"),
    (lambda s: ThrowForm(["417"], "A1", "S1", "hot", s),
     "kind is 'hot'; give one of cold, warm"),
])
def test_a_form_that_cannot_be(desk, make, words):
    with pytest.raises(ValueError) as error:
        make(desk.save)
    assert str(error.value) == words


def test_only_the_blind_code_is_shown(desk):
    import pandas as pd

    frame = pd.DataFrame({"code": ["417"], "stress": ["heat"], "age_days": [7.0],
                          "load_pct": [12.5], "blend": ["secret"]})
    form = GradeForm(frame, "sweat", "A1", desk.save)
    shown = form.heading.value + "".join(b.description for b in form.choices)
    assert "secret" not in shown and "12.5" not in shown
    form.choices[1].click()
    assert (desk.rows[0]["stress"], desk.rows[0]["age_days"]) == ("heat", 7.0)


def test_a_form_writes_into_a_store(tmp_path):
    store = Store.create(tmp_path / "s")
    store.add("pieces", {"code": "417", "pour": "P01"})
    form = GradeForm(
        ["417"], "sweat", "A1", lambda row: store.add("grades", row),
        lambda receipt: store.void("grades", receipt.entry_id, "undone in the form"),
    )
    form.choices[3].click()
    assert list(store.rows("grades")["grade"]) == [3]
    form.undo.click()
    assert store.rows("grades").empty
    assert len(store.rows("grades", history=True)) == 2

"""Mending what is stored: found by blind code, with a reason, the old entry kept."""

import datetime as dt
import html
import re

import pytest

from scentlab.forms.correct import CorrectForm
from scentlab.recording.correcting import mend, stored_about
from scentlab.recording.store import RefusedError
from scentlab.recording.unpoured import make_void
from scentlab.schema import DataError
from scentlab.units import Shown, showing


@pytest.fixture
def scored(store):
    """The series of conftest with two grades of 417 and a throw of 211."""
    for age, grade in ((14.0, 2), (21.0, 3)):
        store.add("grades", {"code": "417", "test": "sweat", "stress": "rest", "age_days": age,
                             "assessor": "A1", "grade": grade})
    store.add("throws", {"code": "211", "assessor": "A2", "sitting": "S1", "kind": "warm",
                         "throw": 6.5, "minutes": 30.0})
    return store


def test_entries_are_told_in_words_and_without_the_pour(scored):
    found = [*stored_about(scored, "417"), *stored_about(scored, "211")]
    found = [(e.table, e.entry_id, e.words) for e in found]
    assert found == [
        ("grades", 1, "sweat grade 2 (visible film, at room temperature) by A1 at 14 days"),
        ("grades", 2, "sweat grade 3 (beads, at room temperature) by A1 at 21 days"),
        ("throws", 1, "hot throw 6.5 of 10 after 30 min by A2, session S1"),
    ]
    assert "P01" not in str(found) and "soft" not in str(found)
    (entry,) = stored_about(scored, " P01 ")
    assert entry.words == "pour P01 of 2026-03-01: 18 g of fragrance in 200 g of wax"
    assert entry.values["wax_g"] == 200.0


def test_the_temperatures_of_a_pour_are_told_with_its_weights(scored):
    scored.add("pours", {"pour": "P77", "pot": "A", "blend": "soft", "poured_on": "2026-03-02",
                         "wax_g": 200.0, "fragrance_g": 16.0, "add_temp_c": 85.0,
                         "pour_temp_c": 60.5, "stir_min": 2.0})
    (entry,) = stored_about(scored, "P77")
    assert entry.words == (
        "pour P77 of 2026-03-02: 16 g of fragrance in 200 g of wax, fragrance added at 85 °C, "
        "poured at 60.5 °C, stirred for 2 min"
    )


def test_a_correction_keeps_the_old_entry_and_the_reason(scored):
    receipt = mend(scored, "grades", 2, {"grade": "1"}, " read one line down ")
    rows = scored.rows("grades")
    assert rows[["entry_id", "grade", "age_days"]].to_numpy().tolist() == [[1, 2, 14.0],
                                                                          [3, 1, 21.0]]
    history = scored.rows("grades", history=True)
    assert history["reason"].tolist() == [None, None, "read one line down"]
    assert receipt.entry_id == 3 and history["replaces"].tolist()[2] == 2


@pytest.mark.parametrize("table, entry, changes, reason, words", [
    ("grades", 1, {"grade": "3"}, " ", "say why: every change keeps its reason"),
    ("grades", 1, {"code": "211"}, "why", "code of grades cannot be corrected, only grade, "
     "age_days, assessor; for another piece or test batch, make the entry void and record it "
     "again"),
    ("pours", 1, {"blend": "hard"}, "why", "blend of pours cannot be corrected, only poured_on, "
     "wax_g, fragrance_g, add_temp_c, pour_temp_c, stir_min, room_temp_c, scale_check_g, "
     "limit_load_pct, limit_content_pct, note; for another wax, make the entry void and import it "
     "from a file, with its own pot and --beyond-plan"),
    ("grades", 9, {"grade": "3"}, "why", "the table grades has no entry 9"),
    ("grades", 1, {"grade": "2"}, "why",
     "entry 1 of grades already says so; nothing was changed"),
])
def test_what_is_refused(scored, table, entry, changes, reason, words):
    with pytest.raises(RefusedError) as error:
        mend(scored, table, entry, changes, reason)
    assert str(error.value) == words
    assert len(scored.rows("grades", history=True)) == 2


def test_a_wrong_value_and_a_day_to_come_are_refused(scored):
    with pytest.raises(DataError) as error:
        mend(scored, "grades", 1, {"grade": "7"}, "why")
    assert str(error.value) == ("grades, column grade: found '7', expected a whole number from 0 "
                                "to 4 (grade). Correct the value.")
    with pytest.raises(DataError) as error:
        mend(scored, "pours", 1, {"wax_g": "95,5"}, "why")
    assert "Write it with a point, as in 9.5" in str(error.value)
    day = dt.date.today() + dt.timedelta(days=2)
    with pytest.raises(DataError) as error:
        mend(scored, "pours", 1, {"poured_on": str(day)}, "why")
    assert str(error.value) == (
        f"pours, column poured_on: found '{day}', expected a day up to today. Correct it, or this "
        f"computer's clock, which says that today is {dt.date.today()}."
    )
    assert (error.value.field, error.value.value) == ("poured_on", str(day))
    mend(scored, "pours", 1, {"poured_on": str(dt.date.today() + dt.timedelta(days=1))}, "why")
    with pytest.raises(DataError) as error:
        mend(scored, "pours", 2, {"fragrance_g": "180"}, "why")
    assert str(error.value) == (
        "pours, column fragrance_g: found '180 g', expected a load of at most 40 % of wax, and "
        "with 200 g of wax this is 90.0 %. Look for a slipped decimal point in fragrance_g or "
        "wax_g."
    )


@pytest.mark.parametrize("name, words", [
    ("", "Nothing is filled in: give a piece's blind code or a test batch's name"),
    ("999", "nothing that counts is stored for piece 999; check its label again"),
    ("P99", "nothing that counts is stored for test batch P99; check its label again"),
])
def test_nothing_is_found(scored, name, words):
    with pytest.raises(RefusedError) as error:
        stored_about(scored, name)
    assert str(error.value) == words


def test_what_was_made_void_counts_no_more(scored):
    for entry in stored_about(scored, "417"):
        scored.void(entry.table, entry.entry_id, "another piece")
    with pytest.raises(RefusedError) as error:
        stored_about(scored, "417")
    assert str(error.value) == (
        "nothing that counts is stored for piece 417; check its label again")


def test_weights_are_refused_as_they_are_read(scored):
    with showing(Shown("oz")), pytest.raises(DataError, match=r"found '3\.9 oz', expected a load"):
        mend(scored, "pours", 1, {"fragrance_g": "110.563"}, "why")


def test_who_scores_is_told_no_weights(scored):
    with pytest.raises(RefusedError) as error:
        stored_about(scored, "P01", "piece")
    assert str(error.value) == "'P01' is not a blind code: give the three digits on the label"
    assert stored_about(scored, "417", "piece")


# --- the form ----------------------------------------------------------------------------------


@pytest.fixture
def form(scored):
    def change(table, entry_id, changes, reason, key):
        return mend(scored, table, entry_id, changes, reason, key)

    def drop(table, entry_id, reason, key):
        return make_void(scored, table, entry_id, reason, key)

    return CorrectForm(lambda name: stored_about(scored, name), change, drop)


def said(form):
    return html.unescape(re.sub("<[^>]+>", "", form.message.value))


def find(form, name, entry):
    form.name.value = name
    form.show.click()
    form.chooser.buttons[entry].click()


def test_it_begins_closed_and_walks_from_code_to_entry(form, scored):
    form.name.value = "417"
    form.show.click()
    assert [b.description for b in form.chooser.buttons.values()] == [
        "sweat grade 2 (visible film, at room temperature) by A1 at 14 days (entry 1)",
        "sweat grade 3 (beads, at room temperature) by A1 at 21 days (entry 2)",
    ]
    form.chooser.buttons[("grades", 2)].click()
    assert {n: f.value for n, f in form.fields.items()} == {
        "grade": "3", "age_days": "21", "assessor": "A1"
    }
    form.fields["grade"].value = "1"
    form.save.click()
    assert said(form) == "NOT SAVED. say why: every change keeps its reason"
    form.reason.value = "the next piece"
    form.save.click()
    assert said(form) == (
        "Corrected: sweat grade 3 (beads, at room temperature) by A1 at 21 days; now grade 1. "
        "The old entry stays in the history."
    )
    assert scored.rows("grades")["grade"].tolist() == [2, 1]
    form.save.click()
    assert said(form) == "NOT SAVED. Show what is stored and choose the entry first."
    assert len(scored.rows("grades", history=True)) == 3


def test_a_void_by_the_form(form, scored):
    find(form, "211", ("throws", 1))
    form.drop.click()
    assert said(form).startswith("NOT SAVED. say why")
    form.reason.value = "the warmer was off"
    form.drop.click()
    assert scored.rows("throws").empty
    assert scored.rows("throws", history=True)["void_reason"].tolist()[1] == "the warmer was off"


def test_a_decimal_comma_and_nothing_changed(form, scored):
    find(form, "211", ("throws", 1))
    form.reason.value = "slip"
    form.save.click()
    assert said(form) == (
        "NOT SAVED. Nothing changed yet: change a field, or make the entry void."
    )
    form.fields["minutes"].value = "20,5"
    form.save.click()
    assert scored.rows("throws")[["throw", "minutes"]].to_numpy().tolist() == [[6.5, 20.5]]


def test_a_day_with_dots_and_one_that_is_not_understood(form, scored):
    find(form, "P01", ("pours", 1))
    form.reason.value = "the day before"
    form.fields["poured_on"].value = "10/11/2025"
    form.save.click()
    assert said(form) == (
        "NOT SAVED. Day of pouring: found '10/11/2025', which is not a date; write it as "
        "14 Mar 2026, 2026-03-14 or 14.03.2026."
    )
    form.fields["poured_on"].value = "28.2.2026"
    form.save.click()
    assert said(form).endswith("now day of pouring 2026-02-28. The old entry stays in the history.")
    assert [str(d) for d in scored.rows("pours")["poured_on"]][0] == "2026-02-28"


def test_an_entry_that_was_changed_meanwhile(form, scored):
    find(form, "417", ("grades", 1))
    mend(scored, "grades", 1, {"grade": 0}, "in another window")
    form.fields["grade"].value, form.reason.value = "4", "slip"
    form.save.click()
    assert said(form) == ("NOT SAVED. entry 1 of grades was replaced by entry 3; change that one")
    assert scored.rows("grades")["grade"].tolist() == [3, 0]

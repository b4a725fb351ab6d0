"""The forms, driven without a browser."""

import datetime as dt
import html
import re

import pandas as pd
import pytest

from scentlab.forms import scores
from scentlab.forms.fields import FieldError, read_day
from scentlab.forms.pours import PourForm
from scentlab.forms.scores import GradeForm, ThrowForm
from scentlab.forms.share import ShareForm
from scentlab.recording.draft import DraftError
from scentlab.recording.store import Receipt, RefusedError, Store
from scentlab.schema import FROST_GRADES, SWEAT_GRADES
from scentlab.units import Shown, showing

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


def test_what_was_mended_elsewhere_keeps_no_earlier_entry_from_being_undone(desk):
    def undo(receipt):
        if receipt.entry_id == 2:
            raise RefusedError("entry 2 was replaced by entry 3", "change that one")
        desk.undo(receipt)

    form = GradeForm(["417", "211"], "sweat", "A1", desk.save, undo)
    form.choices[2].click()
    form.choices[0].click()
    form.undo.click()
    assert text(form.message) == "NOT SAVED. entry 2 was replaced by entry 3; change that one"
    form.undo.click()
    assert desk.undone == [1] and form.undo.layout.display == "none"


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
    monkeypatch.setattr(scores.time, "time", lambda: now[0])
    form = ThrowForm(["417", "211", "305"], "A1", "S1", "warm", desk.save,
                     works_with_fragrance=False)
    # The same points have a word as on the phone's page and on paper.
    assert [c.description for c in form.choices if ":" in c.description] == [
        "0: nothing", "5: clear", "10: overpowering"]
    form.choices[5].click()
    assert text(form.message) == (
        "NOT SAVED. Start the timer when the warmer goes on, or type the minutes."
    )
    form.start.click()
    now[0] += 30 * 60
    form.choices[5].click()
    assert text(form.message) == (
        f"Saved at {CLOCK}: piece 417, hot throw 5 of 10 after 30 min on the warmer."
    )
    form.choices[5].click()
    assert text(form.message).startswith("NOT SAVED. Start the timer"), "each piece has its own"
    form.minutes.value = "1,250"
    form.choices[5].click()
    assert text(form.message) == (
        "NOT SAVED. Time on the warmer before the score: found '1,250', expected a number with a "
        "decimal point from 0 to 1440 (min). Write it with a point, as in 9.5, and no thousands "
        "separator."
    )
    form.minutes.value = "20,5"
    form.choices[10].click()
    assert text(form.message).endswith("hot throw 10 of 10 after 20.5 min on the warmer.")
    assert [(r["code"], r["throw"], r["minutes"], r["position"]) for r in desk.rows] == [
        ("417", 5.0, 30.0, 1), ("211", 10.0, 20.5, 2)
    ]
    assert desk.rows[0]["works_with_fragrance"] is False


def test_a_piece_left_for_later_has_the_place_at_which_it_was_smelt(desk):
    planned = pd.DataFrame({"code": ["417", "211", "305"], "position": [2, 3, 5]})
    form = ThrowForm(planned, "A1", "S1", "cold", desk.save, desk.undo)
    form.later.click()
    for score in (6, 7, 8):
        form.choices[score].click()
    assert [(r["code"], r["position"]) for r in desk.rows] == [("211", 2), ("305", 3), ("417", 5)]


def test_a_second_tap_does_not_put_the_timer_back(desk, monkeypatch):
    now = [1000.0]
    monkeypatch.setattr(scores.time, "time", lambda: now[0])
    form = ThrowForm(["417", "211"], "A1", "S1", "warm", desk.save, desk.undo)
    form.start.click()
    assert form.start.disabled, "a browser sends no tap of it now"
    now[0] += 600
    form.later.click()
    assert not form.start.disabled and form.browser.since == 0, "another piece, another warmer"
    form.later.click()
    assert form.browser.since == 1_000_000.0
    now[0] += 600
    form.choices[7].click()
    assert desk.rows[0]["minutes"] == 20.0, "the time while another piece was shown counts"
    form.undo.click()
    assert form.minutes.value == "20"
    form.choices[6].click()
    assert [(r["code"], r["throw"], r["minutes"]) for r in desk.rows] == [
        ("417", 7.0, 20.0), ("417", 6.0, 20.0)
    ]


def test_a_form_left_open_over_midnight_counts_the_day(desk, monkeypatch):
    class Tomorrow(dt.date):
        @classmethod
        def today(cls):
            return dt.date.fromordinal(dt.date(2026, 3, 15).toordinal() + days[0])

    days = [0]
    monkeypatch.setattr(scores.dt, "date", Tomorrow)
    frame = pd.DataFrame({"code": ["417", "211"], "age_days": [14.0, None]}, dtype=object)
    form = GradeForm(frame, "sweat", "A1", desk.save)
    days[0] = 1
    form.choices[0].click()
    form.choices[0].click()
    assert [r["age_days"] for r in desk.rows] == [15.0, None]


def test_the_age_and_the_planned_one_stand_beside_the_code(desk):
    frame = pd.DataFrame({"code": ["417", "211", "305"], "age_days": [50.0, 9.0, None],
                          "planned_age_days": [7.0, None, 7.0]}, dtype=object)
    form = GradeForm(frame, "sweat", "A1", desk.save)
    shown = []
    for _ in range(3):
        shown.append(text(form.heading))
        form.choices[0].click()
    assert shown == [
        "Sweat grade by A1: piece 417 (1 of 3), 50 days old (planned: 7)",
        "Sweat grade by A1: piece 211 (2 of 3), 9 days old",
        "Sweat grade by A1: piece 305 (3 of 3)",
    ]
    assert "planned_age_days" not in desk.rows[0]
    frame = frame.assign(position=1)
    throw = ThrowForm(frame, "A1", "S1", "cold", desk.save)
    assert text(throw.heading).endswith("piece 417 (1 of 3)")


def test_a_form_without_pieces_says_so(desk):
    form = GradeForm([], "sweat", "A1", desk.save)
    assert text(form.heading) == "Sweat grade by A1: no piece is waiting."
    assert all(b.disabled for b in form.choices)


def test_cold_throw_asks_for_no_minutes(desk):
    form = ThrowForm(["417"], "A1", "S1", "cold", desk.save)
    form.choices[0].click()
    assert desk.rows[0]["minutes"] is None
    assert text(form.message) == f"Saved at {CLOCK}: piece 417, cold throw 0 of 10."


def test_a_pour_beside_its_plan(desk):
    form = PourForm(PLANNED, desk.save, done=["P02"], on_undo=desk.undo)
    assert form.pours["P02"].disabled and form.pours["P01"].on
    # 1 oz is 28.349523125 g (NIST Handbook 44, appendix C): 200 g is 7.0548 oz, 18 g 0.6349.
    assert text(form.planned_view) == (
        "Test batch 1 of 2: P01Pot A, soft <mix>, 9.0 % (1.44 oz/lb) of fragrance on the wax."
        "Weigh 200.0 g (7.05 oz) of wax and 18.00 g (0.63 oz) of fragrance.Hot wax burns. Never "
        "leave it alone, never water on burning wax; lid at hand, gloves on, fresh air. Local fire "
        "codes come first."
    )
    assert form.all.fold.description == "▸ All test batches: 1 of 2 logged"
    assert "<mix>" not in form.planned_view.value
    form.fields["wax_g"].value = "200"
    form.fields["fragrance_g"].value = "18.6"
    assert text(form.load) == (
        "18.6 g of fragrance in 200 g of wax: true load 9.30 % of wax (8.51 % of total), planned "
        "9.00 % of wax (8.26 % of total)."
    )
    form.fields["fragrance_g"].value = "19"
    assert text(form.load) == (
        "19 g of fragrance in 200 g of wax: true load 9.50 % of wax (8.68 % of total), planned "
        "9.00 % of wax (8.26 % of total). Too much by 0.50 points of load (% of wax): weigh again, "
        "or keep it and say why in “Anything that was seen”."
    )
    assert "scent-flag" in form.load.value
    form.fields["poured_on"].value = "2026-03-01"
    form.save.click()
    assert text(form.message) == (
        f"Saved at {CLOCK}: pour P01 at 9.50 % of wax (8.68 % of total), 19 g of fragrance in "
        "200 g of wax, poured on 2026-03-01."
    )
    assert desk.rows[0]["wax_g"] == 200.0
    assert desk.rows[0]["poured_on"] == dt.date(2026, 3, 1)
    assert not any(field.value for field in form.fields.values())
    assert text(form.planned_view).startswith("All test batches are logged.")
    form.undo.click()
    assert not form.pours["P01"].disabled
    assert form.fields["fragrance_g"].value == "19", "to be mended, not typed again"
    form.fields["fragrance_g"].value = "18"
    form.save.click()
    assert [r["fragrance_g"] for r in desk.rows] == [19.0, 18.0]


def test_a_decimal_comma_is_understood_and_shown(desk):
    form = PourForm(PLANNED, desk.save)
    form.pours["P01"].click()
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "18,5"
    assert text(form.load).startswith("18.5 g of fragrance in 200 g of wax: true load 9.25 % of")
    form.save.click()
    assert desk.rows[0]["fragrance_g"] == 18.5
    assert "18.5 g of fragrance in 200 g of wax" in text(form.message)


def test_all_that_is_wrong_is_told_while_typing_and_on_saving(desk):
    form = PourForm(PLANNED, desk.save)
    form.pours["P01"].click()
    form.fields["wax_g"].value = "200"
    form.fields["fragrance_g"].value = "1.234,5"
    wrong = (
        "Fragrance weighed: found '1.234,5', expected a number with a decimal "
        "point from 0 to 40000 (g). Write it with a point, as in 9.5, and no thousands separator."
    )
    assert text(form.load) == wrong
    form.fields["wax_g"].value, form.fields["add_temp_c"].value = "", "180"
    form.save.click()
    assert form.message.value.count("<br>") == 2
    for words in (wrong, "Wax weighed: nothing is filled in, expected a number "
                  "with a decimal point from 1 to 100000 (g).",
                  "Fragrance added at: found '180', expected a number "
                  "with a decimal point from 20 to 150 (°C). Correct the value or leave it empty."):
        assert words in text(form.message)
    assert desk.rows == []


def test_weights_the_wrong_way_round_are_told(desk):
    form = PourForm(PLANNED, desk.save)
    form.pours["P01"].click()
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "18", "200"
    form.save.click()
    assert text(form.message) == (
        "NOT SAVED. 200 g of fragrance: expected a load of at most 40 % of wax, and with 18 g of "
        "wax this is 1111.1 %. Look for a slipped decimal point, or the two weights swapped."
    )
    assert text(form.load) in text(form.message) and desk.rows == []


def test_the_cards_come_one_after_another_and_one_can_wait(desk):
    more = [*PLANNED, {**PLANNED[0], "pour": "P03"}]
    form = PourForm(more, desk.save, on_undo=desk.undo)
    assert "Test batch 1 of 3: P01" in text(form.planned_view)
    form.later.click()
    assert "Test batch 2 of 3: P02" in text(form.planned_view)
    for pour, weighed in (("P02", "24"), ("P03", "18"), ("P01", "18")):
        assert f": {pour}Pot A" in text(form.planned_view)
        form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", weighed
        form.save.click()
    assert [r["pour"] for r in desk.rows] == ["P02", "P03", "P01"]
    assert text(form.planned_view).startswith("All test batches are logged.")
    assert form._card.layout.display == "none"
    form.save.click()
    assert text(form.message) == "NOT SAVED. All test batches are logged."
    form.undo.click()
    assert "Test batch 1 of 3: P01" in text(form.planned_view)
    assert form._card.layout.display == "" and form.fields["fragrance_g"].value == "18"


def test_one_that_will_not_be_poured_waits_no_more_and_is_taken_back(desk):
    gone, more = {"P03": "spilled"}, [*PLANNED, {**PLANNED[0], "pour": "P03"}]
    form = PourForm(
        more, desk.save, on_undo=desk.undo, gone=gone, on_take=gone.pop,
        on_leave=lambda pour, reason, key: gone.update({pour: reason}) or Receipt(7, key, MOMENT))
    assert form.pours["P03"].description == "P03 (not poured)"
    form.fields["note"].value, form.fields["wax_g"].value = "the pot fell", "199"
    form.leave.click()
    assert gone == {"P03": "spilled", "P01": "the pot fell"} and desk.rows == []
    assert text(form.message) == f"Saved at {CLOCK}: P01 will not be poured (the pot fell)."
    assert ": P02Pot A" in text(form.planned_view)
    assert form.fields["note"].value == form.fields["wax_g"].value == ""
    form.undo.click()
    assert list(gone) == ["P03"] and form.fields["note"].value == "the pot fell"
    assert form.fields["wax_g"].value == "199"
    form.leave.click()
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "24"
    form.save.click()
    assert text(form.planned_view).startswith(
        "All other test batches are logged.P03 will not be poured (spilled); P01 will not be "
        "poured (the pot fell). Next:")
    form.pours["P03"].click()
    assert "P03 will not be poured (spilled)" in text(form.planned_view)
    assert form.leave.description == "It will be poured after all"
    form.leave.click()
    assert list(gone) == ["P01"] and form.pours["P03"].description == "P03"
    assert "will not" not in text(form.planned_view)


@pytest.mark.parametrize("shown, words", [
    ("100.4", None), ("98", "reads 2.0 % too little"), ("101.5", "reads 1.5 % too much"),
])  # the last digit decides: what its first digits say is gone when it is whole
def test_the_scale_is_checked_once_a_day_and_what_is_off_is_said(desk, shown, words):
    form = PourForm(PLANNED, desk.save)
    assert form.scale.is_open and "not checked yet" in form.scale.fold.description
    form.fields["scale_check_g"].value = shown
    assert (words or "") in text(form.fields["scale_check_g"].said)
    assert bool(form.fields["scale_check_g"].said.value) is (words is not None)
    for fragrance in ("18", "24"):
        form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", fragrance
        form.save.click()
    assert [r["scale_check_g"] for r in desk.rows] == [float(shown)] * 2


@pytest.mark.parametrize("typed", [
    "5 Dec 2026", "Dec 5, 2026", "December 5th 2026", "5. December 2026", "5dec 2026", "05.12.2026",
])
def test_a_month_in_words_is_no_riddle(typed):
    assert read_day(typed, "day") == dt.date(2026, 12, 5)


def test_a_day_without_a_year_is_the_nearest_one():
    for days in (-150, -1, 0, 1, 150):
        day = dt.date.today() + dt.timedelta(days)
        assert read_day(f"{day.day} {day:%B}", "day") == day
    for typed in ("5 Mai", "32 Dec", "Dec", "5 D 2026", "5 12"):
        with pytest.raises(FieldError, match="is not a date; write it as 14 Mar 2026"):
            read_day(typed, "day")
    with pytest.raises(FieldError):
        read_day("30 Feb", "day")


@pytest.mark.parametrize("units", [Shown(), Shown("oz", "F")])
def test_a_right_scale_is_no_alarm_at_any_digit(desk, units):
    with showing(units):
        form = PourForm(PLANNED, desk.save)
        field = form.fields["scale_check_g"]
        assert field.box.continuous_update is False  # the browser sends what is typed whole
        # 100 g are 3.527 oz (NIST SP 811: 1 oz = 28.349523125 g); a bare 3.53 or 100 is one of both
        for whole, said in (("3.53", "= 3.53 oz"), ("100", ""), ("3.53 oz", "= 100.07 g")):
            for end in range(1, len(whole) + 1):
                field.box.value = whole[:end]
            assert not field.said.value and not form.message.value
            assert said in text(field.also)
        field.box.value = "3.4"
        assert "reads 3.6 % too little" in text(field.said)
        field.box.value = "1"
        assert "from 80 to 120 (g)" in text(field.said) and not form.message.value


def test_a_heated_piece_is_named_and_asks_once_for_its_heat_cycle(desk):
    pieces = pd.DataFrame({"code": ["417", "211", "305"], "stress": ["rest", "heat", "heat"],
                           "age_days": 7.0, "planned_age_days": 7.0})
    form = GradeForm(pieces, "sweat", "A1", desk.save, heated=False)
    seen = []
    for _ in range(3):
        seen.append(text(form.heading))
        form.choices[0].click()
    assert seen[0].endswith("piece 417 (1 of 3), at room temperature, 7 days old")
    assert "heat-cycled" in seen[1] and "No heat cycle is logged yet" in seen[1]
    assert seen[2].endswith("piece 305 (3 of 3), heat-cycled, 7 days old")
    form = GradeForm(pieces[1:], "sweat", "A1", desk.save)
    assert "No heat cycle" not in text(form.heading)


def test_the_timer_offers_the_planned_minutes_and_outlasts_a_card(desk):
    form = PourForm([p | {"stir_min": 2.0 + i} for i, p in enumerate(PLANNED)], desk.save)
    timer = form.timer
    assert (timer.minutes, timer.now, timer.ends) == (2.0, "P01", 0.0)
    assert text(form.planned_view).count("Stir 2 min once the fragrance is in.") == 1
    timer.ends, timer.what = 1.0e12, "P01"  # as the browser sets them
    log_pour(form)
    assert form.timer is timer and (timer.minutes, timer.now) == (3.0, "P02")
    assert (timer.ends, timer.what) == (1.0e12, "P01"), "it runs on for the batch it was begun with"


def test_a_batch_above_a_limit_is_marked(desk):
    form = PourForm([p | {"test_only": p["load_pct"] > 10} for p in PLANNED], desk.save)
    assert "not for sale" not in text(form.planned_view)
    form.later.click()
    assert "For testing only, not for sale." in text(form.planned_view)


@pytest.mark.parametrize("days, taken", [(0, True), (1, True), (2, False), (365, False)])
def test_a_day_of_pouring_to_come_is_refused_but_for_a_wrong_clock(desk, days, taken):
    today = dt.date.today()
    form = PourForm(PLANNED, desk.save)
    form.pours["P01"].click()
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "18"
    day = today + dt.timedelta(days=days)
    form.fields["poured_on"].value = str(day)
    form.save.click()
    if taken:
        assert desk.rows[0]["poured_on"] == day
    else:
        assert desk.rows == []
        assert text(form.message) == (
            f"NOT SAVED. Day of pouring: found '{day}', which is in the future. Correct it, or "
            f"this computer's clock, which says that today is {today}."
        )


@pytest.mark.parametrize("typed", [
    "10/11/2026", "26/10/2026", "10-10-2026", "31.2.2026", "14.3.26", "2026-13-01", "yesterday",
])
def test_a_day_that_is_not_surely_understood_is_told(desk, typed):
    words = "which is not a date; write it as 14 Mar 2026, 2026-03-14 or 14.03.2026."
    form = PourForm(PLANNED, desk.save)
    form.pours["P01"].click()
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "18"
    form.fields["poured_on"].value = typed
    form.save.click()
    assert text(form.message) == f"NOT SAVED. Day of pouring: found {typed!r}, {words}"
    assert desk.rows == []


@pytest.mark.parametrize("typed", ["14.3.2026", "14.03.2026", "14. 3. 2026", "2026-03-14"])
def test_a_day_with_dots_is_understood(desk, typed):
    form = PourForm(PLANNED, desk.save)
    form.pours["P01"].click()
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "18"
    form.fields["poured_on"].value = typed
    form.save.click()
    assert desk.rows[0]["poured_on"] == dt.date(2026, 3, 14)
    assert text(form.message).endswith(", poured on 2026-03-14.")


def on_days(*days):
    return [{**p, "poured_on": d} for p, d in zip(PLANNED, days, strict=True)]


def test_a_typed_day_is_shown_as_understood_and_is_that_of_one_pour_alone(desk):
    form = PourForm(on_days("2026-03-14", dt.date(2026, 3, 15)), desk.save, on_undo=desk.undo)
    form.pours["P01"].click()
    assert form.fields["poured_on"].box.placeholder == "2026-03-14", "as it is to be written"
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "18"
    form.fields["poured_on"].value = "10.11.2025"
    assert text(form.day) == (
        "10 November 2025 is stored as the day of pouring; planned is 2026-03-14."
    )
    assert "scent-flag" in form.day.value
    form.fields["poured_on"].value = "14.3.2026"
    assert text(form.day) == "14 March 2026 is stored as the day of pouring."
    assert "scent-saved" in form.day.value
    form.save.click()
    form.pours["P02"].click()
    assert form.fields["poured_on"].value == ""
    assert form.fields["poured_on"].box.placeholder == "2026-03-15"
    assert text(form.day).startswith("15 March 2026 is stored as the day of pouring")
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "24"
    form.save.click()
    assert [r["poured_on"] for r in desk.rows] == [dt.date(2026, 3, 14), dt.date(2026, 3, 15)]
    form.fields["poured_on"].value = "10/11/2026"
    assert "which is not a date" in text(form.day) and "scent-error" in form.day.value


def test_an_empty_day_is_the_planned_one_when_that_is_past(desk):
    today = dt.date.today()
    form = PourForm(on_days(pd.Timestamp("2026-03-14"), today + dt.timedelta(days=9)), desk.save)
    form.pours["P02"].click()
    assert text(form.day) == (
        f"{today.day} {today:%B %Y} is stored as the day of pouring; planned is "
        f"{today + dt.timedelta(days=9)}."
    )
    form.pours["P01"].click()
    assert text(form.day) == (
        "14 March 2026 is stored as the day of pouring."
    )
    assert "scent-flag" in form.day.value
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "18"
    form.save.click()
    form.pours["P02"].click()
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "24"
    form.save.click()
    assert [r["poured_on"] for r in desk.rows] == [dt.date(2026, 3, 14), today]


def test_a_load_far_off_the_plan_is_asked_about_before_it_is_stored(desk):
    form = PourForm(PLANNED, desk.save, on_undo=desk.undo)
    form.pours["P02"].click()
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "2.4"
    form.save.click()
    asked = (
        "NOT SAVED YET. The weighed load is 1.20 % of wax, planned 12.00 % of wax: is 2.4 g of "
        "fragrance in 200 g of wax right? Tap Save again to store it, or correct it."
    )
    assert text(form.message) == asked and "scent-flag" in form.message.value
    assert desk.rows == []
    form.fields["fragrance_g"].value = "2.5"
    form.save.click()
    assert text(form.message) == asked.replace("1.20", "1.25").replace("2.4 g", "2.5 g"), "anew"
    form.pours["P01"].click()
    form.save.click()
    assert text(form.message).startswith("NOT SAVED YET."), "another pour, another question"
    form.pours["P02"].click()
    form.save.click()
    desk.fault = "the disk is full"
    form.save.click()
    assert text(form.message) == "NOT SAVED. the disk is full"
    desk.fault = None
    form.save.click()
    assert [(r["pour"], r["fragrance_g"]) for r in desk.rows] == [("P02", 2.5)]
    assert text(form.message).startswith(f"Saved at {CLOCK}: pour P02 at 1.25 % of wax")
    form.undo.click()
    form.save.click()
    assert text(form.message).startswith("NOT SAVED YET.") and len(desk.rows) == 1


@pytest.mark.parametrize("fragrance, asks", [("20", False), ("16", False), ("20.1", True),
                                             ("15.9", True)])
def test_within_a_point_of_load_one_tap_stores(desk, fragrance, asks):
    form = PourForm(PLANNED, desk.save)
    form.pours["P01"].click()
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", fragrance
    form.save.click()
    assert (desk.rows == []) is asks


def test_the_question_is_answered_by_a_second_tap_in_the_browser_not_by_a_resend(desk):
    form = PourForm(PLANNED, desk.save)
    form.pours["P02"].click()
    typed = {"wax_g": "200", "fragrance_g": "2.4"}
    tap(form, "save", "k1", **typed)
    tap(form, "save", "k1", **typed)
    assert desk.rows == []
    tap(form, "save", "k2", **typed)
    assert [r["key"] for r in desk.rows] == ["k2"]


HOT = [p | {"add_temp_c": 80.0, "pour_temp_c": 75.0, "max_temp_c": 90.0, "flash_point_c": 88.0}
       for p in PLANNED]
ADDED = "Wax temperature when the fragrance went in"


def log_pour(form, pour="P01", fragrance="18", **typed):
    form.pours[pour].click()
    for name, words in {"wax_g": "200", "fragrance_g": fragrance, **typed}.items():
        form.fields[name].value = words
    form.save.click()


@pytest.mark.parametrize("typed, asked", [
    ({"wax_g": "20", "fragrance": "1.8"},
     "20 g of wax is far from the planned 200.0 g. Is that right?"),
    ({"wax_g": "410", "fragrance": "36.9"},
     "410 g of wax is far from the planned 200.0 g. Is that right?"),
    ({"poured_on": "2025-03-14"},
     "Poured on 2025-03-14 is far from the planned 2026-03-14. Is the year right?"),
])
def test_a_weight_or_a_year_that_is_likely_a_slip_is_asked_about(desk, typed, asked):
    form = PourForm([p | {"poured_on": dt.date(2026, 3, 14)} for p in PLANNED], desk.save)
    log_pour(form, **typed)
    assert text(form.message) == (
        f"NOT SAVED YET. {asked} Tap Save again to store it, or correct it."
    )
    form.save.click()
    assert len(desk.rows) == 1


@pytest.mark.parametrize("typed, asked", [
    ({"add_temp_c": "95"}, f"{ADDED}: 95 °C is above the wax maker's maximum of 90 °C and above "
     "the closed-cup flash point of the fragrance, 88 °C (no flame or spark near) and 15 °C above "
     "the planned 80 °C. Is 95 °C right?"),
    ({"add_temp_c": "89"}, f"{ADDED}: 89 °C is above the closed-cup flash point of the fragrance, "
     "88 °C (no flame or spark near). Is 89 °C right?"),
    ({"pour_temp_c": "57"}, "Wax temperature when it was poured: 57 °C is 18 °C below the planned "
     "75 °C. Is 57 °C right?"),
    ({"add_temp_c": "28"}, f"{ADDED}: 28 °C is 52 °C below the planned 80 °C. Is 28 °C right?"),
    ({"room_temp_c": "4.9"}, "Is a room temperature of 4.9 °C right?"),
    ({"room_temp_c": "46"}, "Is a room temperature of 46 °C right?"),
    ({"fragrance": "1.8", "add_temp_c": "60"}, "The weighed load is 0.90 % of wax, planned 9.00 % "
     "of wax: is 1.8 g of fragrance in 200 g of wax right? Wax temperature when the fragrance went "
     "in: 60 °C is 20 °C below the planned 80 °C. Is 60 °C right?"),
])
def test_a_temperature_that_is_likely_a_slip_is_asked_about(desk, typed, asked):
    form = PourForm(HOT, desk.save)
    log_pour(form, **typed)
    assert text(form.message) == (
        f"NOT SAVED YET. {asked} Tap Save again to store it, or correct it."
    )
    assert desk.rows == []
    form.save.click()
    assert len(desk.rows) == 1 and text(form.message).startswith(f"Saved at {CLOCK}")


@pytest.mark.parametrize("typed", [
    {"add_temp_c": "88", "pour_temp_c": "65"}, {"add_temp_c": "70", "pour_temp_c": "85"},
    {"room_temp_c": "5"}, {"room_temp_c": "45"}, {},
])
def test_temperatures_near_the_plan_are_stored_by_one_tap(desk, typed):
    log_pour(PourForm(HOT, desk.save), **typed)
    assert len(desk.rows) == 1


def test_another_slip_after_the_question_is_another_question(desk):
    form = PourForm(HOT, desk.save)
    log_pour(form, add_temp_c="95")
    form.fields["add_temp_c"].value = "59"
    form.save.click()
    assert "59 °C is 21 °C below the planned 80 °C" in text(form.message) and desk.rows == []
    form.fields["add_temp_c"].value = "79"
    form.save.click()
    assert desk.rows[0]["add_temp_c"] == 79.0


def test_nothing_is_asked_of_temperatures_that_nobody_planned(desk):
    unknown = [p | {"add_temp_c": None, "max_temp_c": float("nan"), "flash_point_c": None}
               for p in PLANNED]
    log_pour(PourForm(unknown, desk.save), add_temp_c="110", pour_temp_c="35")
    assert len(desk.rows) == 1


def test_wax_that_would_be_solid_is_asked_about(desk):
    form = PourForm(PLANNED, desk.save)
    log_pour(form, add_temp_c="85 F")
    assert "Is a wax temperature when the fragrance went in of 29.44 °C right?" in (
        form.message.value)
    assert not desk.rows


def test_a_plan_above_the_flash_point_is_cautioned_beside_it_and_not_at_every_pour(desk):
    form = PourForm([p | {"flash_point_c": 70.0, "pour_temp_c": None} for p in HOT], desk.save)
    form.pours["P01"].click()
    assert (
        "Add the fragrance at 80 °C (176 °F), the wax maker's maximum is 90 °C (194 °F). CAUTION: "
        "the fragrance's closed-cup flash point is 70 °C (158 °F), and the vapour can be ignited "
        "above it: no flame or spark near."
    ) in text(form.planned_view)
    log_pour(form, add_temp_c="82")
    assert len(desk.rows) == 1


def test_what_the_pours_of_a_day_share_stays_and_nothing_that_is_measured_anew(desk):
    form = PourForm(HOT, desk.save)
    log_pour(form, add_temp_c="80", pour_temp_c="74", stir_min="2", room_temp_c="21",
             note="a trace of foam")
    assert {n: f.value for n, f in form.fields.items() if f.value} == {
        "stir_min": "2", "room_temp_c": "21"
    }
    log_pour(form, "P02", "24")
    assert [(r["stir_min"], r["room_temp_c"]) for r in desk.rows] == [(2.0, 21.0)] * 2
    assert desk.rows[1]["add_temp_c"] is None


def test_a_day_left_empty_is_today(desk):
    form = PourForm(PLANNED, desk.save)
    form.pours["P02"].click()
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "24"
    form.save.click()
    assert desk.rows[0]["poured_on"] == dt.date.today()


def test_an_empty_day_is_kept_as_the_day_of_typing_where_none_is_planned(desk):
    kept = []
    PourForm(PLANNED, desk.save, on_change=kept.append).fields["wax_g"].value = "200"
    assert kept[-1]["poured_on"] == str(dt.date.today())
    form = PourForm(PLANNED, desk.save, draft=kept[-1], on_change=kept.append)
    assert form.fields["wax_g"].text == "200"
    form.fields["wax_g"].value = form.fields["poured_on"].value = ""
    assert kept[-1] == {}


def test_a_draft_is_of_the_pour_on_the_card_and_one_that_cannot_be_kept_hides_no_saving(desk):
    kept = []
    form = PourForm(PLANNED, desk.save, draft={"wax_g": "5"}, on_change=kept.append)
    form.fields["wax_g"].value = "200"
    form.pours["P02"].click()
    assert kept[-1]["pour"] == "P02" and kept[-1]["wax_g"] == "200"
    form.later.click()
    assert kept[-1] == {} and form.fields["wax_g"].value == "", "no weight of it is of the next"
    form.later.click()
    assert form.fields["wax_g"].value == kept[-1]["wax_g"] == "200", "Later was a slip"
    form.pours["P01"].click()
    form.fields["wax_g"].value = ""
    form.pours["P02"].click()
    assert form.fields["wax_g"].value == "", "what was taken away is not back"
    alone = PourForm(PLANNED, desk.save, done=["P02"])
    alone.fields["wax_g"].value = "200"
    alone.later.click()
    assert alone.fields["wax_g"].value == "200", "there is no next one"

    def full(typed):
        raise DraftError("the disk is full")

    form = PourForm(PLANNED, desk.save, on_change=full)
    form.fields["wax_g"].value, form.fields["fragrance_g"].value = "200", "18"
    assert "the disk is full" in form.message.value
    form.save.click()
    assert len(desk.rows) == 1 and "Saved at" in form.message.value
    assert ": P02</h3>" in form.planned_view.value, "the card of the next one"


def test_only_the_blind_code_is_shown(desk):
    frame = pd.DataFrame({"code": ["417"], "stress": ["heat"], "age_days": [7.0],
                          "load_pct": [12.5], "blend": ["secret"]})
    form = GradeForm(frame, "sweat", "A1", desk.save)
    shown = form.heading.value + "".join(b.description for b in form.choices)
    assert "secret" not in shown and "12.5" not in shown
    form.choices[1].click()
    assert (desk.rows[0]["stress"], desk.rows[0]["age_days"]) == ("heat", 7.0)


def tap(form, press, key, **fields):
    """What the browser part sends for a tap, and what it hears back."""
    answers = []
    form.browser.send = answers.append
    form._heard({"press": press, "key": key, "fields": fields})
    return answers


def test_a_tap_in_the_browser_is_acknowledged_and_stored_once(desk):
    form = GradeForm(["417", "211"], "sweat", "A1", desk.save)
    assert tap(form, "grade-3", "k1") == [{"ack": "k1"}]
    assert tap(form, "grade-3", "k1") == [{"ack": "k1"}], "sent again"
    assert [(r["code"], r["grade"], r["key"]) for r in desk.rows] == [("417", 3, "k1")]
    tap(form, "grade-0", "k2")
    assert [(r["code"], r["grade"], r["key"]) for r in desk.rows[1:]] == [("211", 0, "k2")]
    assert tap(form, "grade-1", "k3") == [{"ack": "k3"}], "no piece is left"
    assert len(desk.rows) == 2
    assert tap(form, "no-such-button", "k4") == [{"ack": "k4"}]


def test_what_was_typed_comes_with_the_tap(desk):
    form = ThrowForm(["417"], "A1", "S1", "warm", desk.save)
    tap(form, "throw-4", "k1", minutes="30", nonsense="x")
    assert desk.rows[0]["minutes"] == 30.0


def test_every_control_has_a_name_and_the_chosen_pour_is_pressed(desk):
    form = PourForm(PLANNED, desk.save)
    names = form.browser.names
    assert names["wax_g"] == "Wax weighed, g"
    assert names["save"] == "Save this test batch" and names["pour-P02"] == "P02"
    assert set(names) == {"pour-P01", "pour-P02", "save", "later", "undo", "fold-scale",
                          "fold-batches", *form.fields}
    assert form.browser.pressed == ["pour-P01"]
    form.pours["P02"].click()
    assert form.browser.pressed == ["pour-P02"]


def test_the_timer_is_shown_while_it_runs(desk):
    form = ThrowForm(["417"], "A1", "S1", "warm", desk.save)
    assert form.browser.since == 0
    form.start.click()
    assert form.browser.since > 1.7e12
    form.choices[1].click()
    assert form.browser.since == 0


@pytest.mark.parametrize("test", ["sweat", "frost"])
def test_a_reference_strip_draws_and_names_every_grade(desk, test):
    form = GradeForm(["417"], test, "A1", desk.save)
    strip = form.children[1].value
    assert strip.count("<svg") == strip.count('role="img"') == 5
    for grade, words in enumerate(scores.GRADE_WORDS[test]):
        assert f'aria-label="{test} grade {grade}: {words}"' in strip
    assert "http" not in strip.replace("http://www.w3.org/2000/svg", "")


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


# --- sharing -----------------------------------------------------------------------------------


class Parcel:
    """What would leave, as a form is given it."""

    def __init__(self, choices):
        self.choices = choices

    def _repr_html_(self):
        return "<p>12 files would leave</p>"


class Post:
    """Prepares and writes parcels, and fails when told to."""

    def __init__(self):
        self.written, self.fault = [], None

    def preview(self, choices):
        if self.fault:
            raise ValueError(self.fault)
        return Parcel(choices)

    def write(self, parcel):
        if self.fault:
            raise OSError(self.fault)
        self.written.append(parcel.choices)
        return "out.zip"


@pytest.fixture
def post():
    return Post()


@pytest.fixture
def share(post):
    return ShareForm(post.preview, post.write, ["soft", "firm <1>"])


def test_a_share_form_starts_with_nothing_held_back_and_nothing_to_write(share):
    assert share.chosen() == {"hide_fragrance": False, "hide_costs": False, "hide_notes": False,
                              "renumber_assessors": False, "leave_out": ()}
    assert share.write.disabled and share.leaving.value == "" and share.written is None
    assert text(share.message) == ("You can only write a package you have seen: tap “Show what "
                                   "would leave” first.")
    assert share.choices["hide_costs"].description == "☐ Hide the costs"
    # As in the package: the pick rests on the limit, so it leaves with the blends.
    words = share.choices["hide_fragrance"].description
    assert words == "☐ Hide the fragrance's name and data (its regulatory limit is still shared)"


def test_what_was_seen_is_what_is_written(share, post):
    share.choices["hide_costs"].click()
    share.leave_out["firm <1>"].click()
    share.look.click()
    assert share.leaving.value == "<p>12 files would leave</p>" and post.written == []
    assert text(share.message) == "Nothing is written yet: read this, then write the package."
    share.write.click()
    assert post.written == [{"hide_fragrance": False, "hide_costs": True, "hide_notes": False,
                             "renumber_assessors": False, "leave_out": ("firm <1>",)}]
    assert share.written == "out.zip"
    assert text(share.message) == "Written: out.zip. Nothing is sent: mail it yourself."


def test_another_choice_needs_another_look(share, post):
    share.look.click()
    share.choices["hide_notes"].click()
    assert share.leaving.value == "" and share.write.disabled
    assert "“Show what would leave” first" in text(share.message)
    share.write.click()  # a browser cannot; a program can
    assert post.written == []
    assert text(share.message) == "NOT SAVED. See what would leave first."


def test_a_choice_is_taken_back_by_a_second_tap(share):
    button = share.choices["hide_costs"]
    button.click()
    assert (button.description, share.browser.pressed) == ("☑ Hide the costs", ["hide_costs"])
    button.click()
    assert (button.description, share.browser.pressed) == ("☐ Hide the costs", [])
    assert not share.chosen()["hide_costs"]


def test_a_share_form_shows_what_went_wrong(share, post):
    post.fault = "every blend would be left out; keep <one>"
    share.look.click()
    assert text(share.message) == "NOT SAVED. every blend would be left out; keep <one>"
    assert share.write.disabled
    post.fault = None
    share.look.click()
    post.fault = "the disk is full"
    share.write.click()
    assert text(share.message) == "NOT SAVED. the disk is full"
    assert share.written is None


def test_a_word_that_may_say_the_name_is_asked_about(share, post, monkeypatch):
    asked = []

    def preview(choices):
        asked.append(choices)
        if choices.get("may_stay") != ("figure",):
            error = ValueError("“figure” holds the hidden name; say whether it may stay")
            error.undecided = ("figure", "Figgy")
            raise error
        return Parcel(choices)

    monkeypatch.setattr(share, "_preview", preview)
    share.look.click()
    assert "may stay" in text(share.message) and share.write.disabled
    buttons = share.undecided
    assert [buttons["figure"][k].description for k in ("may_stay", "also_hide")] == [
        "☐ “figure” may stay", "☐ Hide “figure” too"]
    buttons["figure"]["may_stay"].click()
    buttons["Figgy"]["also_hide"].click()
    share.look.click()
    share.write.click()
    assert asked[-1]["may_stay"] == ("figure",) and asked[-1]["also_hide"] == ("Figgy",)
    assert post.written[0]["may_stay"] == ("figure",)


def test_a_tap_on_a_share_form_is_acknowledged_before_the_long_work(share, post, monkeypatch):
    told = []
    monkeypatch.setattr(share.browser, "send", lambda message: told.append(message))
    monkeypatch.setattr(share, "_preview", lambda c: (told.append("preview"), Parcel(c))[1])
    share._heard({"press": "look", "key": "k1"})
    assert told[:2] == [{"ack": "k1"}, "preview"]
    share._heard({"press": "look", "key": "k1"})
    assert told.count("preview") == 1


def test_a_share_form_says_at_once_that_it_works(share, post, monkeypatch):
    told = []

    def see(choices):
        told.append(text(share.message))
        return Parcel(choices)

    monkeypatch.setattr(share, "_preview", see)
    monkeypatch.setattr(share, "_write", lambda p: told.append(text(share.message)))
    share.look.click()
    share.write.click()
    assert told == ["Working: gathering what would leave. This may take half a minute.",
                    "Working: writing the package."]

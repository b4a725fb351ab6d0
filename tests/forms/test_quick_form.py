"""The quick check as a page, driven without a browser: from nothing to one more pot."""

import datetime as dt
import re

import pytest

from scentlab.files import ROOT_VARIABLE
from scentlab.forms.quick import quick_page
from scentlab.planning.quick import grow_plan
from scentlab.planning.rules import PieceNumbers
from scentlab.recording.draft import DraftError, read_draft
from scentlab.recording.store import Store

DAY, LATER = dt.date(2026, 11, 1), dt.date(2026, 11, 12)
ASKED = {"wax": "soft wax", "oil": "fig", "loads": "1, 1.5, 2, 3 oz/lb"}


@pytest.fixture
def begun(tmp_path):
    page = quick_page(tmp_path / "fig", DAY)
    for name, text in ASKED.items():
        page.plan.fields[name].value = text
    page.plan.make.click()
    return page


def weighed(page):
    page.weights.save.click()
    return page


def test_costs_are_said_before_anything_is_made(tmp_path):
    page = quick_page(tmp_path / "fig", DAY)
    assert page.plan.make.disabled and "Fill in wax, oil and loads" in page.plan.takes.value
    for name, text in {**ASKED, "limit": "1 oz/lb", "wax_price": "8 / kg", "oil_price": "60 per kg",
                       "currency": "EUR"}.items():
        page.plan.fields[name].value = text
    said = page.plan.takes.value
    assert "12.5 oz (354 g) of wax" in said and "about 5.39 EUR" in said
    assert "About 72 minutes of one evening" in said and "3 of 4 loads are over" in said
    assert not page.plan.make.disabled and not (tmp_path / "fig").exists()


@pytest.mark.parametrize(("name", "text", "words"), [
    ("loads", "1, 2, 3", "write it as 1.5 oz/lb"),
    ("loads", "6 %", "1 load given"),
    ("flash", "140", "write it as 180 F or 82 C"),
    ("oil_price", "18", "write it as 12 / kg"),
    ("wax", "soy, coconut", "reads as several waxes; name one; waxes melted together"),
])
def test_what_cannot_be_is_said_and_makes_nothing(tmp_path, name, text, words):
    page = quick_page(tmp_path / "fig", DAY)
    for field, value in {**ASKED, name: text}.items():
        page.plan.fields[field].value = value
    assert words in page.plan.takes.value + page.plan.fields[name].said.value
    page.plan.make.click()
    assert not (tmp_path / "fig").exists()


def test_weights_empty_is_as_planned_and_far_off_is_asked(begun):
    assert "pour 4 test batches" in begun.now.value
    assert (begun.check.store.folder / "exports" / "quick-sheet-P01.html").is_file()
    form = begun.weights
    form.fields["fragrance", 0].value = "1 oz"
    form.save.click()
    assert "NOT SAVED YET" in form.message.value and len(begun.check.left) == 4
    form.fields["fragrance", 0].value = "90 g"
    form.save.click()
    assert "or the two weights swapped" in form.message.value
    assert len(begun.check.left) == 4
    form.fields["fragrance", 0].value = "0.26 oz"
    form.fields["wax", 1].value = "3 oz"
    form.save.click()
    pours = begun.check.store.rows("pours")
    assert pours["fragrance_g"].iloc[0] == pytest.approx(7.37, abs=0.01)
    assert pours["wax_g"].iloc[1] == pytest.approx(85.05, abs=0.01)
    assert pours["wax_g"].iloc[2] == begun.check.plan.pour_rows[2].wax_g
    assert "Now: wait" in begun.now.value and "ready from 2026-11-08" in begun.now.value
    form.undo.click()
    assert len(begun.check.left) == 4 and form.fields["wax", 1].value == "3 oz"


def test_an_empty_day_is_the_planned_one_when_that_is_past_and_the_page_says_so(begun):
    folder = begun.check.store.folder
    assert "empty: today" in str(begun.weights.fields["day", 0].box.placeholder)
    page = quick_page(folder, LATER)
    assert "empty: 2026-11-01, as planned" in page.weights.fields["day", 0].box.placeholder
    page.weights.save.click()
    assert {str(d) for d in page.check.store.rows("pours")["poured_on"]} == {str(DAY)}


def test_the_sheet_is_at_the_top_and_a_way_back_below(begun, monkeypatch):
    folder = begun.check.store.folder
    assert begun.sheets in begun.children[0].children and "quick-sheet-P01" in begun.sheets.value
    monkeypatch.setenv(ROOT_VARIABLE, str(folder.parent))
    monkeypatch.chdir(folder)
    links = quick_page(".", DAY).children[-1].children[0].value
    assert re.findall('data-scentlab-page="(.+?)".*?>(.+?)<', links)[:3] == [
        ("start.ipynb", "All series"), ("fig/start.ipynb", "This series"),
        ("fig/plan.ipynb", "Plan")]


def test_a_batch_that_was_spilled_is_not_waited_for(begun):
    form = begun.weights
    form.fields["wax", 3].value = "X"
    form.save.click()
    assert "3 test batches; 2.99 oz/lb (18.7 %) will not be poured" in form.message.value or (
        "3 test batches; 3 oz/lb (18.75 %) will not be poured" in form.message.value)
    assert begun.check.left == [] and len(begun.check.logged) == 3
    assert "Now: wait" in begun.now.value and "9 pieces not graded yet" in begun.now.value
    form.undo.click()
    assert len(begun.check.left) == 4


def test_weights_of_a_day_gone_by_bring_what_is_ready_to_be_graded(begun):
    page = quick_page(begun.check.store.folder, LATER)
    assert page.grades is None
    page.weights.fields["day", 0].value = DAY.isoformat()
    weighed(page)
    assert "grade 12 pieces" in page.now.value
    assert page.grades in page.children and page.heat in page.children
    while page.grades.piece:
        page.grades.choices[0].click()
    page.answer.show.click()
    assert "use" in page.answer.lines.value
    page.weights.undo.click()
    assert page.grades is None and len(page.check.left) == 4
    assert not page.answer.lines.value, "it was of other weights"


def test_a_pot_that_a_terminal_planned_meanwhile_is_there_after_another_look(begun):
    check = weighed(begun).check
    check.store.save_plan(grow_plan(
        check.plan, (5.0, 8.0), start=DAY, seed=9, blend="soft wax",
        pieces=PieceNumbers(0, 2, 0, 0, 0)).to_dict())
    assert check.left == []
    begun.again.click()
    assert [p.load_pct for p in begun.check.left] == [5.0, 8.0] and begun.weights is not None


def test_grades_answer_and_one_more_pot(begun):
    folder = weighed(begun).check.store.folder
    page = quick_page(folder, LATER)
    assert page.weights is None and page.answer is None and "grade 12 pieces" in page.now.value
    assert f"scentlab panel {folder} --host 0.0.0.0" in page.now.value
    load = {p.pour: p.load_pct for p in page.check.plan.pour_rows}
    of = {p.code: load[p.pour] for p in page.check.plan.piece_rows}
    while page.grades.piece:
        page.grades.choices[3 if of[page.grades.piece["code"]] > 15 else 0].click()
    assert "see the answer" in page.now.value
    page.answer.show.click()
    page.grades.undo.click()
    assert not page.answer.lines.value and "Not graded, taken as broken or lost: " in page.now.value
    assert "grade 1 piece (" in page.now.value
    page.grades.choices[3 if of[page.grades.piece["code"]] > 15 else 0].click()
    before = page.check.store.plan()
    page.answer.show.click()
    lines = page.answer.lines.value.split("</p>")[:3]
    assert "soft wax: use" in lines[0] and "dry pieces alone" in lines[1]
    assert "Next: one more pot at" in lines[2] and "evening" in lines[2]
    page.answer.add.click()
    assert "melt" in page.answer.message.value and page.weights is not None
    after = Store.open(folder).plan()
    assert after["pieces"] != before["pieces"] and after["pours"][:4] == before["pours"]
    assert all(piece in after["pieces"] for piece in before["pieces"])
    pots = {p["pot"] for p in after["pours"]}
    assert all((folder / "exports" / f"quick-sheet-{p}.html").is_file() for p in pots)
    # graded pieces stay graded, and the new pot's are asked for
    assert {p.pot for p in page.check.left} == pots - {"P01"}


def test_a_resend_of_the_tap_adds_no_second_pot(begun):
    weighed(begun)
    page = quick_page(begun.check.store.folder, LATER)
    while page.grades.piece:
        page.grades.choices[0].click()
    page.answer.show.click()
    page.answer._heard({"key": "a" * 32, "press": "accept"})
    pots = len({p.pot for p in page.check.plan.pour_rows})
    page.answer._heard({"key": "a" * 32, "press": "accept"})
    assert len({p.pot for p in page.check.plan.pour_rows}) == pots > 1


def test_weights_that_are_typed_outlast_the_page_until_they_are_saved(begun):
    folder, form = begun.check.store.folder, begun.weights
    form.fields["wax", 1].value, form.fields["fragrance", 1].box.value = "3.1 oz", "0.21"
    form.fields["scale", 0].box.value = "3.5"
    form = quick_page(folder, DAY + dt.timedelta(days=1)).weights
    assert "Typed earlier and not saved" in form.message.value
    assert form.fields["wax", 1].text == "3.1 oz" and form.fields["fragrance", 1].text == "0.21 oz"
    assert form.fields["day", 0].text == str(DAY), "the day that was meant then"
    assert form.fields["scale", 0].read() == pytest.approx(99.22, abs=0.01)
    form.fields["scale", 0].box.value = "3.2"
    assert "The scale reads 9.3 % too little" in form.fields["scale", 0].said.value
    form.fields["scale", 0].value = ""
    form.fields["wax", 1].value = form.fields["fragrance", 1].value = ""
    form.fields["day", 0].value = ""
    assert quick_page(folder, DAY).weights.message.value == "", "nothing is typed"
    form.fields["wax", 0].value = "2.8 oz"
    form.save.click()
    form.undo.click()
    form = quick_page(folder, DAY).weights
    assert form.fields["wax", 0].text == "2.8 oz", "what was undone is as if typed"
    form.save.click()
    assert read_draft(folder, "weights") == {}


def test_the_day_of_what_was_typed_stays_where_a_test_batch_is_logged_elsewhere(begun):
    begun.weights.fields["wax", 1].value = "3.1 oz"
    first, *_ = begun.check.left
    begun.check.log(first, first.wax_g, first.fragrance_g)
    form = quick_page(begun.check.store.folder, DAY + dt.timedelta(days=1)).weights
    assert form.fields["wax", 0].text == "3.1 oz" and form.fields["day", 0].text == str(DAY)


def test_a_full_disk_takes_no_saving_and_no_undo_back(begun):
    def full(typed):
        raise DraftError("the disk is full")

    begun.weights._on_change = full
    begun.weights.save.click()
    assert "Saved at" in begun.weights.message.value and not begun.check.left
    begun.weights.fields["wax", 0].value = "2.8 oz"
    begun.weights.undo.click()
    assert "Undone" in begun.weights.message.value and begun.check.left


def test_a_folder_that_holds_something_is_left_alone(tmp_path):
    page = quick_page(tmp_path, DAY)
    (tmp_path / "mine.txt").write_text("mine")
    for name, text in ASKED.items():
        page.plan.fields[name].value = text
    page.plan.make.click()
    assert "is not empty" in page.plan.message.value and len(list(tmp_path.iterdir())) == 1

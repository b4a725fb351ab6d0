"""The import form, driven as a person would: pick, look, choose units, check, import."""

import datetime as dt
import html
import re

import pytest

from scentlab.forms.bring_in import ImportForm
from scentlab.recording.importing import dry_run
from scentlab.recording.store import Store

MOMENT = dt.datetime(2026, 3, 1, tzinfo=dt.UTC)
OWN = b"""pour,pot,blend,poured_on,wax_g,fragrance_g
P01,A,soft mix,2026-03-01,200,18.1
"""
FOREIGN = b"""Pour;Pot;Blend;Poured on;Wax;Oil;Remark
P01;A;soft mix;14.03.2026;7,055;0,635;none
"""
PIECES = b"code,pour,sweat_grade\n417,P01,2\n418,P77,9\n"


@pytest.fixture
def store(tmp_path):
    return Store.create(tmp_path / "s")


@pytest.fixture
def form(store):
    return ImportForm(lambda sources: dry_run(store, **sources), lambda tried: tried.store(store))


def pick(form, table, name, content):
    form.files[table].pick.value = [{"name": name, "type": "", "size": len(content),
                                     "content": memoryview(content), "last_modified": MOMENT}]


def plain(widget):
    return html.unescape(re.sub("<[^>]+>", "", widget.value))


def test_it_begins_closed_with_nothing_to_check(form):
    assert form.check.disabled and form.store.disabled
    assert plain(form.message) == "Choose a file before checking."
    form.check.click()
    assert plain(form.message) == "NOT SAVED. Choose a file first."


def test_a_file_of_the_kits_own_names_needs_no_choice(form, store):
    pick(form, "pours", "pours.csv", OWN)
    assert form.files["pours"].headings["wax_g"].value == "wax_g"
    assert form.files["pours"].units["wax_g"].value == "g"
    assert form.files["pours"].headings["note"].value == "(not in the file)"
    assert form.store.disabled and plain(form.message) == (
        "Check the files first; once everything passes, you can import them.")
    form.check.click()
    assert "Ready to store: 1 pours." in form.result.value and store.rows("pours").empty
    form.store.click()
    assert plain(form.message) == "Stored: 1 pours. Update the page to see them."
    assert store.rows("pours")["fragrance_g"].tolist() == [18.1]
    assert form.store.disabled and form.check.disabled, "a second tap has nothing to import"
    form.store.click()
    assert plain(form.message) == "NOT SAVED. Check the files first."
    pick(form, "pours", "again.csv", OWN)
    form.check.click()
    form.store.click()
    assert plain(form.message) == "It was all stored already; nothing was added."
    assert len(store.rows("pours")) == 1


def test_what_was_chosen_holds_for_the_file_that_is_mended_and_for_no_other(form, store):
    pick(form, "pours", "theirs.csv", FOREIGN.replace(b"0,635", b"0,6x"))
    file = form.files["pours"]

    def choose():
        file.decimal.value, file.headings["note"].value = ",", "Remark"
        file.units["poured_on"].value = "day.month.year"
        file.units["wax_g"].value = file.units["fragrance_g"].value = "oz"

    choose()
    form.check.click()
    assert form.store.disabled and "found '0,6x" in form.result.value.replace("&#x27;", "'")
    pick(form, "pours", "theirs.csv", FOREIGN)
    form.check.click()
    assert not form.store.disabled and file.headings["note"].value == "Remark"
    pick(form, "pours", "other.csv", FOREIGN)
    assert file.units["wax_g"].value == "(choose)" and file.decimal.value == "."
    choose()
    form.check.click()
    form.store.click()
    assert len(store.rows("pours")) == 1
    pick(form, "pours", "other.csv", FOREIGN + b"\n")
    assert file.units["wax_g"].value == "(choose)", "it is another file after the import"


def test_units_are_chosen_and_every_problem_is_told_before(form, store):
    pick(form, "pours", "theirs.csv", FOREIGN)
    file = form.files["pours"]
    assert {n: b.value for n, b in file.headings.items() if b.value != "(not in the file)"} == {
        "pour": "Pour", "pot": "Pot", "blend": "Blend", "poured_on": "Poured on", "wax_g": "Wax",
        "fragrance_g": "Oil",
    }
    file.headings["fragrance_g"].value = "(not in the file)"
    assert {n: b.value for n, b in file.units.items()}["wax_g"] == "(choose)"
    assert file.units["fragrance_g"].layout.display == "none", "no column, no unit"
    form.check.click()
    assert form.store.disabled
    told = [str(p) for p in form.tried.problems]
    assert ("theirs.csv, row 1, column wax_g: found 'no unit', expected the unit of 'Wax': one of "
            "g, kg, oz, lb. Choose the unit the file uses.") in told
    assert ("theirs.csv, row 1, column fragrance_g: expected a column fragrance_g (fragrance "
            "weighed into this pour). Choose what it is in the form, give "
            '--match "HEADING=fragrance_g:UNIT" (UNIT: g, kg, oz, lb) in the command, or correct '
            'the file.') in told
    assert "no unit" in form.result.value
    file.headings["fragrance_g"].value = "Oil"
    assert file.units["fragrance_g"].layout.display == ""
    assert form.result.value == "" and form.tried is None, "another matching, another check"
    file.units["wax_g"].value = file.units["fragrance_g"].value = "oz"
    file.units["poured_on"].value = "day.month.year"
    file.decimal.value = ","
    form.check.click()
    assert "Columns left out: pours: Remark." in plain(form.result)
    form.store.click()
    # NIST SP 811: 1 oz is 28.349523 g, so 7.055 oz are 200.006 g.
    assert store.rows("pours")["wax_g"][0] == pytest.approx(200.0059, abs=5e-5)
    assert str(store.rows("pours")["poured_on"][0]) == "2026-03-14"


def test_two_files_are_stored_together_or_not_at_all(form, store):
    pick(form, "pours", "pours.csv", OWN)
    pick(form, "pieces", "pieces.csv", PIECES)
    form.check.click()
    assert len(form.tried.problems) == 2 and form.store.disabled
    for problem in form.tried.problems:
        assert f"<li>{html.escape(str(problem))}</li>" in form.result.value
    form.store.click()
    assert store.rows("pours").empty
    pick(form, "pieces", "pieces.csv", PIECES.splitlines(keepends=True)[0] + b"417,P01,2\n")
    assert form.tried is None
    form.check.click()
    form.store.click()
    assert plain(form.message).startswith("Stored: 1 pours, 1 pieces, 1 grades.")


def test_a_workbook_asks_for_its_sheet(form, tmp_path, store):
    import openpyxl

    book = openpyxl.Workbook()
    book.active.title = "Notes"
    sheet = book.create_sheet("Weights")
    for line in OWN.decode().splitlines():
        sheet.append(line.split(","))
    book.save(tmp_path / "two.xlsx")
    pick(form, "pours", "two.xlsx", (tmp_path / "two.xlsx").read_bytes())
    file = form.files["pours"]
    assert list(file.sheet.options) == ["Notes", "Weights"]
    file.sheet.value = "Weights"
    form.check.click()
    form.store.click()
    assert len(store.rows("pours")) == 1


@pytest.mark.parametrize("name, content, words", [
    ("x.csv", b"", "x.csv, row 1: expected a header row with the columns of pours. Start the file "
                   "with the column names."),
    ("x.xlsx", b"PK\x03\x04broken", "x.xlsx: expected an XLSX workbook"),
    ("../../x.csv", b"\xff\xfea", "x.csv: expected text in UTF-8."),
])
def test_a_file_that_cannot_be_read_is_told(form, name, content, words):
    pick(form, "pours", name, content)
    assert plain(form.files["pours"].said).startswith(words)
    form.check.click()
    assert not form.tried.ready and form.store.disabled


def test_uploads_are_kept_in_a_place_of_their_own_and_go_with_the_form(form, tmp_path):
    pick(form, "pours", "../../pours.csv", OWN)
    path = form.files["pours"].path
    assert path.parent.name == "pours" and path.read_bytes() == OWN
    assert str(path).startswith(form._place)


def test_every_choice_has_a_name(form):
    pick(form, "pours", "theirs.csv", FOREIGN)
    names = form.browser.names
    assert names["pours-wax_g"] == "Wax weighed into this pour *"
    assert names["pours-wax_g-unit"] == "Wax weighed into this pour: in"
    assert len(set(names.values())) == len(names), "no two of the same name"

"""Other headings, units, dates and workbooks: matched, chosen, tried, then stored."""

import datetime as dt
import random
import shutil
import time
import zipfile

import openpyxl
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from storing import read_csvs

from scentlab.recording.importing import DryRun, dry_run, import_csvs
from scentlab.recording.matching import From, Source, plain_headings, unit_in, units_of
from scentlab.recording.records import RECORDS
from scentlab.recording.sheets import read_sheet
from scentlab.recording.store import Store
from scentlab.schema import POURS, DataError
from scentlab.text import unseen

FOREIGN = """Pour;Pot;Blend;Poured on;Wax;Oil;Add at;Remark
P01;A;soft mix;14.03.2026;7,055;0,635;185;none
P02;A;soft mix;14.03.2026;7,055;0,847;180;
"""
COLUMNS = {
    "pour": From("Pour"), "pot": From("Pot"), "blend": From("Blend"),
    "poured_on": From("Poured on", "day.month.year"), "wax_g": From("Wax", "oz"),
    "fragrance_g": From("Oil", "oz"), "add_temp_c": From("Add at", "°F"),
}


def proposed(path):
    """The headings that are plain, by the column of the pours that they name."""
    return plain_headings(read_sheet(path, POURS))


@pytest.fixture
def foreign(tmp_path):
    def write(text=FOREIGN):
        path = tmp_path / "mine.csv"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def told(dry):
    return [str(p) for p in dry.problems]


def test_units_and_dates_that_were_chosen(empty, foreign):
    dry = dry_run(empty, pours=Source(foreign(), COLUMNS, decimal=","))
    assert dry.sentence == "Ready to store: 2 pours."
    row = dry.frames["pours"].iloc[0]
    # NIST SP 811: 1 oz is 28.349523 g, so 7.055 oz are 200.006 g; 185 °F are 85 °C.
    assert row["wax_g"] == pytest.approx(200.0059, abs=5e-5)
    assert row["fragrance_g"] == pytest.approx(18.0019, abs=5e-5)
    assert row["add_temp_c"] == pytest.approx(85.0)
    assert row["poured_on"] == dt.date(2026, 3, 14)
    assert empty.rows("pours").empty, "a dry run stores nothing"
    assert dry.store(empty) == {"pours": 2}
    assert len(empty.rows("pours")) == 2


def test_a_unit_is_never_guessed(empty, foreign):
    columns = {**COLUMNS, "wax_g": From("Wax"), "poured_on": From("Poured on", "stardate")}
    dry = dry_run(empty, pours=Source(foreign(), columns, decimal=","))
    assert told(dry)[:2] == [
        "mine.csv, row 1, column poured_on: found 'stardate', expected the unit of 'Poured on': "
        "one of year-month-day, day.month.year, day/month/year, month/day/year. Choose the unit "
        "the file uses.",
        "mine.csv, row 1, column wax_g: found 'no unit', expected the unit of 'Wax': one of g, kg, "
        "oz, lb. Choose the unit the file uses.",
    ]
    assert not dry.ready
    with pytest.raises(DataError):
        dry.store(empty)


def test_a_matching_that_cannot_be(empty, foreign):
    columns = {**COLUMNS, "colour": From("Remark"), "note": From("Notes")}
    dry = dry_run(empty, pours=Source(foreign(), columns, decimal=","))
    assert told(dry) == [
        f"mine.csv, column {column}: found '{heading}', expected a heading of a file and a column "
        "of its table. Correct the matching; this lists the columns: scentlab columns"
        for column, heading in (("colour", "Remark"), ("note", "Notes"))
    ]


def test_a_problem_shows_what_stands_in_the_file(empty, foreign):
    text = FOREIGN.replace("0,635", "much").replace("180", "400").replace("0,847", "0.847")
    dry = dry_run(empty, pours=Source(foreign(text), COLUMNS, decimal=","))
    assert told(dry) == [
        "mine.csv, row 2, column Oil (fragrance_g): found 'much oz', expected a number with a "
        "decimal comma, as chosen for this file, from 0 to 40000 (g). Correct the value.",
        "mine.csv, row 3, column Oil (fragrance_g): found '0.847 oz', expected a number with a "
        "decimal comma, as chosen for this file, from 0 to 40000 (g). Correct the value.",
        "mine.csv, row 3, column Add at (add_temp_c): found '400 °F', expected a number with a "
        "decimal comma, as chosen for this file, from 20 to 150 (°C). Correct the value or leave "
        "it empty.",
    ]
    assert [problem.row for problem in dry.problems] == [2, 3, 3]


@pytest.mark.parametrize("unit, text, grams", [
    ("g", "200", 200.0), ("kg", "0.2", 200.0), ("oz", "1", 28.349523), ("lb", "1", 453.59237),
])
def test_weights(empty, foreign, unit, text, grams):
    row = f"pour,pot,blend,poured_on,W,fragrance_g\nP1,A,mix,2026-03-01,{text},0\n"
    columns = {n: From(n, {"poured_on": "year-month-day", "fragrance_g": "g"}.get(n))
               for n in ("pour", "pot", "blend", "poured_on", "fragrance_g")}
    dry = dry_run(empty, pours=Source(foreign(row), {**columns, "wax_g": From("W", unit)}))
    assert dry.frames["pours"]["wax_g"][0] == pytest.approx(grams, rel=1e-7)


@pytest.mark.parametrize("form, text", [
    ("day/month/year", "4/3/2026"), ("month/day/year", "3/4/2026"),
    ("day.month.year", "04.03.2026"), ("year-month-day", "2026-3-4"),
])
def test_forms_of_a_date(empty, foreign, form, text):
    row = f"pour,pot,blend,D,wax_g,fragrance_g\nP1,A,mix,{text},200,0\n"
    columns = {n: From(n, "g" if n.endswith("_g") else None)
               for n in ("pour", "pot", "blend", "wax_g", "fragrance_g")}
    dry = dry_run(empty, pours=Source(foreign(row), {**columns, "poured_on": From("D", form)}))
    assert dry.frames["pours"]["poured_on"][0] == dt.date(2026, 3, 4)


def test_columns_are_suggested_and_units_listed(foreign):
    found = proposed(foreign())
    assert (found["wax_g"], found["poured_on"], found["fragrance_g"]) == ("Wax", "Poured on", "Oil")
    assert units_of(POURS["wax_g"]) == ("g", "kg", "oz", "lb")
    assert units_of(POURS["limit_load_pct"]) == ("% of wax", "% of total", "oz per lb")


# ---- workbooks -------------------------------------------------------------------------------

POUR_ROWS = [
    ["pour", "pot", "blend", "poured_on", "wax_g", "fragrance_g"],
    ["P01", "A", "soft mix", dt.datetime(2026, 3, 14), 200, 18.5],
    ["P02", "A", "soft mix", dt.date(2026, 3, 14), 200.0, 24],
]


def workbook(path, sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


def test_a_workbook_with_three_sheets(empty, tmp_path):
    path = workbook(tmp_path / "lab.xlsx", {
        "Pours": POUR_ROWS,
        "Pieces": [["code", "pour", "age_days", "sweat_grade"], [417, "P01", 14, 2],
                   ["018", "P02", 14, 0]],
        "Throws": [["code", "assessor", "sitting", "kind", "throw"], [417, "A1", "S1", "cold", 5]],
    })
    dry = dry_run(empty, **{name.lower(): Source(path, sheet=name)
                             for name in ("Pours", "Pieces", "Throws")})
    assert dry.sentence == "Ready to store: 2 pours, 2 pieces, 1 throws, 2 grades."
    dry.store(empty)
    assert list(empty.rows("pours")["poured_on"]) == [dt.date(2026, 3, 14)] * 2
    assert list(empty.rows("pieces")["code"]) == ["417", "018"]


def test_a_problem_names_its_sheet_and_the_cell_there(empty, tmp_path):
    path = workbook(tmp_path / "lab.xlsx", {
        "Pours": [*POUR_ROWS[:2], ["of the next evening"]],
        "Pieces": [["code", "pour", "age_days", "sweat_grade"], [417, "P01", 14, 2],
                   ["018", "P01", 14, 5]],
    })
    found = told(dry_run(empty, **{name.lower(): Source(path, sheet=name)
                                   for name in ("Pours", "Pieces")}))
    assert found[0] == (
        "lab.xlsx, sheet Pours, row 3, column pour: found 'of the next evening', expected a short "
        "name of letters, digits, dot, dash or underscore, such as P01-3. Correct the text.")
    assert found[-1].startswith("lab.xlsx, sheet Pieces, row 3, column sweat_grade: found '5'")


def test_true_numbers_of_a_workbook_are_no_text_with_a_decimal_comma(empty, tmp_path):
    """A spreadsheet shows 1.125 and 100.5 as 1,125 and 100,5 there, and keeps them as numbers
    (ECMA-376, part 1, 18.3.1.96: the value of a cell has a point)."""
    rows = [POUR_ROWS[0], ["P01", "A", "soft mix", dt.date(2026, 3, 14), 28.125, 1.125],
            ["P02", "A", "soft mix", dt.date(2026, 3, 14), "100,5", 6.25]]
    path = workbook(tmp_path / "comma.xlsx", {"S": rows})
    dry = dry_run(empty, pours=Source(path, decimal=","))
    assert told(dry) == []
    assert dry.frames["pours"][["wax_g", "fragrance_g"]].to_numpy().tolist() == [
        [28.125, 1.125], [100.5, 6.25]]


def test_the_remedy_is_in_the_unit_and_the_form_of_the_file(empty, foreign):
    text = FOREIGN.replace("7,055;0,635", "7 oz;0,635").replace("14.03.2026;7,055", "14/3/2026;7")
    text = text.replace("180", "180 °F")
    assert told(dry_run(empty, pours=Source(foreign(text), COLUMNS, decimal=","))) == [
        "mine.csv, row 3, column Poured on (poured_on): found '14/3/2026', expected a date as "
        "year-month-day, such as 2026-03-14. Write the year first, then month and day, with "
        "dashes. Or, if all are day/month/year, choose that in the form, or in the command give "
        '--match "Poured on=poured_on:UNIT" (UNIT: year-month-day, day.month.year, day/month/year, '
        "month/day/year).",
        "mine.csv, row 2, column Wax (wax_g): found '7 oz', expected a number with a decimal "
        "comma, as chosen for this file, from 1 to 100000 (g). Give only the number, in oz, "
        "without the unit.",
        "mine.csv, row 3, column Add at (add_temp_c): found '180 °F', expected a number with a "
        "decimal comma, as chosen for this file, from 20 to 150 (°C). Give only the number, in °F, "
        "without the unit.",
    ]


def test_a_workbook_of_one_sheet_needs_no_name(empty, tmp_path):
    path = workbook(tmp_path / "p.xlsx", {"Sheet": POUR_ROWS})
    assert import_csvs(empty, pours=path) == {"pours": 2}


@pytest.mark.parametrize("cell, words", [
    ("=A1", ": found 'S!E3', expected a formula with its value stored. Open the file in a "
     "spreadsheet and save it, or type the value instead."),
    ("#DIV/0!", ", column wax_g: found '#DIV/0!', expected a number with a decimal point from 1 to "
     "100000 (g). Correct the value."),
    (True, ", column wax_g: found 'TRUE', expected a number with a decimal point from 1 to 100000 "
     "(g). Correct the value."),
    (dt.datetime(2026, 3, 1, 12, 30), ", column wax_g: found '2026-03-01 12:30:00', expected a "
     "number with a decimal point from 1 to 100000 (g). Correct the value."),
    (-5, ", column wax_g: found '-5', expected a number with a decimal point from 1 to 100000 (g). "
     "Correct the value."),
])
def test_cells_that_a_spreadsheet_hides(tmp_path, cell, words):
    rows = [*POUR_ROWS[:2], ["P02", "A", "soft mix", dt.date(2026, 3, 14), cell, 24]]
    dry = dry_run(pours=workbook(tmp_path / "p.xlsx", {"S": rows}))
    assert told(dry) == [f"p.xlsx, row 3{words}"]


def test_a_percent_format_is_told(tmp_path):
    path = workbook(tmp_path / "p.xlsx", {"S": POUR_ROWS})
    book = openpyxl.load_workbook(path)
    sheet = book.active
    sheet["G1"], sheet["G2"], sheet["G2"].number_format = "limit_load_pct", 0.09, "0%"
    book.save(path)
    assert told(dry_run(pours=path)) == [
        "p.xlsx, row 2: found 'S!G2: 0.09 shown as 9 %', expected a number without a percent "
        "format. Give the cell a number format; write a percentage as 9 and a weight as a weight.",
        "p.xlsx, row 2, column limit_load_pct: found '0.09', expected a number with a decimal "
        "point from 0.1 to 40 (g per 100 g of wax). Correct the value or leave it empty.",
    ]


def test_a_unit_in_the_format_of_a_cell_is_told(tmp_path):
    """Shown as "9.5 oz", the number of the cell is 9.5; its own unit in the format is no harm."""
    path = workbook(tmp_path / "p.xlsx", {"S": POUR_ROWS})
    book = openpyxl.load_workbook(path)
    wax, oil = (next(c for c in book.active[1] if c.value == n).column_letter
                for n in ("wax_g", "fragrance_g"))
    for row in range(2, len(POUR_ROWS) + 1):
        book.active[f"{wax}{row}"].number_format = '0.0" g"'
    book.active[f"{oil}2"].number_format = r"0.00\ \o\z"
    book.save(path)
    grams = book.active[f"{oil}2"].value
    assert told(dry_run(pours=path)) == [
        f"p.xlsx, row 2, column fragrance_g: found '{grams} shown as {grams} oz', expected a "
        "number with a decimal point from 0 to 40000 (g). Give only the number, in g, without the "
        "unit. Or give only numbers, all in another unit, chosen in the form or in the command "
        "with "
        '--match "fragrance_g=fragrance_g:UNIT" (UNIT: g, kg, oz, lb).']


def test_the_sheet_must_be_named(tmp_path):
    path = workbook(tmp_path / "p.xlsx", {"One": POUR_ROWS, "Two": POUR_ROWS})
    for sheet, found in ((None, ""), ("Three", "found 'Three', ")):
        assert told(dry_run(pours=Source(path, sheet=sheet))) == [
            f"p.xlsx: {found}expected the name of one of its sheets: One, Two. Choose one in the "
            "form, or in the command give --sheet TABLE=NAME."
        ]


def test_a_password_or_an_old_workbook(tmp_path):
    path = tmp_path / "old.xls"
    path.write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 500)
    assert told(dry_run(pours=path)) == [
        "old.xls: expected an XLSX workbook (it is an old XLS file or locked by a password). Save "
        "it again as XLSX."
    ]


def test_a_workbook_that_unpacks_without_end(tmp_path, monkeypatch):
    from scentlab.recording import spreadsheets

    monkeypatch.setattr(spreadsheets, "MOST_UNPACKED_BYTES", 1000)
    assert told(dry_run(pours=workbook(tmp_path / "p.xlsx", {"S": POUR_ROWS}))) == [
        "p.xlsx: expected an XLSX workbook (it is larger than 0 MB unpacked). Save it "
        "again as XLSX."
    ]


def cut_parts(path, seed):
    """A workbook with one of its parts missing, cut or spoilt."""
    chance = random.Random(seed)
    with zipfile.ZipFile(path) as packed:
        parts = {n: packed.read(n) for n in packed.namelist()}
    victim = chance.choice(sorted(parts))
    how = seed % 4
    if how == 0:
        del parts[victim]
    elif how == 1:
        parts[victim] = parts[victim][: len(parts[victim]) // 2]
    elif how == 2:
        parts[victim] = b"\x00\xff" + parts[victim]
    else:
        parts[victim] = parts[victim].replace(b"<", b"<<", 3)
    with zipfile.ZipFile(path, "w") as packed:
        for name, data in parts.items():
            packed.writestr(name, data)


@pytest.mark.parametrize("seed", range(24))
def test_a_spoilt_workbook_is_read_or_told(tmp_path, seed):
    path = workbook(tmp_path / "p.xlsx", {"S": POUR_ROWS})
    cut_parts(path, seed)
    dry = dry_run(pours=path)
    assert isinstance(dry, DryRun)
    if dry.ready:
        assert len(dry.frames["pours"]) == 2
    else:
        assert all(p.startswith("p.xlsx") for p in told(dry))


@pytest.mark.parametrize("cut", [1, 30, 200, 2000, -1])
def test_a_workbook_cut_short(tmp_path, cut):
    path = workbook(tmp_path / "p.xlsx", {"S": POUR_ROWS})
    path.write_bytes(path.read_bytes()[:cut])
    assert all(p.startswith("p.xlsx") for p in told(dry_run(pours=path)))
    assert not dry_run(pours=path).ready


# ---- malformed CSV by hand -------------------------------------------------------------------

HEAD = "pour,pot,blend,poured_on,wax_g,fragrance_g"
GOOD = "P01,A,mix,2026-03-01,200,18"

MALFORMED = {
    "empty": b"",
    "only blank lines": b"\n\n\n",
    "only a byte order mark": b"\xef\xbb\xbf",
    "header alone": HEAD.encode(),
    "no header": GOOD.encode(),
    "utf-16": f"{HEAD}\n{GOOD}".encode("utf-16"),
    "utf-32": f"{HEAD}\n{GOOD}".encode("utf-32"),
    "latin-1": f"{HEAD}\nP01,A,weiß,2026-03-01,200,18".encode("latin-1"),
    "zero bytes": f"{HEAD}\nP01,A,m\0x,2026-03-01,200,18".encode(),
    "open quote": f'{HEAD}\nP01,A,"mix,2026-03-01,200,18'.encode(),
    "quote in the middle": f'{HEAD}\nP01,A,"mi"x,2026-03-01,200,18'.encode(),
    "a cell too many": f"{HEAD}\n{GOOD},7".encode(),
    "a cell too few": f"{HEAD}\nP01,A,mix,2026-03-01,200".encode(),
    "decimal comma": f"{HEAD}\nP01,A,mix,2026-03-01,200,18,5".encode(),
    "decimal comma, semicolons": HEAD.replace(",", ";").encode() + b"\nP;A;m;2026-03-01;200;18,5",
    "pipes": f"{HEAD}\n{GOOD}".replace(",", "|").encode(),
    "thousands": f'{HEAD}\nP01,A,mix,2026-03-01,"1,200",18'.encode(),
    "unit in the cell": f"{HEAD}\nP01,A,mix,2026-03-01,200 g,18".encode(),
    "negative": f"{HEAD}\nP01,A,mix,2026-03-01,-200,18".encode(),
    "no wax": f"{HEAD}\nP01,A,mix,2026-03-01,0,18".encode(),
    "not a number": f"{HEAD}\nP01,A,mix,2026-03-01,NaN,18".encode(),
    "endless": f"{HEAD}\nP01,A,mix,2026-03-01,1e999,18".encode(),
    "hexadecimal": f"{HEAD}\nP01,A,mix,2026-03-01,0xC8,18".encode(),
    "underscore number": f"{HEAD}\nP01,A,mix,2026-03-01,2_00_,18".encode(),
    "date turned round": f"{HEAD}\nP01,A,mix,01.03.2026,200,18".encode(),
    "impossible date": f"{HEAD}\nP01,A,mix,2026-02-30,200,18".encode(),
    "a date with time": f"{HEAD}\nP01,A,mix,2026-03-01 10:00,200,18".encode(),
    "two-digit year": f"{HEAD}\nP01,A,mix,26-03-01,200,18".encode(),
    "a serial date": f"{HEAD}\nP01,A,mix,46082,200,18".encode(),
    "column twice": f"{HEAD},wax_g\n{GOOD},200".encode(),
    "column renamed": HEAD.replace("wax_g", "wax").encode() + f"\n{GOOD}".encode(),
    "column in capitals": HEAD.upper().encode() + f"\n{GOOD}".encode(),
    "column missing": b"pour,pot,blend,poured_on,wax_g\nP01,A,mix,2026-03-01,200",
    "an unnamed column": f"{HEAD},,x\n{GOOD},,1".encode(),
    "pour twice": f"{HEAD}\n{GOOD}\n{GOOD}".encode(),
    "pour empty": f"{HEAD}\n,A,mix,2026-03-01,200,18".encode(),
    "pour with a blank": f"{HEAD}\nP 01,A,mix,2026-03-01,200,18".encode(),
    "pour as a path": f"{HEAD}\n../../etc,A,mix,2026-03-01,200,18".encode(),
    "pour as markup": f"{HEAD}\n<script>,A,mix,2026-03-01,200,18".encode(),
    "pour in other letters": f"{HEAD}\nП01,A,mix,2026-03-01,200,18".encode(),
    "a long blend": f"{HEAD}\nP01,A,{'x' * 5000},2026-03-01,200,18".encode(),
    "an empty blend": f"{HEAD}\nP01,A,   ,2026-03-01,200,18".encode(),
    "a very long cell": f"{HEAD},note\n{GOOD},{'x' * 200_000}".encode(),
    "a web page": b"<!doctype html><html><body><table><tr><td>pour</td></tr></table></html>",
    "json": b'{"pour": "P01", "pot": "A"}',
    "a picture": b"\x89PNG\r\n\x1a\n" + bytes(range(256)),
    "a pdf": b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n1 0 obj",
    "comment lines first": f"# my pours\n{HEAD}\n{GOOD}".encode(),
    "a title line first": f"Pours of March\n{HEAD}\n{GOOD}".encode(),
    "old Mac line ends and a stray cell": f"{HEAD}\r{GOOD},9".encode(),
}


@pytest.fixture(scope="module")
def untouched(tmp_path_factory):
    """An empty store in which nothing is ever stored."""
    return Store.create(tmp_path_factory.mktemp("untouched") / "series")


@pytest.mark.parametrize("raw", MALFORMED.values(), ids=MALFORMED.keys())
def test_malformed_files_are_told_and_nothing_is_stored(untouched, tmp_path, raw):
    path = tmp_path / "p.csv"
    path.write_bytes(raw)
    with pytest.raises(DataError) as error:
        import_csvs(untouched, pours=path)
    for problem in error.value.problems:
        assert problem.file == "p.csv"
        assert problem.expected and problem.remedy
    assert all(untouched.rows(t, history=True).empty for t in RECORDS)


text_cells = st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=12)


@settings(max_examples=60, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(lines=st.lists(st.lists(text_cells, max_size=8), max_size=6),
       separator=st.sampled_from(",;\t|"), encoding=st.sampled_from(["utf-8", "utf-8-sig"]))
def test_any_text_is_read_or_told(tmp_path, lines, separator, encoding):
    path = tmp_path / "p.csv"
    text = HEAD + "\n" + "\n".join(separator.join(line) for line in lines)
    path.write_bytes(text.encode(encoding))
    try:
        assert set(read_csvs(pours=path)) == {"pours"}
    except DataError as error:
        assert all(p.file == "p.csv" and p.remedy for p in error.problems)


@settings(max_examples=60, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(raw=st.binary(max_size=400))
def test_any_bytes_are_told(tmp_path, raw):
    path = tmp_path / "p.csv"
    path.write_bytes(raw)
    with pytest.raises(DataError):
        read_csvs(pours=path)


cells = st.one_of(
    st.none(), st.booleans(), st.integers(-10**6, 10**6), st.dates(), st.floats(allow_nan=False),
    st.text(st.characters(codec="utf-8", min_codepoint=32), max_size=10),
)


@settings(max_examples=25, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.lists(cells, max_size=7), max_size=5))
def test_any_workbook_is_read_or_told(tmp_path, rows):
    path = workbook(tmp_path / "p.xlsx", {"S": [HEAD.split(","), *rows]})
    dry = dry_run(pours=path)
    assert dry.ready or all(p.file == "p.xlsx" and p.remedy for p in dry.problems)


notes = st.text(st.characters(codec="utf-8", min_codepoint=32), min_size=1, max_size=60)


@settings(max_examples=25, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(note=notes.filter(lambda t: t.strip() == t and not unseen(t)), wax=st.floats(1, 100000),
       load=st.floats(0, 39.9))
def test_what_is_exported_comes_back_the_same(one_pour, tmp_path_factory, note, wax, load):
    from scentlab.recording.importing import export_csvs

    place = tmp_path_factory.mktemp("trip")
    store = Store.open(shutil.copytree(one_pour, place / "s"))
    store.add("pours", {"pour": "P02", "pot": "B", "blend": note[:80].strip() or "x",
                        "poured_on": "2026-03-01", "wax_g": wax,
                        "fragrance_g": wax * load / 100.0,
                        "note": note})
    paths = export_csvs(store, place / "out")
    # Beyond: a weight may be so odd that it is asked about.
    back = read_csvs(paths[0], paths[1], beyond_plan=True)["pours"]
    columns = list(RECORDS["pours"].names)
    pd.testing.assert_frame_equal(store.rows("pours")[columns], back[columns])


# ---- headings that lead, units still to choose --------------------------------------------------


@pytest.mark.parametrize("headings, column, heading", [
    ("Wax weighed,Fragrance weighed", "wax_g", "Wax weighed"),
    ("Wax weighed,Fragrance weighed", "fragrance_g", "Fragrance weighed"),
    ("Wax temperature", "add_temp_c", ""),  # it begins the pour temperature's meaning too
    ("Wax,Wax weighed", "wax_g", "Wax"),
    ("Day,Day of", "poured_on", "Day"),
    ("Room,Room temp of", "room_temp_c", "Room"),
    ("Day,Day of", "pour_temp_c", ""),
    ("Pour temp", "pour_temp_c", "Pour temp"),
    ("Waxing", "wax_g", ""),  # whole words only
    ("Room", "room_temp_c", "Room"),
])
def test_a_heading_is_matched_by_its_leading_words_when_they_lead_one_column(
    foreign, headings, column, heading
):
    assert proposed(foreign(f"{headings}\n")).get(column, "") == heading


def test_a_unit_still_to_choose_is_told_alone(empty, foreign):
    dry = dry_run(empty, pours=Source(foreign(), {**COLUMNS, "wax_g": From("Wax")}, decimal=","))
    assert told(dry) == [
        "mine.csv, row 1, column wax_g: found 'no unit', expected the unit of 'Wax': one of g, kg, "
        "oz, lb. Choose the unit the file uses."
    ]
    without = {n: c for n, c in COLUMNS.items() if n != "wax_g"}
    assert told(dry_run(empty, pours=Source(foreign(), without, decimal=","))) == [
        "mine.csv, row 1, column wax_g: expected a column wax_g (wax weighed into this pour). "
        'Choose what it is in the form, give --match "HEADING=wax_g:UNIT" '
        "(UNIT: g, kg, oz, lb) in the command, or correct the file."
    ]


def test_a_file_with_a_column_for_each_tester_is_told_to_have_a_row_for_each_score(empty, tmp_path):
    (tmp_path / "wide.csv").write_text("code,A1,A2\n664,3,4\n")
    lines = told(dry_run(empty, throws=Source(tmp_path / "wide.csv")))
    assert ["column assessor" in line for line in lines if "a row for each score" in line] == [True]


# ---- heads of the trade, cells that are not seen, limits ----------------------------------------

TRADE_FILE = "Pour;Pot;Date;Wax blend;Wax;FO weighed\nP01;A;14.03.2026;soft;200;18\n"


def test_heads_of_the_trade_are_matched_and_the_remedy_fits_form_and_command(empty, foreign):
    found = proposed(foreign(TRADE_FILE))
    assert [found[n] for n in ("poured_on", "blend", "wax_g", "fragrance_g")] == [
        "Date", "Wax blend", "Wax", "FO weighed"
    ]
    problems = told(dry_run(empty, pours=foreign("pour;pot;blend;Date;wax_g;FO (oz)\n"
                                                 "P01;A;soft;2026-03-14;200;0.6\n")))
    assert len(problems) == 2, "a column that is lacking and the heading that looks like it are one"
    assert problems[0].endswith(
        'Choose what it is in the form, give --match "Date=poured_on:UNIT" '
        "(UNIT: year-month-day, day.month.year, day/month/year, month/day/year) in the command, or "
        "correct the file."
    )


@pytest.mark.parametrize("headings, cells, column, heading", [
    ("Wax", "soft soy", "blend", "Wax"),  # words, not a weight
    ("Wax", "200", "wax_g", "Wax"),
    ("Oil", "18.5", "fragrance_g", "Oil"),
    ("oz", "0.65", "fragrance_g", "oz"),
    ("FO,oz", "0.65,0.7", "fragrance_g", "FO"),  # the surer one
    ("Date", "2026-03-14", "poured_on", "Date"),
])
def test_a_head_of_the_trade_fits_its_cells(foreign, headings, cells, column, heading):
    assert proposed(foreign(f"{headings}\n{cells}\n")).get(column, "") == heading


def test_a_heading_can_name_its_unit(foreign):
    found = proposed(foreign("Wax (lb),FO oz\n1,1.5\n"))
    assert [unit_in(found[n], POURS[n]) for n in ("wax_g", "fragrance_g")] == ["lb", "oz"]


def test_what_a_spreadsheet_does_not_show_is_told_by_sheet_and_cell(empty, tmp_path):
    path = workbook(tmp_path / "p.xlsx", {"S": [*POUR_ROWS, *(
        [f"P0{n}", "A", "soft mix", dt.date(2026, 3, 14), 200, 24] for n in range(3, 9)
    )]})
    book = openpyxl.load_workbook(path)
    sheet = book.active
    sheet.auto_filter.ref = "A1:F9"
    sheet.row_dimensions[5].hidden = True
    sheet.row_dimensions[6].hidden = True
    sheet.merge_cells("C2:C3")
    book.save(path)
    assert told(dry_run(empty, pours=path)) == [
        "p.xlsx, row 2: found 'S!C2:C3', expected cells that are not merged. Delete the row if it "
        "is a title. Otherwise unmerge the cells and fill in each one: merging leaves the others "
        "empty.",
        "p.xlsx, row 5: found 'S!row 5 and 1 more', expected rows that are shown. Clear the filter "
        "and show all rows, or delete the hidden ones: they would be stored too.",
    ]


@pytest.mark.parametrize("above", ["My cedar test", "My cedar test;;", ";\n;", "sep=;", "\nTest"])
def test_a_title_above_the_headings_is_told_once(empty, foreign, above):
    path = foreign(f"{above}\n{FOREIGN}")
    problem, = told(dry_run(empty, pours=path))
    assert problem.startswith("mine.csv, row 1: ") and "headings" in problem or (
        "a header row" in problem)


def test_a_file_is_held_to_its_limits_before_it_is_read(empty, tmp_path):
    far = workbook(tmp_path / "far.xlsx", {"S": POUR_ROWS})
    book = openpyxl.load_workbook(far)
    for row in range(2, 300):
        book.active.cell(row, 16_384, 1)
    book.save(far)
    wide = tmp_path / "wide.csv"
    wide.write_text(",".join(f"c{n}" for n in range(10_000)) + "\n" + "1," * 9_999 + "1\n")
    long = tmp_path / "long.csv"
    long.write_text("pour,pot\n" + "\n" * 200_001)
    start = time.perf_counter()
    assert told(dry_run(empty, pours=far)) == [
        "far.xlsx, row 2: found 'S!XFD2', expected a sheet of at most 200 columns. Remove what "
        "does not belong to the series, or split the file."
    ]
    assert told(dry_run(empty, pours=wide)) == [
        "wide.csv, row 1: expected a file of at most 200 columns. Remove what does not belong to "
        "the series, or split the file."
    ]
    assert told(dry_run(empty, pours=long)) == [
        "long.csv: expected a file of at most 200000 rows. Remove what does not belong to the "
        "series, or split the file."
    ]
    assert time.perf_counter() - start < 3


@pytest.mark.parametrize("cells, words", [
    (("1.200", "96"), "A point is a decimal point unless you choose the decimal comma"),
    (("1,200", "96"), "Write it with a point"),
    (("200", "18,5"), "Or choose the decimal comma for the whole file in the form, or in the "
                      "command give --decimal ,"),
    (("200", "6 %"), "Weigh it or work it out: a percentage is not a weight."),
    (("1.255", "96"), "A point is a decimal point unless you choose the decimal comma"),
])
def test_a_weight_that_can_be_read_in_two_ways_is_asked_about(empty, foreign, cells, words):
    rows = ["pour;pot;blend;poured_on;wax_g;fragrance_g",
            f"P01;A;soft;2026-03-14;{';'.join(cells)}",
            "P02;A;soft;2026-03-14;200;18"]
    found = told(dry_run(empty, pours=foreign("\n".join(rows) + "\n")))
    assert any(words in problem for problem in found), found


def test_a_scale_of_milligrams_and_thousands_with_a_decimal_comma_are_read(empty, foreign):
    head = "pour;pot;blend;poured_on;wax_g;fragrance_g\n"
    fine = dry_run(empty, pours=foreign(head + "P01;A;soft;2026-03-14;200.150;18.250\n"))
    assert fine.ready and fine.frames["pours"]["wax_g"][0] == 200.15
    comma = Source(foreign(head + "P01;A;soft;2026-03-14;1.200;96,5\n"), decimal=",")
    assert dry_run(empty, pours=comma).frames["pours"]["wax_g"][0] == 1200.0


@pytest.mark.parametrize("day", ["0026-03-14", "1926-03-14", "2126-03-14"])
def test_a_year_outside_the_plausible_is_asked_about(empty, foreign, day):
    head = "pour;pot;blend;poured_on;wax_g;fragrance_g\n"
    assert told(dry_run(empty, pours=foreign(f"{head}P01;A;soft;{day};200;18\n"))) == [
        f"mine.csv, row 2, column poured_on: found '{day}', expected a day from 2000-01-01 to "
        "2099-12-31. Check the year."
    ]


def test_names_that_differ_only_in_look_are_one_name(empty, tmp_path):
    pours, pieces = tmp_path / "pours.csv", tmp_path / "pieces.csv"
    pours.write_text("pour,pot,blend,poured_on,wax_g,fragrance_g\n"
                     "P01-1,A,soft,2026-03-14,200,18\nP01-2,a,Soft ,2026-03-14,200,24\n")
    pieces.write_text("code,pour,age_days,assessor,sweat_grade\n417,p01-1,2,A1,0\n"
                      "418,P01-2,2,a1,1\n")
    dry = dry_run(empty, pours=pours, pieces=pieces)
    assert dry.ready, dry
    dry.store(empty)
    assert list(empty.rows("pours")["blend"]) == ["soft", "soft"]
    assert list(empty.rows("pours")["pot"]) == ["A", "A"]
    assert list(empty.rows("pieces")["pour"]) == ["P01-1", "P01-2"]
    assert list(empty.rows("grades")["assessor"]) == ["A1", "A1"]
    pours.write_text(pours.read_text().replace("P01-2", "p01-1"))
    assert told(dry_run(Store.create(tmp_path / "other"), pours=pours)) == [
        "pours.csv, row 3, column pour: found 'p01-1', expected each combination of pour once. "
        "The row repeats pour P01-1: delete it or correct it."
    ]


@pytest.mark.parametrize("sign", ["\u200b", "\u202e", "\x1b", "\u3164"])
def test_a_sign_that_cannot_be_seen_is_in_no_name(empty, foreign, sign):
    head = "pour;pot;blend;poured_on;wax_g;fragrance_g\n"
    found = told(dry_run(empty, pours=foreign(f"{head}P01;A;so{sign}ft;2026-03-14;200;18\n")))
    assert found[0].endswith(
        f"expected a text of visible characters. Type it again: it contains U+{ord(sign):04X}."
    )

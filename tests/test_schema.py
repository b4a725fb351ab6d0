"""The border: text in, a typed frame or every problem out, each message in full."""

import datetime as dt
import pickle

import pandas as pd
import pytest

from scentlab.schema import (
    IMPORT_TABLES,
    PIECES,
    POURS,
    THROWS,
    Column,
    DataError,
    Problem,
    Table,
    parse_table,
)

GOOD = {"pour": "P01", "pot": "A", "blend": "soft mix", "poured_on": "2026-03-14",
        "wax_g": "200", "fragrance_g": "18.5"}


def pours(**cells):
    return parse_table(pd.DataFrame([{**GOOD, **cells}], dtype=object), POURS, "pours.csv")


def told(text, table=POURS, file="pours.csv"):
    with pytest.raises(DataError) as error:
        parse_table(pd.DataFrame(text, dtype=object), table, file)
    other = pickle.loads(pickle.dumps(error.value))  # as from another process
    assert (str(other), other.problems) == (str(error.value), error.value.problems)
    return str(error.value).splitlines()


def test_a_good_row_is_typed():
    frame = pours(stir_min=" 2 ", note="=1+1")
    assert tuple(frame.columns) == POURS.names
    row = frame.iloc[0]
    assert (row["pour"], row["poured_on"], row["wax_g"]) == ("P01", dt.date(2026, 3, 14), 200.0)
    assert (row["fragrance_g"], row["stir_min"], row["note"]) == (18.5, 2.0, "=1+1")
    assert pd.isna(row["add_temp_c"])
    assert frame["wax_g"].dtype == "float64"


def test_absent_optional_columns_are_missing():
    frame = parse_table(pd.DataFrame([{"code": "417", "pour": "P01"}]), PIECES, "pieces.csv")
    assert frame.iloc[0][["stress", "age_days", "assessor", "sweat_grade"]].isna().all()
    assert frame["sweat_grade"].dtype == "Int64"


def test_numbers_keep_every_digit():
    for text in ("0.1", "18.123456789012345", "1e2", "33.333333333333336"):
        assert pours(wax_g="99", fragrance_g=text)["fragrance_g"][0] == float(text)


@pytest.mark.parametrize("cells, words", [
    ({"wax_g": "abc"}, "column wax_g: found 'abc', expected a number with a decimal point from 1 "
     "to 100000 (g). Correct the value."),
    ({"wax_g": "200,5"}, "column wax_g: found '200,5', expected a number with a decimal point "
     "from 1 to 100000 (g). Write it with a point, as in 9.5, and no thousands separator."),
    ({"wax_g": "200 g"}, "column wax_g: found '200 g', expected a number with a decimal point "
     "from 1 to 100000 (g). Give only the number, in g, without the unit."),
    ({"wax_g": "0.5"}, "column wax_g: found '0.5', expected a number with a decimal point from 1 "
     "to 100000 (g). Correct the value."),
    ({"wax_g": "100001"}, "column wax_g: found '100001', expected a number with a decimal point "
     "from 1 to 100000 (g). Correct the value."),
    ({"wax_g": "inf"}, "column wax_g: found 'inf', expected a number with a decimal point from 1 "
     "to 100000 (g). Correct the value."),
    ({"wax_g": "nan"}, "column wax_g: found 'nan', expected a number with a decimal point from 1 "
     "to 100000 (g). Correct the value."),
    ({"wax_g": ""}, "column wax_g: found an empty cell, expected a number with a decimal point "
     "from 1 to 100000 (g). Fill it in."),
    ({"add_temp_c": "180 °F"}, "column add_temp_c: found '180 °F', expected a number with a "
     "decimal point from 20 to 150 (°C). Give only the number, in °C, without the unit."),
    ({"add_temp_c": "185"}, "column add_temp_c: found '185', expected a number with a decimal "
     "point from 20 to 150 (°C). Correct the value or leave it empty."),
    ({"poured_on": "14.03.2026"}, "column poured_on: found '14.03.2026', expected a date as "
     "year-month-day, such as 2026-03-14. Write the year first, then month and day, with dashes."),
    ({"poured_on": "2026-02-30"}, "column poured_on: found '2026-02-30', expected a date as "
     "year-month-day, such as 2026-03-14. Write the year first, then month and day, with dashes."),
    ({"poured_on": "20260314"}, "column poured_on: found '20260314', expected a date as "
     "year-month-day, such as 2026-03-14. Write the year first, then month and day, with dashes."),
    ({"pour": "P 01"}, "column pour: found 'P 01', expected a short name of letters, digits, dot, "
     "dash or underscore, such as P01-3. Correct the text."),
    ({"blend": "x" * 81}, "column blend: found '" + "x" * 57 + "...', expected a name of 1 to 80 "
     "characters. Correct the text."),
    ({"note": "y" * 201}, "column note: found '" + "y" * 57 + "...', expected a text of 1 to 200 "
     "characters. Correct the text."),
])
def test_a_wrong_cell_of_a_pour(cells, words):
    assert told([{**GOOD, **cells}]) == [f"pours.csv, row 2, {words}"]


@pytest.mark.parametrize("cells, words", [
    ({"code": "41"}, "column code: found '41', expected a blind code of three digits, such as "
     "417. Correct the text."),
    ({"assessor": "Anna"}, "column assessor: found 'Anna', expected a tester's code, never a "
     "name, such as A1. Correct the text."),
    ({"kind": "tepid"}, "column kind: found 'tepid', expected one of cold, jar, warm. Use one of "
     "these words."),
    ({"throw": "10.5"}, "column throw: found '10.5', expected a number with a decimal point from "
     "0 to 10 (throw, 0 to 10). Correct the value."),
    ({"position": "1.5"}, "column position: found '1.5', expected a whole number from 1 to 200 "
     "(1, 2, ...). Correct the value or leave it empty."),
    ({"works_with_fragrance": "maybe"}, "column works_with_fragrance: found 'maybe', expected one "
     "of yes, no. Use one of these words."),
])
def test_a_wrong_cell_of_a_throw_score(cells, words):
    good = {"code": "417", "assessor": "A1", "sitting": "S1", "kind": "warm", "throw": "5"}
    assert told([{**good, **cells}], THROWS, "t.csv") == [f"t.csv, row 2, {words}"]


def test_a_choice_in_capitals_is_understood():
    good = {"code": "417", "assessor": "A1", "sitting": "S1", "kind": "WARM", "throw": "5"}
    assert parse_table(pd.DataFrame([good]), THROWS, "t.csv")["kind"][0] == "warm"
    assert parse_table(pd.DataFrame([{**good, "kind": "Hot"}]), THROWS, "t")["kind"][0] == "warm"


def test_a_missing_and_an_unknown_column_are_told_together():
    row = {k: v for k, v in GOOD.items() if k != "wax_g"}
    assert told([{**row, "wax": "200"}]) == [
        "pours.csv, row 1, column wax_g: expected a column wax_g (wax weighed into this pour). Add "
        "the column; the header row must have the exact names.",
        "pours.csv, row 1, column wax: found 'wax', expected one of the columns "
        + ", ".join(POURS.names) + ". Rename or delete the column.",
    ]


def test_a_column_given_twice():
    text = pd.DataFrame([[*GOOD.values(), "7"]], columns=[*GOOD, " wax_g "])
    assert told(text) == [
        "pours.csv, row 1, column wax_g: found 'wax_g', expected each column once. Delete or "
        "rename one of the two columns."
    ]


def test_a_table_without_rows():
    assert told(pd.DataFrame(columns=list(GOOD))) == [
        "pours.csv: expected at least one row of pours. Add the rows."
    ]


def test_a_repeated_row():
    assert told([GOOD, {**GOOD, "wax_g": "300"}]) == [
        "pours.csv, row 3, column pour: found 'P01', expected each combination of pour once. The "
        "row repeats pour P01: delete it or correct it."
    ]


def test_a_repeated_look_without_age_or_assessor():
    look = {"code": "417", "pour": "P01", "stress": "rest", "sweat_grade": "1"}
    assert told([look, look], PIECES, "p.csv") == [
        "p.csv, row 3, column code: found '417', expected each combination of code, stress, "
        "age_days, assessor once. The row repeats code 417, stress rest: delete it or correct it."
    ]


def test_rows_count_as_a_spreadsheet_does_and_all_are_told():
    rows = [GOOD, {**GOOD, "pour": "P02", "wax_g": "x", "pot": ""}, {**GOOD, "pour": "?"}]
    assert [line.split(":")[0] for line in told(rows)] == [
        "pours.csv, row 4, column pour", "pours.csv, row 3, column pot",
        "pours.csv, row 3, column wax_g",
    ]


def test_a_long_list_is_cut_but_kept():
    rows = [{**GOOD, "pour": f"P{i}", "wax_g": "x"} for i in range(30)]
    with pytest.raises(DataError) as error:
        parse_table(pd.DataFrame(rows), POURS, "pours.csv")
    assert len(error.value.problems) == 30
    assert str(error.value).splitlines()[-1] == "... and 10 more problems"


def test_a_problem_reads_as_one_sentence():
    problem = Problem("a.csv", 3, "throw", "12", "a number", "Correct it.")
    assert str(problem) == "a.csv, row 3, column throw: found '12', expected a number. Correct it."


def test_a_column_with_one_bound():
    assert Column("x", "number", "x", "g", lower=2).expected == (
        "a number with a decimal point of 2 or more (g)"
    )


def test_an_unknown_column_of_a_table():
    with pytest.raises(KeyError) as error:
        Table("small", "", (Column("a", "text", ""),))["b"]
    assert error.value.args[0] == "table small has no column b; it has a"


def test_keys_name_columns_and_required_columns_exist():
    for table in IMPORT_TABLES:
        assert set(table.key) <= set(table.names)
        assert set(table.required) <= set(table.names)

"""Three CSV files in and out: nothing half-imported, every problem told at once."""

import datetime as dt

import pandas as pd
import pytest
from storing import read_csvs

from scentlab.recording.importing import (
    dry_run,
    export_csvs,
    import_csvs,
)
from scentlab.recording.matching import From, Source
from scentlab.recording.progress import see_progress
from scentlab.recording.reading import read_series
from scentlab.recording.records import RECORDS
from scentlab.recording.store import Store, StoreError
from scentlab.recording.unpoured import leave_out, unpoured
from scentlab.schema import DataError

POURS = """pour,pot,blend,poured_on,wax_g,fragrance_g,limit_load_pct,note
P01,A,soft mix,2026-03-01,200,18.1,10,
P02,A,soft mix,2026-03-01,200,24,10,"stirred, twice"
"""
PIECES = """code,pour,stress,age_days,assessor,sweat_grade,frost_grade
417,P01,rest,14,A1,2,1
417,P01,heat,21,A1,3,
211,P02,,,,,
212,P02,,,,0,
"""
THROWS = """code,assessor,sitting,kind,throw,minutes,position,works_with_fragrance
211,A1,S1,warm,6.5,30,1,no
211,A2,S1,warm,4,30,2,
"""


@pytest.fixture
def files(tmp_path):
    def write(pours=POURS, pieces=PIECES, throws=THROWS, encoding="utf-8"):
        paths = []
        for name, text in {"pours": pours, "pieces": pieces, "throws": throws}.items():
            path = tmp_path / f"{name}.csv"
            path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
            paths.append(path)
        return paths

    return write


def problems(error):
    return str(error.value).splitlines()


def test_the_three_files_become_a_series(empty, files):
    assert import_csvs(empty, *files()) == {"pours": 2, "pieces": 3, "grades": 4, "throws": 2}
    series = read_series(empty)
    assert list(series.pours["load_pct"]) == [9.05, 12.0]
    assert series.pours["note"].tolist()[1] == "stirred, twice"
    assert list(series.sweat()["grade"]) == [2, 3, 0]
    assert list(series.frost()["grade"]) == [1]
    assert list(series.throws["pour"]) == ["P02", "P02"]
    assert list(series.throws["works_with_fragrance"]) == ["no", None]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_separator_byte_order_mark_and_line_ends(empty, files, separator, encoding, line_end):
    pours = POURS.replace(",", separator).replace(f'"stirred{separator} twice"', "größer")
    pours = pours.replace("\n", line_end)
    import_csvs(empty, *files(pours=pours, encoding=encoding))
    assert empty.rows("pours")["note"].tolist() == [None, "größer"]


def test_all_problems_of_all_files_are_told_at_once(empty, files):
    paths = files(
        pours=POURS.replace("200,24", "200 g,24"),
        pieces=PIECES + "\n41,P02,,,,0,\n417,P02,rest,30,A1,9,\n500,P09,,,,,\n600,P01\n",
        throws=THROWS + "777,A1,S1,warm,11,30,3,\n",
    )
    with pytest.raises(DataError) as error:
        import_csvs(empty, *paths)
    assert problems(error) == [
        "pieces.csv, row 10: found '2 cells', expected 7 cells as in the header. Quote any cell "
        "that contains the separator, and give every column a cell.",
        "pours.csv, row 3, column wax_g: found '200 g', expected a number with a decimal point "
        "from 1 to 100000 (g). Give only the number, in g, without the unit.",
        "pieces.csv, row 7, column code: found '41', expected a blind code of three digits, such "
        "as 417. Correct the text.",
        "pieces.csv, row 8, column sweat_grade: found '9', expected a whole number from 0 to 4 "
        "(sweat grade). Correct the value or leave it empty.",
        "throws.csv, row 4, column throw: found '11', expected a number with a decimal point from "
        "0 to 10 (throw, 0 to 10). Correct the value.",
        "pieces.csv, row 8, column pour: found 'P02', expected pour P01, as code 417 is given "
        "above is a piece of it. A code belongs to one pour: correct the pour or the code.",
        "pieces.csv, row 9, column pour: found 'P09', expected a pour in the file of pours or the "
        "store. Correct the name, add the file of pours, or log the pour first.",
        "throws.csv, row 4, column code: found '777', expected a code in the file of pieces or the "
        "store. Correct the code, or add the piece, or save the plan first.",
    ]
    for table in RECORDS:
        assert empty.rows(table, history=True).empty


def test_a_load_in_ounces_is_told_how_it_comes_in(empty, files):
    told = dict.fromkeys(["pour", "pot", "blend"]) | {"poured_on": "year-month-day"}
    told |= {"wax_g": "g", "fragrance_g": "g", "limit_load_pct": "oz per lb"}
    named = {name: From(name, unit) for name, unit in told.items()}
    paths = files(pours=POURS.replace(",10,", ",1.5 oz/lb,"))
    # 1.5 oz of fragrance to a pound of 16 oz of wax is 100 * 1.5 / 16 = 9.375 %.
    for source, how in ((paths[0], "in g per 100 g of wax, without the unit. Or give only numbers, "
                                   "all in another unit, chosen in the form or in the command with "
                                   "--match "
                         '"limit_load_pct=limit_load_pct:UNIT" (UNIT: % of wax, % of total, oz '
                         "per lb)."),
                        (Source(paths[0], named), "in oz per lb, without the unit.")):
        first, second = map(str, dry_run(empty, pours=source).problems)
        assert first.endswith(f"Give only the number, {how}")
    files(pours=POURS.replace(",10,", ",1.5,"))
    import_csvs(empty, Source(paths[0], named))
    assert empty.rows("pours")["limit_load_pct"].tolist() == [9.375, 9.375]


def test_a_file_that_grew_adds_what_is_new_and_passes_over_what_is_stored(empty, files):
    stored = import_csvs(empty, *files())
    again = dict(zip(("pours", "pieces", "throws"), files(), strict=True))
    tried = dry_run(empty, **again)
    assert tried.sentence == ("Ready to store: 0 pours, 0 pieces, 0 throws, 0 grades. Already "
                              "stored and left as they are: 8 rows.")
    assert set(tried.store(empty).values()) == {0}
    more = files(POURS + "P03,A,soft mix,2026-03-01,200,26,10,\n",
                 PIECES.replace("A1,3,", "A1,3,2") + "213,P03,heat,21,A1,4,\n")
    assert dry_run(empty, pours=more[0], pieces=more[1]).passed == 2 + 3
    assert import_csvs(empty, *more) == {"pours": 1, "pieces": 1, "grades": 2, "throws": 0}
    assert len(empty.rows("grades", history=True)) == stored["grades"] + 2


def test_a_limit_in_a_file_is_held_to_the_one_that_holds(empty, files, tmp_path):
    import_csvs(empty, *files())
    empty.correct("pours", 2, {"limit_load_pct": 9.0}, reason="newer sheet")
    export_csvs(empty, tmp_path / "out")
    assert dry_run(empty, pours=tmp_path / "out" / "pours.csv").passed == 2
    with pytest.raises(DataError) as error:
        import_csvs(empty, files(POURS.replace(",10,", ",8,"))[0])
    assert problems(error)[0].startswith(
        "pours.csv, row 2, column limit_load_pct: found '8', expected 10, as is stored. Remove the "
        "row, and correct the stored one on the page or with scentlab correct FOLDER pours 1 "
        'limit_load_pct="8"')


def test_a_stored_row_with_another_value_is_told_with_its_entry(empty, files):
    import_csvs(empty, *files())
    changed = {"pours": POURS.replace("200,24", "201,24"),
               "pieces": PIECES.replace("A1,2,1", "A1,2,4")}
    with pytest.raises(DataError) as error:
        import_csvs(empty, *files(**changed, throws=THROWS.replace("6.5,30", "6.5,45")))
    assert problems(error)[2:] == [
        "throws.csv, row 2, column minutes: found '45', expected 30 min, as stored: a piece is "
        "smelt once at each place in a session. Remove the row, and correct the stored one on the "
        "page or with scentlab correct FOLDER throws 1 minutes=MINUTES --reason TEXT. Correct it. "
        "If it really is so, import it with --beyond-plan, or tick that in the form."]
    with pytest.raises(DataError) as error:
        import_csvs(empty, *files(**changed))
    mend = ("Remove the row, and correct the stored one on the page or with scentlab correct "
            "FOLDER {} --reason TEXT.")
    assert problems(error) == [
        "pours.csv, row 3, column wax_g: found '201', expected 200, as is stored. "
        + mend.format('pours 2 wax_g="201"'),
        "pieces.csv, row 2, column frost_grade: found '4', expected 1, as is stored. "
        + mend.format('grades 2 grade="4"')]


def test_a_row_that_was_made_void_or_mended_is_asked_about_before_it_is_stored_again(empty, files):
    import_csvs(empty, *files())
    empty.void("grades", 1, "another piece")
    empty.correct("throws", 1, {"assessor": "A9"}, reason="who it was")
    with pytest.raises(DataError) as error:
        import_csvs(empty, *files())
    assert problems(error) == [
        f"{name}.csv, row 2, column code: found '{row}', expected no row that was voided or "
        f"corrected (entry {table}). Remove the row. Correct it. If it really is so, import it "
        "with --beyond-plan, or tick that in the form."
        for name, row, table in (("pieces", 417, "5 of grades"), ("throws", 211, "1 of throws"))]
    tried = dry_run(empty, **dict(zip(("pours", "pieces", "throws"), files(), strict=True)),
                    beyond_plan=True)
    assert {name: len(rows) for name, rows in tried.frames.items()} == {
        "pours": 0, "pieces": 1, "throws": 1}


def test_what_is_stored_already_is_not_doubted_again(empty, files):
    """A name that was taken beyond the plan must not make a maker take new rows so, too."""
    odd = files(POURS.replace("soft mix", "N/A"))[:2]
    with pytest.raises(DataError, match="found 'N/A', expected a name"):
        import_csvs(empty, *odd)
    import_csvs(empty, *odd, beyond_plan=True)
    assert dry_run(empty, pours=odd[0], pieces=odd[1]).passed == 6


def test_later_looks_and_scores_are_added(empty, files):
    pours, pieces, throws = files(throws="code,assessor,sitting,kind,throw\n211,A1,S1,cold,2\n")
    import_csvs(empty, pours, pieces)
    import_csvs(empty, throws=throws)
    pieces.write_text("code,pour,age_days,sweat_grade\n417,P01,60,4\n213,P01,60,0\n")
    assert import_csvs(empty, pieces=pieces) == {"pieces": 1, "grades": 2}


def test_a_stored_code_of_another_pour(empty, files):
    paths = files()
    import_csvs(empty, *paths)
    paths[1].write_text("code,pour,sweat_grade\n417,P02,1\n")
    with pytest.raises(DataError) as error:
        import_csvs(empty, pieces=paths[1])
    assert problems(error) == [
        "pieces.csv, row 2, column pour: found 'P02', expected pour P01, as code 417 is stored is "
        "a piece of it. A code belongs to one pour: correct the pour or the code."
    ]


@pytest.mark.parametrize("raw, words", [
    (b"", "pours.csv, row 1: expected a header row with the columns of pours. Start the file with "
          "the column names."),
    *((raw, "pours.csv: expected text in UTF-8. Save it again as 'CSV UTF-8'.") for raw in (
        "pour\n".encode("utf-16"), POURS.replace("twice", "größer").encode("latin-1"),
        POURS.encode().replace(b"stirred", b"st\x00"))),
    (POURS.replace('twice"', "twice").encode(), "pours.csv: expected a CSV file whose quotes close "
     "(unexpected end of data). Close every \" and double any quote inside a cell."),
    (POURS.splitlines()[0].encode(), "pours.csv: expected at least one row of pours. Add the "
     "rows."),
])
def test_files_that_are_no_table(files, raw, words):
    paths = files(pours=raw)
    with pytest.raises(DataError) as error:
        read_csvs(paths[0])
    assert problems(error) == [words]


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(DataError) as error:
        read_csvs(tmp_path / "none.csv")
    assert problems(error) == [
        "none.csv: expected a file of pours (No such file or directory). Check the file's name and "
        "place."
    ]


def test_the_round_trip_keeps_everything(empty, files, tmp_path):
    import_csvs(empty, *files(pours=POURS.replace("18.1", "18.123456789012345")))
    paths = export_csvs(empty, tmp_path / "exports")
    assert [p.name for p in paths] == ["pours.csv", "pieces.csv", "throws.csv"]
    again = Store.create(tmp_path / "again")
    import_csvs(again, *paths)
    for name, table in RECORDS.items():
        columns = list(table.names)
        pd.testing.assert_frame_equal(
            empty.rows(name)[columns].sort_values(columns, ignore_index=True),
            again.rows(name)[columns].sort_values(columns, ignore_index=True),
        )


def test_the_export_of_a_series_of_which_nothing_is_scored_comes_back(empty, files, tmp_path):
    import_csvs(empty, files()[0])
    paths = export_csvs(empty, tmp_path / "exports")
    stored = import_csvs(Store.create(tmp_path / "again"), *paths)
    assert stored == {"pours": 2, "pieces": 0, "grades": 0, "throws": 0}
    with pytest.raises(DataError, match="expected at least one row of throws"):
        import_csvs(empty, throws=paths[2])


def test_what_will_not_be_poured_comes_back_with_its_reason(empty, files, tmp_path):
    plan = {"pours": [{"pour": p, "pot": "A", "blend": "soft mix"} for p in ("P01", "P02", "P03")],
            "pieces": [{"code": "300", "pour": "P03", "test": "sweat", "stress": "rest"}]}
    empty.save_plan(plan)
    import_csvs(empty, *files(), beyond_plan=True)
    half = export_csvs(empty, tmp_path / "half")  # what is still to be poured is the plan's
    assert import_csvs(Store.create(tmp_path / "elsewhere"), *half)["pours"] == 2
    leave_out(empty, "P03", "spilt, all of it")
    paths = {path.stem: path for path in export_csvs(empty, tmp_path / "exports")}
    for kept in (None, plan):
        again = Store.create(tmp_path / f"again {kept is None}")
        if kept:
            again.save_plan(kept)
        assert import_csvs(again, **paths, beyond_plan=True)["unpoured"] == 1
        assert unpoured(again) == {"P03": "spilt, all of it"}
        assert set(again.distinct("pieces", ("code", "pour"))) == set(
            empty.distinct("pieces", ("code", "pour")))
    assert see_progress(again).sentence == see_progress(empty).sentence
    paths["pieces"].write_text("code,pour,age_days,sweat_grade\n300,P03,7,1\n")
    with pytest.raises(DataError, match="row 2, column pour: found 'P03', expected a pour in"):
        import_csvs(Store.create(tmp_path / "graded"), **paths)
    paths["unpoured"].write_text("pour,note\nP09,\n")
    with pytest.raises(DataError, match="found 'P09', expected one of the pours of the kept plan"):
        import_csvs(empty, unpoured=paths["unpoured"])


@pytest.mark.parametrize("note", ["=1+1", "+1", "-2 g spilt", "@home", "'=already", "plain"])
def test_a_spreadsheet_runs_no_note(empty, files, tmp_path, note):
    import_csvs(empty, *files())
    entry = empty.rows("pours")["entry_id"][0]
    empty.correct("pours", entry, {"note": note, "blend": "=soft"})
    empty.correct("pours", empty.rows("pours")["entry_id"][0], {"blend": "=soft"})
    paths = export_csvs(empty, tmp_path / "exports")
    cells = pd.read_csv(paths[0], dtype=str)
    assert not cells[["note", "blend"]].stack().str.match(r"[=+\-@]").any()
    frames = read_csvs(*paths)
    assert note in set(frames["pours"]["note"])
    assert "=soft" in set(frames["pours"]["blend"])


def test_an_export_that_cannot_be_written(empty, files, tmp_path):
    (tmp_path / "taken").write_text("x")
    with pytest.raises(StoreError) as error:
        export_csvs(empty, tmp_path / "taken")
    assert str(error.value) == (
        f"the folder {tmp_path / 'taken'} cannot be written (File exists); choose another one"
    )


class TestPoursThatCannotBe:
    """Each file is in order cell by cell; together the cells contradict each other or any wax."""

    HEAD = "pour,pot,blend,poured_on,wax_g,fragrance_g,limit_load_pct\n"

    @pytest.mark.parametrize(
        "rows, text",
        [
            (
                "P01,A,soft mix,2026-03-01,200,118,\n",
                "pours.csv, row 2, column fragrance_g: found '118', expected a load of at most "
                "40 % of wax, and with 200 g of wax this is 59.0 %. Look for a slipped decimal "
                "point in fragrance_g or wax_g.",
            ),
            (
                "P01,A,soft mix,2026-03-01,200,18,\nP02,A,hard mix,2026-03-01,200,18,\n",
                "pours.csv, row 3, column blend: found 'hard mix', expected soft mix, that of pot "
                "A in row 2. A pot has one blend, and a blend has one limit of each kind: correct "
                "it.",
            ),
            (
                "P01,A,soft mix,2026-03-01,200,18,10\nP02,B,soft mix,2026-03-01,200,18,12\n",
                "pours.csv, row 3, column limit_load_pct: found '12', expected 10, that of "
                "blend soft mix in row 2. A pot has one blend, and a blend has one limit of each "
                "kind: correct it.",
            ),
        ],
    )
    def test_full_text_and_nothing_is_stored(self, empty, tmp_path, rows, text):
        path = tmp_path / "pours.csv"
        path.write_text(self.HEAD + rows)
        with pytest.raises(DataError) as error:
            import_csvs(empty, pours=path)
        assert str(error.value) == text
        assert empty.rows("pours").empty

    def test_a_load_of_exactly_the_most_is_taken(self, empty, tmp_path):
        path = tmp_path / "pours.csv"
        path.write_text(self.HEAD + "P01,A,soft mix,2026-03-01,200,80,\n")
        assert import_csvs(empty, pours=path) == {"pours": 1}


def test_a_pours_file_that_cannot_be_read_is_one_problem_not_one_per_piece(empty, files):
    paths = files(pours=b"")
    with pytest.raises(DataError) as error:
        import_csvs(empty, *paths)
    assert [str(p).split(":")[0] for p in error.value.problems] == ["pours.csv, row 1"]


def test_some_unknown_pours_among_known_ones_name_their_rows(empty, files):
    more = "".join(f"{500 + i},P{'01' if i % 3 else '09'},rest,14,A1,0,\n" for i in range(15))
    with pytest.raises(DataError) as error:
        import_csvs(empty, *files(pieces=PIECES + more))
    assert problems(error) == [
        "pieces.csv, row 6, column pour: found 'P09', expected a pour in the file of pours or the "
        "store. Correct the name, add the file of pours, or log the pour first. Same in rows 9, "
        "12, 15, 18."
    ]


class TestDaysToCome:
    TODAY = dt.date(2026, 3, 10)
    CLOCK = ("Correct it, or this computer's clock, which says that today is 2026-03-10.")

    @pytest.fixture
    def tried(self, empty, tmp_path):
        def tried(pours="2026-03-01", age=0, store=empty):
            paths = {n: tmp_path / f"{n}.csv" for n in ("pours", "pieces")}
            paths["pours"].write_text("pour,pot,blend,poured_on,wax_g,fragrance_g\n"
                                      f"P01,A,soft,{pours},200,18\n")
            paths["pieces"].write_text(f"code,pour,age_days,sweat_grade\n417,P01,{age},1\n")
            return [str(p) for p in dry_run(store, **paths, today=self.TODAY).problems]

        return tried

    def test_a_day_ahead_is_let_pass_for_clocks_are_wrong(self, tried):
        assert tried("2026-03-11") == tried("2026-03-10") == []

    def test_a_pour_of_a_day_to_come_is_refused(self, tried):
        assert tried("2026-03-12") == [
            "pours.csv, row 2, column poured_on: found '2026-03-12', expected a day up to today. "
            "" + self.CLOCK,
            "pieces.csv, row 2, column age_days: found '0', expected an age the piece has reached "
            "since it was poured. " + self.CLOCK,
        ]

    def test_a_look_at_an_age_that_is_not_reached_is_refused(self, tried):
        assert tried(age=10) == []
        assert tried(age=14) == [
            "pieces.csv, row 2, column age_days: found '14', expected an age the piece has reached "
            "since it was poured. " + self.CLOCK
        ]

    def test_the_days_of_invented_data_may_lie_anywhere(self, tried, tmp_path):
        store = Store.create(tmp_path / "invented", invented=True)
        assert tried("2031-01-01", store=store) == []

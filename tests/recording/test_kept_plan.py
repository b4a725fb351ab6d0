"""An import into a series with a kept plan: a slip of a key is no new piece or assessor."""

import html
import re

import pandas as pd
import pytest

from scentlab import workshop
from scentlab.cli import main
from scentlab.forms.bring_in import ImportForm
from scentlab.recording.importing import dry_run, import_csvs
from scentlab.recording.matching import From, Source
from scentlab.recording.reading import read_series
from scentlab.recording.store import Store
from scentlab.schema import DataError

BEYOND = (
    "If it really is beyond the plan, import it with --beyond-plan, or tick that in the form."
)
PLAN = {
    "title": "Cedar", "assessors": ["A1", "A2"],
    "pours": [{"pour": p, "pot": "A", "blend": "mix", "load_pct": load}
              for p, load in (("P01", 9.0), ("P02", 12.0))],
    "pieces": [
        {"code": "417", "pour": "P01", "test": "sweat", "stress": "rest"},
        {"code": "421", "pour": "P01", "test": "sweat", "stress": "heat"},
        {"code": "481", "pour": "P02", "test": "sweat", "stress": "rest"},
        {"code": "472", "pour": "P02", "test": "throw", "stress": None},
    ],
    "smellings": [{"sitting": s, "sitting_on": "2026-03-15", "kind": "warm", "assessor": "A1",
                   "position": 1, "code": "472"} for s in ("S01", "S02")],
}
POURS = """pour,pot,blend,poured_on,wax_g,fragrance_g
P01,A,mix,2026-03-01,200,18
P02,A,mix,2026-03-01,200,24
"""
PIECES = """code,age_days,assessor,sweat_grade
417,14,A1,1
421,14,A1,3
481,14,A2,0
"""
THROWS = "code,assessor,sitting,kind,throw,minutes\n472,A1,S01,warm,6,30\n"


@pytest.fixture
def store(folder):
    store = Store.create(folder)
    store.save_plan(PLAN)
    return store


@pytest.fixture
def files(tmp_path):
    def write(**texts):
        for name, text in texts.items():
            (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
        return {name: tmp_path / f"{name}.csv" for name in texts}

    return write


def told(store, files, **more):
    return [str(p) for p in dry_run(store, **files, **more).problems]


def test_a_slipped_digit_is_no_new_piece(store, files):
    given = files(pours=POURS, pieces="code,pour,sweat_grade\n427,P01,1\n471,P01,2\n481,P02,0\n")
    assert told(store, given) == [
        "pieces.csv, row 2, column code: found '427', expected one of the pieces of the kept plan. "
        f"Correct it; the nearest: 421, 417, 472. {BEYOND}",
        "pieces.csv, row 3, column code: found '471', expected one of the pieces of the kept plan. "
        f"Correct it; the nearest: 481, 472, 421. {BEYOND}",
    ]
    with pytest.raises(DataError):
        import_csvs(store, **given)
    assert store.rows("pours").empty and store.rows("grades").empty
    assert len(store.rows("pieces")) == len(PLAN["pieces"])


def test_assessors_sittings_and_codes_of_throws(store, files):
    rows = "473,A1,S1,warm,6,30\n472,A7,S01,warm,6,30\n"
    given = files(pours=POURS, throws=THROWS + rows)
    assert told(store, given) == [
        "throws.csv, row 3, column code: found '473', expected one of the pieces of the kept plan. "
        f"Correct it; the nearest: 472, 417. {BEYOND}",
        "throws.csv, row 4, column assessor: found 'A7', expected one of the testers of the kept "
        f"plan. Correct it; the nearest: A2, A1. {BEYOND}",
        "throws.csv, row 3, column sitting: found 'S1', expected one of the sessions of the kept "
        f"plan. Correct it; the nearest: S01, S02. {BEYOND}",
    ]


def test_a_grade_of_an_assessor_and_a_pour_that_nobody_planned(store, files):
    given = files(pours=POURS + "P03,A,mix,2026-03-01,200,24\n",
                  pieces=PIECES.replace("A2", "B2"))
    assert told(store, given) == [
        "pours.csv, row 4, column pour: found 'P03', expected one of the pours of the kept plan. "
        f"Correct it; the nearest: P02, P01. {BEYOND}",
        "pieces.csv, row 4, column assessor: found 'B2', expected one of the testers of the kept "
        f"plan. Correct it; the nearest: A2. {BEYOND}",
    ]


def test_one_name_in_many_rows_is_told_once(store, files):
    rows = "".join(f"472,A1,S9,warm,6,{minutes}\n" for minutes in range(1, 7))
    assert told(store, files(pours=POURS, throws=THROWS + rows)) == [
        "throws.csv, row 3, column sitting: found 'S9', expected one of the sessions of the kept "
        f"plan. Correct it; the nearest: S02, S01. {BEYOND} Same in rows 4, 5, 6, 7, 8."
    ]


def test_a_file_of_another_series_is_told_once(store, files):
    rows = "".join(f"{code},P01,1\n" for code in range(700, 720))
    (said,) = told(store, files(pours=POURS, pieces="code,pour,sweat_grade\n" + rows))
    assert said.startswith("pieces.csv, row 2, column code: found '700', expected one of the ")
    assert said.endswith("in rows 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14 and 7 more.")


def test_what_is_truly_beyond_the_plan_is_taken_when_it_is_said(store, files):
    given = files(
        pours=POURS + "P03,B,mix,2026-03-01,200,30\n", throws=THROWS + "601,A7,S9,warm,4,30\n",
        pieces="code,pour,age_days,assessor,sweat_grade\n600,P03,14,A7,2\n601,P03,,,\n417,,9,A1,1\n",
    )
    assert len(told(store, given)) == 7
    assert import_csvs(store, **given, beyond_plan=True) == {
        "pours": 3, "pieces": 2, "grades": 2, "throws": 2
    }
    assert sorted(read_series(store).grades["code"]) == ["417", "600"]
    # What was taken in once is known from then on.
    later = files(pieces="code,age_days,assessor,sweat_grade\n600,30,A7,3\n")
    assert told(store, later) == []


def test_a_piece_beyond_the_plan_needs_its_pour(store, files):
    given = files(pours=POURS, pieces=PIECES + "600,14,A1,2\n")
    assert told(store, given, beyond_plan=True) == [
        "pieces.csv, row 5, column pour: found an empty cell, expected a short name of letters, "
        "digits, dot, dash or underscore, such as P01-3. This code is not in the plan: give its "
        "pour."
    ]
    assert [t.partition(":")[0] for t in told(store, given)] == ["pieces.csv, row 5, column code"]


def test_the_plan_tells_the_pour_and_the_stress_of_a_code(store, files):
    assert import_csvs(store, **files(pours=POURS, pieces=PIECES, throws=THROWS)) == {
        "pours": 2, "pieces": 0, "grades": 3, "throws": 1
    }
    grades = read_series(store).grades
    assert grades[["code", "pour", "stress"]].to_numpy().tolist() == [
        ["417", "P01", "rest"], ["421", "P01", "heat"], ["481", "P02", "rest"]
    ]
    again = dry_run(store, **files(pieces=PIECES))
    assert again.passed == 3 and again.frames["pieces"].empty, "the same without a stress"


def test_the_demo_without_its_key_is_the_same_series(tmp_path):
    """What the plan fills in is what the shipped file of pieces says, row by row."""
    demo = workshop.demo_folder()
    pieces = pd.read_csv(demo / "pieces.csv", dtype=str, keep_default_na=False)
    pieces.drop(columns=["pour", "stress"]).to_csv(tmp_path / "pieces.csv", index=False)
    series = []
    for name, path in (("whole", demo / "pieces.csv"), ("blind", tmp_path / "pieces.csv")):
        store = Store.create(tmp_path / name, invented=True)
        store.save_plan(workshop.demo_plan())
        import_csvs(store, demo / "pours.csv", path, demo / "throws.csv")
        series.append(read_series(store))
    for table in ("pours", "grades", "throws"):
        pd.testing.assert_frame_equal(*(getattr(one, table) for one in series))


def test_a_stress_that_is_given_stays(store, files):
    pieces = "code,stress,sweat_grade\n421,rest,0\n421,,2\n"
    import_csvs(store, **files(pours=POURS, pieces=pieces))
    assert store.rows("grades")["stress"].tolist() == ["rest", "heat"]


def test_a_pour_that_contradicts_the_plan_is_refused(store, files):
    given = files(pours=POURS, pieces="code,pour,sweat_grade\n417,P02,1\n481,,0\n")
    assert told(store, given) == [
        "pieces.csv, row 2, column pour: found 'P02', expected pour P01, as code 417 is stored is "
        "a piece of it. A code belongs to one pour: correct the pour or the code."
    ]


def test_a_piece_whose_pour_is_not_logged_is_told_without_its_pour(store, files):
    assert told(store, files(pieces="code,sweat_grade\n417,1\n")) == [
        "pieces.csv, row 2, column code: found '417', expected a piece whose pour is logged. Add "
        "the file of pours, or log the pours first."
    ]


def test_a_voided_piece_comes_back_with_its_test(store, files):
    entry = store.rows("pieces").set_index("code").loc["421", "entry_id"]
    store.void("pieces", int(entry), "lost")
    import_csvs(store, **files(pours=POURS, pieces=PIECES))
    found = store.rows("pieces").set_index("code").loc["421"]
    assert [found["pour"], found["test"], found["stress"]] == ["P01", "sweat", "heat"]


def test_without_a_kept_plan_nothing_is_held_against_it(folder, files):
    store = Store.create(folder)
    assert told(store, files(pours=POURS, pieces=PIECES)) == [
        "pieces.csv, row 1, column pour: expected a column pour (the pour it was cast from). "
        'Choose what it is in the form, give --match "HEADING=pour" in the '
        "command, or correct the file."
    ]
    pieces = "code,pour,assessor,sweat_grade\n999,P01,Z9,1\n"
    throws = THROWS.replace("472", "999").replace("S01", "S77")
    assert told(store, files(pours=POURS, pieces=pieces, throws=throws)) == []


def test_a_look_that_was_stored_without_stress_is_found_again(store, files):
    import_csvs(store, **files(pours=POURS))
    store.add("grades", {"code": "417", "test": "sweat", "age_days": 14, "assessor": "A1",
                         "grade": 1})
    assert dry_run(store, **files(pieces=PIECES)).passed == 1


def test_the_command_takes_it_when_it_is_said(store, files, capsys):
    given = files(pours=POURS, pieces="code,pour,sweat_grade\n600,P01,1\n")
    command = ["import", str(store.folder), *(f"--{n}={p}" for n, p in given.items())]
    assert main(command) == 2
    assert (f"found '600', expected one of the pieces of the kept plan. Correct it. {BEYOND}"
            in capsys.readouterr().err)
    assert store.rows("pours").empty
    assert main([*command, "--beyond-plan"]) == 0
    assert "pieces: 1 row stored" in capsys.readouterr().out


def plain(widget):
    return html.unescape(re.sub("<[^>]+>", "", widget.value))


def test_the_form_takes_it_when_it_is_ticked(store, files):
    form = ImportForm(lambda given: dry_run(store, **given), lambda tried: tried.store(store))
    for name, path in files(pours=POURS, pieces="code,pour,sweat_grade\n600,P01,1\n").items():
        form.files[name].take(path)
    form.check.click()
    assert "expected one of the pieces of the kept plan" in plain(form.result)
    assert form.beyond_plan.description.startswith("☐ Also accept what the kept plan lacks")
    form.beyond_plan.click()
    assert form.beyond_plan.description.startswith("☑") and form.browser.pressed == ["beyond-plan"]
    assert form.tried is None and form.store.disabled, "what was checked is not what is meant now"
    form.check.click()
    form.store.click()
    assert plain(form.message).startswith("Stored: 2 pours, 1 pieces, 1 grades.")
    assert form.beyond_plan.description.startswith("☐"), "said of those files alone"


def test_the_form_of_pieces_needs_no_pour_where_a_plan_is_kept(store, files):
    form = ImportForm(lambda given: dry_run(store, **given), lambda tried: tried.store(store))
    for name, path in files(pours=POURS, pieces=PIECES).items():
        form.files[name].take(path)
    assert form.browser.names["pieces-pour"] == (
        "The pour it was cast from (* if no plan is kept)"
    )
    form.check.click()
    form.store.click()
    assert plain(form.message).startswith("Stored: 2 pours, 3 grades.")


def test_a_problem_of_a_matched_file_shows_what_stands_in_it(store, tmp_path, files):
    files(pours=POURS)
    (tmp_path / "mine.csv").write_text("No;Sweat\n427;1\n", encoding="utf-8")
    columns = {"code": From("No"), "sweat_grade": From("Sweat")}
    found = told(store, {"pours": tmp_path / "pours.csv",
                         "pieces": Source(tmp_path / "mine.csv", columns)})
    assert [t.partition(",")[0] for t in found] == ["mine.csv"]
    assert "row 2, column No (code): found '427'" in found[0]


def test_what_will_not_come_may_be_a_piece_a_session_or_a_tester_of_the_plan(store, tmp_path):
    file = tmp_path / "unpoured.csv"
    file.write_text("pour,note\nP02,\n417,lost\nS02,a cold\nA2,\n")
    assert dry_run(store, unpoured=file).ready
    file.write_text("pour,note\nS03,a cold\n")
    problem, = dry_run(store, unpoured=file).problems
    assert (problem.column, problem.value) == ("pour", "S03")

"""The quick check from the terminal: from the question to the answer and to one more pot."""

import datetime as dt
import json

import pytest

from scentlab.cli import main
from scentlab.materials import Blend, Fragrance, Refusal, Wax
from scentlab.planning.pairs import plan_pairs
from scentlab.planning.plan import make_plan
from scentlab.planning.quick import grow_plan, quick_plan
from scentlab.planning.rules import PieceNumbers
from scentlab.quick import QuickCheck, plan_asked
from scentlab.recording.reading import read_series
from scentlab.recording.shelf import plan_rows, put_on_shelf
from scentlab.recording.store import Store, StoreError
from scentlab.recording.unpoured import left_out
from scentlab.workshop import make_series

LOADS = "1, 1.5, 2, 3 oz/lb"
ASKED = ["--wax", "soft wax", "--oil", "fig", "--loads", LOADS, "--seed", "1", "--limit",
         "1 oz/lb"]


@pytest.fixture
def answers(monkeypatch):
    """What is typed, question after question; nothing when there is no more."""
    typed, asked = [], []

    def answer(words=""):
        asked.append(words)
        if not typed:
            raise EOFError
        return typed.pop(0)

    monkeypatch.setattr("builtins.input", answer)
    return typed, asked


def in_order(plan):
    """The codes as they are asked for, and as they stand on the sheet."""
    pieces = sorted(plan["pieces"], key=lambda p: (p["stress"] == "heat", p["code"]))
    return [p["code"] for p in pieces]


def quick(folder, *more, day="2026-11-01"):
    return main(["quick", str(folder), *more, "--today", day])


@pytest.mark.parametrize("command", [["quick", *ASKED], [
    "plan", "--wax", "soft wax", "--oil", "fig", "--have", "wax 9 lb, evenings 20", "--take",
    "small"]])
def test_a_disk_that_is_full_leaves_no_series_without_its_plan(tmp_path, capsys, monkeypatch,
                                                                command):
    """It was left, said to be not saved, and then refused by the same command."""
    def full(*_):
        raise StoreError("the disk is full; nothing was saved", "make room")

    words = [command[0], str(tmp_path / "fig"), *command[1:]]
    with monkeypatch.context() as patched:
        patched.setattr(Store, "save_plan", full)
        assert main(words) == 2
    assert "nothing was saved" in capsys.readouterr().err and list(tmp_path.iterdir()) == []
    assert main(words) == 0
    assert (tmp_path / "fig" / "units.json").is_file() and Store.open(tmp_path / "fig").plan()


def test_from_the_question_to_the_answer(tmp_path, capsys, answers):
    folder, (typed, asked) = tmp_path / "fig", answers
    assert quick(folder, *ASKED, "--paper", "letter") == 0
    said = capsys.readouterr().out
    assert "12 pieces of 1 oz (28 g) from one pot: 12.5 oz (354 g) of wax" in said
    assert "3 of 4 loads are over the wax maker's limit, 1 oz/lb (6.25 %): for testing" in said
    sheet = (folder / "exports" / "quick-sheet-P01.html").read_text()
    assert "size: letter" in sheet and "3 oz/lb (18.75 %)" in sheet

    # What cannot be is asked again.
    typed += ["", "50 g", "100.2 g", "185", "185 F, 500 F", "185 F, ,70 F"]
    typed += ["", "", "3 oz", "lots", "0.25 oz", "n", "3 oz", "0.25 oz", "y", "0.5 g", "1 g",
              "5.3 g", "85 g", "", "", "", ""]
    assert quick(folder) == 0
    said = capsys.readouterr().out
    assert "'lots' does not start with a number" in said
    assert "4 of 4 test batches are stored." in said
    assert any("The weighed load is 1.33 oz/lb, planned 1.5 oz/lb: is 0.25 oz of fragrance in 3 oz "
               "of wax right?" in words for words in asked)
    assert "and with 0.19 oz of wax this is 1603.8 %" in said
    assert "Wax weighed into this pour, 0.5 g: give a number" in said and "column" not in said
    assert ("12 pieces not graded yet, 12 of them ready from 2026-11-08; those to heat go through "
            "3 x 12 h at 100 °F (38 °C) from 2026-11-05. There is no answer until they "
            "are.") in said
    pours = Store.open(folder).rows("pours")
    assert "far from 100 g" in said and set(pours["scale_check_g"]) == {100.2}
    assert "'185' has no unit" in said and "check the thermometer again" in said
    assert set(pours["add_temp_c"]) == {85.0} and set(pours["room_temp_c"]) == {21.1}  # 70 F
    assert pours["pour_temp_c"].isna().all()
    # 3.2, 3, 2.8 and 3 oz of 28.3495 g
    assert list(pours["wax_g"].round(1)) == [90.7, 85.0, 79.4, 85.0]
    assert pours["fragrance_g"].iloc[1] == pytest.approx(7.09, abs=0.01)

    plan = Store.open(folder).plan()
    wet = {p["pour"] for p in plan["pours"] if p["load_pct"] > 12}
    pours_of = {p["code"]: p["pour"] for p in plan["pieces"]}
    asked.clear()
    typed += ["40", "40 C", "99 F", "99 F", "104 F"]  # no unit; coldest above hottest
    typed += ["2027-11-05", "6.11.2026"]  # a day to come; the day after the planned one
    typed += ["7"]  # no grade: the piece is asked for again
    typed += ["3" if pours_of[code] in wet else "0" for code in in_order(plan)]
    assert quick(folder, day="2026-11-12") == 0
    said = capsys.readouterr().out
    assert "Type a grade from 0 to 4" in said
    assert "'40' has no unit" in said and "is above the hottest, 99 °F" in said
    heat = Store.open(folder).rows("heats").iloc[0]
    assert (heat["low_c"], heat["high_c"], heat["cycles"]) == (37.2, 40.0, 3)
    assert "Heat cycle of the pieces of pot P01, 3 x 12 h at 100 °F (38 °C), as a max-min" in said
    assert any("begun on [2026-11-05]: " in words for words in asked)
    assert str(heat["started_on"])[:10] == "2026-11-06"
    assert len(Store.open(folder).rows("grades")) == 12
    assert not any(str(load) in words for words in asked for load in (9.4, 12.5, 18.75))
    assert "heat cycle as reached" not in said
    answer, seen, step, *_ = said[said.index("soft wax: "):].splitlines()
    assert "Highest safe load:" in answer or "no load is shown to be safe yet" in answer
    assert "Nobody scored hot throw" in answer
    assert ("; 2 oz/lb (12.5 %), 2 of 2, not for sale; 2.99 oz/lb (18.7 %), 2 of 2, not for "
            "sale." in seen)
    assert step.startswith("Next: ")


def test_one_more_pot_joins_the_plan(tmp_path, capsys, answers):
    folder, (typed, _) = tmp_path / "fig", answers
    quick(folder, *ASKED[:8])  # without a limit more can be gained
    typed += [""] * 11
    quick(folder)
    before = Store.open(folder).plan()
    typed += ["", *["0"] * 12, "y"]
    assert quick(folder, day="2026-11-12") == 0
    said = capsys.readouterr().out
    assert "The highest load to use is" in said
    assert "Nothing sweated, so nothing can be said above 2.99 oz/lb" in said
    melt = " ".join(said.split()).split(" pieces of each: ")[1].partition(" of wax to melt")[0]
    assert f"Pot P02: melt {melt} of wax, with spare." in said
    assert (folder / "exports" / "quick-sheet-P02.html").is_file()
    after = Store.open(folder).plan()
    new = after["pours"][4:]
    assert after["pours"][:4] == before["pours"] and new
    assert {p["pot"] for p in new} <= {"P02", "P03"}
    assert json.dumps(before["pieces"][0]) in map(json.dumps, after["pieces"])
    kept = {p["code"]: p["stress"] for p in after["pieces"]}
    assert len(kept) == len(after["pieces"]) > 12 + len(new)
    # what decides is poured again, and nothing beside
    assert {kept[c] for c in set(kept) - {p["code"] for p in before["pieces"]}} == {"heat"}
    assert len(Store.open(folder).rows("grades")) == 12
    assert quick(folder, day="2026-11-12") == 1  # asks for the new pot's weights, and no grade
    assert f"{len(new)} test batches are not logged" in capsys.readouterr().out
    # no step is added to one that waits
    typed += ["", "", "", *["-"] * len(new)]
    assert quick(folder, day="2026-11-12") == 0
    said = capsys.readouterr().out
    assert "Next: pour what is planned (P02" in said and Store.open(folder).plan() == after


def test_a_spilled_batch_is_not_asked_for_again(tmp_path, capsys, answers):
    folder, (typed, _) = tmp_path / "fig", answers
    quick(folder, *ASKED)
    typed += ["", "3.3", "", "x", "u", "", "", "", "", "", "", "x"]
    quick(folder)
    said = capsys.readouterr().out
    assert "The scale reads 6.4 % too little" in said
    assert "x means it will not be poured" in said
    assert "3 of 4 test batches are stored; P01-4 will not be poured." in said
    assert "9 pieces not graded yet" in said
    assert len(Store.open(folder).rows("unpoured", history=True)) == 3, "undone and said again"
    quick(folder)
    assert "not logged" not in capsys.readouterr().out


def test_a_lost_piece_is_asked_for_no_more(tmp_path, capsys, answers):
    folder, (typed, _) = tmp_path / "fig", answers
    quick(folder, *ASKED)
    typed += [""] * 11
    quick(folder)
    typed += ["", *"0000", "x", "u", "x", *"0003333", ""]
    quick(folder, day="2026-11-09")
    said = capsys.readouterr().out
    assert "x means it is lost" in said and "Not graded" not in said
    assert "not graded yet, so" not in said and "not graded yet." not in said.rpartition("Heat")[2]
    lost, = left_out(Store.open(folder))
    typed += ["", ""]
    quick(folder, day="2026-11-09")
    said = capsys.readouterr().out
    assert lost not in said
    assert "1 of 12 pieces lost: grade any that was wet" in said


def test_who_leaves_keeps_what_is_finished_and_nothing_is_invented(tmp_path, capsys, answers):
    folder, (typed, _) = tmp_path / "fig", answers
    quick(folder, *ASKED)
    typed += ["", "", "", "85 g", "5.3 g", "82 g"]  # gone before the fragrance of the second batch
    assert quick(folder) == 1
    assert "Stopped; everything finished is stored." in capsys.readouterr().out
    pours = Store.open(folder).rows("pours")
    assert list(pours["pour"]) == ["P01-1"] and list(pours["fragrance_g"]) == [5.3]
    typed += [""] * 9
    assert quick(folder) == 0
    typed += ["", *["0"] * 3]
    assert quick(folder, day="2026-11-12") == 1
    assert len(Store.open(folder).rows("grades")) == 3
    typed += [""] * 10  # no thermometer, the others later: no answer from some of the pieces
    assert quick(folder, day="2026-11-12") == 0
    said = capsys.readouterr().out
    assert "9 pieces not graded yet." in said and "use" not in said.split("9 pieces")[1]


def test_an_empty_day_is_the_planned_one_when_that_is_past_and_the_prompt_says_so(
        tmp_path, answers):
    folder, (typed, asked) = tmp_path / "fig", answers
    quick(folder, *ASKED)
    typed += ["", "", "", "", "", *["-"] * 3]
    quick(folder)
    typed += ["", "", "", *[""] * 6]
    quick(folder, day="2026-11-03")
    assert [words for words in asked if "Poured on" in words] == [
        "Poured on [today]: ", "Poured on [2026-11-01, as planned]: "]
    assert {str(d) for d in Store.open(folder).rows("pours")["poured_on"]} == {"2026-11-01"}


def test_u_undoes_the_last_one_and_asks_it_again(tmp_path, capsys, answers):
    folder, (typed, asked) = tmp_path / "fig", answers
    quick(folder, *ASKED)
    typed += ["2026-10-30", "", "", "80 g", "", "u", "85 g", "", *[""] * 6]
    assert quick(folder) == 0
    pours = Store.open(folder).rows("pours")
    assert pours["wax_g"].iloc[0] != 80 and len(pours) == 4 and 85.0 in set(pours["wax_g"])
    Store.open(folder).add("heats", {"started_on": "2026-11-08", "low_c": 37, "high_c": 39,
                                     "hours": 12, "cycles": 3})  # then it is not asked
    capsys.readouterr(), asked.clear()
    typed += ["u", "4", "u", "0", *["0"] * 11]  # the first has nothing to undo yet
    quick(folder, day="2026-11-12")
    said = capsys.readouterr().out
    assert "Nothing has been stored since the start" in said and "Undone; it stays" in said
    grades = Store.open(folder).rows("grades")
    assert len(grades) == 12 and set(grades["grade"]) == {0}
    assert len(Store.open(folder).rows("grades", history=True)) == 14
    codes = [words.split()[0] for words in asked[:4]]
    assert len(set(codes[:2])) == 1 and codes[3] == codes[0] != codes[2]


def test_money_where_the_prices_are_known(tmp_path, capsys):
    quick(tmp_path / "fig", *ASKED, "--wax-price", "3.50 / lb", "--oil-price", "18 for 16 oz",
          "--currency", "EUR")
    # by hand: 12.5 oz at 3.50 for 16 oz and 1.5 oz at 18 for 16 oz
    said = capsys.readouterr().out
    assert f"about {12.5 * 3.5 / 16 + 1.5 * 18 / 16:.2f} EUR" in said


@pytest.mark.parametrize(("more", "words"), [
    ([*ASKED[:6], "--oil-price", "18 EUR"], "--oil-price '18 EUR' is not a price for a weight"),
    (ASKED[2:], "--wax is missing; write, for example: "),
    ([*ASKED[:4], "--loads", "6 %"], "1 load given; give two to 4"),
    ([*ASKED[:4], "--loads", "1, 2, 3"], "--loads '3' has no unit; write it as 1.5 oz/lb"),
    ([*ASKED[:4], "--loads", "1, 2, 3, 4, 5 oz/lb"], "5 loads given; give two to 4"),
    ([*ASKED, "--piece", "a cup"], "--piece 'a cup' is not a weight"),
    ([*ASKED, "--flash", "140"], "--flash '140' has no unit; write it as 180 F or 82 C"),
    ([*ASKED, "--flash", "10 F"], "--flash '10 F' is not possible; give a number from 32 to"),
    ([*ASKED, "--add", "5 C"], "--add '5 C' is not possible; give a number from 20 to 150 °C\n"),
    ([*ASKED, "--sheet", "80 %"], "--sheet '80 %' is not possible; give a number from 0.1 to 40 %"),
    ([*ASKED, "--oil-price", "900000/kg"], "--oil-price '900000/kg' is not possible"),
    ([*ASKED, "--piece", "9 kg"], "--piece '9 kg' is not possible; give a number above"),
])
def test_what_is_refused_leaves_nothing(tmp_path, capsys, more, words):
    assert quick(tmp_path / "fig", *more) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "fig").exists()


def test_a_folder_that_is_not_there(tmp_path, capsys):
    assert quick(tmp_path / "fgi") == 2
    assert "there is no folder" in capsys.readouterr().err


def test_options_for_a_folder_that_is_there(tmp_path, capsys):
    quick(tmp_path / "fig", *ASKED)
    for more in (ASKED, ("--limit", "1.2 oz/lb"), ("--flash", "150 F")):
        assert quick(tmp_path / "fig", *more) == 2
        assert "already holds a series" in capsys.readouterr().err


@pytest.mark.parametrize(("grade", "words"), [
    ("0", "stop here: the load to use is held at 1 oz/lb (6.25 %) by the wax maker's "
          "limit. Pour it once more before you sell much. If the sheet only recommends that limit, "
          "you can set it aside in writing: page Answer, rules."),
    ("3", "test lower loads or more pots: not even the lowest tested, 1 oz/lb (6.25 %), is shown "
          "to be safe. Try 0.5 oz/lb (3.1 %) and 0.75 oz/lb (4.7 %): plan them as a quick check "
          "(scentlab quick)."),
])
def test_held_by_the_limit_or_all_wet_nothing_is_poured_again(
        tmp_path, capsys, answers, grade, words):
    folder, (typed, _) = tmp_path / "fig", answers
    quick(folder, *ASKED)
    typed += [""] * 11
    quick(folder)
    typed += ["", *[grade] * 12]
    quick(folder, day="2026-11-12")
    assert capsys.readouterr().out.splitlines()[-1] == f"Next: {words}"


def test_what_the_sheet_says_is_shown_and_holds_nothing_down(tmp_path, capsys, answers):
    folder, (typed, _) = tmp_path / "fig", answers
    quick(folder, *ASKED[:8], "--sheet", "1 oz/lb")
    typed += [""] * 11
    quick(folder)
    plan = Store.open(folder).plan()
    wet = {p["pour"] for p in plan["pours"] if p["load_pct"] > 15}
    of = {p["code"]: p["pour"] for p in plan["pieces"]}
    typed += ["", *["3" if of[code] in wet else "0" for code in in_order(plan)]]
    quick(folder, day="2026-11-12")
    said = capsys.readouterr().out
    assert "The wax maker's sheet says 1 oz/lb (6.25 %)." in said
    assert "limit" not in said and "for testing" not in said
    assert float(said.split("soft wax: use ")[1].split("(")[1].split(" %")[0]) > 6.25


def test_only_sweat_pieces_wait_and_on_the_day_that_a_late_pour_moved_them_to(tmp_path):
    """A pot poured five days after its day, in a series that also has pieces to smell."""
    folder = tmp_path / "late"
    plan = make_plan("late", Fragrance("fig"), [Blend("soft", {Wax("soft"): 1.0})], [6.0, 9.0],
                     start="2026-03-02", pots_per_blend=1, assessors=("A1",), seed=3,
                     piece_g=25,
                     pieces=PieceNumbers(sweat=1, sweat_heat=1, frost=1, throw=1, reserve=1))
    make_series(folder, title="late").save_plan(plan.to_dict())
    check = QuickCheck(folder, dt.date(2026, 3, 7))
    for pour in check.left:
        check.log(pour, pour.wax_g, pour.fragrance_g)
    planned = max(p.due_on for p in plan.piece_rows if p.stress == "heat")
    day = planned + dt.timedelta(days=5)
    said, held = check.waits()
    assert held and said.startswith(f"4 pieces not graded yet, 4 of them ready from {day}")
    assert QuickCheck(folder, day - dt.timedelta(days=1)).heat_day is None
    late = QuickCheck(folder, day)
    assert late.heat_day == day - dt.timedelta(days=3) and late.heated_pots == ["P01"]
    late.store.add("heats", {"started_on": day - dt.timedelta(days=4), "low_c": 37.0,
                             "high_c": 39.0, "hours": 12.0, "cycles": 3})
    assert late.heat_day is None, "begun a day before its day, it is recorded all the same"


def test_a_broken_piece_and_a_batch_that_was_never_poured_hold_no_answer_back(
        tmp_path, capsys, answers):
    folder, (typed, asked) = tmp_path / "fig", answers
    quick(folder, *ASKED[:8])
    typed += [""] * 3 + ["", ""] * 3 + ["-"]
    quick(folder)
    plan = Store.open(folder).plan()
    of = {p["code"]: p["pour"] for p in plan["pieces"]}
    lost = next(code for code in in_order(plan) if of[code] != "P01-4")
    typed += ["", "", "", "-", "", *["" if code == lost else "0" for code in in_order(plan)
                         if of[code] != "P01-4"]]
    asked.clear()
    assert quick(folder, day="2026-11-08") == 0
    said = capsys.readouterr().out
    assert f"Not graded, taken as broken or lost: {lost}." in said
    assert "Next: " in said and "pour what is planned" not in said
    typed += [""]
    asked.clear()
    quick(folder, day="2026-11-09")
    assert "Ready to grade: 1 piece." in capsys.readouterr().out
    assert not any("wax" in words for words in asked), "the pot is past"


def test_a_heat_above_the_flash_point_and_another_year_are_asked_about(tmp_path, capsys, answers):
    folder, (typed, asked) = tmp_path / "fig", answers
    quick(folder, *ASKED[:8], "--add", "185F", "--flash", "200F")
    typed += ["2024-11-01", "", "300 F", "n", "", "", "185 F", *[""] * 8]
    quick(folder)
    assert any("flash point of the fragrance, 200 °F" in words for words in asked)
    pours = Store.open(folder).rows("pours")
    assert set(pours["add_temp_c"]) == {85.0} and set(pours["poured_on"].astype(str)) == {
        "2026-11-01"}


def two_waxes(folder, pots=1):
    """A series of two waxes, poured and graded on its day: the soft one sweats from 10 % on."""
    plan = make_plan("two", Fragrance("fig"), [Blend(n, {Wax(n): 1.0}) for n in ("soft", "hard")],
                     [6.0, 8.0, 10.0, 12.0], start="2026-03-02", pots_per_blend=pots, seed=3,
                     assessors=("A1",), piece_g=25,
                     pieces=PieceNumbers(sweat=0, sweat_heat=3, frost=0, throw=0, reserve=0))
    make_series(folder, title="two").save_plan(plan.to_dict())
    return QuickCheck(folder, dt.date(2026, 3, 20))


def log_and_grade(check, pots):
    for pour in [p for p in check.left if p.pot in pots]:
        check.log(pour, pour.wax_g, pour.fragrance_g, poured_on=dt.date(2026, 3, 2))
    pours = {p.pour: p for p in check.plan.pour_rows}
    of = {p.code: pours[p.pour] for p in check.plan.piece_rows}
    for piece in check.due().to_dict("records"):
        check.grade(piece, 3 if of[piece["code"]].load_pct > 9 else 0)


def test_the_answer_names_every_wax_and_waits_for_a_pot_that_nobody_graded(tmp_path):
    check = two_waxes(tmp_path / "two")
    first, second = dict.fromkeys(p.pot for p in check.plan.pour_rows)
    of = {p.pot: p.blend for p in check.plan.pour_rows}
    log_and_grade(check, [first])
    (said, seen, other, last), step = check.answer()
    assert said.startswith(f"{of[first]}: ") and seen.startswith("Pieces heat-cycled")
    assert other == f"{of[second]}: no piece is graded yet, so there is nothing to say."
    assert last == f"Next: pour what is planned ({second}); that will show what to do next."
    assert not step.worth_it
    log_and_grade(check, [second])
    lines, step = check.answer()
    assert {line.partition(": ")[0] for line in lines[::2]} == {"soft", "hard", "Next"}
    assert step.first == ""


def test_a_new_pot_withdraws_no_answer_and_is_not_proposed_again(tmp_path):
    """Its pieces are not ready; a piece of a pot before was never graded."""
    check = two_waxes(tmp_path / "two")
    pots = list(dict.fromkeys(p.pot for p in check.plan.pour_rows))
    log_and_grade(check, pots)
    grades = check.store.rows("grades")
    check.undo("grades", int(grades["entry_id"].iloc[-1]))
    lost = grades["code"].iloc[-1]
    assert check.waits() == (f"Not graded, taken as broken or lost: {lost}.", False)
    plan = grow_plan(check.plan, (5.0, 8.0), start=check.today, seed=9, blend="soft",
                     pieces=PieceNumbers(0, 2, 0, 0, 0))
    check.store.save_plan(plan.to_dict())
    check = QuickCheck(tmp_path / "two", check.today)
    for pour in check.left:
        check.log(pour, pour.wax_g, pour.fragrance_g)
    said, held = check.waits()
    assert not held and said.startswith(f"Not graded, taken as broken or lost: {lost}. 4 pieces "
                                        "not graded yet, 4 of them ready from 2026-03-27")
    assert "There is no answer" not in said
    lines, step = check.answer()
    assert lines[-1] == (f"Next: grade what is poured ({plan.pour_rows[-1].pot}: 4 pieces); that "
                         "will show what to do next.")
    assert not step.worth_it


def test_a_spilled_batch_is_not_counted_as_stored(tmp_path, capsys, answers):
    folder, (typed, _) = tmp_path / "fig", answers
    quick(folder, *ASKED)
    typed += ["", "", "", *[""] * 6, "-"]
    quick(folder)
    assert "3 of 4 test batches are stored." in capsys.readouterr().out
    typed += ["", "", "", "-", "", *["0"] * 9]
    quick(folder, day="2026-11-12")  # the pot is past, and its batch still not stored
    check = QuickCheck(folder, dt.date(2026, 11, 12))
    assert check.left == [] and len(check.logged) == 3
    plan = grow_plan(check.plan, (5.0, 8.0), start=check.today, seed=9, blend="soft wax",
                     pieces=PieceNumbers(0, 2, 0, 0, 0))
    check.store.save_plan(plan.to_dict())
    capsys.readouterr()
    typed += [""] * 7
    quick(folder, day="2026-11-13")
    assert "5 of 6 test batches are stored." in capsys.readouterr().out


def test_a_fragrance_with_a_limit_of_its_own_is_no_limit_of_the_wax(tmp_path):
    """A limit of 5 g in 100 g of product is 5 g with 95 g of wax: 5.263 % of wax."""
    known = quick_plan(Wax("soft", limit_load_pct=10.0), Fragrance("fig", limit_content_pct=5.0),
                       [4.0, 6.0], start="2026-03-02", seed=1)
    put_on_shelf(tmp_path, plan_rows(known.to_dict()))
    day = dt.date(2026, 3, 2)
    plan, said = plan_asked({"wax": "soft", "oil": "fig", "loads": "3, 4, 6, 9 %"},
                            tmp_path / "fig", day)
    assert ("2 of 4 loads are over the regulatory limit, 5.2 % (0.83 oz/lb): for testing, not for "
            "sale.") in said
    assert any(words.startswith("1 of 2 loads is over the regulatory limit, ") for words in
               plan_asked({"wax": "soft", "oil": "fig", "loads": "4, 9 %"}, tmp_path / "b", day)[1])
    check = QuickCheck.begin(tmp_path / "fig", plan, dt.date(2026, 4, 1))
    for pour in check.left:
        check.log(pour, pour.wax_g, pour.fragrance_g, poured_on=day)
    for piece in check.due().to_dict("records"):
        check.grade(piece, 0)
    assert read_series(check.store).limits == {"soft": 10.0}
    assert ", but the regulatory limit is 5.2 % (0.83 oz/lb). " in check.answer()[0][0]


@pytest.mark.parametrize("more", ["pot", "pairs"])
def test_a_step_of_an_answer_from_before_the_plan_grew_takes_nothing_out_of_it(tmp_path, more):
    """Two terminals wait with the same question, or one plans pairs meanwhile."""
    check = two_waxes(tmp_path / "two")
    pots = list(dict.fromkeys(p.pot for p in check.plan.pour_rows))
    log_and_grade(check, pots)
    _, step = check.answer()
    if more == "pot":
        QuickCheck(tmp_path / "two", check.today).accept(step)
    else:
        check.store.save_plan(plan_pairs(check.plan, [6.0, 8.0], seed=1, number=4).to_dict())
    kept = check.store.plan()
    with pytest.raises(Refusal, match="the plan was changed since this answer; ask for the answer"):
        check.accept(step)
    assert check.store.plan() == kept
    if more == "pairs":
        check.accept(check.answer()[1])
        assert check.store.plan()["pairs"] == kept["pairs"]
        assert len(check.store.plan()["pours"]) > len(kept["pours"])


def test_a_heat_cycle_that_another_program_stores_meanwhile_is_refused_in_words(
        tmp_path, capsys, monkeypatch):
    folder, typed = tmp_path / "fig", [*[""] * 11, "37 C", "39 C", ""]

    def answer(words=""):
        if "hottest" in words:
            Store.open(folder).add("heats", {
                "started_on": dt.date(2026, 11, 5), "low_c": 37.0, "high_c": 39.0, "hours": 12.0,
                "cycles": 3})
        assert "None" not in words
        return typed.pop(0)

    monkeypatch.setattr("builtins.input", answer)
    quick(folder, *ASKED)
    quick(folder)
    assert quick(folder, day="2026-11-12") == 2
    assert "heats: started_on 2026-11-05 is stored already" in capsys.readouterr().err


def test_a_sheet_that_was_never_written_is_written_when_it_is_wanted(tmp_path, capsys, answers):
    folder, (typed, _) = tmp_path / "fig", answers
    quick(folder, *ASKED)
    sheet = folder / "exports" / "quick-sheet-P01.html"
    whole = sheet.read_text(encoding="utf-8")
    sheet.unlink()
    quick(folder)
    assert sheet.read_text(encoding="utf-8") == whole
    typed += [""] * 11
    quick(folder)
    assert capsys.readouterr().out.count("Sheet of pot P01 to print") == 2

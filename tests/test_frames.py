"""Tidy frames are checked where they come in: columns, choices and ranges of the schema."""

import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.analysis import analyse
from scentlab.fitting.frost import fit_frost
from scentlab.fitting.longevity import fit_longevity
from scentlab.fitting.sweat import fit_sweat
from scentlab.fitting.throw import fit_throw
from scentlab.frames import checked
from scentlab.results import FitError
from scentlab.simulate import small_series

SERIES = small_series(sweat=3, frost=2, throw=2, assessors=3)
OF_GRADES = "a whole number from 0 to 4 (grade)"
OF_THROW = "a number with a decimal point from 0 to 10 (throw, 0 to 10)"
OF_LOADS = "a number with a decimal point from 0 to 40 (% of wax)"
CORRECT = "Correct the value or leave it empty."


def refused(call, *arguments, **options):
    with pytest.raises(FitError) as error:
        call(*arguments, **options)
    return str(error.value)


def with_one(frame, column, value, place=2):
    """A frame with a value in one row, and another index than 0, 1, 2."""
    values = frame[column].astype(object).tolist()
    values[place] = value
    return frame.assign(**{column: values}).set_axis(range(100, 100 + len(frame)))


@pytest.mark.parametrize(("column", "value", "said"), [
    ("grade", 5, f"found '5', expected {OF_GRADES}. {CORRECT}"),
    ("grade", -1, f"found '-1', expected {OF_GRADES}. {CORRECT}"),
    ("grade", 1.9, f"found '1.9', expected {OF_GRADES}. {CORRECT}"),
    ("grade", np.inf, f"found 'inf', expected {OF_GRADES}. {CORRECT}"),
    ("grade", "wet", f"found 'wet', expected {OF_GRADES}. {CORRECT}"),
    ("grade", True, f"found 'True', expected {OF_GRADES}. {CORRECT}"),
    ("load_pct", -7.0, f"found '-7.0', expected {OF_LOADS}. {CORRECT}"),
    ("load_pct", "9,5", f"found '9,5', expected {OF_LOADS}. Write it with a point, as in 9.5, and "
                        "no thousands separator."),
    ("age_days", -3, "found '-3.0', expected a number with a decimal point from 0 to 3650 (days "
                     f"since pouring). {CORRECT}"),
    ("stress", "Heat", "found 'Heat', expected one of rest, heat. Write heat."),
    ("stress", "fridge", "found 'fridge', expected one of rest, heat. Use one of these words."),
    ("blend", np.nan, "found an empty cell, expected a name. Fill it in, or leave the row out."),
    ("pot", None, "found an empty cell, expected a name. Fill it in, or leave the row out."),
])
@pytest.mark.parametrize(("fit", "looks"), [(fit_sweat, SERIES.sweat()),
                                            (fit_frost, SERIES.frost())])
def test_a_look_that_cannot_be_is_refused(fit, looks, column, value, said):
    test = looks["test"].iloc[0]
    assert refused(fit, with_one(looks, column, value)) == (
        f"{test} looks, row 102, column {column}: {said}")


@pytest.mark.parametrize(("column", "value", "said"), [
    ("throw", 55.0, f"found '55.0', expected {OF_THROW}. {CORRECT}"),
    ("throw", -0.5, f"found '-0.5', expected {OF_THROW}. {CORRECT}"),
    ("throw", False, f"found 'False', expected {OF_THROW}. {CORRECT}"),
    ("kind", "hot", "found 'hot', expected one of cold, jar, warm. Write warm."),
    ("assessor", np.nan, "found an empty cell, expected a name. Fill it in, or leave the row out."),
])
def test_a_score_that_cannot_be_is_refused(column, value, said):
    assert refused(fit_throw, with_one(SERIES.throws, column, value)) == (
        f"throw scores, row 102, column {column}: {said}")


def test_a_kind_of_throw_is_called_as_everywhere():
    assert fit_throw(SERIES.throws, "hot", draws=50).kind == "warm"
    assert refused(fit_throw, SERIES.throws, "tepid") == (
        "the kind of throw is 'tepid'; give cold, jar or warm")
    assert refused(fit_throw, SERIES.throws, "cold") == (
        "there are no cold throw scores to fit; kinds scored: hot; score cold throw at two or more "
        "loads of a blend")


def test_doubled_scores_are_refused():
    twice = pd.concat([SERIES.throws, SERIES.throws.iloc[[3]]])
    code = SERIES.throws["code"].iloc[3]
    assert refused(fit_throw, twice) == (
        f"throw scores, row 3, column code: found '{code}', expected each combination of code, "
        "assessor, sitting, kind, minutes once. The row repeats another: remove one.")


def test_all_of_a_frame_is_counted():
    looks = SERIES.sweat()
    assert "found 'False'" in refused(fit_sweat, looks.assign(grade=looks["grade"] >= 5))
    assert refused(fit_sweat, with_one(looks, "grade", 7).assign(stress="Heat")).startswith(
        "sweat looks, row 100, column stress: ")


def test_loads_as_shares_of_one_are_refused():
    for fit, frame, words in ((fit_sweat, SERIES.sweat(), "sweat looks"),
                              (fit_throw, SERIES.throws, "throw scores")):
        shares = frame.assign(load_pct=frame["load_pct"] / 100)
        place = int(shares["load_pct"].argmax())
        assert refused(fit, shares) == (
            f"{words}, row {place}, column load_pct: found '{shares['load_pct'].max()}', expected "
            "g of fragrance per 100 g of wax, such as 9 for 9 %. No load is over 0.4, so they look "
            "like shares of 1: multiply the column by 100.")


def test_checks_on_the_warmer_and_pairs():
    rows = pd.DataFrame({"code": "101", "pot": "K1", "blend": "soft", "load_pct": 8.0,
                         "hours": [0.0, 1.0], "weight_g": [25.0, -24.0], "throw": np.nan,
                         "assessor": None})
    assert refused(fit_longevity, rows) == (
        "checks on the warmer, row 1, column weight_g: found '-24.0', expected a number with a "
        f"decimal point from 0.01 to 10000 (g). {CORRECT}")
    pairs = pd.DataFrame({"code": "101", "pour": "K1-1", "pot": "K1", "blend": "soft",
                          "load_pct": 8.0, "second": "102", "second_pour": "K1-2",
                          "second_pot": "K1", "second_blend": "soft",
                          "second_load_pct": [9.0, 50.0], "assessor": "A1", "kind": "warm",
                          "stronger": "first"})
    assert refused(fit_throw, SERIES.throws, pairs=pairs) == (
        f"pairs, row 1, column second_load_pct: found '50.0', expected {OF_LOADS}. {CORRECT}")


@pytest.mark.parametrize(("ask", "said"), [
    (lambda fit, rows: fit(rows, seed=-1), "seed is -1; give a whole number of 0 or more"),
    (lambda fit, rows: fit(rows, seed=None), "seed is None; give a whole number of 0 or more"),
    (lambda fit, rows: fit(rows, draws=0), "draws is 0; give a whole number of 1 or more"),
    (lambda fit, rows: fit(rows, draws="9"), "draws is '9'; give a whole number of 1 or more"),
    (lambda fit, rows: fit(None), "are a NoneType; give them as a DataFrame, like those of a "
                                  "series"),
    (lambda fit, rows: fit(pd.concat([rows, rows[["pot"]]], axis=1)),
     "have the column pot twice; remove one"),
])
def test_what_a_fit_cannot_take(ask, said):
    for fit, rows in ((fit_sweat, SERIES.sweat()), (fit_frost, SERIES.frost()),
                      (fit_throw, SERIES.throws)):
        assert refused(ask, fit, rows).endswith(said)


def test_limits_are_loads():
    looks = SERIES.sweat()
    plain = fit_sweat(looks, {"soft": 8.0}, draws=50, precise=None)
    for same in (pd.Series({"soft": 8.0}), {"soft": "8"}, {"soft": 8, "hard": None}):
        assert fit_sweat(looks, same, draws=50, precise=None).table.equals(plain.table)
    assert "row soft, column limit_load_pct: found '-2'" in refused(fit_sweat, looks, {"soft": -2})
    assert "expected a number with a decimal point from 0.1 to 40" in refused(
        fit_sweat, looks, {"soft": 0.08})
    assert refused(fit_sweat, looks, precise=0).startswith("precise is 0; give points of load")


def test_what_lacks_columns():
    assert refused(fit_throw, SERIES.throws.drop(columns=["pot", "kind"])) == (
        "the throw scores lack the columns kind, pot")


@pytest.mark.parametrize("kept", [
    {"grade": "category"}, {"grade": object}, {"grade": float}, {"grade": "Int8"}, {"grade": str},
    {"load_pct": str, "age_days": object}, {"load_pct": "float64", "grade": "string"},
    dict.fromkeys(["code", "pour", "pot", "blend", "stress"], "category"),
])
def test_whole_numbers_are_welcome_however_they_are_kept(kept):
    looks = SERIES.sweat()
    plain = fit_sweat(looks, draws=50, precise=None)
    assert fit_sweat(looks.astype(kept), draws=50, precise=None).table.equals(plain.table)
    frost = {name: kind for name, kind in kept.items() if name != "load_pct"}
    assert fit_frost(SERIES.frost().astype(frost), draws=50).table.equals(
        fit_frost(SERIES.frost(), draws=50).table)


def test_a_series_takes_none_of_it_either():
    grades = SERIES.grades.assign(grade=SERIES.grades["grade"] >= 2)
    assert refused(replace, SERIES, grades=grades).startswith(
        "grades, row 0, column grade: found '")
    throws = SERIES.throws.assign(throw=10 * SERIES.throws["throw"])
    assert refused(replace, SERIES, throws=throws).startswith("throw scores, row ")


def test_a_series_reads_what_is_kept_as_text_and_fills_in_what_is_not_known():
    plain = analyse(SERIES, draws=50, precise=None)
    text = {"load_pct": str, "grade": str}
    loose = replace(
        SERIES, grades=SERIES.grades.astype(text).drop(columns=["assessor", "pour_temp_c"]),
        pours=SERIES.pours[["pour", "pot", "blend", "load_pct"]].astype({"load_pct": str}),
        throws=SERIES.throws.drop(columns=["minutes"]), warmings=pd.DataFrame(),
        blends=pd.DataFrame({"blend": ["soft"]}), pairs=pd.DataFrame(), heats=pd.DataFrame())
    found = analyse(loose, draws=50, precise=None).pick.table
    assert found["load_pct"].equals(plain.pick.table["load_pct"])


def test_a_series_keeps_what_it_was_given():
    grades = SERIES.grades.copy()
    series = replace(SERIES, grades=grades)
    grades.loc[:, "grade"] = 4
    assert series.grades.equals(SERIES.grades)


@pytest.mark.parametrize(("change", "said"), [
    ({"grades": SERIES.grades.drop(columns=["test"])}, "the grades lack the columns test"),
    ({"grades": SERIES.grades.drop(columns=["stress"])}, "the grades lack the columns stress"),
    ({"throws": SERIES.throws.drop(columns=["sitting"])}, "the throw scores lack the columns sit"),
    ({"pours": SERIES.pours.drop(columns=["load_pct"])}, "the pours lack the columns load_pct"),
    ({"throws": SERIES.throws.to_dict("list")}, "the throw scores are a dict; give them as a Data"),
    ({"blends": None}, "the blends are a NoneType; give them as a DataFrame"),
    ({"blends": pd.DataFrame({"blend": ["Soft"]})},
     "grades, row 0, column blend: found 'soft', expected one of the blends Soft. Write it as "),
    ({"blends": pd.DataFrame({"blend": ["soft", "soft"]})},
     "blends, row 1, column blend: found 'soft', expected each blend once. Leave one of them out."),
    ({"blends": pd.DataFrame({"blend": ["soft"], "limit_load_pct": [0.08]})},
     "blends, row 0, column limit_load_pct: found '0.08', expected a number"),
])
def test_a_series_that_cannot_be(change, said):
    assert refused(replace, SERIES, **change).startswith(said)


def test_a_sound_frame_is_given_back_as_it_is():
    for frame, name in ((SERIES.sweat(), "grades"), (SERIES.throws, "throws")):
        assert checked(frame, name) is frame


@pytest.mark.benchmark
def test_a_check_takes_less_than_a_millisecond(demo_frames):
    for name, frame in demo_frames.items():
        taken = []
        for _ in range(50):
            start = time.perf_counter()
            checked(frame, name)
            taken.append(time.perf_counter() - start)
        assert min(taken) < 1e-3, name


@pytest.fixture
def demo_frames(tmp_path):
    from scentlab.recording.reading import read_series
    from scentlab.workshop import make_demo_series

    series = read_series(make_demo_series(tmp_path))
    return {"grades": series.grades, "throws": series.throws, "warmings": series.warmings}


def test_looks_of_another_test_are_not_counted():
    for fit, test, own in ((fit_sweat, "sweat", SERIES.sweat()),
                           (fit_frost, "frost", SERIES.frost())):
        alone = fit(own, draws=50).table
        assert fit(SERIES.grades, draws=50).table.equals(alone)
        other = SERIES.grades[SERIES.grades["test"] != test]
        assert f"no {test} grades to fit" in refused(fit, other)


@pytest.mark.parametrize(("name", "of", "said"), [
    ("code", "pour", "test batch"), ("pour", "pot", "pot"), ("pot", "blend", "blend")])
def test_a_name_that_stands_for_two_is_refused(name, of, said):
    two = small_series(sweat=2, frost=2, throw=1, assessors=1)
    for fit, frame in ((fit_sweat, two.sweat()), (fit_frost, two.frost()), (fit_throw, two.throws)):
        frame = frame.assign(blend=frame["pot"].map({"soft1": "soft", "soft2": "firm"}))
        one, other = (frame.loc[frame["pot"] == pot, name].iloc[0] for pot in ("soft1", "soft2"))
        spoilt = frame.assign(sitting=frame.index, **{name: frame[name].replace([one, other], "1")})
        assert (f"column {name}: found '1', expected a name within one {said}. Put the name of "
                f"the {said} before it.") in refused(fit, spoilt)

"""Results go to JSON and back, and say what they are in a line, a table and a page."""

import datetime as dt
import json
from dataclasses import dataclass, fields

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.analysis import analyse
from scentlab.results import Result, from_data, say_percent, shown, to_data
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series


@pytest.fixture(scope="module")
def analysis():
    truth = Truth({"soft": BlendTruth(10.0), "hard": BlendTruth(2.0)})
    layout = even_layout(
        ["soft", "hard"],
        [6, 9, 12],
        sweat=4,
        sweat_heat=2,
        frost=2,
        throw=1,
        assessors=3,
        limit_load_pct=10.0,
    )
    return analyse(simulate_series(layout, truth, 3), draws=300)


def same(one, other):
    """Equality of two values of a result, element by element."""
    if isinstance(one, pd.DataFrame):
        pd.testing.assert_frame_equal(one, other, check_dtype=False)
    elif isinstance(one, np.ndarray):
        assert np.array_equal(one, other)
    elif isinstance(one, dict):
        assert list(one) == list(other)
        for key in one:
            same(one[key], other[key])
    elif isinstance(one, Result):
        same(one.to_dict(), other.to_dict())
    elif isinstance(one, list):
        assert json.dumps(one) == json.dumps(other)
    else:
        assert one == other or (one != one and other != other)


@pytest.mark.parametrize("part", ["sweat", "frost", "throw", "ceiling", "pick"])
class TestEveryResult:
    def test_to_json_and_back(self, analysis, part):
        result = getattr(analysis, part)
        back = Result.from_dict(json.loads(json.dumps(result.to_dict())))
        assert type(back) is type(result)
        for f in fields(result):
            same(getattr(result, f.name), getattr(back, f.name))
        assert back.sentence == result.sentence and back.notes == result.notes
        pd.testing.assert_frame_equal(back.table, result.table, check_dtype=False)

    def test_a_second_trip_changes_nothing(self, analysis, part):
        data = json.loads(json.dumps(getattr(analysis, part).to_dict()))
        assert json.loads(json.dumps(Result.from_dict(data).to_dict())) == data or "NaN" in (
            json.dumps(data)
        )

    def test_shows_itself(self, analysis, part):
        result = getattr(analysis, part)
        assert repr(result).startswith(f"<{type(result).__name__}: ") and "\n" not in repr(result)
        page = result._repr_html_()
        assert "<table" in page and "% of wax" in page

    def test_is_frozen(self, analysis, part):
        with pytest.raises(AttributeError):
            getattr(analysis, part).notes = ()


def test_data_is_json_by_the_standard(analysis):
    json.dumps(analysis.pick.to_dict(), allow_nan=False)


def test_the_answers_of_a_result_that_came_back(analysis):
    """A fit read from JSON predicts as the first one did."""
    from scentlab.choosing.ceiling import find_ceiling

    back = Result.from_dict(json.loads(json.dumps(analysis.sweat.to_dict())))
    pd.testing.assert_frame_equal(find_ceiling(back).table, analysis.ceiling.table)


@dataclass(frozen=True, repr=False)
class Small(Result):
    made_on: dt.date
    parts: tuple
    table: pd.DataFrame
    notes: tuple = ()
    sentence = "Small <b> and plain."


class TestMachinery:
    def test_dates_tuples_and_missing_values(self):
        table = pd.DataFrame({"n": pd.array([1, None], dtype="Int64"), "x": [0.5, np.float64(2)]})
        small = Small(dt.date(2026, 3, 1), (1, ("a", None)), table)
        back = Result.from_dict(json.loads(json.dumps(small.to_dict())))
        assert back.made_on == small.made_on and back.parts == small.parts
        assert back.table["x"].tolist() == [0.5, 2.0] and pd.isna(back.table["n"][1])

    def test_page_escapes_what_people_wrote(self):
        small = Small(dt.date(2026, 3, 1), (), pd.DataFrame(), notes=("<script>",))
        assert "<script>" not in small._repr_html_() and "&lt;script&gt;" in small._repr_html_()
        assert "Small &lt;b&gt;" in small._repr_html_()

    @pytest.mark.parametrize(
        "data, text",
        [
            (
                {"array": [1.0]},
                "this data holds no scentlab result; give what to_dict() returned",
            ),
            (
                {"result": "Nonesuch", "fields": {}},
                "unknown kind of result 'Nonesuch'; a newer version made it",
            ),
            ({"other": 1}, "data of an unknown form with the keys ['other']"),
        ],
    )
    def test_other_data_is_refused(self, data, text):
        with pytest.raises(ValueError) as error:
            Result.from_dict(data)
        assert str(error.value) == text

    def test_numpy_numbers_become_plain(self):
        data = to_data({"a": np.int64(3), "b": np.array([[1.0, 2.0]]), "c": np.bool_(True)})
        assert json.loads(json.dumps(data)) == {
            "map": {"a": 3, "b": {"array": [[1.0, 2.0]]}, "c": True}
        }
        assert from_data(data)["b"].shape == (1, 2)


class TestWords:
    @pytest.mark.parametrize(
        "value, digits, words",
        [
            (0.05, 0, "5 %"),
            (0.0, 0, "under 1 %"),
            (0.004, 1, "0.4 %"),
            (0.0004, 1, "under 0.1 %"),
            (1.0, 0, "over 99 %"),
            (0.9996, 1, "over 99.9 %"),
        ],
    )
    def test_a_chance_is_never_none_or_all(self, value, digits, words):
        assert say_percent(value, digits) == words

    def test_digits_are_cut_in_the_view_only(self):
        table = pd.DataFrame({"load_pct": [9.87654, np.nan], "n_pieces": [3, 4], "big": [1e5, 1.0]})
        view = shown(table)
        assert list(view.columns) == ["load, % of wax", "n pieces", "big"]
        assert view["load, % of wax"].tolist() == ["9.88", ""]
        assert view["big"].tolist() == ["100000", "1"]
        assert table["load_pct"][0] == 9.87654


def test_what_a_fit_shows_is_in_the_words_of_the_trade(analysis):
    for fit in (analysis.sweat, analysis.frost, analysis.throw):
        page = fit._repr_html_()
        assert "assessor" not in page and "capacity" not in page and "latent" not in page
    assert "half-sweat load of soft" in analysis.sweat._repr_html_()
    assert "capacity of soft" in set(analysis.sweat.table["parameter"])

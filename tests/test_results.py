"""Results say what they are in a line, a table and a page."""

import pickle
import re
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing.analysis import analyse, what_if
from scentlab.choosing.costs import load_costs
from scentlab.choosing.diagnosis import diagnose
from scentlab.choosing.lot import check_lot
from scentlab.choosing.so_far import loads_so_far
from scentlab.fitting.pairs import pair_test
from scentlab.foresight.next_step import next_step
from scentlab.recording.reading import read_series
from scentlab.recording.store import Store
from scentlab.results import Result, say_percent, shown
from scentlab.sharing.package import prepare_package
from scentlab.sharing.report import report_html
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


@pytest.mark.parametrize("part", ["sweat", "frost", "throw", "ceiling", "pick"])
class TestEveryResult:
    def test_shows_itself(self, analysis, part):
        result = getattr(analysis, part)
        assert repr(result).startswith(f"<{type(result).__name__}: ") and "\n" not in repr(result)
        page = result._repr_html_()
        assert "<table" in page and "% of wax" in page

    def test_goes_to_other_processes_and_is_itself_alone(self, analysis, part):
        for result in (analysis, getattr(analysis, part)):
            other = pickle.loads(pickle.dumps(result))
            assert repr(other) == repr(result)
            assert result == result and result != other and len({result, other}) == 2

    def test_is_frozen(self, analysis, part):
        with pytest.raises(AttributeError):
            getattr(analysis, part).notes = ()


@dataclass(frozen=True, repr=False)
class Small(Result):
    table: pd.DataFrame
    notes: tuple = ()
    sentence = "Small <b> and plain."


def test_page_escapes_what_people_wrote():
    small = Small(pd.DataFrame(), notes=("<script>",))
    assert "<script>" not in small._repr_html_() and "&lt;script&gt;" in small._repr_html_()
    assert "Small &lt;b&gt;" in small._repr_html_()


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


@pytest.mark.parametrize("made", [
    next_step, what_if, diagnose, loads_so_far, load_costs, prepare_package, report_html,
    lambda analysis: check_lot(analysis, "B-7")])
def test_what_takes_an_analysis_says_how_one_is_made(made, analysis):
    for other in (None, analysis.series, analysis.sweat):
        with pytest.raises(TypeError) as error:
            made(other)
        assert str(error.value) == (
            "this takes an Analysis, as scentlab.analyse(series) makes it; you gave a "
            f"{type(other).__name__}")


def test_what_takes_a_series_a_store_or_rules_says_so_too(analysis, tmp_path):
    store = Store.create(tmp_path)
    for made, other, said in (
        (analyse, store, "a Series, as scentlab.read_series(store) reads it"),
        (pair_test, analysis, "a Series, as scentlab.read_series(store) reads it"),
        (read_series, str(tmp_path), "a Store, as scentlab.Store.open(folder) opens it"),
        (partial(analyse, analysis.series), "strict", "Rules, such as scentlab.Rules(risk=0.02)"),
    ):
        with pytest.raises(TypeError, match=f"^this takes {re.escape(said)}"):
            made(other)

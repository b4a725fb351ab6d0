"""Published results beside the kit's: what is compared, and what counts as met."""

import pandas as pd
import pytest

from scentlab.published import (
    NUMBERS_NAME,
    SideBySide,
    published_data,
    published_names,
    side_by_side,
)
from scentlab.results import Result
from scentlab.workshop import published_folder


@pytest.fixture
def numbers():
    return pd.read_csv(published_folder() / NUMBERS_NAME, dtype={"published": str})


@pytest.fixture
def printed(numbers):
    """The printed results of the stagnant band, by quantity."""
    own = numbers[numbers["data"] == "stagnant"]
    return dict(zip(own["quantity"], own["published"].astype(float), strict=True))


def test_every_experiment_has_data_results_and_provenance(numbers):
    names = ["benchmark", "stagnant", "steel_bars", "wine"]
    assert published_names() == names == sorted(set(numbers["data"]))
    readme = (published_folder() / "README.md").read_text(encoding="utf-8")
    for name in names:
        assert f"| {name}.csv | {len(published_data(name))} |" in readme
    known = {
        "read", "from memory", "R 4.2.2", "R ordinal 2022.11-16", "R segmented 1.6-2",
        "exact search in R",
    }
    assert set(numbers["known"]) == known


def test_no_published_file_has_a_second_copy_among_the_tests(request):
    kept = {p.name for p in (request.config.rootpath / "tests" / "reference").iterdir()}
    assert kept & {p.name for p in published_folder().iterdir()} == {"README.md"}


def test_a_number_is_met_up_to_what_it_may_differ_by(printed):
    met = side_by_side("stagnant", printed | {"join": printed["join"] + 0.9e-6})
    assert met.agrees and met.sentence == "6 of 6 published numbers are met."
    off = side_by_side("stagnant", printed | {"join": printed["join"] - 1.1e-6})
    assert not off.agrees
    assert off.sentence == "5 of 6 published numbers are met; NOT met: join."
    assert "(1e-06) NOT met</td>" in off._repr_html_() and "NOT met<" not in met._repr_html_()


def test_what_is_shown_has_two_digits_more_than_the_print(printed):
    page = side_by_side("stagnant", printed | {"join": 0.041105849})._repr_html_()
    assert "<td>0.0411058</td><td>0.041105849</td><td>5e-08 (1e-06)</td>" in page
    assert page.count("R segmented 1.6-2") == 4


def test_it_comes_back_from_its_data(printed):
    found = side_by_side("stagnant", printed)
    again = Result.from_dict(found.to_dict())
    assert isinstance(again, SideBySide) and again.sentence == found.sentence
    assert again.table["published"].tolist() == found.table["published"].tolist()


def test_other_quantities_are_refused(printed):
    other = {("knee" if q == "join" else q): v for q, v in printed.items()}
    with pytest.raises(ValueError) as error:
        side_by_side("stagnant", other)
    assert str(error.value) == (
        "the published results of stagnant want other quantities; missing: join; not published: "
        "knee"
    )


def test_another_experiment_is_refused():
    with pytest.raises(ValueError) as error:
        published_data("candles")
    assert str(error.value) == (
        "no published experiment is called 'candles'; there are benchmark, stagnant, steel_bars, "
        "wine"
    )

"""One analysis of the invented demo series, shared by the tests of this folder."""

import pytest

from scentlab.choosing.analysis import analyse
from scentlab.recording.reading import read_series
from scentlab.sharing.package import prepare_package
from scentlab.shipped import make_demo_series


@pytest.fixture(scope="session")
def series(tmp_path_factory):
    return read_series(make_demo_series(tmp_path_factory.mktemp("demo") / "series"))


@pytest.fixture(scope="session")
def analysis(series):
    return analyse(series, seed=1)


@pytest.fixture(scope="session")
def package(analysis):
    return prepare_package(analysis)


@pytest.fixture(scope="session")
def html(package):
    """The report of the demo series, made once."""
    return package.text("report.html")

"""One analysis of the invented demo series, shared by the tests of this folder."""

import pytest

from scentlab.choosing.analysis import analyse
from scentlab.recording.reading import read_series
from scentlab.shipped import make_demo_series


@pytest.fixture(scope="session")
def series(tmp_path_factory):
    return read_series(make_demo_series(tmp_path_factory.mktemp("demo") / "series"))


@pytest.fixture(scope="session")
def analysis(series):
    return analyse(series, seed=1)

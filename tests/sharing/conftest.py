"""One analysis of the invented demo series, shared by the tests of this folder."""

import pytest
from once import fits_once  # noqa: F401 - for all tests of this folder

from scentlab.choosing.diagnosis import diagnose
from scentlab.sharing.package import prepare_package


@pytest.fixture(scope="session")
def series(demo):
    return demo


@pytest.fixture(scope="session")
def analysis(demo_analysis):
    return demo_analysis


@pytest.fixture(scope="session")
def package(analysis):
    return prepare_package(analysis)


@pytest.fixture(scope="session")
def html(package):
    """The report of the demo series, made once."""
    return package.text("report.html")


@pytest.fixture(scope="session")
def diagnosis(analysis):
    return diagnose(analysis, draws=400)


@pytest.fixture
def quick(package, diagnosis, monkeypatch):
    """Reports without the time of checking the fit: for tests of their words alone."""
    monkeypatch.setattr("scentlab.sharing.report.diagnose", lambda analysis: diagnosis)

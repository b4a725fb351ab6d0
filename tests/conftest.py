"""What all tests may ask for."""

import os
import runpy
import shutil
from pathlib import Path

import pandas as pd
import pytest
import scipy.linalg  # noqa: F401 - brings a BLAS of its own, which must be there to be limited
from threadpoolctl import threadpool_limits

REFERENCE = Path(__file__).parent / "reference"
SEEDS = Path(__file__).parent / "seeds"
PUBLISHED = Path(__file__).parents[1] / "data" / "published"
CHROMIUM = (os.environ.get("SCENTLAB_TEST_CHROMIUM") or shutil.which("chromium-headless-shell")
            or shutil.which("chromium"))
CHROMIUM_FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def pytest_addoption(parser):
    group = parser.getgroup("scentlab")
    group.addoption(
        "--seed-shift", type=int, default=0, metavar="N",
        help="add N to every seed of the tests and of the kit: no expectation may hang on draws",
    )
    group.addoption(
        "--blas-threads", type=int, default=1, metavar="N",
        help="threads of linear algebra in the tests (1); the kit's own fits keep to one",
    )


def pytest_configure(config):
    threadpool_limits(config.getoption("--blas-threads"), user_api="blas")
    if by := config.getoption("--seed-shift"):
        paths = [str(SEEDS), os.environ.get("PYTHONPATH", "")]
        os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, paths))
        os.environ["SCENTLAB_TEST_SEED_SHIFT"] = str(by)
        runpy.run_path(str(SEEDS / "sitecustomize.py"))


def pytest_report_header(config):
    return "seeds shifted by {}, {} BLAS thread(s)".format(
        config.getoption("--seed-shift"), config.getoption("--blas-threads"))


@pytest.fixture(autouse=True)
def usual_units():
    """Every test begins in g and °C, whatever the one before has opened, and leaves them to what
    comes after it: examples in docstrings have no such fixture."""
    from scentlab.units import Shown, show_in

    show_in(Shown())
    yield
    show_in(Shown())


@pytest.fixture(scope="session")
def reference():
    """Reader of a published data set of tests/reference or data/published: name to a new frame."""

    def read(name):
        kept = REFERENCE / f"{name}.csv"
        return pd.read_csv(kept if kept.is_file() else PUBLISHED / kept.name)

    return read


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """The invented demo series, read from its store."""
    from scentlab.recording.reading import read_series
    from scentlab.workshop import make_demo_series

    return read_series(make_demo_series(tmp_path_factory.mktemp("demo") / "series"))


@pytest.fixture(scope="session")
def demo_analysis(demo):
    """The analysis of the demo series as a maker gets it: once for each process."""
    from scentlab.choosing.analysis import analyse

    return analyse(demo)


@pytest.fixture(scope="session")
def looks_of():
    """Maker of sweat looks: a grade (or None) for every blend, pot, load, stress and piece."""

    def make(
        grade, *, blends=("soft",), pots=2, loads=(6, 8, 10, 12, 14, 16), pieces=4, heat=False
    ):
        rows = [
            (f"{b}{k}-{x}", f"{b}{k}", b, float(x), s, grade(b, k, x, s, i))
            for b in blends
            for k in range(1, pots + 1)
            for x in loads
            for s in ("rest", "heat")[: 1 + heat]
            for i in range(pieces)
        ]
        names = ["pour", "pot", "blend", "load_pct", "stress", "grade"]
        frame = pd.DataFrame(rows, columns=names)
        frame["grade"] = pd.array(frame["grade"], dtype="Int64")
        frame.insert(0, "code", [f"{i:04d}" for i in range(len(frame))])
        return frame

    return make


@pytest.fixture(scope="session")
def chromium():
    """One browser for all tests that need one: Playwright cannot be started twice at a time."""
    sync_api = pytest.importorskip("playwright.sync_api")
    if not CHROMIUM:
        pytest.skip("needs Chromium")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="session", autouse=True)
def draws_as_asked():
    """Sweat fits in tests draw as often as they are asked to, unless they name a precision."""
    from scentlab.choosing import analysis
    from scentlab.fitting import sweat

    kept = []
    for function in (analysis.analyse, sweat.fit_sweat):
        defaults = function.__wrapped__.__kwdefaults__
        kept.append((defaults, defaults["precise"]))
        defaults["precise"] = None
    yield
    for defaults, precise in kept:
        defaults["precise"] = precise


@pytest.fixture(scope="session", autouse=True)
def shared_work(draws_as_asked):
    """The kit in a process of tests analyses the same records once (``once.py``)."""
    from once import share_work

    with pytest.MonkeyPatch.context() as patch:
        share_work(patch)
        yield

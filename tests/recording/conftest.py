import shutil

import pytest

from scentlab.recording.store import Store


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "series"


@pytest.fixture
def empty(folder):
    return Store.create(folder)


@pytest.fixture(scope="session")
def one_pour(tmp_path_factory):
    folder = tmp_path_factory.mktemp("one-pour") / "series"
    store = Store.create(folder)
    store.add("pours", {
        "pour": "P01", "pot": "A", "blend": "soft mix", "poured_on": "2026-03-01",
        "wax_g": 200.0, "fragrance_g": 18.0, "limit_load_pct": 10.0, "limit_content_pct": 9.5,
    })
    store.add_all({"pieces": [
        {"code": "417", "pour": "P01", "test": "sweat", "stress": "rest"},
        {"code": "211", "pour": "P01", "test": "throw", "stress": None},
    ]})
    return folder


@pytest.fixture
def store(folder, one_pour):
    """A series with one pour and two pieces: 417 for sweat, 211 for throw."""
    shutil.copytree(one_pour, folder)
    return Store.open(folder)

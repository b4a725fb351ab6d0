"""Workshops with a known truth, as cells and as folders."""

from dataclasses import replace

import pytest
from earlier_series import THREE_LOADS, earlier, poured
from storing import store_series

from scentlab.memory.cells import fit_cells
from scentlab.memory.learning import learn


@pytest.fixture(scope="session")
def series():
    return earlier()


@pytest.fixture(scope="session")
def cells(series):
    return [c for name, own in series.items() for c in fit_cells(own, name)]


@pytest.fixture(scope="session")
def memory(cells):
    return replace(learn(cells), invented=True)


@pytest.fixture(scope="session")
def workshop(series, tmp_path_factory):
    """A folder of the earlier series and one of a new fragrance."""
    root = tmp_path_factory.mktemp("workshop")
    for name, own in series.items():
        store_series(own, root / name)
    store_series(poured("soft", "fennel", 9.3, [3, 99], THREE_LOADS, 1, 6), root / "fennel-soft")
    return root

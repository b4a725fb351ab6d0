import shutil

import pytest
from serving import PLAN, TODAY, Phone, poured, serving

from scentlab.panel.scoring import Panel
from scentlab.recording.store import Store


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "series"


@pytest.fixture
def plan():
    return PLAN


@pytest.fixture(scope="session")
def one_poured(tmp_path_factory):
    return poured(tmp_path_factory.mktemp("poured") / "series", PLAN).folder


@pytest.fixture
def store(folder, plan, one_poured):
    if plan is not PLAN:
        return poured(folder, plan)
    shutil.copytree(one_poured, folder)
    return Store.open(folder)


@pytest.fixture
def panel(store):
    return Panel(store, "right-token-of-22-char", today=TODAY, pour_token="pour-token-of-22-chars")


@pytest.fixture
def phone(panel):
    with serving(panel) as port:
        yield Phone(port, panel.token)

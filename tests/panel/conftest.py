import pytest
from serving import PLAN, TODAY, Phone, poured, serving

from scentlab.panel.scoring import Panel


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "series"


@pytest.fixture
def plan():
    return PLAN


@pytest.fixture
def store(folder, plan):
    return poured(folder, plan)


@pytest.fixture
def panel(store):
    return Panel(store, "right-token-of-22-char", today=TODAY, pour_token="pour-token-of-22-chars")


@pytest.fixture
def phone(panel):
    with serving(panel) as port:
        yield Phone(port, panel.token)

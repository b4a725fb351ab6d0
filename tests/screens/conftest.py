import pytest
from unseen import unseen


@pytest.fixture(scope="module", autouse=True)
def no_browser():
    with unseen():
        yield

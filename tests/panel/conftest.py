import pytest


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "series"

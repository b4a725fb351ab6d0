"""What the tests of the arithmetic may ask for."""

import pytest

from scentlab.maths import ordinal

FINE = 8.0, 0.3  # reach and step of even nodes that leave nothing to be seen


@pytest.fixture
def fine(monkeypatch):
    """Even nodes so fine that the rule itself is seen and not their number."""
    monkeypatch.setattr(ordinal, "_FINE", FINE)
    monkeypatch.setattr(ordinal, "_ROUGH", FINE)

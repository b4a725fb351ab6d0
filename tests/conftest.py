"""What all tests may ask for."""

from pathlib import Path

import pandas as pd
import pytest

REFERENCE = Path(__file__).parent / "reference"


@pytest.fixture(scope="session")
def reference():
    """Reader of a published data set of tests/reference: name to a new frame."""
    return lambda name: pd.read_csv(REFERENCE / f"{name}.csv")

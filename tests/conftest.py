"""What all tests may ask for."""

from pathlib import Path

import pandas as pd
import pytest

REFERENCE = Path(__file__).parent / "reference"


@pytest.fixture(scope="session")
def reference():
    """Reader of a published data set of tests/reference: name to a new frame."""
    return lambda name: pd.read_csv(REFERENCE / f"{name}.csv")


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

"""A sampler of another kind finds the same load at risk; python -m pytest -m calibration."""

import importlib.util
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.calibration


@pytest.fixture(scope="module")
def sampler():
    pytest.importorskip("numpyro", reason="needs the extra reference")
    path = Path(__file__).with_name("reference_sampler.py")
    spec = importlib.util.spec_from_file_location("reference_sampler", path)
    module = sys.modules["reference_sampler"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["tiny", "nearly separated", "rest only, unlike pots"])
def test_both_find_the_same_load_at_risk(sampler, name):
    """NUTS (NumPyro) with every pot's effect drawn, against the kit's marginal posterior."""
    for row in sampler.compare(sampler.looks_of(name, 1)):
        assert row["r_hat"] < 1.02
        assert abs(row["difference"]) < 0.05 + 2.5 * row["error"], sampler.line(name, row)

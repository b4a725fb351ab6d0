"""The simulations that pytest does not run still start, in their worlds that break the models."""

import importlib
from pathlib import Path

import pytest


@pytest.mark.parametrize(("script", "name", "asked"), [
    ("quick_checks", "one_check", ("step-like, pots 0.7 points apart",)),
    ("grown_series", "one_series", ("skewed", 0)),
    ("lot_checks", "one_study", ("skewed latent",)),
])
def test_one_series_of_a_hostile_world_is_simulated_and_judged(script, name, asked, monkeypatch):
    monkeypatch.syspath_prepend(Path(__file__).parent)
    module = importlib.import_module(script)
    found = getattr(module, name)(1, *asked)
    assert found if isinstance(found, dict) else next(found)

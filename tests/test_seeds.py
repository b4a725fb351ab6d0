"""The test run's own option --seed-shift: what it shifts, here and in a new Python."""

import os
import subprocess
import sys
from pathlib import Path

PROBE = """
import numpy as np
kinds = (7, np.int64(7), [7, 2], np.random.SeedSequence(7, spawn_key=(1,)))
print(*(np.random.default_rng(seed).integers(2**60) for seed in kinds))
print(np.random.default_rng(np.random.default_rng(7)).integers(2**60))
"""
SEEDS = Path(__file__).parent / "seeds"


def draws(probe, by):
    own = {**os.environ, "PYTHONPATH": str(SEEDS), "SCENTLAB_TEST_SEED_SHIFT": str(by)}
    run = subprocess.run(
        [sys.executable, "-c", probe], env=own, check=True, capture_output=True, text=True
    )
    return run.stdout


def test_a_shift_is_the_same_as_other_seeds_written_down():
    assert draws(PROBE, 3) == draws(PROBE.replace("7", "10"), 0)
    assert draws(PROBE, 3) != draws(PROBE, 0)

"""Times of a precision run, as ratios within one run, and its memory.

    pytest -n 0 -m benchmark tests/benchmarks/test_precision.py
    python tests/benchmarks/test_precision.py --series 500 --workers 2

The second form prints absolute figures, for the plan of the demo: 36 pours, six assessors.
"""

import argparse
import json
import resource
import time
from pathlib import Path

import joblib
import pytest

from scentlab.foresight.guess import guess_truth
from scentlab.foresight.precision import precision
from scentlab.planning.plan import Plan

DEMO = Path(__file__).parents[2] / "data" / "demo" / "plan.json"
CAPACITIES = (9.0, 11.0, 13.0)


def demo_plan():
    """The demo's plan and a guess for it."""
    plan = Plan.from_dict(json.loads(DEMO.read_text(encoding="utf-8")))
    return plan, guess_truth(dict(zip([b.name for b in plan.blends], CAPACITIES, strict=True)))


def timed(series, workers):
    """Wall seconds, CPU seconds of this process and its children, and the result."""
    plan, guess = demo_plan()
    wall, cpu = time.perf_counter(), _cpu()
    found = precision(plan, guess, series=series, seed=1, workers=workers)
    wall = time.perf_counter() - wall
    if workers > 1:  # the CPU time of children is counted when they have ended
        joblib.externals.loky.get_reusable_executor().shutdown(wait=True)
    return wall, _cpu() - cpu, found


def _cpu():
    own, theirs = (resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + theirs.ru_utime + theirs.ru_stime


def _memory_mb():
    """Largest memory of this process and of its largest child, MB."""
    return [
        resource.getrusage(w).ru_maxrss / 1024
        for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    ]


@pytest.mark.benchmark
@pytest.mark.skipif(joblib.cpu_count() < 2, reason="two cores are needed")
def test_two_workers_are_at_least_1_6_times_as_fast_as_one():
    timed(2, 1)  # first calls load what they need
    alone, _, one = timed(48, 1)
    together, _, two = timed(48, 2)
    assert one.table.equals(two.table)
    assert alone / together >= 1.6
    assert sum(_memory_mb()) < 1000


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--series", type=int, default=500, help="simulated series")
    parser.add_argument("--workers", type=int, default=2, help="processes")
    asked = parser.parse_args()
    wall, cpu, found = timed(asked.series, asked.workers)
    own, child = _memory_mb()
    print(
        f"{asked.series} series of 36 pours with {asked.workers} workers: {wall:.1f} s, "
        f"{cpu / asked.series:.3f} CPU s a series, memory {own:.0f} MB and {child:.0f} MB in "
        "the largest worker"
    )
    print(found.sentence)


if __name__ == "__main__":
    main()

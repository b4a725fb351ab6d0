"""Speed of whole stages as ratios within one run, on the processor's time.

    python -m pytest -n 0 -m benchmark -s tests/benchmarks/test_stages_speed.py

Absolute figures are printed for the reader and asserted nowhere.
"""

import os
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest
from joblib import cpu_count
from timing import seconds

import scentlab
from scentlab.choosing.analysis import analyse
from scentlab.fitting.sweat import PRECISE
from scentlab.fitting.throw import fit_throw
from scentlab.sharing.report import report_html
from scentlab.simulate import BlendTruth, Truth, even_layout, simulate_series
from scentlab.workshop import make_demo_series

pytestmark = pytest.mark.benchmark


def demo(folder):
    return scentlab.read_series(make_demo_series(folder / "series"))


def eight_blends(_):
    """Two pots each, some of which a leave-out cannot reach by weights alone."""
    truth = Truth({f"b{i}": BlendTruth(8.0 + 0.6 * i) for i in range(8)})
    layout = even_layout(list(truth.blends), [5, 7, 9, 11], sweat_heat=2, frost=3, throw=1,
                         assessors=4, limit_load_pct=10.0)
    return simulate_series(layout, truth, 2)


@pytest.mark.parametrize("make", [demo, eight_blends])
def test_a_report_costs_little_more_than_its_analysis(make, tmp_path):
    """Each report is of an analysis just made, of which nothing was asked before, by as many draws
    as a maker gets (other tests ask for fewer)."""
    series, pairs = make(tmp_path), []
    for _ in range(6):
        start = time.process_time()
        analysis = analyse(series, precise=PRECISE)
        done = time.process_time()
        report_html(analysis)
        pairs.append((done - start, time.process_time() - done))
    fits, page = np.median(pairs[1:], axis=0)
    ratio = float(np.median([p / f for f, p in pairs[1:]]))
    print(f"\nanalysis of {make.__name__} {fits:.2f} s, its report {page:.2f} s: {ratio:.2f} times")
    assert ratio < 1.2


def test_all_throw_curves_cost_no_more_than_three_general_mixed_fits():
    """The same 216 scores and variance components, one straight line, in statsmodels."""
    formula = pytest.importorskip("statsmodels.formula.api")
    truth = Truth({b: BlendTruth(10.0) for b in "abc"})
    frame = simulate_series(
        even_layout("abc", [5, 7, 9, 11, 13, 15], pots=2, throw=1, assessors=6), truth, 1
    ).throws
    scores = pd.DataFrame(frame[["throw", "load_pct", "blend", "assessor", "pot", "pour"]])
    parts = {g: f"0 + C({g})" for g in ("assessor", "pot", "pour")}

    def general():
        model = formula.mixedlm(
            "throw ~ blend * load_pct", scores, groups=np.ones(len(scores)), vc_formula=parts
        )
        return model.fit(reml=True)

    own, other = seconds(lambda: fit_throw(frame), 3), seconds(general, 3)
    print(f"\n216 throw scores, four curves: {own:.2f} s; one line in statsmodels {other:.2f} s")
    assert own < 3 * other


TWICE = """
import sys, time
from scentlab import Store, analyse, read_series
series = read_series(Store.open(sys.argv[1]))
analyse(series)
began = time.process_time()
analyse(series)
print(time.process_time() - began)
"""


def cpu_of_an_analysis(folder, **threads):
    """Processor seconds, user and system over all threads, of an analysis in a new Python."""
    own = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    run = subprocess.run(
        [sys.executable, "-c", TWICE, str(folder)], env=own | threads, check=True,
        capture_output=True, text=True,
    )
    return float(run.stdout)


@pytest.mark.skipif(cpu_count() < 2, reason="two cores are needed")
def test_default_threads_cost_no_more_than_one(tmp_path):
    make_demo_series(tmp_path / "series")
    pairs = [
        (cpu_of_an_analysis(tmp_path / "series"),
         cpu_of_an_analysis(tmp_path / "series", OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1"))
        for _ in range(3)
    ]
    default, one = np.min(pairs, axis=0)  # others on the machine only ever add
    print(f"\nanalysis of the demo: {default:.2f} CPU s with default threads, {one:.2f} with one")
    assert default < 1.2 * one

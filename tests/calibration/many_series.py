"""What the memory of many series takes: a supplier with packages of one way of working.

    PYTHONPATH=tests python tests/calibration/many_series.py --series 200 --series 1000 --workers 2

Makes so many light series (2 pots of 4 loads, 1 piece of each at room temperature, 4 heat-cycled)
in 3 waxes with a fragrance for every fourth of them, learns from the folder, adds one series and
learns again. Prints seconds and peak memory of the process that learns; a worker has some 0.2 GB.
"""

import argparse
import os
import resource
import shutil
import tempfile
import time
from pathlib import Path

import numpy as np
from earlier_series import poured
from storing import store_series

from scentlab.memory.remembering import remember


def make(folder, number, fragrances):
    rng = np.random.default_rng([number, 5])
    wax = f"wax{number % 3}"
    capacity = 9.0 + number % 3 + np.random.default_rng([number % fragrances, 6]).normal(0, 1.2)
    series = poured(wax, f"F{number % fragrances}", capacity + rng.normal(0, 0.6), [number, 7])
    store_series(series, folder / f"s{number:05d}")


def timed(action):
    begun = time.perf_counter()
    action()
    return time.perf_counter() - begun


def trial(series, workers):
    folder = Path(tempfile.mkdtemp())
    fragrances = max(series // 4, 1)
    try:
        for number in range(series):
            make(folder, number, fragrances)
        whole = timed(lambda: remember(folder, workers=workers))
        kept = timed(lambda: remember(folder, workers=workers))
        make(folder, series, fragrances)
        added = timed(lambda: remember(folder, workers=workers))
        size = sum(f.stat().st_size for f in (folder / "memory").iterdir()) / series
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        return (f"| {series} | {whole:.0f} | {1000 * whole / series:.0f} | {kept:.0f} | "
                f"{added - kept:.1f} | {peak:.2f} | {size / 1e6:.2f} | {os.getloadavg()[0]:.1f} |")
    finally:
        shutil.rmtree(folder)


HEAD = ("| series | s | ms each | s, nothing new | s more, one added | GB | MB kept each | load |\n"
        + "| --- " * 8 + "|")


def main():
    options = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    options.add_argument("--series", type=int, action="append")
    options.add_argument("--workers", default=2, type=lambda v: v if "://" in v else int(v))
    asked = options.parse_args()
    print(HEAD, flush=True)
    for series in asked.series or [50, 200]:
        print(trial(series, asked.workers), flush=True)


if __name__ == "__main__":
    main()

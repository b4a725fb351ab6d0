"""Many simulated series over the cores of this machine: the same numbers whoever runs them."""

import sys

from joblib import Parallel, cpu_count, delayed, parallel_config
from tqdm.auto import tqdm

from scentlab.planning.refusal import need_whole

_PER_WORKER = 4  # series of a chunk: enough to keep workers busy, few enough to stop soon


def _is_seen(out):
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    return hasattr(shell, "kernel") or (out is not None and out.isatty())


def run_series(work, series, *, workers=None, progress=None, stop=None):
    """Run ``work(number)`` for series 0 ... series - 1, in chunks.

    work : callable that can be pickled; returns plain data.
    series : int. workers : processes; None for all cores.
    progress : callable(done, total), after each chunk; None for a bar, where somebody sees it:
        in a terminal or a notebook. stop : callable() asked between chunks;
        when true, what is done is returned.
    Returns list of outcomes of the finished series, in their order.
    """
    need_whole(series, "number of series", 1, 1_000_000, "series")
    workers = cpu_count() if workers is None else workers
    workers = min(need_whole(workers, "number of workers", 1, 10_000), series)
    out = sys.__stderr__  # the terminal itself: a bar moves its cursor
    bar = tqdm(total=series, unit=" series", file=out,
               disable=progress is not None or not _is_seen(out))
    tell = progress or (lambda finished, total: bar.update(finished - bar.n))
    tell(0, series)
    done = []
    with bar, parallel_config("loky", inner_max_num_threads=1), Parallel(workers) as run:
        while len(done) < series and not (stop is not None and stop()):
            last = min(series, len(done) + _PER_WORKER * workers)
            done += run(delayed(work)(number) for number in range(len(done), last))
            tell(len(done), series)
    return done

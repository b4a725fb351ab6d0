"""Many series over the cores of this machine, or over machines: the same numbers from all."""

import contextlib
import sys

from joblib import Parallel, cpu_count, delayed, parallel_config
from tqdm.auto import tqdm

from scentlab.planning.refusal import PlanError, need_whole

_PER_WORKER = 4  # series of a chunk: enough to keep workers busy, few enough to stop soon


def _is_seen(out):
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    return hasattr(shell, "kernel") or (out is not None and out.isatty())


def run_series(work, series, *, workers=None, progress=None, stop=None):
    """Run ``work(number)`` for series 0 ... series - 1, in chunks.

    work : callable that can be pickled; returns plain data.
    series : int. workers : processes; None for all cores; or the address of a Dask scheduler
        (``"tcp://10.0.0.5:8786"``), whose machines have the kit, and the files of ``work`` at the
        same path.
    progress : callable(done, total), after each chunk; None for a bar, where somebody sees it:
        in a terminal or a notebook. stop : callable() asked between chunks;
        when true, what is done is returned.
    Returns list of outcomes of the finished series, in their order.
    """
    need_whole(series, "number of series", 1, 1_000_000, "series")
    out = sys.__stderr__  # the terminal itself: a bar moves its cursor
    bar = tqdm(total=series, unit=" series", file=out,
               disable=progress is not None or not _is_seen(out))
    tell = progress or (lambda finished, total: bar.update(finished - bar.n))
    tell(0, series)
    done = []
    with bar, _running(workers, series) as (workers, run):
        while len(done) < series and not (stop is not None and stop()):
            last = min(series, len(done) + _PER_WORKER * workers)
            done += run(delayed(work)(number) for number in range(len(done), last))
            tell(len(done), series)
    return done


@contextlib.contextmanager
def _running(workers, series):
    """How many work at a time, and what runs a chunk."""
    if not isinstance(workers, str):
        workers = cpu_count() if workers is None else workers
        workers = min(need_whole(workers, "number of workers", 1, 10_000), series)
        with parallel_config("loky", inner_max_num_threads=1), Parallel(workers) as run:
            yield workers, run
        return
    try:
        from dask.distributed import Client
    except ImportError:
        raise PlanError("workers on other machines need Dask; install it with: "
                        "pip install 'scentlab[cluster]'") from None
    try:
        client = Client(workers, timeout="10s")
    except (OSError, ValueError):
        raise PlanError(f"no Dask scheduler answers at {workers}; start one with: "
                        "dask scheduler") from None
    with client, parallel_config("dask", wait_for_workers_timeout=30):
        with Parallel(-1) as run:
            yield sum(client.nthreads().values()) or 1, run

"""Many simulated series over the cores of this machine: the same numbers whoever runs them."""

from joblib import Parallel, cpu_count, delayed, parallel_config

from scentlab.planning.refusal import need_whole

_PER_WORKER = 4  # series of a chunk: enough to keep workers busy, few enough to stop soon


def run_series(work, series, *, workers=None, progress=None, stop=None):
    """Run ``work(number)`` for series 0 ... series - 1, in chunks.

    Parameters
    ----------
    work : callable that can be pickled; returns plain data.
    series : int. workers : processes; None for all cores.
    progress : callable(done, total), after each chunk. stop : callable() asked between chunks;
        when true, what is done is returned.

    Returns
    -------
    list of outcomes of the finished series, in their order.
    """
    need_whole(series, "number of series", 1, 1_000_000, "series")
    workers = cpu_count() if workers is None else workers
    workers = min(need_whole(workers, "number of workers", 1, 10_000), series)
    tell, done = progress or (lambda finished, total: None), []
    tell(0, series)
    with parallel_config("loky", inner_max_num_threads=1), Parallel(workers) as run:
        while len(done) < series and not (stop is not None and stop()):
            last = min(series, len(done) + _PER_WORKER * workers)
            done += run(delayed(work)(number) for number in range(len(done), last))
            tell(len(done), series)
    return done

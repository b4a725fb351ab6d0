"""Many simulated series over cores: the same numbers whoever runs them, kept as they finish.

A run is cut into chunks. After each chunk the finished series are appended to the kept file, one
JSON line each, progress is told, and ``stop()`` is asked. A run that is taken up again reads what
is kept and goes on.
"""

import hashlib
import json
import os
import sys
from pathlib import Path

from joblib import Parallel, cpu_count, delayed, parallel_config

from scentlab.planning.refusal import PlanError, need_whole

_FORMAT = 1
_PER_WORKER = 8  # series of a chunk: enough to keep workers busy, few enough to stop soon


def run_series(work, described, series, *, workers=None, backend=None, progress=None, keep=None,
               stop=None):
    """Run ``work(number)`` for series 0 ... series - 1.

    Parameters
    ----------
    work : callable that can be pickled; returns plain data.
    described : plain data that says what is run; a kept file of another run is refused.
    series : int. workers : processes; None for all cores. backend : joblib's name of a backend;
        None takes Dask when a client exists and processes of this machine otherwise.
    progress : callable(done, total). stop : callable() that returns True to stop.
    keep : file, or folder for a file, of finished series; None keeps nothing.

    Returns
    -------
    list of outcomes of the finished series, in their order.
    """
    need_whole(series, "number of series", 1, 1_000_000, "series")
    kept = None if keep is None else KeptSeries(keep, described)
    done = {} if kept is None else kept.read()
    done = {number: found for number, found in done.items() if number < series}
    left = [number for number in range(series) if number not in done]
    tell = progress or (lambda finished, total: None)
    tell(len(done), series)
    with _pool(workers, backend, len(left)) as (run, size):
        while left and not (stop is not None and stop()):
            chunk, left = left[:size], left[size:]
            found = dict(zip(chunk, run(work, chunk), strict=True))
            if kept is not None:
                kept.append(found)
            done |= found
            tell(len(done), series)
    return [done[number] for number in sorted(done)]


class _pool:
    """Where a chunk is run: here, in processes of this machine, or by a Dask client."""

    def __init__(self, workers, backend, left):
        self.backend = backend or _usual_backend()
        self.workers = _number_of_workers(workers, self.backend, left)
        self.parallel = self.config = None

    def __enter__(self):
        if self.workers == 1 and self.backend == "loky":
            return (lambda work, chunk: [work(number) for number in chunk]), 4
        options = {"inner_max_num_threads": 1} if self.backend == "loky" else {}
        self.config = parallel_config(self.backend, n_jobs=self.workers, **options)
        self.config.__enter__()
        self.parallel = Parallel(n_jobs=self.workers, batch_size=2)
        self.parallel.__enter__()
        return self._run, _PER_WORKER * self.workers

    def _run(self, work, chunk):
        return self.parallel(delayed(work)(number) for number in chunk)

    def __exit__(self, *problem):
        if self.parallel is not None:
            self.parallel.__exit__(*problem)
            self.config.__exit__(*problem)


def _usual_backend():
    return "loky" if dask_client() is None else "dask"


def dask_client():
    """The current Dask client, or None; Dask is not loaded to find out."""
    distributed = sys.modules.get("distributed")
    if distributed is None:
        return None
    try:
        return distributed.default_client()
    except ValueError:
        return None


def _number_of_workers(workers, backend, left):
    if workers is None:
        if backend == "dask":
            return max(1, sum(dask_client().nthreads().values()))
        workers = cpu_count()
    need_whole(workers, "number of workers", 1, 10_000)
    return max(1, min(workers, left))


class KeptSeries:
    """Finished series in a file of JSON lines; the first line says of what run they are."""

    def __init__(self, place, described):
        text = json.dumps(described, sort_keys=True, default=str)
        self.run = hashlib.sha256(text.encode()).hexdigest()
        path = Path(place)
        self.path = path / f"series-{self.run[:12]}.jsonl" if _is_folder(path) else path
        self.path.parent.mkdir(parents=True, exist_ok=True)

    def read(self):
        """Series that are kept: number to outcome. A line cut off by a crash is taken away."""
        if not self.path.exists() or not self.path.stat().st_size:
            self._write([{"format": _FORMAT, "run": self.run}], "w")
            return {}
        raw = self.path.read_bytes()
        whole = raw[: raw.rfind(b"\n") + 1]
        lines = [self._line(i, text) for i, text in enumerate(whole.decode().splitlines(), 1)]
        head = lines[0] if lines else {}
        if head.get("run") != self.run or head.get("format") != _FORMAT:
            raise PlanError(
                f"{self.path} keeps series of another plan, guess, rules, draws or seed; give "
                "another file, or a folder, which keeps each run in a file of its own"
            )
        if len(whole) < len(raw):
            os.truncate(self.path, len(whole))
        return {line["series"]: line["outcome"] for line in lines[1:]}

    def append(self, found):
        """Add finished series; they are on the disk when this returns."""
        self._write([{"series": n, "outcome": o} for n, o in found.items()], "a")

    def _write(self, lines, mode):
        with self.path.open(mode, encoding="utf-8") as file:
            file.writelines(json.dumps(line) + "\n" for line in lines)
            file.flush()
            os.fsync(file.fileno())

    def _line(self, number, text):
        try:
            return json.loads(text)
        except ValueError:
            raise PlanError(
                f"{self.path}, line {number}: found {text[:40]!r}, expected a finished series; "
                "give another file or delete this one"
            ) from None


def _is_folder(path):
    return path.is_dir() or not path.suffix


def text_bar(stream=None, width=30):
    """A progress callback that draws a bar of text, such as ``[#####.....] 100 of 200 series``."""
    stream = stream or sys.stderr

    def tell(done, total):
        full = int(width * done / total) if total else width
        stream.write(f"\r[{'#' * full}{'.' * (width - full)}] {done} of {total} series")
        if done == total:
            stream.write("\n")
        stream.flush()

    return tell

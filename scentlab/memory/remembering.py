"""The memory of a workshop's folder: each series fitted once, kept, and learnt from together."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np

from scentlab.files import write_whole
from scentlab.foresight.running import run_series
from scentlab.memory.cells import (
    cells_from_arrays,
    cells_to_arrays,
    fit_cells,
    looks_key,
)
from scentlab.memory.learning import Memory, learn
from scentlab.memory.testers import learn_testers, shared_scores
from scentlab.recording.reading import read_series
from scentlab.recording.store import Store, StoreError
from scentlab.results import FitError
from scentlab.series import same_record
from scentlab.text import alike
from scentlab.workshop import series_in

FOLDER = "memory"


def remember(
    folder: str | Path, *, without: Iterable[str] = (), workers: int | str | None = 1,
    progress: Callable | None = None, seed: int = 1,
) -> Memory:
    """Learn from the series of a workshop, and of no other folder.

    Each series is fitted once; its fit is kept in the folder ``memory`` and made anew when its
    record has changed, so that what was interrupted goes on where it stopped.

    Parameters
    ----------
    folder : of the workshop. without : names of series folders that are left out, and with them
        their copies. Of other copies the one that holds most counts, and of those that hold as
        much the one with most corrections.
    workers : processes that fit; None for all cores; the address of a Dask scheduler for other
        machines, which see the folder at the same path; the numbers are the same.
    progress : callable(done, total). seed : int.

    Returns
    -------
    Memory. Invented series are no evidence beside real ones: they count where all are invented.

    Raises
    ------
    FitError without a series that can be fitted, or for a name in ``without`` that is not there.

    >>> remember("my-workshop", without=["cedar-2026"]).sentence  # doctest: +SKIP
    'Pots of this workshop differ by about 0.4 points of load (% of wax), from 9 earlier series.'
    """
    places = series_in(folder)
    strange = sorted(set(without) - {p.name for p in places})
    if strange:
        raise FitError(f"{folder} has no series {strange[0]} to leave out; it has "
                       f"{', '.join(p.name for p in places) or 'none'}")
    work = partial(_found_in, places, set(without), Path(folder) / FOLDER, seed)
    found = run_series(work, len(places), workers=workers, progress=progress) if places else []
    copies = _copies([p.name for p in places], found, set(without))
    found = [f for p, f in zip(places, found, strict=True) if p.name not in {*without, *copies}]
    if not found:
        raise FitError(f"{folder} has no earlier series to learn from")
    real = any(f.cells and not f.invented for f in found)
    used = [f for f in found if f.invented != real]
    memory = learn([c for f in used for c in f.cells], seed=seed)
    testers = learn_testers([s for f in used for s in f.shared], seed=seed)
    notes = [f"{name} has mostly the same records as {other}, so it is left out."
             for name, other in copies.items()]
    notes += [f.note for f in found if f.note]
    if real and any(f.cells and f.invented for f in found):
        notes.append("Invented series are left out when there are real ones.")
    return replace(memory, invented=not real, testers=testers, notes=memory.notes + tuple(notes))


def _copies(names, found, without):
    """Names of series with the name of another that holds most of the same of one fragrance: the
    one that is left out, or that holds more."""
    copies = {}
    ranks = [(names[i] in without, len(f.seen), f.rows, -i) for i, f in enumerate(found)]
    for i, own in enumerate(found):
        for j, other in enumerate(found):
            if not ranks[i][0] and ranks[j] > ranks[i] and same_record(own.seen, other.seen):
                copies.setdefault(names[i], names[j])
    return copies


@dataclass(frozen=True)
class _Found:
    """What a series folder holds: its cells and whether it is invented, a note where it has none,
    what was seen of the sweat of its fragrance, how many grades were entered with those that were
    corrected since, and what it says of testers."""

    cells: list = field(default_factory=list)
    invented: bool = False
    note: str = ""
    seen: frozenset = frozenset()
    rows: int = 0
    shared: list = field(default_factory=list)


def _found_in(places, without, kept, seed, number):
    place = places[number]
    try:
        store = Store.open(place)
        series = read_series(store)
    except StoreError as error:
        return _Found(note=f"{place.name} is left out: {error}.")
    fragrance = alike(series.fragrance_name)
    seen = frozenset(hashlib.sha256(repr((fragrance, *look)).encode()).digest()[:8]
                     for look in series.sweat_seen())
    if place.name in without:
        return _Found(seen=seen)
    rows = len(store.rows("grades", history=True))
    key = looks_key(series)
    cells = _read(kept / f"{place.name}.npz", key, seed)
    if cells is None:
        cells = fit_cells(series, place.name, seed=seed)
        kept.mkdir(exist_ok=True)
        _write(kept / f"{place.name}.npz", cells_to_arrays(cells, key, seed))
    note = "" if cells else f"{place.name} is left out: it has no sweat grades that can be fitted."
    return _Found(cells, bool(series.invented), note, seen, rows, shared_scores(series))


def _read(path, key, seed):
    if not path.is_file():
        return None
    try:
        with np.load(path, allow_pickle=False) as kept:
            return cells_from_arrays(kept, key, seed)
    except (OSError, ValueError, KeyError, zipfile.BadZipFile):
        return None  # torn or of another version: it is made anew


def _write(path, arrays):
    whole = io.BytesIO()
    np.savez(whole, **arrays)
    write_whole(path, whole.getvalue())

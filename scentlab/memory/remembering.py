"""The memory of a workshop's folder: each series fitted once, kept, and learnt from together."""

from __future__ import annotations

import io
import itertools
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import replace
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
from scentlab.recording.reading import read_series
from scentlab.recording.store import Store, StoreError
from scentlab.results import FitError
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
        their copies. Of other copies the one that holds most counts.
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
    'Pots of this workshop differ by about 0.4 points, from 9 earlier series.'
    """
    places = series_in(folder)
    strange = sorted(set(without) - {p.name for p in places})
    if strange:
        raise FitError(f"{folder} has no series {strange[0]} to leave out; it has "
                       f"{', '.join(p.name for p in places) or 'none'}")
    copies = _copies(places, set(without))
    places = [p for p in places if p.name not in {*without, *copies}]
    if not places:
        raise FitError(f"{folder} has no earlier series to learn from")
    work = partial(_cells_of_place, places, Path(folder) / FOLDER, seed)
    found = run_series(work, len(places), workers=workers, progress=progress)
    real = any(cells and not invented for cells, invented, _ in found)
    used = [c for cells, invented, _ in found for c in cells if invented != real]
    memory = learn(used, seed=seed)
    notes = [f"{name} holds the same records as {other} and is left out."
             for name, other in copies.items()]
    notes += [note for _, _, note in found if note]
    if real and any(cells and invented for cells, invented, _ in found):
        notes.append("Invented series are left out beside real ones.")
    return replace(memory, invented=not real, notes=memory.notes + tuple(notes))


def _copies(places, without):
    """Names of series with the name of another that holds the same of one fragrance, or more."""
    seen = [_seen(place) for place in places]
    found = {}
    for i, j in itertools.permutations(range(len(places)), 2):
        own, other = seen[i], seen[j]
        left_out = places[j].name in without
        if places[i].name in without or not own or not other:
            continue
        if own < other or own == other and (left_out or j < i) or left_out and other < own:
            found.setdefault(places[i].name, places[j].name)
    return found


def _seen(place):
    try:
        series = read_series(Store.open(place))
    except StoreError:
        return frozenset()
    return frozenset((alike(series.fragrance_name), *look) for look in series.sweat_seen())


def _cells_of_place(places, kept, seed, number):
    """The cells of a series folder, whether it is invented, and a note where it has none."""
    place = places[number]
    try:
        store = Store.open(place)
        series = read_series(store)
    except StoreError as error:
        return [], False, f"{place.name} is left out: {error}."
    key = looks_key(series)
    cells = _read(kept / f"{place.name}.npz", key, seed)
    if cells is None:
        cells = fit_cells(series, place.name, seed=seed)
        kept.mkdir(exist_ok=True)
        _write(kept / f"{place.name}.npz", cells_to_arrays(cells, key, seed))
    note = "" if cells else f"{place.name} is left out: it has no sweat grades that can be fitted."
    return cells, bool(series.invented), note


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

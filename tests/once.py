"""Work that is the same each time, done once in a process for all tests that are about what follows
from it. A test that is about the work itself imports the function, which stays as it is."""

import dataclasses
import functools
import hashlib
import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scentlab.choosing import analysis
from scentlab.choosing.analysis import analyse, choices
from scentlab.choosing.diagnosis import diagnose
from scentlab.fitting.frost import fit_frost
from scentlab.fitting.longevity import fit_longevity
from scentlab.fitting.sweat import fit_sweat
from scentlab.fitting.throw import fit_throw
from scentlab.memory.cells import fit_cells
from scentlab.memory.learning import learn
from scentlab.recording.store import Store
from scentlab.sharing import opening
from scentlab.workshop import make_demo_series


def exact(value):
    """What a value holds, to the last digit, order and all, and of what kind it is."""
    if isinstance(value, pd.DataFrame):
        cells = [(str(own.dtype), own.tolist()) for _, own in value.items() if len(own)]
        return "frame", exact(value.index.tolist()), exact(list(value.columns)), repr(cells)
    if isinstance(value, np.ndarray):
        held = hashlib.sha256(np.ascontiguousarray(value).tobytes()).hexdigest()
        return "array", value.shape, value.dtype.str, held
    if dataclasses.is_dataclass(value):
        return type(value), *(exact(getattr(value, f.name)) for f in dataclasses.fields(value))
    if isinstance(value, dict):
        return "dict", *((key, exact(own)) for key, own in value.items())
    if isinstance(value, list | tuple):
        return type(value), *map(exact, value)
    plain = value is None or isinstance(value, str | bool | int | float)
    return (type(value), repr(value)) if plain else id(value)


def once(function, key_of=exact):
    """The function with one result for all calls that are given the same."""
    made = {}

    @functools.wraps(function)
    def found(*given, **options):
        key = tuple(map(key_of, given)), exact(options)
        if key not in made:
            made[key] = function(*given, **options), given, options  # kept: an id is of one alone
        return made[key][0]

    return found


def stand_in(patch, function, other):
    """Let the kit use another function, wherever it has this one."""
    for name, module in list(sys.modules.items()):
        if name.partition(".")[0] == "scentlab":
            for own, value in list(vars(module).items()):
                if value is function:
                    patch.setattr(module, own, other)


_FITS = tuple(map(once, (fit_sweat, fit_throw, fit_frost, fit_longevity)))


@pytest.fixture(scope="module", autouse=True)
def fits_once():
    """Fits of an analysis by the frames that they rest on, for tests that are about neither."""
    with pytest.MonkeyPatch.context() as patch:
        for fit in _FITS:
            patch.setattr(analysis, fit.__name__, fit)
        yield


def anew(patch):
    """Analyses of packages that are opened from the ground up, whatever was made before."""
    patch.setattr(opening, "analyse", analyse)
    for fit in _FITS:
        patch.setattr(analysis, fit.__name__, fit.__wrapped__)


def copied(function):
    """A maker of a folder that makes it once, and then copies it."""
    kept = []

    @functools.wraps(function)
    def found(folder):
        if any(Path(folder).glob("*")):
            return function(folder)
        if not kept:
            kept.append(tempfile.TemporaryDirectory(prefix="scentlab-tests-"))
            function(Path(kept[0].name) / "made")
        shutil.copytree(Path(kept[0].name) / "made", folder, dirs_exist_ok=True)
        return Store.open(folder)

    return found


@functools.wraps(diagnose)
def briefly(found, *, draws=None):
    """The check of a fit, by fits of few draws where no number is asked for."""
    return diagnose(found, draws=draws or min(found.draws, 400))


def share_work(patch):
    """Analyses and memories by the records that they rest on; what is told of an analysis; the
    folder of the demo."""
    for function in (analyse, fit_cells, learn):
        stand_in(patch, function, once(function))
    stand_in(patch, make_demo_series, copied(make_demo_series))
    stand_in(patch, diagnose, once(briefly, id))
    stand_in(patch, choices, once(choices, id))

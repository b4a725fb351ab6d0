"""Opening a share package from someone else, which may be damaged, newer or hostile.

Nothing is unpacked to disk: every part is read in memory with a limit on its size, checked
against its hash and against the Data Package standard, parsed by the same border as an import,
and only then analysed again. :class:`PackageError` says what is wrong and what to ask for.
"""

import contextlib
import hashlib
import io
import json
import re
import shutil
import stat
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from scentlab.choosing.analysis import DRAWS, analyse
from scentlab.choosing.pick import Rules
from scentlab.results import FitError, Result
from scentlab.schema import DataError
from scentlab.series import Series, plan_problem, shape_problem
from scentlab.sharing import parts
from scentlab.sharing.guard import SharingError, need
from scentlab.sharing.package import (
    DESCRIPTOR,
    FORMAT,
    PROFILE,
    series_from_files,
)
from scentlab.sharing.pages import draw, write_whole
from scentlab.text import unseen
from scentlab.units import load_from_weights

MOST_PACKED = 30_000_000
MOST_PART = 20_000_000
MOST_ALTOGETHER = 60_000_000
MOST_FILES = 40
# Deflate packs at most about 1000 to 1; tables and reports of this kind stay under 60 to 1.
MOST_RATIO = 200
MOST_DRAWS = 50_000
MOST_TEXT = 2000
_NAME = re.compile(r"[a-z][a-z0-9_]{0,40}\.(csv|json|html)")
_PAGE = re.compile(r'<form id="reply"[^>]* data-page="([0-9a-f]{64})">')
_NEEDED = {DESCRIPTOR, "settings.json", "report.html", "pick.csv"} | {
    f"{part.name}.csv" for part in parts.DATA_PARTS
}
# Nothing reads bleeds any more, and an earlier package may hold them.
_ALLOWED = _NEEDED | {"plan.json", "dossier.html", "bleeds.csv"} | {
    f"{part.name}.csv" for part in parts.OPTIONAL_PARTS
}
# Names, and the kind of what is under them; "!" marks what must be there.
_ABOUT = {**dict.fromkeys(("title", "fragrance", "currency"), "a text"), "piece_g": "a number",
          "invented": "yes or no"}
_SETTINGS = {"series!": _ABOUT, "rules!": {}, "notices": ["a text"], "versions": {}}
ASK = "ask the sender for the package again"


class PackageError(SharingError):
    """A file that is no share package, or one that cannot be trusted."""


@dataclass(frozen=True, repr=False)
class Opened(Result):
    """A package that was checked and analysed again: ``table`` has per blend the loads in the
    package and as found here, ``same`` whether all agree to the printed digits, ``fingerprint`` the
    SHA-256 of the descriptor, which names every file's hash; ``files`` are name to bytes."""

    analysis: object
    table: pd.DataFrame
    same: bool
    versions: dict
    notices: tuple
    fingerprint: str
    files: dict

    @property
    def notes(self):
        return self.notices

    @property
    def sentence(self):
        own = self.analysis.pick.sentence
        if self.same:
            return ("The package is intact; its loads come out the same to the printed digits. "
                    f"{own}")
        rows = self.table[~self.table["same"]]
        return (
            f"The package is intact, but the analysis here differs for "
            f"{', '.join(rows['blend'])}; compare the versions before relying on either. {own}"
        )

    def save(self, folder):
        """Write the checked files into a new folder, all or none, and return it; the sender's page
        within one of the kit's own, which says whose it is and runs no script of it."""
        folder = Path(folder)
        _need(folder.parent.is_dir(), f"{folder.parent}: no such folder", "make it first")
        _need(not folder.exists(), f"{folder} is there already", "give a new folder")
        folder.mkdir()
        try:
            for name, data in self.files.items():
                if name.endswith(".html"):
                    name, data = name.replace(".html", "-of-the-sender.html"), draw(
                        "caged.html.j2", caution=CAUTION, page=data.decode("utf-8", "replace"))
                write_whole(folder / name, data)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return folder


SENDERS_PAGE = "report-of-the-sender.html"
CAUTION = (
    "This page was made by the sender and nobody has checked it: rely on the numbers that scentlab "
    "open recalculated. Its scripts and links are switched off."
)


def open_package(path: str | Path) -> Opened:
    """Check a share package and repeat its analysis.

    Parameters
    ----------
    path : str or Path of the zip. Nothing is written anywhere.

    Returns
    -------
    Opened

    Raises
    ------
    PackageError when it is damaged, unsafe, newer than this version, or does not hold together.

    >>> open_package("no such.zip")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    scentlab.sharing.opening.PackageError: no such.zip is not a file; give the path of ...
    """
    path = Path(path)
    files = _read_zip(path)
    descriptor, settings = _json(files, DESCRIPTOR), _json(files, "settings.json")
    _check_settings(settings)
    _check_descriptor(descriptor, files)
    (rules, seed), draws = _rules(settings), settings.get("draws", DRAWS)
    series = _series(files, settings)
    with _no_records("the results do not match their description"):
        stored = parts.from_csv(files["pick.csv"], parts.PICK_PART, "pick.csv")
    try:
        analysis = analyse(series, rules, seed=seed, draws=draws)
    except (FitError, ValueError, TypeError, LookupError, ArithmeticError,
            AttributeError) as problem:  # records that a stranger wrote may fail anywhere
        raise PackageError(
            f"{path.name} is intact, but its records cannot be analysed: {problem}"
        ) from problem
    table = _compare(stored, analysis.pick.table)
    return Opened(
        analysis, table, bool(table["same"].all()), settings.get("versions") or {},
        tuple(settings.get("notices") or ()), _sha256(files[DESCRIPTOR]), files,
    )


def package_fingerprint(path):
    """What an answer names: SHA-256 of a package's descriptor; of a page with questions what its
    form has. PackageError for any other file; a package's files are not held to their hashes."""
    if Path(path).suffix.lower() == ".html":
        named = _PAGE.search(Path(path).read_text(encoding="utf-8", errors="replace"))
        _need(named, f"{Path(path).name} is not a page with questions")
        return named[1]
    return _sha256(_read_zip(Path(path))[DESCRIPTOR])


def _sha256(data):
    return hashlib.sha256(data).hexdigest()


def _need(good, words, remedy=ASK):
    need(good, f"{words}; {remedy}", PackageError)


@contextlib.contextmanager
def _no_records(words):
    try:
        yield
    except (DataError, ValueError, parts.csv.Error) as problem:
        raise PackageError(f"{words}: {problem}") from problem


# ---- the zip ----------------------------------------------------------------------------------


def _read_zip(path):
    """Every part in memory; names are checked before a byte is unpacked."""
    _need(path.is_file(), f"{path} is not a file", "give the path of the zip that was sent")
    size = path.stat().st_size
    _need(size <= MOST_PACKED, f"{path.name} has {size / 1e6:.0f} MB, more than the "
                               f"{MOST_PACKED / 1e6:.0f} MB that a package may have")
    try:
        with zipfile.ZipFile(io.BytesIO(path.read_bytes())) as archive:
            entries = archive.infolist()
            _check_entries(entries, path.name)
            return {entry.filename: _unpack(archive, entry) for entry in entries}
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError,
            OSError) as problem:
        raise PackageError(f"{path.name} is damaged or not a zip ({problem}); {ASK}") from problem


def _check_entries(entries, file):
    names = [entry.filename for entry in entries]
    _need(len(names) <= MOST_FILES, f"{file} holds {len(names)} files, more than {MOST_FILES}")
    for entry in entries:
        _check_entry(entry, file)
    _need(len({n.lower() for n in names}) == len(names), f"{file} holds two files of one name")
    total = sum(entry.file_size for entry in entries)
    _need(total <= MOST_ALTOGETHER, f"{file} would unpack to {total / 1e6:.0f} MB, more than "
                                    f"{MOST_ALTOGETHER / 1e6:.0f} MB")
    missing = sorted(_NEEDED - set(names), key=lambda name: (name != DESCRIPTOR, name))
    _need(not missing,
          f"{file} is not a complete share package: {(*missing, '')[0]} is missing")


def _check_entry(entry, file):
    name, kind = entry.filename, stat.S_IFMT(entry.external_attr >> 16)
    _need(
        _NAME.fullmatch(name) and entry.orig_filename == name,
        f"{file} holds a file named {name[:80]!r}, which could land outside its folder or does not "
        "belong in a package", "nothing was unpacked",
    )
    _need(name in _ALLOWED, f"{file} holds {name}, which does not belong in a package")
    _need(kind in (0, stat.S_IFREG), f"{file}: {name} is a link or a device, not a plain file",
          "do not use it")
    _need(not entry.flag_bits & 0x1, f"{file}: {name} is encrypted",
          "ask for a package without a password")
    packed = max(entry.compress_size, 1)
    _need(entry.file_size <= min(MOST_PART, MOST_RATIO * packed + 1000),
          f"{file}: {name} would swell from {packed} to {entry.file_size} bytes", "do not use it")


def _unpack(archive, entry):
    """Never more than it says it has."""
    with archive.open(entry) as part:
        data = part.read(entry.file_size + 1)
        # Reading to the end is what makes zipfile compare the checksum.
        _need(len(data) == entry.file_size and not part.read(1),
              f"{entry.filename} is longer or shorter than it says", "do not use this package")
    return data


# ---- what the parts say -----------------------------------------------------------------------


def _json(files, name):
    try:
        data = json.loads(files[name].decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError) as problem:
        raise PackageError(f"{name} is not readable JSON ({problem}); {ASK}") from problem
    _need(isinstance(data, dict), f"{name} is not an object")
    return data


def _no_constant(word):
    raise ValueError(f"{word} is not a number")


def _check_settings(settings):
    """By age and shape; what is shown to a reader is plain text of some length."""
    made = settings.get("format")
    _need(_is_whole(made) and made >= 1,
          f"settings.json names no format of a package ({_short(made)})")
    _need(made <= FORMAT, f"the package has format {made}, made by a newer version; this version "
                          f"reads {FORMAT}: update scentlab")
    _need(made == FORMAT, f"scentlab 0.1.0 wrote this package (format {made}); this version reads "
                          f"format {FORMAT} and uses other rules",
          "ask the sender to share it again with this version, or open it with 0.1.0")
    problem = shape_problem(settings, _SETTINGS)
    _need(not problem, f"settings.json: {problem}")
    for text in _texts_in(settings):
        _need(len(text) <= MOST_TEXT, f"settings.json: {_short(text)} is longer than {MOST_TEXT} "
                                      "characters")
        _need(not unseen(text, lines=True), f"settings.json holds "
              f"{(*unseen(text, lines=True), '')[0]}, which is invisible",
              "do not use this package")
    piece_g, draws = settings["series"].get("piece_g"), settings.get("draws", DRAWS)
    _need(piece_g is None or 0 < piece_g < 1e5,
          f"settings.json: a piece of {_short(piece_g)} g is not possible")
    _need(_is_whole(draws) and 100 <= draws <= MOST_DRAWS,
          f"settings.json asks for {_short(draws)} draws; 100 to {MOST_DRAWS} are allowed")


def _is_whole(value):
    return isinstance(value, int) and not isinstance(value, bool)


def _texts_in(data):
    """Every text in plain data, names included."""
    if isinstance(data, dict):
        data = [*data, *data.values()]
    if isinstance(data, list):
        for item in data:
            yield from _texts_in(item)
    elif isinstance(data, str):
        yield data


def _short(value):
    words = repr(value)
    return words if len(words) <= 60 else f"{words[:57]}..."


def _check_descriptor(descriptor, files):
    """The descriptor against the Data Package standard 2.0 and against the files themselves."""
    _need(descriptor.get("$schema") == PROFILE, f"{DESCRIPTOR} does not follow {PROFILE}; it names "
                                                f"{_short(descriptor.get('$schema'))}")
    resources = descriptor.get("resources")
    _need(isinstance(resources, list) and resources, f"{DESCRIPTOR} lists no resources")
    for resource in resources:
        _need(isinstance(resource, dict) and isinstance(resource.get("path"), str),
              f"{DESCRIPTOR}: a resource has no path")
    paths, names = ([r.get(key) for r in resources] for key in ("path", "name"))
    _need(sorted(paths) == sorted(set(files) - {DESCRIPTOR})
          and len(set(map(str, names))) == len(names),
          f"{DESCRIPTOR} does not list each file of the package once")
    for resource in resources:
        _check_resource(resource, files[resource["path"]])


def _check_resource(resource, data):
    path, name = resource["path"], resource.get("name")
    _need(
        resource.get("hash") == f"sha256:{_sha256(data)}" and resource.get("bytes") == len(data),
        f"{path} was changed after the package was made: its SHA-256 does not match "
        f"{DESCRIPTOR}",
    )
    _need(isinstance(name, str) and name, f"{DESCRIPTOR}: the resource {path} has no name")


def _rules(settings):
    given, seed = settings.get("rules"), settings.get("seed")
    _need(isinstance(given, dict) and set(given) <= set(Rules.__dataclass_fields__),
          "settings.json has no rules that this version knows")
    _need(_is_whole(seed) and 0 <= seed < 2**63,
          f"settings.json has no valid seed but {_short(seed)}")
    try:
        return Rules(**given), seed
    except (TypeError, ValueError) as problem:
        raise PackageError(f"the rules in settings.json are not valid: {problem}; "
                           f"{ASK}") from problem


def _series(files, settings):
    plan = _json(files, "plan.json") if "plan.json" in files else None
    problem = None if plan is None else plan_problem(plan, seen=True)
    _need(not problem, f"plan.json is not a plan: {problem}")
    empty, about = pd.DataFrame(), {"title": "", "fragrance": "", "invented": True}
    known = {k: v for k, v in settings["series"].items() if k in _ABOUT and v is not None}
    frame = Series(**about | known, plan=plan, pours=empty, grades=empty, throws=empty,
                   blends=empty)
    with _no_records("the records do not match their description"):
        series = series_from_files(files, frame)
    _check_links(series)
    _check_loads(series)
    return series


def _check_loads(series):
    """Loads follow from the weights; a package in which they do not was edited by hand."""
    pours = series.pours.set_index("pour")
    weighed = pd.Series(load_from_weights(pours["fragrance_g"], pours["wax_g"]), index=pours.index)
    for name in ("pours", "grades", "throws", "warmings", "pairs"):
        frame = getattr(series, name)
        expected = frame["pour"].map(weighed)
        wrong = (frame["load_pct"] - expected).abs() > 1e-6 * (1 + expected)
        wrong |= frame["blend"] != frame["pour"].map(pours["blend"])
        _need(not wrong.any(), f"{name}.csv: load or blend of pour "
              f"{(*frame.loc[wrong, 'pour'], '')[0]} is not that of its weights in pours.csv")


def _check_links(series):
    """No row speaks of a pour or blend that is not there."""
    for child, column, parent in parts.LINKS:
        frames = [getattr(series, name, None) for name in (child, parent)]
        if child != "fractions" and frames[0] is not None:
            lost = sorted(set(frames[0][column]) - set(frames[1][column]))
            _need(not lost, f"{child}.csv names the {column} {(*lost, '')[0]!r}, which "
                            f"{parent}.csv does not have")


def _compare(there, here):
    """Per blend what the package says and what is found here, and whether they print the same."""
    names = ["load_pct", "ceiling_load_pct", "rank"]
    table = pd.concat([
        side.set_index("blend")[names].astype(float).add_suffix(f"_{where}")
        for side, where in ((there, "in_package"), (here, "here"))], axis=1)
    same = [np.array_equal(*np.split(row, 2), equal_nan=True) for row in table.round(2).to_numpy()]
    return table.assign(same=same).rename_axis("blend").reset_index()

"""Opening a share package from someone else, which may be damaged, newer or hostile.

Nothing is unpacked to disk: every part is read in memory with a limit on its size, checked
against its hash and against the Data Package standard, parsed by the same border as an import,
and only then analysed again. :class:`PackageError` says what is wrong and what to ask for.
"""

import hashlib
import html
import io
import json
import re
import shutil
import stat
import zipfile
import zlib
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from scentlab.choosing.analysis import DRAWS, analyse
from scentlab.choosing.pick import Rules
from scentlab.results import FitError, Result
from scentlab.schema import DataError
from scentlab.series import Series, plan_problem
from scentlab.sharing import parts
from scentlab.sharing.guard import SharingError
from scentlab.sharing.package import (
    DESCRIPTOR,
    FORMAT,
    PROFILE,
    schema_of,
    series_from_files,
)
from scentlab.sharing.pages import write_whole
from scentlab.text import unseen
from scentlab.units import load_from_weights

MOST_PACKED = 30_000_000
MOST_PART = 20_000_000
MOST_ALTOGETHER = 60_000_000
MOST_FILES = 40
# Deflate packs at most about 1000 to 1; tables and reports of this kind stay under 60 to 1.
MOST_RATIO = 200
MOST_DRAWS = 50_000
_NAME = re.compile(r"[a-z][a-z0-9_]{0,40}\.(csv|json|html)")
_NEEDED = {DESCRIPTOR, "settings.json", "report.html"} | {
    f"{part.name}.csv" for part in parts.DATA_PARTS + parts.RESULT_PARTS
}
_ALLOWED = _NEEDED | {"plan.json"} | {f"{part.name}.csv" for part in parts.OPTIONAL_PARTS}
_ASK = "ask the sender for the package again"


class PackageError(SharingError):
    """A file that is no share package, or one that cannot be trusted."""


@dataclass(frozen=True, repr=False)
class Opened(Result):
    """A package that was checked and analysed again.

    Attributes
    ----------
    analysis : Analysis, made here from the package's records, rules and seed.
    table : DataFrame, per blend the pick and ceiling in the package and as found here.
    same : bool, whether every pick and ceiling agrees to the printed digits.
    versions : dict, what made the package.
    notices : tuple of sentences of the sender about what was held back.
    fingerprint : str, SHA-256 of the descriptor, which names every file's hash.
    files : dict of name to bytes.
    """

    analysis: object
    table: pd.DataFrame
    same: bool
    versions: dict
    notices: tuple
    fingerprint: str
    files: dict = field(default_factory=dict)

    @property
    def notes(self):
        """The notices, as every result shows its notes."""
        return self.notices

    @property
    def sentence(self):
        """Whether the pick is the same, in one sentence."""
        own = self.analysis.pick.sentence
        if self.same:
            return f"The package is whole; its picks are found again to the printed digits. {own}"
        rows = self.table[~self.table["same"]]
        return (
            f"The package is whole, but the analysis here differs for "
            f"{', '.join(rows['blend'])}; compare the versions before relying on either. {own}"
        )

    def save(self, folder):
        """Write the checked files into a new folder, all or none, and return it.

        The sender's page is kept within a page of the kit's own, which says whose it is and lets
        no script of it run.
        """
        folder = Path(folder)
        try:
            folder.mkdir()
        except FileExistsError:
            raise PackageError(f"{folder} is there already; give a new folder") from None
        except FileNotFoundError:
            raise PackageError(f"{folder.parent}: no such folder; make it first") from None
        try:
            for name, data in self.files.items():
                if name == "report.html":
                    name, data = SENDERS_PAGE, _caged(data)
                write_whole(folder / name, data)
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        return folder


_CAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>A sender's report</title>
<meta http-equiv="Content-Security-Policy"
 content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<style>body {{font: 1rem sans-serif; margin: 0}} p {{margin: 0; padding: .6rem; background: #fe9}}
iframe {{border: 0; width: 100%; height: calc(100vh - 6rem)}}</style></head><body>
<p><strong>{}</strong></p><iframe sandbox title="The sender's report" srcdoc="{}"></iframe>
</body></html>
"""
SENDERS_PAGE = "report-of-the-sender.html"
CAUTION = (
    "This page was made by the sender of a package, and nobody has checked what it says: rely on "
    "the numbers that scentlab open found again. Its scripts and links are switched off."
)


def _caged(page):
    """The sender's page within one that says so, in a frame that runs nothing."""
    text = page.decode("utf-8", "replace")
    return _CAGE.format(html.escape(CAUTION), html.escape(text)).encode("utf-8")


def open_package(path):
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
    """
    path = Path(path)
    files = _read_zip(path)
    descriptor = _json(files, DESCRIPTOR)
    settings = _json(files, "settings.json")
    _check_age(settings)
    _check_settings(settings)
    _check_descriptor(descriptor, files)
    (rules, seed), draws = _rules(settings), _draws(settings)
    series = _series(files, settings)
    stored = _stored(files)
    try:
        analysis = analyse(series, rules, seed=seed, draws=draws)
    except (FitError, ValueError, TypeError, LookupError, ArithmeticError,
            AttributeError) as problem:  # records that a stranger wrote may fail anywhere
        raise PackageError(
            f"{path.name} is whole, but its records cannot be analysed: {problem}"
        ) from problem
    table = _compare(stored, analysis)
    return Opened(
        analysis, table, bool(table["same"].all()), settings.get("versions") or {},
        tuple(settings.get("notices") or ()),
        hashlib.sha256(files[DESCRIPTOR]).hexdigest(), files,
    )


def package_fingerprint(path):
    """SHA-256 of a package's descriptor, as :class:`Opened` has it, without an analysis.

    Raises PackageError when the file is no package or unsafe; its files are not held to their
    hashes here.
    """
    return hashlib.sha256(_read_zip(Path(path))[DESCRIPTOR]).hexdigest()


# ---- the zip ----------------------------------------------------------------------------------


def _read_zip(path):
    """Every part in memory, or PackageError. Names are checked before a byte is unpacked."""
    if not path.is_file():
        raise PackageError(f"{path} is no file; give the path of the zip that was sent")
    size = path.stat().st_size
    if size > MOST_PACKED:
        raise PackageError(
            f"{path.name} has {size / 1e6:.0f} MB, more than the {MOST_PACKED / 1e6:.0f} MB that a "
            f"package may have; {_ASK}"
        )
    try:
        with zipfile.ZipFile(io.BytesIO(path.read_bytes())) as archive:
            entries = archive.infolist()
            _check_entries(entries, path.name)
            return {entry.filename: _unpack(archive, entry) for entry in entries}
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError,
            OSError) as problem:
        raise PackageError(f"{path.name} is damaged or no zip ({problem}); {_ASK}") from problem


def _check_entries(entries, file):
    if len(entries) > MOST_FILES:
        raise PackageError(f"{file} holds {len(entries)} files, more than {MOST_FILES}; {_ASK}")
    names = [entry.filename for entry in entries]
    for entry in entries:
        _check_entry(entry, file)
    if len({n.lower() for n in names}) < len(names):
        raise PackageError(f"{file} holds two files of one name; {_ASK}")
    total = sum(entry.file_size for entry in entries)
    if total > MOST_ALTOGETHER:
        raise PackageError(
            f"{file} would unpack to {total / 1e6:.0f} MB, more than "
            f"{MOST_ALTOGETHER / 1e6:.0f} MB; {_ASK}"
        )
    missing = sorted(_NEEDED - set(names), key=lambda name: (name != DESCRIPTOR, name))
    if missing:
        raise PackageError(f"{file} is no whole share package: {missing[0]} is missing; {_ASK}")


def _check_entry(entry, file):
    name = entry.filename
    if not _NAME.fullmatch(name) or entry.orig_filename != name:
        raise PackageError(
            f"{file} holds a file named {name[:80]!r}, which could land outside its folder or is "
            "no part of a package; nothing was unpacked"
        )
    if name not in _ALLOWED:
        raise PackageError(f"{file} holds {name}, which is no part of a package; {_ASK}")
    kind = stat.S_IFMT(entry.external_attr >> 16)
    if kind not in (0, stat.S_IFREG):
        raise PackageError(f"{file}: {name} is a link or a device, no plain file; do not use it")
    if entry.flag_bits & 0x1:
        raise PackageError(f"{file}: {name} is encrypted; ask for a package without a password")
    packed = max(entry.compress_size, 1)
    if entry.file_size > MOST_PART or entry.file_size > MOST_RATIO * packed + 1000:
        raise PackageError(
            f"{file}: {name} would swell from {packed} to {entry.file_size} bytes; do not use it"
        )


def _unpack(archive, entry):
    """The bytes of one part, never more than it says it has."""
    with archive.open(entry) as part:
        data = part.read(entry.file_size + 1)
        # Reading to the end is what makes zipfile compare the checksum.
        if len(data) != entry.file_size or part.read(1):
            raise PackageError(
                f"{entry.filename} is longer or shorter than it says; do not use this package"
            )
    return data


# ---- what the parts say -----------------------------------------------------------------------


def _json(files, name):
    try:
        data = json.loads(files[name].decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError) as problem:
        raise PackageError(f"{name} is no readable JSON ({problem}); {_ASK}") from problem
    if not isinstance(data, dict):
        raise PackageError(f"{name} holds no object; {_ASK}")
    return data


def _no_constant(word):
    raise ValueError(f"{word} is no number")


def _check_age(settings):
    made = settings.get("format")
    if not isinstance(made, int) or isinstance(made, bool) or made < 1:
        raise PackageError(f"settings.json names no format of a package ({_short(made)}); {_ASK}")
    if made > FORMAT:
        raise PackageError(
            f"the package has format {made}, made by a newer version; this version reads "
            f"{FORMAT}: update scentlab"
        )
    if made < FORMAT:
        raise PackageError(
            f"scentlab 0.1.0 wrote this package (format {made}), and this version, which reads "
            f"format {FORMAT}, chooses by other rules: ask the sender to share it again with this "
            "version, or open it with 0.1.0"
        )


_ABOUT = {"title": 200, "fragrance": 200, "currency": 20}  # texts, with their most characters
_MOST_NOTICES = 50


def _check_settings(settings):
    """Every field beside the rules by its kind: what is shown to a reader is plain text."""
    about = settings.get("series")
    if not isinstance(about, dict):
        raise PackageError(f"settings.json does not say what series this is; {_ASK}")
    for name, most in _ABOUT.items():
        _need_text(about.get(name, ""), f"{name} of the series", most)
    if not isinstance(about.get("invented", True), bool):
        raise PackageError(f"settings.json does not say whether the data are invented; {_ASK}")
    notices, versions = settings.get("notices", []), settings.get("versions", {})
    if not isinstance(notices, list) or len(notices) > _MOST_NOTICES:
        raise PackageError(
            f"settings.json: the notices are no list of up to {_MOST_NOTICES} sentences; {_ASK}"
        )
    for notice in notices:
        _need_text(notice, "a notice", 1000)
    if not isinstance(versions, dict) or len(versions) > _MOST_NOTICES:
        raise PackageError(f"settings.json: the versions are no names with numbers; {_ASK}")
    for name, version in versions.items():
        _need_text(name, "the name of a version", 60)
        _need_text(version, f"the version of {name}", 60)


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
    """A value of the sender as it may be shown."""
    words = repr(value)
    return words if len(words) <= 60 else f"{words[:57]}..."


def _need_text(value, what, most):
    if not isinstance(value, str) or len(value) > most:
        raise PackageError(
            f"settings.json: {what} is {str(value)[:40]!r}, no text of at most {most} characters; "
            f"{_ASK}"
        )
    if unseen(value, lines=True):
        raise PackageError(
            f"settings.json: {what} holds {unseen(value, lines=True)[0]}, which nobody can see; "
            "do not use this package"
        )


def _check_descriptor(descriptor, files):
    """The descriptor against the Data Package standard 2.0 and against the files themselves."""
    if descriptor.get("$schema") != PROFILE:
        raise PackageError(
            f"{DESCRIPTOR} does not follow {PROFILE}; it names "
            f"{_short(descriptor.get('$schema'))}"
        )
    resources = descriptor.get("resources")
    if not isinstance(resources, list) or not resources:
        raise PackageError(f"{DESCRIPTOR} lists no resources; {_ASK}")
    for resource in resources:
        if not isinstance(resource, dict) or not isinstance(resource.get("path"), str):
            raise PackageError(f"{DESCRIPTOR}: a resource has no path; {_ASK}")
    paths = [r["path"] for r in resources]
    names = [r.get("name") for r in resources]
    if sorted(paths) != sorted(set(files) - {DESCRIPTOR}) or len(set(map(str, names))) < len(names):
        raise PackageError(f"{DESCRIPTOR} does not list each file of the package once; {_ASK}")
    for resource in resources:
        _check_resource(resource, files[resource["path"]])


def _check_resource(resource, data):
    path = resource["path"]
    found = f"sha256:{hashlib.sha256(data).hexdigest()}"
    if resource.get("hash") != found or resource.get("bytes") != len(data):
        raise PackageError(
            f"{path} was changed after the package was made: its SHA-256 is not the one in "
            f"{DESCRIPTOR}; {_ASK}"
        )
    if not isinstance(resource.get("name"), str) or not resource["name"]:
        raise PackageError(f"{DESCRIPTOR}: the resource {path} has no name; {_ASK}")
    stem = path.rpartition(".")[0]
    for part in parts.DATA_PARTS + parts.OPTIONAL_PARTS + parts.RESULT_PARTS:
        if part.name == stem and _shape(resource.get("schema")) != _shape(schema_of(part)):
            raise PackageError(
                f"{DESCRIPTOR} describes the columns of {path} otherwise than format {FORMAT} "
                f"does; {_ASK}"
            )


def _shape(schema):
    """A schema without its descriptions, whose words may change from version to version."""
    if isinstance(schema, dict):
        return {k: _shape(v) for k, v in schema.items() if k != "description"}
    return [_shape(v) for v in schema] if isinstance(schema, list) else schema


def _rules(settings):
    given = settings.get("rules")
    known = set(Rules.__dataclass_fields__)
    if not isinstance(given, dict) or not set(given) <= known:
        raise PackageError(f"settings.json holds no rules that this version knows; {_ASK}")
    for text in _texts_in(given):
        _need_text(text, "a text of the rules", 2000)
    values = {k: tuple(v) if isinstance(v, list) else v for k, v in given.items()}
    seed = settings.get("seed")
    if not isinstance(seed, int) or isinstance(seed, bool) or not 0 <= seed < 2**63:
        raise PackageError(f"settings.json holds no seed but {_short(seed)}; {_ASK}")
    try:
        return Rules(**values), seed
    except (TypeError, ValueError) as problem:
        raise PackageError(f"the rules in settings.json cannot be: {problem}; {_ASK}") from problem


def _draws(settings):
    """How many draws the sender's fits had; a package of an earlier version had the usual."""
    draws = settings.get("draws", DRAWS)
    if not isinstance(draws, int) or isinstance(draws, bool) or not 100 <= draws <= MOST_DRAWS:
        raise PackageError(
            f"settings.json asks for {_short(draws)} draws, where 100 to {MOST_DRAWS} can be; "
            f"{_ASK}"
        )
    return draws


def _series(files, settings):
    """The series of the package, every cell checked as in an import."""
    about = settings["series"]
    plan = _json(files, "plan.json") if "plan.json" in files else None
    problem = None if plan is None else plan_problem(plan, seen=True)
    if problem:
        raise PackageError(f"plan.json is no plan: {problem}; {_ASK}")
    piece_g = about.get("piece_g")
    if piece_g is not None and (isinstance(piece_g, bool) or not (
        isinstance(piece_g, int | float) and 0 < piece_g < 1e5
    )):
        raise PackageError(f"settings.json: a piece of {_short(piece_g)} g cannot be; {_ASK}")
    empty = pd.DataFrame()
    frame = Series(
        about.get("title", ""), about.get("fragrance", ""), empty, empty, empty, empty,
        piece_g=piece_g, currency=about.get("currency", ""), plan=plan,
        invented=about.get("invented", True),
    )
    try:
        series = series_from_files(files, frame)
    except (DataError, ValueError, parts.csv.Error) as problem:
        raise PackageError(f"the records do not fit their description: {problem}") from problem
    _check_links(series)
    _check_loads(series)
    return series


def _check_loads(series):
    """Loads follow from the weights; a package in which they do not was edited by hand."""
    pours = series.pours.set_index("pour")
    weighed = pd.Series(load_from_weights(pours["fragrance_g"], pours["wax_g"]), index=pours.index)
    for frame, file in ((pours.reset_index(), "pours.csv"), (series.grades, "grades.csv"),
                        (series.throws, "throws.csv"), (series.bleeds, "bleeds.csv"),
                        (series.warmings, "warmings.csv")):
        expected = frame["pour"].map(weighed)
        wrong = (frame["load_pct"] - expected).abs() > 1e-6 * (1 + expected)
        other = frame["blend"] != frame["pour"].map(pours["blend"])
        if (wrong | other).any():
            pour = frame.loc[wrong | other, "pour"].iloc[0]
            raise PackageError(
                f"{file}: load or blend of pour {pour} is not that of its weights in pours.csv; "
                f"{_ASK}"
            )


def _check_links(series):
    """What the foreign keys say: no row speaks of a pour or blend that is not there."""
    frames = {"pours": series.pours, "grades": series.grades, "throws": series.throws,
              "bleeds": series.bleeds, "warmings": series.warmings, "blends": series.blends}
    for child, column, parent in parts.LINKS:
        if child in frames:
            lost = sorted(set(frames[child][column]) - set(frames[parent][column]))
            if lost:
                raise PackageError(
                    f"{child}.csv speaks of the {column} {lost[0]!r}, which {parent}.csv does not "
                    f"hold; {_ASK}"
                )


def _stored(files):
    try:
        return {
            part.name: parts.from_csv(files[f"{part.name}.csv"], part, f"{part.name}.csv")
            for part in parts.RESULT_PARTS
        }
    except (DataError, ValueError, parts.csv.Error) as problem:
        raise PackageError(f"the results do not fit their description: {problem}") from problem


def _compare(stored, analysis):
    """Per blend what the package says and what is found here, and whether they print the same."""
    here = analysis.pick.table.set_index("blend")
    there = stored["pick"].set_index("blend")
    rows = []
    for blend in dict.fromkeys([*there.index, *here.index]):
        row = {"blend": blend}
        for name in ("load_pct", "ceiling_load_pct", "rank"):
            row[f"{name}_in_package"] = _value(there, blend, name)
            row[f"{name}_here"] = _value(here, blend, name)
        row["same"] = all(
            _printed(row[f"{name}_in_package"]) == _printed(row[f"{name}_here"])
            for name in ("load_pct", "ceiling_load_pct", "rank")
        )
        rows.append(row)
    return pd.DataFrame(rows)


def _value(table, blend, name):
    return float(table.at[blend, name]) if blend in table.index else float("nan")


def _printed(value):
    return "none" if pd.isna(value) else f"{value:.2f}"

"""The share package: one zip with the report, the records as tidy CSV, the plan and the settings.

:func:`prepare_package` makes everything in memory and shows what would leave; ``write`` puts it
into a file. Its ``datapackage.json`` follows the Data Package standard, version 2, and carries
the SHA-256 of every other file.
"""

import dataclasses
import hashlib
import io
import json
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from scentlab.choosing.analysis import Analysis, analyse
from scentlab.results import Result, an_analysis
from scentlab.sharing import parts
from scentlab.sharing.dossier import dossier_html
from scentlab.sharing.guard import Guard, UndecidedError, need, readings
from scentlab.sharing.pages import file_name, place_for, to_json, write_whole
from scentlab.sharing.redaction import Choices, known_choices, redact, redacted_rules
from scentlab.sharing.report import report_html, versions

FORMAT = 2  # 1 was that of scentlab 0.1.0, with other rules and columns of the pick
PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
TABLE_PROFILE = "https://datapackage.org/profiles/2.0/tableschema.json"
DESCRIPTOR = "datapackage.json"
# A zip knows no time zone and starts in 1980; a fixed time makes the same package the same bytes.
_TIME = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True, repr=False)
class Package(Result):
    """A package as it would leave: look at it, then ``write`` it.

    ``analysis`` : of what is shared, which may differ from the maker's own. ``files`` : name to
    bytes, the descriptor first. ``notices`` : what is held back and what follows from it.
    """

    analysis: object
    files: dict
    notices: tuple = ()
    guard: Guard = Guard()

    @property
    def notes(self):
        return self.notices

    @property
    def table(self):
        """One row per file: name, what it holds, rows and columns of a table, bytes."""
        rows = [(DESCRIPTOR, "what each file and column means", None, "",
                 len(self.files[DESCRIPTOR]))]
        for resource in json.loads(self.files[DESCRIPTOR])["resources"]:
            fields = resource.get("schema", {}).get("fields", [])
            data = self.files[resource["path"]]
            lines = len(pd.read_csv(io.BytesIO(data))) if fields else None
            rows.append((resource["path"], resource["description"], lines,
                         ", ".join(f["name"] for f in fields), len(data)))
        frame = pd.DataFrame(rows, columns=["file", "holds", "rows", "columns", "bytes"])
        return frame.astype({"rows": "Int64"})

    @property
    def sentence(self):
        size, series = sum(len(v) for v in self.files.values()), self.analysis.series
        return (
            f"{series.title}: {len(self.files)} files, {size / 1000:.0f} kB before packing, would "
            f"leave. Fragrance: {series.fragrance or 'not on record'}. "
            f"{self.analysis.pick.sentence}"
        )

    def text(self, name):
        """A file of the package as text, to read before it leaves."""
        need(name in self.files, f"no file {name!r} here; there are {', '.join(self.files)}")
        return self.files[name].decode("utf-8")

    def write(self, path):
        """Write the zip to ``path``, whole or not at all, and return the path."""
        path = Path(path)
        need(path.suffix.lower() == ".zip",
             f"{path.name} does not end in .zip; give a name that does")
        # The name last: what is in the files was searched before they were shown.
        self.guard.refuse([("the name of the zip", path.name)])
        return write_whole(place_for(path, "the package"), zipped(self.files))


EVERYTHING = Choices()


def prepare_package(
    analysis: Analysis, choices: Choices = EVERYTHING, photos: Sequence[Any] = (),
    batch_of: Callable[[Analysis], Any] | None = None,
) -> Package:
    """Make a share package of an analysis, in memory.

    Parameters
    ----------
    analysis : Analysis
    choices : Choices, what to hold back. The analysis is made again from what is shared, so that
        the package agrees with itself.
    photos : of pieces, as :func:`report_html` takes them; they leave within the pages alone, and
        those of a blend that is left out do not.
    batch_of : makes a Batch of the analysis that is shared, whose dossier then goes along.

    Returns
    -------
    Package

    Raises
    ------
    SharingError when something hidden would still be in it; the message names the file.

    >>> prepare_package(analysis, Choices(hide_costs=True)).write("s.zip")  # doctest: +SKIP
    """
    choices = known_choices(an_analysis(analysis).series, choices)
    series, held = redact(analysis.series, choices)
    rules = redacted_rules(analysis.rules, choices)
    # As it is read back from its files, types and row order and all.
    shared = analyse(series_from_files(_data_files(series), series), rules,
                     seed=analysis.seed, draws=analysis.draws)
    notices = held.notices + _changed_pick(analysis, shared)
    files = _files(shared, notices, photos, batch_of)
    finds = [hit.found_in(name) for name, data in files.items()
             for hit in held.guard.told_by(f"{name}\n{readings(data)}")]
    if finds:
        raise UndecidedError(finds)
    return Package(shared, files, notices, held.guard)


def series_from_files(files, about):
    """A series from its CSV files; ``about`` gives what stands outside the tables."""
    frames = {
        part.name: parts.from_csv(files[name], part, name)
        for part in parts.DATA_PARTS + parts.OPTIONAL_PARTS
        if (name := f"{part.name}.csv") in files
    }
    frames["fractions"] = parts.rows_to_fractions(frames["fractions"])
    return dataclasses.replace(about, **frames)


def zipped(files):
    """Files (name to bytes) as the bytes of a zip, the same every time."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            info = zipfile.ZipInfo(name, _TIME)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o100644 << 16
            archive.writestr(info, data)
    return out.getvalue()


def _changed_pick(own, shared):
    """A notice when what is shared leads to another pick than the maker's own records."""
    before, after = ((row["blend"], f"{row['load_pct']:.1f}")
                     for row in (a.pick.table.iloc[0] for a in (own, shared)))
    return () if before == after else (
        "The recommended load here differs from that of the whole series, because it rests only on "
        "what is shared.",
    )


def _files(analysis, notices, photos, batch_of):
    """Every file of the package, the descriptor first."""
    files = {"report.html": report_html(analysis, notices, photos=photos).encode("utf-8")}
    if batch_of and not pd.isna(analysis.pick.table["load_pct"].iloc[0]):
        files["dossier.html"] = dossier_html(
            analysis, batch_of(analysis), photos=photos).encode("utf-8")
    files |= _data_files(analysis.series)
    files["pick.csv"] = parts.to_csv(analysis.pick.table, parts.PICK_PART)
    if analysis.series.plan:
        files["plan.json"] = to_json(analysis.series.plan)
    files["settings.json"] = to_json(_settings(analysis, notices))
    return {DESCRIPTOR: to_json(describe(files, analysis.series)), **files}


def _data_files(series):
    files = {}
    for part in parts.DATA_PARTS + parts.OPTIONAL_PARTS:
        frame = getattr(series, part.name)
        if part is parts.FRACTION_PART:
            frame = parts.fractions_to_rows(frame)
        if part in parts.DATA_PARTS or len(frame):
            files[f"{part.name}.csv"] = parts.to_csv(frame, part)
    return files


def _settings(analysis, notices):
    about = ("title", "fragrance", "piece_g", "currency", "invented")
    return {
        "format": FORMAT, "series": {name: getattr(analysis.series, name) for name in about},
        "rules": dataclasses.asdict(analysis.rules), "seed": analysis.seed,
        "draws": analysis.draws, "versions": versions(), "notices": list(notices),
    }


def describe(files, series):
    """The Data Package descriptor of the files."""
    return {
        "$schema": PROFILE, "name": file_name(series.title), "title": series.title,
        "description": "Invented demonstration data: no evidence."
        if series.invented else "A fragrance load test of scented wax melts.",
        "version": f"{FORMAT}.0.0", "keywords": ["wax melts", "fragrance load"],
        "resources": [_resource(name, data) for name, data in files.items()],
    }


_HOLDS = {
    "report.html": ("text/html", "the report"),
    "dossier.html": ("text/html", "one page for a technical file"),
    "plan.json": ("application/json", "the plan"),
    "settings.json": ("application/json", "rules, seed, draws and versions of the fits"),
}


def _resource(name, data):
    stem, _, ending = name.rpartition(".")
    resource = {
        "name": stem, "path": name, "format": ending, "encoding": "utf-8", "bytes": len(data),
        "hash": f"sha256:{hashlib.sha256(data).hexdigest()}",
    }
    if ending != "csv":
        mediatype, holds = _HOLDS[name]
        return resource | {"mediatype": mediatype, "description": holds}
    part = parts.PARTS[stem]
    return resource | {
        "type": "table", "mediatype": "text/csv", "description": part.meaning,
        "schema": schema_of(part),
    }


def schema_of(part):
    """The Table Schema of a part, with its profile named."""
    return {"$schema": TABLE_PROFILE, **parts.table_schema(part)}

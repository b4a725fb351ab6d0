"""The tables of a share package: their columns, and the way to CSV and back without loss.

A column that the record knows is taken from :mod:`scentlab.schema`; the few that are computed or
joined are named here. Numbers are written with all their digits, so that a fit of what was read
is the fit of what was written.
"""

import csv
import io

import pandas as pd

from scentlab.schema import (
    HEATS,
    PAIRS,
    PIECES,
    POURS,
    THROWS,
    WARMINGS,
    DataError,
    Problem,
    Table,
    csv_text,
    parse_table,
    tables_beside,
)
from scentlab.series import (
    BLEND_COLUMNS,
    GRADE_COLUMNS,
    HEAT_COLUMNS,
    PAIR_COLUMNS,
    POUR_COLUMNS,
    THROW_COLUMNS,
    WARMING_COLUMNS,
)
from scentlab.text import armed, disarmed

MOST_ROWS = 50_000
_KEPT = tables_beside(__file__, "parts.toml")
_COMPUTED = {column.name: column for column in _KEPT["computed"].columns}


def _table(name, names, *sources, **more):
    """A part of these columns: computed ones first, then those of the record."""
    known = {c.name: c for s in sources[::-1] for c in s.columns} | _COMPUTED
    about = {"name": name, "meaning": sources[0].meaning} | more
    return Table(columns=tuple(known[n] for n in names), **about)


POUR_PART = _table("pours", POUR_COLUMNS, POURS, key=("pour",))
FRACTION_PART, PICK_PART = _KEPT["fractions"], _KEPT["pick"]
DATA_PARTS = (
    POUR_PART,
    _table("grades", GRADE_COLUMNS, PIECES, POURS, meaning="one row per inspection of a piece"),
    _table("throws", THROW_COLUMNS, THROWS, POURS),
    _table("blends", BLEND_COLUMNS, POURS, meaning="one row per blend with its limits",
           key=("blend",)),
    FRACTION_PART,
)
# In a package only when there is something in it.
OPTIONAL_PARTS = (
    _table("warmings", WARMING_COLUMNS, WARMINGS, PIECES, POURS, one_of=WARMINGS.one_of),
    _table("pairs", PAIR_COLUMNS, PAIRS, PIECES, POURS),
    _table("heats", HEAT_COLUMNS, HEATS, key=HEATS.key, rising=HEATS.rising),
)
PARTS = {part.name: part for part in (*DATA_PARTS, *OPTIONAL_PARTS, PICK_PART)}
# Child table, its column, parent table: the parent's key has the same name.
LINKS = (("pours", "blend", "blends"), *((name, "pour", "pours") for name in (
    "grades", "throws", "warmings", "pairs")), *((name, "blend", "blends") for name in (
        "fractions", "pick")))


def to_csv(frame, part):
    """A frame as CSV bytes (UTF-8, comma, point, empty for missing) with the part's columns."""
    cells = pd.DataFrame({c.name: c.series(frame[c.name]) for c in part.columns})
    for c in (c for c in part.columns if c.kind == "number"):
        # A weighted mean of shares may pass 1 in its last digits; such a hair is taken off.
        for bound in (c.lower, c.upper):
            cells[c.name] = cells[c.name].mask((cells[c.name] - bound).abs() < 1e-9, bound)
    for c in (c for c in part.columns if c.kind == "date"):  # which may have a time
        cells[c.name] = cells[c.name].map(lambda day: str(day)[:10], na_action="ignore")
    return csv_text(cells, part).encode("utf-8")


def from_csv(data, part, file):
    """The typed frame of CSV bytes that :func:`to_csv` wrote; DataError of all that is wrong."""
    lines = list(csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True))
    width = len(lines[0]) if lines else 0
    odd = next((row for row, cells in enumerate(lines, start=1) if len(cells) != width), None)
    for wrong, row, expected in (
        (not width, None, "a header row"), (len(lines) > MOST_ROWS + 1, None,
                                            f"at most {MOST_ROWS} rows"),
        (odd, odd, f"{width} cells"),
    ):
        if wrong:
            raise DataError([Problem(file, row, "", None, expected, "Ask for the file again.")])
    if len(lines) == 1:
        return pd.DataFrame({c.name: pd.Series(dtype=object) for c in part.columns})
    _refuse_formulas(lines, part, file)
    cells = [[armed(cell) for cell in line] for line in lines[1:]]
    frame = parse_table(pd.DataFrame(cells, columns=lines[0], dtype=str), part, file)
    return frame.astype({
        c.name: "int64" for c in part.columns
        if c.kind == "integer" and frame[c.name].notna().all()
    })


def _refuse_formulas(lines, part, file):
    """What :func:`to_csv` disarms, left armed by a sender: a spreadsheet would run it."""
    problems = [
        Problem(file, row, name, cell, "a text that no spreadsheet runs as a formula",
                "Do not open this file in a spreadsheet.")
        for row, line in enumerate(lines[1:], start=2)
        for name, cell in zip(lines[0], line, strict=True)
        if name in part.names and part[name].kind == "text" and disarmed(armed(cell)) != cell
    ]
    if problems:
        raise DataError(problems)


def fractions_to_rows(fractions):
    """Wax fractions (one row per blend, one column per wax) as rows blend, wax, fraction."""
    rows = [(blend, *part) for blend, own in fractions.iterrows() for part in own.items()]
    return pd.DataFrame(rows, columns=["blend", "wax", "fraction"])


def rows_to_fractions(rows):
    """The inverse of :func:`fractions_to_rows`, blends and waxes in their order of appearance."""
    if rows.empty:
        return pd.DataFrame()
    blends, waxes = list(dict.fromkeys(rows["blend"])), list(dict.fromkeys(rows["wax"]))
    wide = rows.pivot(index="blend", columns="wax", values="fraction")
    wide = wide.reindex(index=blends, columns=waxes)
    return wide.rename_axis(index=None, columns=None)


def table_schema(part):
    """The part's columns as a Table Schema of the Data Package standard, version 2."""
    links = [
        {"fields": [column], "reference": {"resource": parent, "fields": [column]}}
        for child, column, parent in LINKS if child == part.name
    ]
    return _known(fields=[_field(c) for c in part.columns], missingValues=[""],
                  primaryKey=list(part.key), foreignKeys=links)


def _known(**values):
    """What is not empty; 0 is none of that."""
    return {n: v for n, v in values.items() if v or type(v) in (int, float)}


def _field(column):
    bound = int if column.kind == "integer" else float
    lower, upper = (v if v is None else bound(v) for v in (column.lower, column.upper))
    pattern = "" if (column.pattern or "").startswith("(?s)") else column.pattern
    return _known(
        name=column.name,
        type={"text": "string", "choice": "string"}.get(column.kind, column.kind),
        description=column.meaning, unit=column.unit,
        constraints=_known(required=column.required, minimum=lower, maximum=upper,
                           enum=list(column.choices), pattern=pattern),
    )

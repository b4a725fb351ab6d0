"""The tables of a share package: their columns, and the way to CSV and back without loss.

A column that the record knows is taken from :mod:`scentlab.schema`; the few that are computed or
joined are named here. Numbers are written with all their digits, so that a fit of what was read
is the fit of what was written.
"""

import csv
import dataclasses
import datetime as dt
import io

import pandas as pd

from scentlab.schema import (
    BLEEDS,
    HEATS,
    PAIRS,
    PIECES,
    POURS,
    STRESSES,
    TESTS,
    THROWS,
    WARMINGS,
    Column,
    DataError,
    Problem,
    Table,
    parse_table,
)
from scentlab.series import (
    BLEED_COLUMNS,
    BLEND_COLUMNS,
    GRADE_COLUMNS,
    HEAT_COLUMNS,
    PAIR_COLUMNS,
    POUR_COLUMNS,
    THROW_COLUMNS,
    WARMING_COLUMNS,
)
from scentlab.text import armed, disarmed
from scentlab.words import is_missing

MOST_ROWS = 50_000
_WAX = "g per 100 g of wax"
_PRODUCT = "g in 100 g of finished product"
_LONG: dict = dict(pattern=r"(?s).{1,2000}", pattern_words="a text of 1 to 2000 characters")
# Unit, lowest and highest value of the numbers that are computed or joined. A limit of an interval
# of throw may lie outside the scale that a score lies on.
_UNITS = {
    "load": (_WAX, 0.0, 4000.0), "content": (_PRODUCT, 0.0, 100.0),
    "share": ("probability", 0.0, 1.0), "price": ("currency per kg", 0.0, 1e5),
    "throw": ("throw, 0 to 10", -100.0, 100.0), "points": ("points", 0.0, 20.0),
    "cost": ("currency", 0.0, 1e6),
}


def _numbers(required, *rows):
    return [Column(name, "number", meaning, *_UNITS[kind], required=required)
            for name, kind, meaning in rows]


_COMPUTED = {c.name: c for c in (
    *_numbers(
        True, ("load_pct", "load", "fragrance that was weighed, on wax"),
        ("content_pct", "content", "the same on the finished product"),
    ),
    *_numbers(
        False, ("planned_load_pct", "load", "load that was planned"),
        ("limit_load_pct", "load", "wax maker's limit"),
        ("limit_content_pct", "content", "fragrance's limit"),
        ("wax_price_per_kg", "price", "price of the blend"),
        ("fragrance_price_per_kg", "price", "price of the fragrance"),
    ),
    Column("test", "choice", "what was looked at", choices=TESTS),
    Column("stress", "choice", "rest or heat", choices=STRESSES, required=False),
    Column("grade", "integer", "0 best ... 4 worst", "grade", 0, 4),
    *(dataclasses.replace(POURS[n], name=f"second_{n}", meaning="of the piece smelt second")
      for n in ("pour", "pot", "blend")),
    *_numbers(True, ("second_load_pct", "load", "of the piece smelt second")),
    Column("composition", "text", "waxes by weight", required=False, **_LONG),
)}


def _table(name, meaning, names, *sources, optional=(), **more):
    """A part of these columns: computed ones first, then those of the record."""
    columns = []
    for column in names:
        found = next((s[column] for s in sources if column in s.names), None)
        found = _COMPUTED.get(column, found)
        columns.append(
            dataclasses.replace(found, required=False) if column in optional else found
        )
    return Table(name, meaning, tuple(columns), **more)


POUR_PART = _table("pours", POURS.meaning, POUR_COLUMNS, POURS, key=("pour",))
FRACTION_PART = Table(
    "fractions", "wax fractions by weight",
    (
        POURS["blend"],
        Column("wax", "text", "name of the wax", pattern=r"\S(.{0,78}\S)?",
               pattern_words="a name of 1 to 80 characters"),
        Column("fraction", "number", "part of the blend", "by weight", 0.0, 1.0),
    ),
    key=("blend", "wax"),
)
PICK_PART = Table(
    "pick", "the load recommended for each blend, best first",
    (
        Column("rank", "integer", "place, best first", "", 1, 1000),
        POURS["blend"],
        *_numbers(
            False, ("load_pct", "load", "the recommended load"),
            ("content_pct", "content", "the same on the finished product"),
            ("ceiling_load_pct", "load", "the highest safe load"),
            ("limit_load_pct", "load", "the wax maker's limit"),
        ),
        Column("held_by", "text", "what ends the loads to choose from", required=False),
        *_numbers(
            False, ("throw", "throw", "throw at the recommended load"),
            ("throw_lower", "throw", "its lower limit"),
            ("throw_upper", "throw", "its upper limit"),
            ("throw_behind", "points", "mean throw below the best to be had"),
            ("throw_chance", "share", "chance that it is no more than the accepted loss"),
            ("p_strongest", "share", "chance that no other blend throws more"),
            ("sweat_risk", "share", "risk of the limit grade or more in a new pot"),
            ("sweat_lower", "share", "its lower limit"),
            ("sweat_upper", "share", "its upper limit"),
            ("p_over", "share", "probability that this risk is over the accepted one"),
            ("frost_risk", "share", "risk of the frost limit grade or more"),
            ("frost_lower", "share", "its lower limit"),
            ("frost_upper", "share", "its upper limit"),
            ("cost_per_piece", "cost", "materials of a piece"),
        ),
        Column("reason", "text", "why", required=False, **_LONG),
    ),
    key=("blend",),
)
DATA_PARTS = (
    POUR_PART,
    _table("grades", "one row per inspection of a piece", GRADE_COLUMNS, PIECES, POURS),
    _table("throws", THROWS.meaning, THROW_COLUMNS, THROWS, POURS),
    _table("blends", "one row per blend with its limits", BLEND_COLUMNS, POURS, key=("blend",)),
    FRACTION_PART,
)
# In a package only when there is something in it.
OPTIONAL_PARTS = (
    _table("bleeds", BLEEDS.meaning, BLEED_COLUMNS, BLEEDS, PIECES, POURS,
           optional=("hours", "temp_c")),
    _table("warmings", WARMINGS.meaning, WARMING_COLUMNS, WARMINGS, PIECES, POURS,
           one_of=WARMINGS.one_of),
    _table("pairs", PAIRS.meaning, PAIR_COLUMNS, PAIRS, PIECES, POURS),
    _table("heats", HEATS.meaning, HEAT_COLUMNS, HEATS, key=HEATS.key, rising=HEATS.rising),
)
PARTS = {part.name: part for part in (*DATA_PARTS, *OPTIONAL_PARTS, PICK_PART)}
# Child table, its column, parent table: the parent's key has the same name.
LINKS = (("pours", "blend", "blends"), *((name, "pour", "pours") for name in (
    "grades", "throws", "bleeds", "warmings", "pairs")), *((name, "blend", "blends") for name in (
        "fractions", "pick")))


def to_csv(frame, part):
    """A frame as CSV bytes (UTF-8, comma, point, empty for missing) with the part's columns."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(part.names)
    columns = [_cells(frame[c.name], c) for c in part.columns]
    writer.writerows(zip(*columns, strict=True))
    return out.getvalue().encode("utf-8")


def _cells(values, column):
    return [_cell(_snapped(value, column), column.kind) for value in values]


def _snapped(value, column):
    """A weighted mean of shares may pass 1 in its last digits; such a hair is taken off."""
    for bound in (column.lower, column.upper):
        if column.kind == "number" and bound is not None and not is_missing(value):
            if value != bound and abs(value - bound) < 1e-9:
                return bound
    return value


def _cell(value, kind):
    if is_missing(value):
        return ""
    if kind == "number":
        return repr(float(value))
    if kind == "integer":
        return str(int(value))
    if kind == "date":
        return value.isoformat()[:10] if isinstance(value, dt.date) else str(value)[:10]
    return disarmed(str(value)) if kind == "text" else str(value)


def from_csv(data, part, file):
    """The typed frame of CSV bytes that :func:`to_csv` wrote.

    Raises DataError that names file, row, column and value of everything that is wrong.
    """
    lines = list(csv.reader(io.StringIO(data.decode("utf-8"), newline=""), strict=True))
    remedy = "Ask for the file again."
    if not lines or not lines[0]:
        raise DataError([Problem(file, None, "", None, "a header row", remedy)])
    if len(lines) - 1 > MOST_ROWS:
        raise DataError([Problem(file, None, "", None, f"at most {MOST_ROWS} rows", remedy)])
    for row, cells in enumerate(lines[1:], start=2):
        if len(cells) != len(lines[0]):
            raise DataError([Problem(file, row, "", None, f"{len(lines[0])} cells", remedy)])
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
    rows = [
        (blend, wax, float(fractions.at[blend, wax]))
        for blend in fractions.index for wax in fractions.columns
    ]
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
    schema = {"fields": [_field(c) for c in part.columns], "missingValues": [""]}
    if part.key:
        schema["primaryKey"] = list(part.key)
    links = [
        {"fields": [column], "reference": {"resource": parent, "fields": [column]}}
        for child, column, parent in LINKS if child == part.name
    ]
    return schema | ({"foreignKeys": links} if links else {})


_TYPES = {"text": "string", "choice": "string"}


def _field(column):
    field = {"name": column.name, "type": _TYPES.get(column.kind, column.kind),
             "description": column.meaning}
    bound = int if column.kind == "integer" else float
    known = {
        "required": column.required or None,
        "minimum": None if column.lower is None else bound(column.lower),
        "maximum": None if column.upper is None else bound(column.upper),
        "enum": list(column.choices) or None,
        "pattern": None if (column.pattern or "(?s)").startswith("(?s)") else column.pattern,
    }
    constraints = {name: value for name, value in known.items() if value is not None}
    field |= {"unit": column.unit} if column.unit else {}
    return field | ({"constraints": constraints} if constraints else {})

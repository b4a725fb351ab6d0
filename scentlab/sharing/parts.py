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
    POUR_COLUMNS,
    THROW_COLUMNS,
    WARMING_COLUMNS,
)
from scentlab.text import armed, disarmed
from scentlab.words import is_missing

MOST_ROWS = 50_000
_WAX = "g per 100 g of wax"
_PRODUCT = "g in 100 g of finished product"
_LONG = dict(pattern=r"(?s).{1,2000}", pattern_words="a text of 1 to 2000 characters")


def _load(name, meaning, required=True):
    return Column(name, "number", meaning, _WAX, 0.0, 4000.0, required=required)


def _content(name, meaning, required=True):
    return Column(name, "number", meaning, _PRODUCT, 0.0, 100.0, required=required)


def _share(name, meaning):
    return Column(name, "number", meaning, "probability", 0.0, 1.0, required=False)


def _price(name, meaning):
    return Column(name, "number", meaning, "currency per kg", 0.0, 1e5, required=False)


def _throw(name, meaning):
    # A limit of an interval may lie outside the scale that a score lies on.
    return Column(name, "number", meaning, "throw, 0 to 10", -100.0, 100.0, required=False)


_LOAD = _load("load_pct", "fragrance that was weighed, on wax")
_COST = Column("cost_per_piece", "number", "materials of a piece", "currency", 0.0, 1e6,
               required=False)
_COMPUTED = {
    "load_pct": _LOAD,
    "content_pct": _content("content_pct", "the same on the finished product"),
    "planned_load_pct": _load("planned_load_pct", "load that was planned", required=False),
    "test": Column("test", "choice", "what was looked at", choices=TESTS),
    "stress": Column("stress", "choice", "rest or heat", choices=STRESSES, required=False),
    "grade": Column("grade", "integer", "0 best ... 4 worst", "grade", 0, 4),
    "composition": Column("composition", "text", "waxes by weight", required=False, **_LONG),
    "limit_load_pct": _load("limit_load_pct", "wax maker's limit", required=False),
    "limit_content_pct": _content("limit_content_pct", "fragrance's limit", required=False),
    "wax_price_per_kg": _price("wax_price_per_kg", "price of the blend"),
    "fragrance_price_per_kg": _price("fragrance_price_per_kg", "price of the fragrance"),
}


def _columns(names, *sources):
    """Columns by name, computed ones first, then those of the record."""
    found = []
    for name in names:
        column = _COMPUTED.get(name)
        for source in sources:
            if column is None and name in source.names:
                column = source[name]
        found.append(column)
    return tuple(found)


POUR_PART = Table("pours", POURS.meaning, _columns(POUR_COLUMNS, POURS), key=("pour",))
GRADE_PART = Table(
    "grades", "one row per look at a piece", _columns(GRADE_COLUMNS, PIECES, POURS)
)
THROW_PART = Table("throws", THROWS.meaning, _columns(THROW_COLUMNS, THROWS, POURS))
BLEED_PART = Table(
    "bleeds", BLEEDS.meaning,
    tuple(
        dataclasses.replace(c, required=False) if c.name in ("hours", "temp_c") else c
        for c in _columns(BLEED_COLUMNS, BLEEDS, PIECES, POURS)
    ),
)
WARMING_PART = Table(
    "warmings", WARMINGS.meaning, _columns(WARMING_COLUMNS, WARMINGS, PIECES, POURS),
    one_of=WARMINGS.one_of,
)
BLEND_PART = Table(
    "blends", "one row per blend with its limits", _columns(BLEND_COLUMNS, POURS), key=("blend",)
)
FRACTION_PART = Table(
    "fractions",
    "wax fractions by weight",
    (
        POURS["blend"],
        Column("wax", "text", "name of the wax", pattern=r"\S(.{0,78}\S)?",
               pattern_words="a name of 1 to 80 characters"),
        Column("fraction", "number", "part of the blend", "by weight", 0.0, 1.0),
    ),
    key=("blend", "wax"),
)
_RISKS = (
    _share("sweat_risk", "risk of the limit grade or more in a new pot"),
    _share("sweat_lower", "its lower limit"),
    _share("sweat_upper", "its upper limit"),
    _share("p_over", "probability that this risk is over the accepted one"),
    _share("frost_risk", "risk of the frost limit grade or more"),
    _share("frost_lower", "its lower limit"),
    _share("frost_upper", "its upper limit"),
)
PICK_PART = Table(
    "pick",
    "the load chosen for each blend, best first",
    (
        Column("rank", "integer", "place, best first", "", 1, 1000),
        POURS["blend"],
        _load("load_pct", "the pick", required=False),
        _content("content_pct", "the pick on the finished product", required=False),
        _load("ceiling_load_pct", "the ceiling", required=False),
        _load("limit_load_pct", "the wax maker's limit", required=False),
        Column("held_by", "text", "what ends the loads to choose from", required=False),
        _throw("throw", "throw at the pick"),
        _throw("throw_lower", "its lower limit"),
        _throw("throw_upper", "its upper limit"),
        Column("throw_behind", "number", "mean throw below the best to be had", "points", 0.0, 20.0,
               required=False),
        _share("throw_chance", "chance that it is no more than the accepted loss"),
        _share("p_strongest", "chance that no other pick throws more"),
        *_RISKS,
        _COST,
        Column("reason", "text", "why", required=False, **_LONG),
    ),
    key=("blend",),
)
TRADEOFF_PART = Table(
    "tradeoff",
    "what each tested load of each blend buys and costs",
    (
        POURS["blend"], _LOAD, _COMPUTED["content_pct"],
        _throw("throw", "fitted throw"),
        _throw("throw_lower", "its lower limit"),
        _throw("throw_upper", "its upper limit"),
        *_RISKS,
        _COST,
    ),
)
CEILING_PART = Table(
    "ceiling",
    "the ceiling of each blend",
    (
        POURS["blend"],
        _load("ceiling_load_pct", "the ceiling", required=False),
        _content("ceiling_content_pct", "the ceiling on the finished product", required=False),
        Column("error_pct", "number", "its Monte Carlo error", _WAX, 0.0, required=False),
        Column("load_at_risk_pct", "number", "load at the accepted risk", _WAX, required=False),
        Column("load_at_risk_lower_pct", "number", "its lower limit", _WAX, required=False),
        Column("load_at_risk_upper_pct", "number", "its upper limit", _WAX, required=False),
        _load("lowest_tested_pct", "lowest load tested", required=False),
        _load("highest_tested_pct", "highest load tested", required=False),
        Column("state", "text", "what the ceiling rests on", **_LONG),
    ),
    key=("blend",),
)
DATA_PARTS = (POUR_PART, GRADE_PART, THROW_PART, BLEND_PART, FRACTION_PART)
# In a package only when there is something in it.
OPTIONAL_PARTS = (BLEED_PART, WARMING_PART)
RESULT_PARTS = (PICK_PART, TRADEOFF_PART, CEILING_PART)
# Child table, its column, parent table: the parent's key has the same name.
LINKS = (
    ("pours", "blend", "blends"),
    ("grades", "pour", "pours"),
    ("throws", "pour", "pours"),
    ("bleeds", "pour", "pours"),
    ("warmings", "pour", "pours"),
    ("fractions", "blend", "blends"),
    ("pick", "blend", "blends"),
    ("tradeoff", "blend", "blends"),
    ("ceiling", "blend", "blends"),
)


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
    text = data.decode("utf-8")
    lines = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    if not lines or not lines[0]:
        raise DataError([_problem(file, None, "a header row", "Ask for the file again.")])
    if len(lines) - 1 > MOST_ROWS:
        raise DataError([_problem(file, None, f"at most {MOST_ROWS} rows", "Split the series.")])
    for row, cells in enumerate(lines[1:], start=2):
        if len(cells) != len(lines[0]):
            expected = f"{len(lines[0])} cells"
            raise DataError([_problem(file, row, expected, "Ask for the file again.")])
    if len(lines) == 1:
        return pd.DataFrame({c.name: pd.Series(dtype=object) for c in part.columns})
    cells = [[armed(cell) for cell in line] for line in lines[1:]]
    frame = parse_table(pd.DataFrame(cells, columns=lines[0], dtype=str), part, file)
    return frame.assign(**{
        c.name: frame[c.name].astype("int64") for c in part.columns
        if c.kind == "integer" and frame[c.name].notna().all()
    })


def _problem(file, row, expected, remedy):
    return Problem(file, row, "", None, expected, remedy)


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
    if links:
        schema["foreignKeys"] = links
    return schema


_TYPES = {"text": "string", "choice": "string", "number": "number", "integer": "integer",
          "date": "date"}


def _field(column):
    field = {"name": column.name, "type": _TYPES[column.kind], "description": column.meaning}
    if column.unit:
        field["unit"] = column.unit
    constraints = {"required": True} if column.required else {}
    if column.lower is not None:
        constraints["minimum"] = _bound(column, column.lower)
    if column.upper is not None:
        constraints["maximum"] = _bound(column, column.upper)
    if column.choices:
        constraints["enum"] = list(column.choices)
    if column.pattern and not column.pattern.startswith("(?s)"):
        constraints["pattern"] = column.pattern
    if constraints:
        field["constraints"] = constraints
    return field


def _bound(column, value):
    return int(value) if column.kind == "integer" else float(value)

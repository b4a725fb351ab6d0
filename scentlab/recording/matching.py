"""Files with other headings and units: which column a heading is, and how a cell is converted.

Nothing is guessed. A heading is suggested where it plainly names a column, but every unit and
every form of a date is chosen by the person.
"""

import contextlib
import re
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from scentlab import units
from scentlab.files import table_beside
from scentlab.recording.sheets import read_sheet
from scentlab.schema import IMPORT_TABLES, DataError, Problem

TABLES = {t.name: t for t in IMPORT_TABLES}

# Per unit of the schema: what a file may use instead, and how it becomes the schema's unit.
UNITS = {
    "g": {
        "g": float, "kg": lambda v: 1000.0 * v,
        "oz": units.grams_from_ounces, "lb": units.grams_from_pounds,
    },
    "°C": {"°C": float, "°F": units.celsius_from_fahrenheit},
    "min": {"min": float, "s": lambda v: v / 60.0, "h": lambda v: 60.0 * v},
    "h": {"h": float, "min": lambda v: v / 60.0, "days": lambda v: 24.0 * v},
    "days since pouring": {
        "days": float, "weeks": lambda v: 7.0 * v, "hours": lambda v: v / 24.0,
    },
    "g per 100 g of wax": {
        "% of wax": float, "% of total": units.load_from_content,
        "oz per lb": units.load_from_ounces_per_pound,
    },
    "g in 100 g of finished product": {
        "% of total": float, "% of wax": units.content_from_load,
    },
}
# What the trade writes over a column, the surest first; units in headings; forms of dates.
_KEPT = table_beside(__file__, "headings.toml")
TRADE, DATES = _KEPT["trade"], _KEPT["dates"]
_THOUSANDS = re.compile(r"[1-9]\d{0,2}(\.\d{3})+(,\d+)?")


@dataclass(frozen=True)
class From:
    """Where a column comes from: the heading in the file and the unit that the file uses."""

    heading: str
    unit: str | None = None


@dataclass(frozen=True)
class Source:
    """A CSV or XLSX file, which sheet of it, how its columns match, and its decimal sign.

    Without ``columns`` the headings must be the exact names of the columns, which fixes the units.
    Headings that no column names are left out.
    """

    path: str | Path
    columns: dict = field(default_factory=dict)
    sheet: str | None = None
    decimal: str = "."


def headings_of(sheet):
    return list(dict.fromkeys(h for h in map(str, sheet.text.columns) if h))


def plain_headings(sheet):
    """Per column the heading of a sheet that names it, in our words or in those of the trade.

    'Wax weighed' can only be the wax weighed into a pour; 'Wax temperature' may be that of two
    columns and is left to the person. Of two headings for one column the surer one is taken.
    """
    table, found = sheet.table, {}
    headings = headings_of(sheet)
    ways = [(c, {_plain(c.name), _bare(c.name)}) for c in table.columns]
    ways += [(c, {words.replace(" ", "_")}) for c in table.columns
             for words in TRADE[table.name].get(c.name, ())]
    for column, words in ways:
        for heading in (h for h in headings if h not in found.values()):
            if words & {_plain(heading), _without_unit(heading)} and _fits(sheet, heading, column):
                found.setdefault(column.name, heading)
    return found


def _fits(sheet, heading, column):
    """Whether cells under a heading can be of a column: numbers where numbers are wanted."""
    if list(sheet.text.columns).count(heading) > 1:
        return False
    if column.kind == "text" and column.name not in ("blend", "note"):
        return True
    cells = [c.strip() for c in map(str, sheet.text[heading]) if c.strip()]
    digits = sum(c[:1].isdigit() or c[:1] in "-+.," for c in cells)
    return not cells or (2 * digits >= len(cells)) == (column.kind not in ("text", "choice"))


def _plain(text):
    return re.sub(r"[^a-z0-9]+", "_", str(text).lower()).strip("_")


def _bare(name):
    """A column's name without its unit: a heading such as 'Wax' may mean wax_g."""
    return name if name.endswith("_temp_c") else re.sub(r"_(g|min|pct|days|on)$", "", name)


def _without_unit(heading):
    """A heading without the unit behind it: 'Wax (oz)' names the wax.

    >>> _without_unit("Wax (oz)"), _without_unit("oz")
    ('wax', 'oz')
    """
    name, _, last = _plain(heading).rpartition("_")
    known = any(last in words for words in _KEPT["units"].values())
    return name if name and known else _plain(heading)


def unit_in(heading, column):
    """The unit that a heading names among those of a column, or ''."""
    last = _plain(heading).rpartition("_")[2]
    return next((u for u in units_of(column) if last in _KEPT["units"].get(u, ())), "")


def units_of(column):
    """The units, or forms of a date, that a file may use for a column, the schema's own first."""
    return tuple(DATES if column.kind == "date" else UNITS.get(column.unit, ()))


# --- matches of the command --------------------------------------------------------------------


def match_by_heading(sources, matches):
    """Sources (by table) with their columns from a flat list of (heading, column, unit), the column
    as it is called, or as table.column. It goes to each table that has the column and whose file
    has the heading; DataError when it fits none.

    In a file with a match, the columns that bear their own name are kept too.
    """
    headings = {name: _headings(source, name) for name, source in sources.items()}
    columns, problems = {name: {} for name in sources}, []
    for heading, column, unit in matches:
        own, _, bare = column.rpartition(".")
        homes = [n for n in sources if heading in headings[n] and bare in TABLES[n].names
                 and own in ("", n)]
        for name in homes:
            columns[name][bare] = From(heading, unit)
        if not homes:
            problems.append(_unmatched("the files", heading, column))
    if problems:
        raise DataError(problems)
    return {
        name: replace(source, columns=_with_own_names(columns[name], headings[name], name))
        for name, source in sources.items()
    }


def _unmatched(file, heading, column):
    return Problem(file, None, column, heading, "a heading of a file and a column of its table",
                   "Correct the matching; this lists the columns: scentlab columns")


def _headings(source, table):
    """The headings of a file; none when it cannot be read, which the import itself says."""
    with contextlib.suppress(DataError):
        sheet = read_sheet(source.path, TABLES[table], source.sheet)
        return list(map(str, sheet.text.columns))
    return []


def _with_own_names(matched, headings, table):
    if not matched:
        return {}
    taken = {origin.heading for origin in matched.values()}
    own = {h: From(h, _own_unit(TABLES[table], h)) for h in headings
           if h in TABLES[table].names and h not in matched and h not in taken}
    return {**own, **matched}


# --- a matched sheet ---------------------------------------------------------------------------


def matched(sheet, source, findings):
    """The sheet with the names and units of the schema; what is wrong goes to the findings."""
    table = sheet.table
    if source.columns:
        plan = _checked_matching(sheet, source, findings)
    else:
        plan = {name: From(name, _own_unit(table, name)) for name in sheet.text.columns}
    cells, given = {}, {}
    for name, origin in plan.items():
        if list(sheet.text.columns).count(origin.heading) > 1:  # which the import itself says
            return sheet
        texts = cells[name] = [_without_shown(str(text).strip(), origin.unit)
                               for text in sheet.text[origin.heading]]
        if name in table.names:
            column = table[name]
            cells[name] = [_converted(t, column, origin.unit, source.decimal) for t in texts]
            plain = column.kind == "date" or origin.unit in (None, *units_of(column)[:1])
            given[name] = [t if plain or re.search(r"\d ?°?[A-Za-z]+$", t) else
                           f"{t} {origin.unit}" for t in texts]
    text = pd.DataFrame(cells, dtype=object, index=sheet.text.index)
    return replace(sheet, text=text, given=given)


def _without_shown(text, unit):
    """A number whose format shows the very unit of its column, as the number alone."""
    shown = re.fullmatch(r"(\S+) shown as \S+ (\S+)", text)
    own = shown and shown[2].strip("°.").lower() in _KEPT["units"].get(unit, ())
    return shown[1] if own else text


def _own_unit(table, name):
    return next(iter(units_of(table[name])), None) if name in table.names else None


def _checked_matching(sheet, source, findings):
    """The matching with everything wrong in it found; what is wrong is left out."""
    plan, table, headings = {}, sheet.table, list(sheet.text.columns)
    for name, origin in source.columns.items():
        units = units_of(table[name]) if name in table.names else ()
        if name not in table.names or origin.heading not in headings:
            findings.problems.append(_unmatched(sheet.file, origin.heading, name))
        elif units and origin.unit not in units:
            findings.add(1, name, origin.unit or "no unit",
                         f"the unit of {origin.heading!r}: one of {', '.join(units)}",
                         "Choose the unit the file uses.")
        else:
            plan[name] = origin
    return plan


def _converted(text, column, unit, decimal):
    """A cell in the schema's unit; a cell that is no number or date stays as it is."""
    if column.kind == "date":
        return _iso_date(text, unit)
    if column.kind not in ("number", "integer"):
        return text
    if decimal == ",":  # a point is no decimal sign then, but may part the thousands
        text = text.replace(".", "" if _THOUSANDS.fullmatch(text) else "·").replace(",", ".")
    convert = UNITS.get(column.unit, {}).get(unit, float)
    try:
        return text if convert is float else repr(float(convert(float(text))))
    except ValueError:
        return text


def dates_like(text):
    """The forms of a date beside the kit's own that a text is written in.

    >>> dates_like("3/14/2026"), dates_like("3/4/2026")
    (('month/day/year',), ('day/month/year', 'month/day/year'))
    """
    _, *others = ((form, re.fullmatch(pattern, text)) for form, pattern in DATES.items())
    return tuple(form for form, date in others if date and int(date["m"]) <= 12)


def _iso_date(text, form):
    # A date cell of a spreadsheet is a date already, whatever it looks like on the screen.
    for pattern in (DATES["year-month-day"], DATES.get(form, "")):
        found = re.fullmatch(pattern, text)
        if pattern and found:
            return f"{found['y']}-{int(found['m']):02d}-{int(found['d']):02d}"
    return text

"""Files with other headings and units: match the columns, choose the units, try it, then store.

Nothing is guessed. A heading is suggested where it plainly names a column, but every unit and
every form of a date is chosen by the person, and :func:`dry_run` lists every problem before
anything is stored.
"""

import re
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from scentlab import units
from scentlab.recording import spreadsheets
from scentlab.recording.importing import (
    check_sheets,
    grade_rows,
    read_sheet,
    store_frames,
)
from scentlab.schema import IMPORT_TABLES, DataError, Findings
from scentlab.text import alike

_TABLES = {t.name: t for t in IMPORT_TABLES}

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
# What the trade writes over a column, the surest first; a number column takes numbers alone.
TRADE = {
    "pours": {
        "pour": ("test batch", "batch", "test"),
        "pot": ("melt", "pitcher"),
        "poured_on": ("date", "pour date", "date poured", "day", "poured"),
        "wax_g": ("wax weighed", "wax weight", "wax amount", "wax"),
        "blend": ("wax blend", "blend name", "wax type", "wax name", "wax"),
        "fragrance_g": (
            "fo weighed", "fo weight", "fo amount", "fragrance oil", "fragrance weight", "fo",
            "fragrance", "oil weight", "oil", "scent", "oz",
        ),
        "add_temp_c": ("fo added at", "fo temp", "add temp"),
        "pour_temp_c": ("poured at", "pour temp"),
        "note": ("notes", "remarks", "comments"),
    },
    "pieces": {
        "code": ("label", "piece"), "assessor": ("tester",), "sweat_grade": ("sweat", "sweating"),
        "frost_grade": ("frost", "frosting"), "age_days": ("age", "days"),
    },
    "throws": {
        "code": ("label", "piece"), "assessor": ("tester",), "sitting": ("session",),
        "throw": ("score", "strength"),
    },
    "warmings": {"code": ("label", "piece"), "assessor": ("tester",), "weight_g": ("weight",)},
}
_IN_HEADS = {
    "g": ("g", "grams", "gram"), "kg": ("kg",), "oz": ("oz", "ounces"), "lb": ("lb", "lbs"),
    "°C": ("c", "degc"), "°F": ("f", "degf"), "min": ("min", "minutes"),
    "h": ("h", "hours", "hrs"), "days": ("days",), "% of wax": ("pct",),
}
DATES = {
    "year-month-day": r"(?P<y>\d{4})-(?P<m>\d{1,2})-(?P<d>\d{1,2})",
    "day.month.year": r"(?P<d>\d{1,2})\.(?P<m>\d{1,2})\.(?P<y>\d{4})",
    "day/month/year": r"(?P<d>\d{1,2})/(?P<m>\d{1,2})/(?P<y>\d{4})",
    "month/day/year": r"(?P<m>\d{1,2})/(?P<d>\d{1,2})/(?P<y>\d{4})",
}


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


@dataclass(frozen=True)
class DryRun:
    """What an import would store, and everything that is wrong; nothing was stored yet."""

    frames: dict
    problems: tuple

    @property
    def ready(self):
        return not self.problems

    @property
    def table(self):
        """The problems as a frame: file, row, column, found, expected, remedy."""
        names = ["file", "row", "column", "value", "expected", "remedy"]
        rows = [[getattr(p, n) for n in names] for p in self.problems]
        frame = pd.DataFrame(rows, columns=names, dtype=object)
        return frame.rename(columns={"value": "found"})

    @property
    def sentence(self):
        if self.problems:
            number = len(self.problems)
            what = "1 problem" if number == 1 else f"{number} problems"
            mended = "it is" if number == 1 else "they are"
            return f"{what}; nothing can be stored before {mended} mended."
        counts = {name: len(frame) for name, frame in self.frames.items()}
        if "pieces" in self.frames:
            counts["grades"] = len(grade_rows(self.frames["pieces"]))
        return "Ready to store: " + ", ".join(f"{n} {name}" for name, n in counts.items()) + "."

    def store(self, store):
        """Store it all in one transaction; raises DataError when there are problems."""
        if self.problems:
            raise DataError(self.problems)
        return store_frames(store, self.frames)

    def __repr__(self):
        return f"<DryRun: {self.sentence}>"

    def _repr_html_(self):
        return f"<p><strong>{self.sentence}</strong></p>" + (
            self.table.to_html(index=False, escape=True, border=0) if self.problems else ""
        )


def workbook_sheets(path):
    """Names of the sheets of an XLSX workbook; none for a file that is no workbook."""
    try:
        return tuple(spreadsheets.sheet_names(Path(path)))
    except ValueError:
        return ()


def suggest_columns(path, table, sheet=None):
    """For each column of a table the heading that plainly names it, and the units to choose from.

    Returns a DataFrame with column, required, heading ('' when none is plain), units and unit
    ('' when the heading does not name one); its ``attrs["headings"]`` are all headings of the
    file. Raises DataError when the file cannot be read.
    """
    findings = Findings(Path(path).name)
    found = read_sheet(Path(path), table, findings, sheet)
    if found is None:
        findings.stop()
    headings = list(dict.fromkeys(h for h in map(str, found.text.columns) if h))
    plain = _plain_headings(found.text, _TABLES[table])
    rows = [
        {
            "column": column.name,
            "required": "yes" if column.required else "no",
            "heading": plain.get(column.name, ""),
            "units": ", ".join(_choices(column)),
            "unit": _unit_in(plain.get(column.name, ""), column),
        }
        for column in _TABLES[table].columns
    ]
    frame = pd.DataFrame(rows)
    frame.attrs["headings"] = headings
    return frame


def _plain_headings(text, table):
    """Per column the heading of a sheet that names it, in our words or in those of the trade.

    'Wax weighed' can only be the wax weighed into a pour; 'Wax temperature' begins two columns
    and is left to the person. Of two headings for one column the surer one is taken.
    """
    headings = list(dict.fromkeys(h for h in map(str, text.columns) if h))
    known = {_plain(h): h for h in reversed(headings)}
    found = {}
    for column in table.columns:
        heading = known.get(_plain(column.name), known.get(_bare(column.name)))
        if heading and _fits(text, heading, column):
            found[column.name] = heading
    for column in table.columns:
        for words in TRADE[table.name].get(column.name, ()):
            for heading in headings:
                named = _plain(words) in (_plain(heading), _without_unit(heading))
                if named and heading not in found.values() and _fits(text, heading, column):
                    found.setdefault(column.name, heading)
    claims = {}
    for heading in (h for h in headings if h not in found.values()):
        led = [c.name for c in table.columns if _leads(heading, c)]
        if len(led) == 1:
            claims.setdefault(led[0], []).append(heading)
    alone = {name: claim[0] for name, claim in claims.items() if len(claim) == 1}
    return {**alone, **found}


def _fits(text, heading, column):
    """Whether cells under a heading can be of a column: numbers where numbers are wanted."""
    cells = text[heading]
    if isinstance(cells, pd.DataFrame):
        return False
    cells = [c for c in map(str, cells) if c.strip()]
    if column.kind == "text" and column.name not in ("blend", "note"):
        return True
    digits = sum(c.strip()[:1].isdigit() or c.strip()[:1] in "-+.," for c in cells)
    return not cells or (2 * digits >= len(cells)) == (column.kind not in ("text", "choice"))


def _without_unit(heading):
    """A heading without the unit behind it: 'Wax (oz)' names the wax.

    >>> _without_unit("Wax (oz)"), _without_unit("oz")
    ('wax', 'oz')
    """
    name, _, last = _plain(heading).rpartition("_")
    return name if name and any(last in words for words in _IN_HEADS.values()) else _plain(heading)


def _unit_in(heading, column):
    """The unit that a heading names among those of a column, or ''."""
    last = _plain(heading).rpartition("_")[2]
    units_ = [u for u in _choices(column) if last in _IN_HEADS.get(u, ())]
    return units_[0] if units_ else ""


def _leads(heading, column):
    """Whether the words of a heading are the first ones of a column's name or meaning."""
    words = _plain(heading)
    return bool(words) and any(
        f"{_plain(text)}_".startswith(f"{words}_") for text in (column.name, column.meaning)
    )


def dry_run(store=None, pours=None, pieces=None, throws=None, today=None, warmings=None, *,
            beyond_plan=False):
    """Try an import of up to four :class:`Source` (or paths); returns a :class:`DryRun`.

    ``store`` is the series to check against; nothing is written to it. ``today`` is the day that
    no pour and no look may lie after, the machine's day when absent. Where the series has a kept
    plan, pours, pieces, assessors and sittings must be in it, unless ``beyond_plan`` is True.
    """
    given = {"pours": pours, "pieces": pieces, "throws": throws, "warmings": warmings}
    problems, sheets, originals = [], {}, {}
    for name, source in given.items():
        if source is None:
            continue
        source = source if isinstance(source, Source) else Source(source)
        findings = Findings(Path(source.path).name)
        sheet = read_sheet(Path(source.path), name, findings, source.sheet)
        if sheet is not None:
            originals[name] = sheet
            sheets[name] = _matched(sheet, source, findings)
        problems.extend(findings.problems)
    unread = {n for n, source in given.items() if source is not None} - set(sheets)
    try:
        frames = check_sheets(
            sheets, store, problems, unread=unread, today=today, beyond_plan=beyond_plan
        )
    except DataError as error:
        told = [_as_in_the_file(p, sheets, originals)
                for p in _told_once(error.problems, problems)]
        for name, sheet in sheets.items():
            told = _with_headings(told, sheet, originals[name])
        return DryRun({}, tuple(told))
    return DryRun(frames, ())


def _with_headings(problems, sheet, original):
    """Problems of the header with the remedy of the form and of the command.

    A column that is missing and a heading that is not known may be one thing, told once.
    """
    table, told = _TABLES[sheet.table], []
    ours = [p for p in problems if p.file == sheet.file and p.row == 1]
    lacking = {p.column for p in ours if p.column in table.required and p.value is None}
    unknown = {p.column for p in ours if p.column and p.column not in table.names}
    plain = {h: c for c, h in _plain_headings(original.text, table).items()
             if h in unknown and c not in sheet.text.columns}
    for problem in problems:
        if problem not in ours or problem.column not in lacking | unknown:
            told.append(problem)
        elif problem.column in plain:
            told.append(replace(problem, expected=f"{plain[problem.column]}, by its look",
                                remedy=_say_match(problem.column, table[plain[problem.column]])))
        elif problem.column in unknown:
            told.append(replace(problem, remedy=(
                "Choose in the form which column it is, or in the command give --match "
                f'"{problem.column}=COLUMN:UNIT", or delete it.'
            )))
        elif problem.column not in plain.values():
            told.append(replace(problem, remedy=(
                "Choose in the form which heading it is, or in the command give --match "
                f'"HEADING={problem.column}:UNIT", or add the column.'
            )))
    return told


def _say_match(heading, column):
    unit = _unit_in(heading, column) or (_choices(column) and "UNIT")
    units_ = f" (UNIT: {', '.join(_choices(column))})" if unit == "UNIT" else ""
    match = f"{heading}={column.name}" + (f":{unit}" if unit else "")
    return f'Choose that in the form, or in the command give --match "{match}"{units_}.'


def _told_once(found, of_matching):
    """The problems without those of columns that lack only what the matching tells of them.

    A column whose unit is still to be chosen is in the file: nobody has to add it.
    """
    told = {(p.file, p.column) for p in of_matching if p.column}
    return [p for p in found
            if p.row != 1 or p.value is not None or (p.file, p.column) not in told]


def match_by_heading(sources, matches):
    """Sources (by table) with their columns from a flat list of matches.

    Parameters
    ----------
    sources : dict of table name to :class:`Source`.
    matches : list of (heading, column, unit); the column as it is called, or as table.column. It
        goes to each table that has the column and whose file has the heading.

    Returns
    -------
    The sources; in a file with a match, the columns that bear their own name are kept too.
    Raises DataError when a match fits no file.
    """
    headings = {name: _headings(source, name) for name, source in sources.items()}
    columns, problems = {name: {} for name in sources}, []
    for heading, column, unit in matches:
        own, dot, bare = column.rpartition(".")
        able = [n for n in sources if bare in _TABLES[n].names and (not dot or n == own)]
        homes = [n for n in able if heading in headings[n]]
        for name in homes:
            columns[name][bare] = From(heading, unit)
        if not homes:
            problems += _homeless(heading, column, able, sources, headings)
    if problems:
        raise DataError(problems)
    return {
        name: replace(source, columns=_with_own_names(columns[name], headings[name], name))
        for name, source in sources.items()
    }


def left_out(sources):
    """Per table the headings that a matching leaves out; tables with none are absent."""
    found = {}
    for name, source in sources.items():
        taken = {origin.heading for origin in source.columns.values()}
        rest = [h for h in _headings(source, name) if h not in taken] if taken else []
        if rest:
            found[name] = rest
    return found


def _headings(source, table):
    """The headings of a file; none when it cannot be read, which the import itself tells."""
    sheet = read_sheet(Path(source.path), table, Findings(""), source.sheet)
    return [] if sheet is None else list(map(str, sheet.text.columns))


def _with_own_names(matched, headings, table):
    if not matched:
        return {}
    taken = {origin.heading for origin in matched.values()}
    own = {h: From(h, _own_unit(_TABLES[table], h)) for h in headings
           if h in _TABLES[table].names and h not in matched and h not in taken}
    return {**own, **matched}


def _homeless(heading, column, able, sources, headings):
    """What is wrong with a match that fits no file."""
    if not able:
        names = {f"{n}.{c}" for n in sources for c in _TABLES[n].names}
        findings = Findings("the matching")
        findings.add(None, "", column, "one of the columns " + ", ".join(sorted(names)),
                     "Correct the column.")
        return findings.problems
    found = []
    for name in able:
        if headings[name]:
            findings = Findings(Path(sources[name].path).name)
            findings.add(1, column, heading, "one of the headings " + ", ".join(headings[name]),
                         "Correct the matching.")
            found += findings.problems
    return found


def _plain(text):
    return re.sub(r"[^a-z0-9]+", "_", str(text).lower()).strip("_")


def _bare(name):
    """A column's name without its unit: a heading such as 'Wax' may mean wax_g."""
    return re.sub(r"_(g|c|min|pct|days|on)$", "", re.sub(r"_temp_c$", "_temp_c", name))


def _choices(column):
    return tuple(DATES if column.kind == "date" else UNITS.get(column.unit, ()))


def _matched(sheet, source, findings):
    """The sheet with the names and units of the schema."""
    table = _TABLES[sheet.table]
    if not source.columns:
        plan = {name: From(name, _own_unit(table, name)) for name in sheet.text.columns}
    else:
        plan = _checked_plan(sheet, source, table, findings)
    cells = {}
    for name, origin in plan.items():
        texts = sheet.text[origin.heading]
        if isinstance(texts, pd.DataFrame):  # the heading stands twice, which parse_table tells
            return sheet
        known = name in table.names
        column = table[name] if known else None
        cells[name] = [_converted(t, column, origin.unit, source.decimal) if known else t
                       for t in texts]
    text = pd.DataFrame(cells, dtype=object, index=sheet.text.index)
    return replace(sheet, text=text, origins=plan)


def _own_unit(table, name):
    choices = _choices(table[name]) if name in table.names else ()
    return choices[0] if choices else None


def _checked_plan(sheet, source, table, findings):
    """The matching with everything wrong in it told; what is wrong is left out."""
    plan = {}
    for name, origin in source.columns.items():
        origin = origin if isinstance(origin, From) else From(origin)
        if name not in table.names:
            findings.add(
                None, str(name), str(name), "one of the columns " + ", ".join(table.names),
                "Correct the matching.",
            )
            continue
        if origin.heading not in sheet.text.columns:
            findings.add(
                1, name, origin.heading,
                "one of the headings " + ", ".join(map(str, sheet.text.columns)),
                "Correct the matching.",
            )
            continue
        choices = _choices(table[name])
        if choices and origin.unit not in choices:
            findings.add(
                1, name, origin.unit or "no unit",
                f"the unit of {origin.heading!r}: one of " + ", ".join(choices),
                "Choose the unit that the file uses.",
            )
            continue
        plan[name] = origin
    return plan


def _converted(text, column, unit, decimal):
    """A cell in the schema's unit; a cell that is no number or date stays as it is."""
    text = str(text).strip()
    if text == "":
        return ""
    if column.kind == "date":
        return _iso_date(text, unit)
    if column.kind not in ("number", "integer"):
        return text
    if decimal == ",":  # a point is no decimal sign then, but may part the thousands
        text = text.replace(".", "" if _THOUSANDS.fullmatch(text) else "·").replace(",", ".")
    choices = UNITS.get(column.unit)
    if choices is None or unit is None or choices[unit] is float:
        return text
    try:
        return repr(float(choices[unit](float(text))))
    except ValueError:
        return text


def _iso_date(text, form):
    # A date cell of a spreadsheet is a date already, whatever it looks like on the screen.
    for pattern in (DATES["year-month-day"], DATES.get(form, "")):
        found = re.fullmatch(pattern, text)
        if pattern and found:
            return f"{found['y']}-{int(found['m']):02d}-{int(found['d']):02d}"
    return text


def _as_in_the_file(problem, sheets, originals):
    """A problem with the value that stands in the file instead of the converted one."""
    for name, sheet in sheets.items():
        if sheet.file != problem.file or problem.row not in sheet.rows:
            continue
        origin = sheet.origins.get(problem.column)
        if origin is None:
            continue
        place = sheet.rows.index(problem.row)
        if problem.value and alike(problem.value) == alike(sheet.text[problem.column].iloc[place]):
            value = str(originals[name].text[origin.heading].iloc[place]).strip()
            return replace(problem, value=value + _foreign(origin, sheet, problem.column))
    return problem


def _foreign(origin, sheet, column):
    """The unit behind a value of the file when it is not the schema's own."""
    choices = _choices(_TABLES[sheet.table][column])
    plain = _TABLES[sheet.table][column].kind == "date" or origin.unit in (None, *choices[:1])
    return "" if plain else f" {origin.unit}"

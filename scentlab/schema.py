"""The columns: each named once, with its meaning, unit, range and check.

Forms, file import, store, corrections, sheets and reports all read the tables of this module and
ask the same :meth:`Column.check`. :func:`parse_table` is the border for files, :func:`check_row`
for single rows: values go in, checked ones come out, or a :class:`DataError` that holds every
problem with its file, row, column, value and remedy.
"""

import datetime as dt
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from scentlab.files import table_beside
from scentlab.text import alike, disarmed, kept, unseen
from scentlab.units import load_from_weights, say_in, say_weighed

SWEAT_GRADES = (
    "dry",
    "trace on a pressed tissue only",
    "visible film",
    "beads",
    "pooled",
)
FROST_GRADES = (
    "none",
    "under 5 % of the face",
    "up to 25 % of the face",
    "up to 50 % of the face",
    "more than half of the face",
)
GRADE_WORDS = {"sweat": SWEAT_GRADES, "frost": FROST_GRADES}
STRESS_WORDS = {"rest": "at room temperature", "heat": "heat-cycled"}  # what a person calls them
STRESSES = tuple(STRESS_WORDS)
EARLIEST, LATEST = dt.date(2000, 1, 1), dt.date(2099, 12, 31)  # days that a record may be of
ONE_DAY = dt.timedelta(days=1)  # let pass: clocks are wrong, and midnight is not everywhere at once
MOST_LOAD_PCT = 40.0  # % of wax; beyond it nothing is planned, and a weight is a slip
# Ways to smell, and what a person calls them.
THROW_WORDS = {"cold": "cold", "jar": "jar", "warm": "hot"}
THROW_KINDS = tuple(THROW_WORDS)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True)
class Column:
    """One column: ``kind`` is text, number, integer, date or choice; bounds are inclusive.

    ``usual`` is the range outside which a value is more likely a slip, and ``also`` holds pairs
    of a word that is understood too and the choice that it means. ``label`` is what a person reads
    before its value, on pages and in sentences, where that is not the meaning: :attr:`called`.
    """

    name: str
    kind: str
    meaning: str
    unit: str = ""
    lower: float | None = None
    upper: float | None = None
    choices: tuple = ()
    pattern: str | None = None
    pattern_words: str = ""
    required: bool = True
    usual: tuple = ()
    also: tuple = ()
    label: str = ""

    @property
    def called(self):
        return self.label or self.meaning

    @property
    def expected(self):
        """What a cell of this column must hold, in words."""
        if self.kind == "choice":
            return "one of " + ", ".join(self.choices)
        if self.kind == "date":
            return "a date as year-month-day, such as 2026-03-14"
        if self.kind == "text":
            return self.pattern_words or "a text of 1 to 200 characters"
        words = "a whole number" if self.kind == "integer" else "a number with a decimal point"
        if self.lower is not None and self.upper is not None:
            words += f" from {self.lower:g} to {self.upper:g}"
        elif self.lower is not None:
            words += f" of {self.lower:g} or more"
        return words + (f" ({self.unit})" if self.unit else "")

    def check(self, value):
        """A value (text, number, date, or nothing) as it is kept, and what is wrong with it:
        (value, None), or (None, (expected, remedy)) in words. The value is None where none was
        given and none is needed."""
        if is_missing(value):
            return None, (self.expected, "Fill it in.") if self.required else None
        return _CHECKS[self.kind](self, value)

    def doubt(self, value):
        """The question about a value that is more likely a slip; '' where it is usual."""
        if value is None or not self.usual or self.usual[0] <= value <= self.usual[1]:
            return ""
        return f"Is a {self.meaning} of {say_in(value, self.unit)} right?"

    def series(self, values):
        """Checked values as a Series: numbers as float, whole ones as Int64, others as objects."""
        kind, found = _STORED.get(self.kind), pd.Series(list(values), dtype=object)
        return found.astype(kind) if kind else found

    def _wrong(self, remedy="Correct the value."):
        return None, (self.expected, remedy)


def is_missing(value):
    """Whether a cell holds nothing that can be shown.

    >>> is_missing(None), is_missing(float("nan")), is_missing(0), is_missing("")
    (True, True, False, True)
    """
    return not value.strip() if isinstance(value, str) else bool(pd.isna(value))


def _check_number(column, value):
    text = str(value).strip()
    readable = not isinstance(value, (str, bytes, bool)) or _NUMBER.fullmatch(text)
    try:
        number = float(value) if readable else math.nan
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    low, high = (-math.inf if column.lower is None else column.lower,
                 math.inf if column.upper is None else column.upper)
    if math.isfinite(number) and low <= number <= high:
        if column.kind == "number":
            return number, None
        if number == int(number):
            return int(number), None
    if re.fullmatch(r"-?\d+(\.\d{3})*,\d+", text):
        return column._wrong("Write it with a point, as in 9.5, and no thousands separator.")
    if column.unit == "g" and text.endswith("%"):
        return column._wrong("Weigh it or work it out: a percentage is not a weight.")
    if column.unit and re.search(r"\d\s*[A-Za-z%°]", text) and math.isnan(number):
        return column._wrong(f"Give only the number, in {column.unit}, without the unit.")
    return column._wrong("Correct the value" + ("." if column.required else
                                                " or leave it empty."))


def _check_date(column, value):
    day = value.date() if isinstance(value, dt.datetime) else value
    if not isinstance(day, dt.date):
        try:
            text = str(value).strip()
            day = dt.date.fromisoformat(re.fullmatch(r"\d{4}-\d{2}-\d{2}", text)[0])
        except (TypeError, ValueError):
            return column._wrong("Write the year first, then month and day, with dashes.")
    if not EARLIEST <= day <= LATEST:
        return None, (f"a day from {EARLIEST} to {LATEST}", "Check the year.")
    return day, None


def _check_choice(column, value):
    word = {True: "yes", False: "no"}[value] if isinstance(value, bool) else alike(value)
    word = dict(column.also).get(word, word)
    return (word, None) if word in column.choices else column._wrong("Use one of these words.")


def _check_text(column, value):
    text = kept(value)
    lines = column.pattern is None  # a note may have several lines, a name has not
    if signs := unseen(text, lines=lines):
        return None, ("a text of visible characters",
                      f"Type it again: it contains {', '.join(signs)}.")
    fits = re.fullmatch(column.pattern or r"(?s).{1,200}", text) and not isinstance(value, bytes)
    return (text, None) if fits else column._wrong("Correct the text.")


_STORED = {"number": "float64", "integer": "Int64"}
_CHECKS = {
    "number": _check_number, "integer": _check_number, "date": _check_date,
    "choice": _check_choice, "text": _check_text,
}


@dataclass(frozen=True)
class Table:
    """A named set of columns and the columns that make a row unique.

    ``one_of`` names optional columns of which every row must fill one at least, ``rising`` pairs
    of columns whose first value may not lie above the second, and ``mendable`` what can be mended
    of a stored row: what was seen or weighed, not which piece or pour it was.
    """

    name: str
    meaning: str
    columns: tuple
    key: tuple = ()
    one_of: tuple = ()
    rising: tuple = ()
    mendable: tuple = ()

    @cached_property
    def names(self):
        return tuple(c.name for c in self.columns)

    @property
    def required(self):
        return tuple(c.name for c in self.columns if c.required)

    @cached_property
    def codes(self):
        """The columns that hold the blind code of a piece."""
        return tuple(c.name for c in self.columns if c.pattern == TABLES["pieces"]["code"].pattern)

    def falling(self, row):
        """The pairs of ``rising`` whose first value lies above the second in a row."""
        return [(low, high) for low, high in self.rising if row[low] > row[high]]

    def __getitem__(self, name):
        if name not in self.names:
            raise KeyError(f"table {self.name} has no column {name}; it has "
                           + ", ".join(self.names))
        return self.columns[self.names.index(name)]


_LIKE = {"": {}}  # what a column can be like: kinds, and the columns of tables that were read


def tables_beside(module, name):
    """The tables of a TOML file beside a module, by the names that they have there."""
    read, found = table_beside(module, name), {}
    _LIKE.update(read.pop("kinds"))
    for name, data in read.items():
        own, optional = data.pop("columns"), data.pop("optional", {})
        for column in optional.values():
            column["required"] = False
        for key, column in (own | optional).items():
            _LIKE[f"{name}.{key}"] = _LIKE[column.pop("like", "")] | column
        columns = tuple(Column(key, **_frozen(_LIKE[f"{name}.{key}"])) for key in own | optional)
        found[name] = Table(**{"name": name, "columns": columns} | _frozen(data))
    return found


def _frozen(data):
    if isinstance(data, dict):
        return {name: _frozen(value) for name, value in data.items()}
    return tuple(map(_frozen, data)) if isinstance(data, list) else data


TABLES = tables_beside(__file__, "columns.toml")
POURS, PIECES, THROWS, _, WARMINGS, PHOTOS, HEATS, PAIRS, *_ = TABLES.values()
CHECK_G, SCALE_OFF = 100.0, 0.01  # the check weight; a share from which a scale is off
# What is noted of how a pour was made: its temperatures, and how long it was stirred.
WARMTH = tuple(column for column in POURS.columns if column.unit in ("°C", "min"))
IMPORT_TABLES = (POURS, PIECES, THROWS, WARMINGS, PAIRS, HEATS, TABLES["unpoured"])


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a file. ``row`` counts as a spreadsheet does: the header is row 1."""

    file: str
    row: int | None
    column: str
    value: str | None
    expected: str
    remedy: str

    def __str__(self):
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.column:
            place += f", column {self.column}"
        found = f"found {_quoted(self.value)}, " if self.value is not None else ""
        return f"{place}: {found}expected {self.expected}. {self.remedy}"


def _quoted(value):
    value = str(value)
    return (
        "an empty cell" if value == "" else repr(value if len(value) <= 60 else value[:57] + "...")
    )


class DataError(ValueError):
    """Data that cannot be used.

    Parameters
    ----------
    problems : one or more :class:`Problem`, kept as a tuple; ``field``, ``value`` and ``remedy``
        are those of the first.

    >>> problem = Problem("pours.csv", 2, "wax_g", "-5", "a weight", "Weigh again.")
    >>> DataError([problem]).field
    'wax_g'
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        first = self.problems[0]
        self.field, self.value, self.remedy = first.column, first.value, first.remedy
        lines = [str(p) for p in self.problems[:20]]
        if len(self.problems) > 20:
            lines.append(f"... and {len(self.problems) - 20} more problems")
        super().__init__("\n".join(lines))

    def __reduce__(self):  # else a process that meets one breaks the pool that it works for
        return type(self), (self.problems,)


@dataclass
class Findings:
    """Collects problems while a file is read, so that all are shown at once."""

    file: str
    problems: list = field(default_factory=list)

    def add(self, row, column, value, expected, remedy):
        self.problems.append(Problem(self.file, row, column, value, expected, remedy))

    def fail(self, *problem):
        """Add a problem that ends the reading, and raise :class:`DataError` with all of them."""
        self.add(*problem)
        self.stop()

    def stop(self):
        """Raise :class:`DataError` if anything was found."""
        if self.problems:
            raise DataError(self.problems)


def check_row(table, row):
    """A row as the store keeps it, or a :class:`DataError` with every problem.

    ``row`` is a mapping of column names to values (numbers, text, dates, or text of them);
    an absent optional value becomes None.
    """
    findings, clean = Findings(table.name), {}
    for name in (n for n in row if n not in table.names):
        findings.add(None, str(name), str(name), "one of the columns " + ", ".join(table.names),
                     "Rename or delete the column.")
    for column in table.columns:
        value = row.get(column.name)
        clean[column.name], wrong = column.check(value)
        if wrong:
            findings.add(None, column.name, "" if is_missing(value) else str(value), *wrong)
    findings.stop()
    for problem in _row_problems(table, clean):
        findings.add(None, *problem)
    findings.stop()
    return clean


def _row_problems(table, row):
    """Column, value, expected and remedy of what is wrong between the cells of a checked row."""
    if table.one_of and all(is_missing(row[n]) for n in table.one_of):
        names = " or ".join(table.one_of)
        yield (table.one_of[0], "", f"a value in {names}",
               f"Give {names}, or both, or remove the row.")
    for low, high in table.falling(row):
        yield (low, f"{row[low]:g}", f"at most {high}, which is {row[high]:g}",
               "Check both: they may be swapped.")


def parse_table(text, table, file, rows=None, *, may_be_empty=False):
    """Turn a frame of text cells into a typed frame with all columns of the table, or raise a
    DataError with everything that is wrong.

    ``file`` is the file's name for the messages, and ``rows`` the number of each row as a
    spreadsheet shows it; 2, 3, ... when absent. Numbers are floats, whole ones ``Int64``, dates
    ``datetime.date``; absent optional cells are missing.
    """
    findings = Findings(file)
    rows = range(2, len(text) + 2) if rows is None else rows
    text = text.rename(columns=lambda c: str(c).strip())
    _check_header(list(text.columns), table, findings)
    findings.stop()
    if text.empty and not may_be_empty:
        findings.add(None, "", None, f"at least one row of {table.name}", "Add the rows.")
    typed = {}
    for column in table.columns:
        cells = text[column.name] if column.name in text else pd.Series("", index=text.index)
        cells = [str(cell).strip() for cell in cells.fillna("")]
        checked = {cell: column.check(cell) for cell in set(cells)}
        typed[column.name] = column.series(checked[cell][0] for cell in cells)
        for row, cell in zip(rows, cells, strict=True):
            if checked[cell][1]:
                findings.add(row, column.name, cell, *checked[cell][1])
    frame = pd.DataFrame(typed)
    if not findings.problems:
        _check_rows(frame, rows, table, findings)
    findings.stop()
    return frame


def _check_header(names, table, findings):
    for name in sorted({n for n in names if names.count(n) > 1}):
        findings.add(1, name, name, "each column once", "Delete or rename one of the two columns.")
    for name in (n for n in table.required if n not in names):
        findings.add(1, name, None, f"a column {name} ({table[name].meaning})",
                     "Add the column; the header row must have the exact names.")
    for name in (n for n in names if n not in table.names):
        findings.add(1, name, name, "one of the columns " + ", ".join(table.names),
                     "Rename or delete the column.")


def _check_rows(frame, rows, table, findings):
    """Rows whose cells do not go together, and rows that are there twice."""
    if table.one_of or table.rising:
        for row, cells in zip(rows, frame.to_dict("records"), strict=True):
            for problem in _row_problems(table, cells):
                findings.add(row, *problem)
    if not table.key:
        return
    for i in frame.index[frame.duplicated(list(table.key))]:
        own = frame.loc[i, list(table.key)].dropna()
        values = ", ".join(f"{k} {v}" for k, v in own.items())
        findings.add(
            rows[i], table.key[0], str(own.iloc[0]),
            f"each combination of {', '.join(table.key)} once",
            f"The row repeats {values}: delete it or correct it.",
        )


def csv_text(frame, table):
    """A frame as a CSV file that an import reads and no spreadsheet runs."""
    cells = frame[list(table.names)].astype(object)
    for name in (c.name for c in table.columns if c.kind == "text"):
        cells[name] = [cell if pd.isna(cell) else disarmed(str(cell)) for cell in cells[name]]
    return cells.to_csv(index=False, lineterminator="\r\n")


# Days between a pour and its plan, or all other pours, from which its year is more likely a slip.
YEAR_OFF = dt.timedelta(days=200)
# Points of load off the plan from which a slip is more likely than a pour that went astray.
FAR_OFF = 1.0


def impossible_load(row):
    """Why the weights of a pour cannot be, as (expected, remedy) in words; None when they can.

    >>> impossible_load({"wax_g": 200, "fragrance_g": 18})
    """
    if row.get("wax_g") is None or row.get("fragrance_g") is None:
        return None
    load = load_from_weights(row["fragrance_g"], row["wax_g"])
    if load <= MOST_LOAD_PCT:
        return None
    # Thousands taken for decimals make a load of thousands of percent.
    point = "" if load <= 1000 else (
        " A point is a decimal point unless you choose the decimal comma: write 1250, not 1.250."
    )
    return (
        f"a load of at most {MOST_LOAD_PCT:g} % of wax, and with {say_weighed(row['wax_g'])} of "
        f"wax this is {load:.1f} %",
        f"Look for a slipped decimal point in fragrance_g or wax_g.{point}",
    )


def check_clock(today):
    """The remedy for a day that has not come yet."""
    return f"Correct it, or this computer's clock, which says that today is {today}."

"""The columns: each named once, with its meaning, unit and range.

Forms, file import, database constraints, exports and reports all read the tables of this module.
:func:`parse_table` is the border: text goes in, a typed frame comes out, or a
:class:`DataError` that lists every problem with file, row, column, value and remedy.
"""

import datetime as dt
import re
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from scentlab.text import alike, kept, unseen

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
STRESSES = ("rest", "heat")
EARLIEST, LATEST = dt.date(2000, 1, 1), dt.date(2099, 12, 31)  # days that a record may tell of
MOST_LOAD_PCT = 40.0  # % of wax; beyond it nothing is planned, and a weight is a slip
THROW_KINDS = ("cold", "warm")
TESTS = ("sweat", "frost", "throw", "reserve", "bleed")
YES_NO = ("yes", "no")


WHICHEVER = "whichever it is"
SEEN = "a text of signs that can be seen"


@dataclass(frozen=True)
class Column:
    """One column: ``kind`` is text, number, integer, date or choice; bounds are inclusive."""

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

    @property
    def free(self):
        """Whether it is free text, which may have several lines, and no name."""
        return self.pattern is None or self.pattern.startswith("(?s)")

    def unfit(self, text):
        """What is wrong with a text for this column: (expected, remedy), or None."""
        signs = unseen(text, lines=self.free)
        if signs:
            return SEEN, f"Type it anew: it holds {', '.join(signs)}."
        if re.fullmatch(self.pattern or r"(?s).{1,200}", text):
            return None
        return self.expected, "Correct the text."


@dataclass(frozen=True)
class Table:
    """A named set of columns and the columns that make a row unique.

    ``one_of`` names optional columns of which every row must fill one at least.
    """

    name: str
    meaning: str
    columns: tuple
    key: tuple = ()
    one_of: tuple = ()

    @cached_property
    def names(self):
        return tuple(c.name for c in self.columns)

    @property
    def required(self):
        return tuple(c.name for c in self.columns if c.required)

    def __getitem__(self, name):
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"table {self.name} has no column {name}; it has {', '.join(self.names)}")


_CODE = dict(pattern=r"[0-9]{3}", pattern_words="a blind code of three digits, such as 417")
_ID = dict(
    pattern=r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}",
    pattern_words="a short name of letters, digits, dot, dash or underscore, such as P01-3",
)
_ASSESSOR = dict(
    pattern=r"[A-Za-z][0-9]{1,3}", pattern_words="an assessor's code, never a name, such as A1"
)
_NAME = dict(pattern=r"\S(.{0,78}\S)?", pattern_words="a name of 1 to 80 characters")

POURS = Table(
    "pours",
    "one row per pour: one load drawn from one pot of one blend",
    (
        Column("pour", "text", "the pour's own name", **_ID),
        Column("pot", "text", "the melt that it was drawn from", **_ID),
        Column("blend", "text", "the wax blend in that pot", **_NAME),
        Column("poured_on", "date", "day of pouring"),
        Column("wax_g", "number", "wax weighed into this pour", "g", 1.0, 100000.0),
        Column("fragrance_g", "number", "fragrance weighed into this pour", "g", 0.0, 40000.0),
        Column(
            "add_temp_c",
            "number",
            "wax temperature when the fragrance went in",
            "°C",
            20.0,
            150.0,
            required=False,
        ),
        Column(
            "pour_temp_c",
            "number",
            "wax temperature when it was poured",
            "°C",
            20.0,
            150.0,
            required=False,
        ),
        Column("stir_min", "number", "minutes of stirring", "min", 0.0, 120.0, required=False),
        Column("room_temp_c", "number", "room temperature", "°C", -10.0, 50.0, required=False),
        Column(
            "limit_load_pct",
            "number",
            "wax maker's highest load for the blend",
            "g per 100 g of wax",
            0.1,
            40.0,
            required=False,
        ),
        Column(
            "limit_content_pct",
            "number",
            "regulatory limit of the fragrance",
            "g in 100 g of finished product",
            0.01,
            100.0,
            required=False,
        ),
        Column("note", "text", "anything that was seen", required=False),
    ),
    key=("pour",),
)

PIECES = Table(
    "pieces",
    "one row per look at a piece; a piece that is only smelt has one row with both grades empty",
    (
        Column("code", "text", "the piece's blind code", **_CODE),
        Column("pour", "text", "the pour it was cast from", **_ID),
        Column(
            "stress",
            "choice",
            "rest: kept at room temperature; heat: after the warm cycle",
            choices=STRESSES,
            required=False,
        ),
        Column(
            "age_days",
            "number",
            "age at the look",
            "days since pouring",
            0.0,
            3650.0,
            required=False,
        ),
        Column("assessor", "text", "who looked", required=False, **_ASSESSOR),
        Column("sweat_grade", "integer", "0 dry ... 4 pooled", "sweat grade", 0, 4, required=False),
        Column(
            "frost_grade",
            "integer",
            "0 none ... 4 over half of the face",
            "frost grade",
            0,
            4,
            required=False,
        ),
    ),
    key=("code", "stress", "age_days", "assessor"),
)

THROWS = Table(
    "throws",
    "one row per throw score: one assessor, one piece, one sitting",
    (
        Column("code", "text", "the piece's blind code", **_CODE),
        Column("assessor", "text", "who smelt", **_ASSESSOR),
        Column("sitting", "text", "the panel session", **_ID),
        Column("kind", "choice", "cold: unheated piece; warm: on the warmer", choices=THROW_KINDS),
        Column("throw", "number", "0 nothing ... 10 overpowering", "throw, 0 to 10", 0.0, 10.0),
        Column(
            "minutes",
            "number",
            "time on the warmer before the score",
            "min",
            0.0,
            1440.0,
            required=False,
        ),
        Column(
            "position",
            "integer",
            "place in this assessor's order",
            "1, 2, ...",
            1,
            200,
            required=False,
        ),
        Column(
            "works_with_fragrance",
            "choice",
            "the assessor handles this fragrance daily",
            choices=YES_NO,
            required=False,
        ),
    ),
    key=("code", "assessor", "sitting", "kind", "minutes"),
)

BLEEDS = Table(
    "bleeds",
    "one row per weighed blotter: the oil that it took up",
    (
        PIECES["code"],
        Column("bleed_mg", "number", "oil taken up by the blotter", "mg", 0.0, 100000.0),
        Column("hours", "number", "time on the blotter", "h", 0.01, 10000.0),
        Column("temp_c", "number", "temperature of the piece", "°C", -10.0, 90.0),
    ),
    key=("code", "hours", "temp_c"),
)

WARMINGS = Table(
    "warmings",
    "one row per check of a piece left on the warmer: weighed, smelt, or both",
    (
        PIECES["code"],
        Column("hours", "number", "time on the warmer", "h", 0.0, 2000.0),
        Column("weight_g", "number", "weight of the piece", "g", 0.01, 10000.0, required=False),
        Column("assessor", "text", "who smelt", required=False, **_ASSESSOR),
        Column(
            "throw", "number", "0 nothing ... 10 overpowering", "throw, 0 to 10", 0.0, 10.0,
            required=False,
        ),
    ),
    key=("code", "hours", "assessor"),
    one_of=("weight_g", "throw"),
)

IMPORT_TABLES = (POURS, PIECES, THROWS, WARMINGS)


@dataclass(frozen=True)
class Problem:
    """One thing wrong in a file. ``row`` counts as a spreadsheet does: the header is row 1."""

    file: str
    row: int | None
    column: str
    value: str
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


class DataError(ValueError):
    """Data that cannot be used. ``problems`` holds every :class:`Problem` that was found."""

    def __init__(self, problems):
        self.problems = tuple(problems)
        lines = [str(p) for p in self.problems[:20]]
        if len(self.problems) > 20:
            lines.append(f"... and {len(self.problems) - 20} more problems")
        super().__init__("\n".join(lines))


@dataclass
class Findings:
    """Collects problems while a file is read, so that all are told at once."""

    file: str
    problems: list = field(default_factory=list)

    def add(self, row, column, value, expected, remedy):
        self.problems.append(Problem(self.file, row, column, value, expected, remedy))

    def stop(self):
        """Raise :class:`DataError` if anything was found."""
        if self.problems:
            raise DataError(self.problems)


def parse_table(text, table, file):
    """Turn a frame of text cells into a typed frame, or tell everything that is wrong.

    Parameters
    ----------
    text : DataFrame of str, one column per header of the file, empty cells as ''.
    table : Table to check against.
    file : str, the file's name for the messages.

    Returns
    -------
    DataFrame with all columns of the table in its order: numbers as float, whole numbers as
    ``Int64``, dates as ``datetime.date``, absent optional cells as missing.

    Raises
    ------
    DataError with every problem found.
    """
    findings = Findings(file)
    text = text.rename(columns=lambda c: str(c).strip())
    _check_header(text, table, findings)
    findings.stop()
    if text.empty:
        findings.add(None, "", None, f"at least one row of {table.name}", "Add the rows.")
    typed = {}
    for column in table.columns:
        if column.name in text:
            cells = text[column.name].fillna("").astype(str).str.strip()
        else:
            cells = pd.Series("", index=text.index)
        typed[column.name] = _parse_column(cells, column, findings)
    frame = pd.DataFrame(typed, index=text.index).reset_index(drop=True)
    if not findings.problems:
        _check_one_of(frame, table, findings)
        _check_key(frame, table, findings)
    findings.stop()
    return frame


def _check_header(text, table, findings):
    repeated = sorted({c for c in text.columns if list(text.columns).count(c) > 1})
    for name in repeated:
        findings.add(1, name, name, "each column once", "Delete or rename one of the two columns.")
    for name in table.required:
        if name not in text.columns:
            findings.add(
                1,
                name,
                None,
                f"a column {name} ({table[name].meaning})",
                "Add the column; the header row must hold the exact names.",
            )
    for name in text.columns:
        if name not in table.names:
            findings.add(
                1,
                name,
                name,
                "one of the columns " + ", ".join(table.names),
                "Rename or delete the column.",
            )


def _parse_column(cells, column, findings):
    empty = cells == ""
    if column.required:
        for i in cells.index[empty]:
            findings.add(_row(cells, i), column.name, "", column.expected, "Fill in the cell.")
    parse = {
        "number": _parse_number,
        "integer": _parse_number,
        "date": _parse_dates,
        "choice": _parse_choice,
        "text": _parse_text,
    }[column.kind]
    return parse(cells, empty, column, findings)


def _parse_number(cells, empty, column, findings):
    values = pd.to_numeric(cells.where(~empty), errors="coerce").astype(float)
    bad = ~empty & (values.isna() | values.abs().eq(float("inf")))
    if column.lower is not None:
        bad |= values < column.lower
    if column.upper is not None:
        bad |= values > column.upper
    if column.kind == "integer":
        bad |= values.notna() & (values % 1 != 0)
    for i in cells.index[bad]:
        remedy = "Correct the value" + ("." if column.required else " or leave the cell empty.")
        if re.fullmatch(r"-?\d+,\d+", cells[i]):
            remedy = with_a_point(cells[i])
        elif column.unit and re.search(r"\d\s*[A-Za-z%°]", cells[i]):
            remedy = f"Give the number alone, in {column.unit}, without its unit."
        findings.add(_row(cells, i), column.name, cells[i], column.expected, remedy)
    values = values.mask(bad)
    return values.round().astype("Int64") if column.kind == "integer" else values


def with_a_point(text):
    """How a number with a comma is written, which may be a decimal one or part thousands.

    >>> with_a_point("9,5"), with_a_point("1,200")
    ('Write 9.5, with a point.', 'Write 1200 or 1.2, whichever it is.')
    """
    if re.fullmatch(r"-?[1-9]\d{0,2},\d{3}", text):
        return f"Write {text.replace(',', '')} or {float(text.replace(',', '.')):g}, {WHICHEVER}."
    return f"Write {text.replace(',', '.')}, with a point."


def _parse_dates(cells, empty, column, findings):
    parsed = []
    for i, cell in cells.items():
        if empty[i]:
            parsed.append(None)
            continue
        try:
            if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", cell):
                raise ValueError
            parsed.append(dt.date.fromisoformat(cell))
            if not EARLIEST <= parsed[-1] <= LATEST:
                findings.add(_row(cells, i), column.name, cell, *plausible_day())
        except ValueError:
            parsed.append(None)
            findings.add(
                _row(cells, i),
                column.name,
                cell,
                column.expected,
                "Write the year first, then month and day, with dashes.",
            )
    return pd.Series(parsed, index=cells.index, dtype=object)


def plausible_day():
    """What a day must be, whatever its form, and the remedy, in words."""
    return f"a day from {EARLIEST} to {LATEST}", "Look at the year."


def _parse_choice(cells, empty, column, findings):
    folded = cells.map(alike)
    bad = ~empty & ~folded.isin(column.choices)
    for i in cells.index[bad]:
        findings.add(
            _row(cells, i), column.name, cells[i], column.expected, "Use one of these words."
        )
    return folded.where(~empty & ~bad, None).astype(object)


def _parse_text(cells, empty, column, findings):
    cells = cells.map(kept)
    for i, cell in cells[~empty].items():
        unfit = column.unfit(cell)
        if unfit:
            findings.add(_row(cells, i), column.name, cell, *unfit)
    return cells.where(~empty, None).astype(object)


def one_of_words(table):
    """What a row must fill one of, and the remedy, in words."""
    names = " or ".join(table.one_of)
    return f"a value in {names}", f"Give {names}, or both, or leave the row out."


def _check_one_of(frame, table, findings):
    if table.one_of:
        for i in frame.index[frame[list(table.one_of)].isna().all(axis=1)]:
            findings.add(i + 2, table.one_of[0], "", *one_of_words(table))


def _check_key(frame, table, findings):
    if not table.key:
        return
    repeated = frame.duplicated(list(table.key), keep="first")
    for i in frame.index[repeated]:
        values = ", ".join(
            f"{k} {frame.at[i, k]}" for k in table.key if not pd.isna(frame.at[i, k])
        )
        findings.add(
            i + 2,
            table.key[0],
            str(frame.at[i, table.key[0]]),
            f"each combination of {', '.join(table.key)} once",
            f"The row repeats {values}: delete it or correct what differs.",
        )


def _row(cells, label):
    return int(cells.index.get_loc(label)) + 2


def _quoted(value):
    value = str(value)
    return (
        "an empty cell" if value == "" else repr(value if len(value) <= 60 else value[:57] + "...")
    )

"""What is wrong with files that are in order one by one: against each other, plan and record.

Every check yields a problem for each row; many of one kind are said once.
"""

import datetime as dt
import re
from dataclasses import replace

import numpy as np
import pandas as pd

from scentlab.recording.kept_plan import kept_plan
from scentlab.recording.pouring import FAR_OFF_C, known, planned_day
from scentlab.recording.reading import LIMITS, read_series
from scentlab.recording.records import GRADES, RECORDS
from scentlab.recording.store import NAMED
from scentlab.schema import (
    FAR_OFF,
    GRADE_WORDS,
    MOST_LOAD_PCT,
    ONE_DAY,
    TABLES,
    THROWS,
    YEAR_OFF,
    DataError,
    Problem,
    check_clock,
    impossible_load,
    parse_table,
)
from scentlab.series import rule_of
from scentlab.text import alike, gathered, kept, spelling
from scentlab.units import load_from_weights

TRULY = "Correct it. If it really is so, import it with --beyond-plan, or tick that in the form."

# What a spreadsheet or its owner writes where there is nothing, error values among it.
_NO_NAME = re.compile(r"[-–—?.]+|n/?a|#[A-Z/0]+[!?]?", re.IGNORECASE)
_SHOWN = 12  # rows of one kind of problem that are named
_NO_CELLS = pd.Series(dtype=object)


def check_sheets(sheets, store=None, problems=(), *, today=None, beyond_plan=False):
    """Typed frames of sheets of text, checked one by one, against each other and the store, without
    the rows that are stored already, and the number of these.

    ``today`` is the machine's day when absent. With ``beyond_plan`` pours, pieces, assessors and
    sittings need not be in the kept plan.
    Raises DataError with every problem, after the ``problems`` that were known before.
    """
    problems, plan = list(problems), kept_plan(store)
    sheets = _one_spelling(sheets, store)
    if plan is not None and "pieces" in sheets:
        sheets["pieces"] = plan.fill_in(sheets["pieces"])
    new = _Import(sheets, store)
    for name, sheet in sheets.items():
        try:
            # An export has its files of pieces and of throw scores also before there are any.
            new.frames[name] = parse_table(
                sheet.text, sheet.table, sheet.file, sheet.rows,
                may_be_empty=name != "pours" and len(sheets) > 1).set_axis(list(sheet.rows))
        except DataError as error:
            problems += _pours_left_open(error.problems, sheet, plan, beyond_plan)
    unplanned = [] if plan is None or beyond_plan else list(plan.beyond(sheets))
    problems += unplanned
    problems += new.across({problem.value for problem in unplanned})
    problems += new.impossible_pours()
    if store is not None and not problems:
        problems += new.stored_already()
        if not beyond_plan:
            problems += [*new.other_minutes(), *new.taken_back()]
    if not beyond_plan:
        problems += [*new.unusual(), *new.off_the_plan()]
    if store is None or not store.about()["invented"]:  # invented days may lie anywhere
        problems += new.days_to_come(today or dt.date.today())
    if problems:
        raise DataError(_said_once(problems))
    return {n: frame.reset_index(drop=True) for n, frame in new.frames.items()}, new.passed


def _said_once(problems):
    """Problems of one kind as the first of them with the rows of the others, where they are many.
    """
    kinds = gathered(((p.file, p.column, p.expected), p) for p in problems)
    for first, *others in kinds.values():
        if len(others) <= 3:
            yield from (first, *others)
            continue
        rows = ", ".join(str(p.row) for p in others[:_SHOWN])
        more = f" and {len(others) - _SHOWN} more" if others[_SHOWN:] else ""
        yield replace(first, remedy=f"{first.remedy} Same in rows {rows}{more}.")


def records(frame):
    """Rows as dicts with None for what is missing."""
    return frame.astype(object).where(frame.notna(), None).to_dict("records")


def grade_rows(looks):
    """Looks (one row, up to two grades) as rows of the table of grades."""
    return records(_grades_of(looks))


def _grades_of(looks):
    """The frame of grades of a frame of looks, a look after the other."""
    grades = pd.concat([looks.assign(test=test, grade=looks[f"{test}_grade"])
                        for test in GRADE_WORDS]).sort_index(kind="stable")
    return grades.loc[grades["grade"].notna(), list(GRADES.names)]


def _one_spelling(sheets, store):
    """The sheets with names that differ only in look spelt in one way: as known, or as first."""
    sheets = dict(sheets)
    for name in NAMED:
        given = {n: [kept(cell) for cell in sheet.cells(name)] for n, sheet in sheets.items()}
        given = {n: cells for n, cells in given.items() if cells}
        known = store.known_names(name) if store is not None and given else []
        spell = spelling(known, [cell for cells in given.values() for cell in cells if cell])
        for n, cells in given.items():
            text = sheets[n].text.assign(**{name: [*map(spell, cells)]})
            sheets[n] = replace(sheets[n], text=text)
    return sheets


def _pours_left_open(problems, sheet, plan, beyond_plan):
    """The problems of a sheet; a pour that the plan cannot fill in is one of an unknown code.

    Such a code is shown itself, unless it may be beyond the plan: then its pour must be given.
    """
    for problem in problems:
        at_pour = sheet.table.name == "pieces" and problem.column == "pour" and problem.value == ""
        if plan is None or "code" not in plan.names or not at_pour:
            yield problem
        elif beyond_plan:
            yield replace(problem, remedy="This code is not in the plan: give its pour.")


class _Import:
    """Sheets, the frames of those that are in order, and the store that they go into, if any.

    Frames and columns of cells have the numbers of their rows in the file as index.
    """

    def __init__(self, sheets, store):
        self.sheets, self.store, self.frames, self.passed = sheets, store, {}, 0
        plan = (store and store.plan()) or {}
        self.planned = {p["pour"]: p for p in plan.get("pours", ())}
        self.heat_c = rule_of(plan, "heat_cycle").get("temp_c", np.nan)

    def stored(self, table, *columns):
        return frozenset() if self.store is None else self.store.distinct(table, columns)

    def cells(self, name, column):
        return self.sheets[name].cells(column) if name in self.sheets else _NO_CELLS

    def frame(self, name):
        """The frame of a table; one without rows when it is not there or not in order."""
        return self.frames.get(name, pd.DataFrame(columns=TABLES[name].names))

    def told(self, name, column, cells, expected, remedy):
        """A problem for each cell of a column."""
        return [Problem(self.sheets[name].file, row, column, _plain(value), expected, remedy)
                for row, value in cells.items()]

    def across(self, unplanned):
        """What is wrong between the files: a code of two pours, unknown pours and codes.

        ``unplanned`` holds names that are shown already, for the kept plan does not have them.
        """
        stored = dict(self.stored("pieces", "code", "pour"))
        origins, codes = dict(stored), self.cells("pieces", "code")
        for (row, code), pour in zip(codes.items(), self.cells("pieces", "pour"), strict=False):
            first = origins.setdefault(code, pour)
            if code and pour and first != pour:
                where = "is stored" if code in stored else "is given above"
                yield from self.told(
                    "pieces", "pour", {row: pour},
                    f"pour {first}, as code {code} {where} is a piece of it",
                    "A code belongs to one pour: correct the pour or the code.")
        if "pours" in self.sheets or self.store is not None:
            yield from self._unknown_pours()
        known = {"", *origins, *codes, *unplanned}
        for name, column in ((n, c) for n in ("throws", "warmings", "pairs")
                             for c in TABLES[n].codes):
            cells = self.cells(name, column)
            yield from self.told(
                name, column, cells[~cells.isin(known)],
                "a code in the file of pieces or the store",
                "Correct the code, or add the piece, or save the plan first.")

    def _unknown_pours(self):
        known, gone = ({*self.cells(n, "pour"), *(pour for (pour,) in self.stored(n, "pour"))}
                       for n in ("pours", "unpoured"))
        pours, codes = self.cells("pieces", "pour"), self.cells("pieces", "code")
        graded = [row for test in GRADE_WORDS
                  for row, grade in self.cells("pieces", f"{test}_grade").items() if grade]
        # A piece of a pour that will not be poured is there, and has no grade.
        lost = pours[~pours.isin({"", *known}) & (~pours.isin(gone) | pours.index.isin(graded))]
        filled = lost.index.isin(self.sheets["pieces"].filled if len(lost) else ())
        yield from self.told(
            "pieces", "pour", lost[~filled], "a pour in the file of pours or the store",
            "Correct the name, add the file of pours, or log the pour first.")
        # Of a pour that the plan filled in the name stays sealed: the code is shown instead.
        yield from self.told(
            "pieces", "code", codes[codes.index.isin(lost.index[filled])],
            "a piece whose pour is logged",
            "Add the file of pours, or log the pours first.")

    def impossible_pours(self):
        """Loads that no wax takes, pots of two blends, and limits that contradict each other."""
        # the first value of a column for a pot or a blend, and where
        said = {("blend", f"pot {pot}"): (blend, "in the store")
                for pot, blend in self.stored("pours", "pot", "blend")}
        for place, row in self._pours():
            if wrong := impossible_load(row):
                yield from self.told("pours", "fragrance_g", {place: row["fragrance_g"]}, *wrong)
            blend = f"blend {row['blend']}"
            for column, of in (("blend", f"pot {row['pot']}"), ("limit_load_pct", blend),
                               ("limit_content_pct", blend)):
                if (value := row[column]) is None:
                    continue
                first, where = said.setdefault((column, of), (value, f"in row {place}"))
                if value != first:
                    yield from self.told(
                        "pours", column, {place: value}, f"{_plain(first)}, that of {of} {where}",
                        "A pot has one blend, and a blend has one limit of each kind: correct it.")

    def _pours(self):
        """Pairs of row number and row of the test batches."""
        pours = self.frame("pours")
        return zip(pours.index, records(pours), strict=True)

    def days_to_come(self, today):
        """Pours, heat cycles and looks on days that have not come; one day is let pass."""
        remedy, latest = check_clock(today), today + ONE_DAY
        for name, day in (("pours", "poured_on"), ("heats", "started_on")):
            days = self.frame(name)[day]
            yield from self.told(name, day, days[days > latest], "a day up to today", remedy)
        pours, looks = self.frame("pours"), self.frame("pieces")
        poured = dict(self.stored("pours", "pour", "poured_on"))
        poured |= dict(zip(pours["pour"], pours["poured_on"], strict=True))
        days = pd.to_datetime(looks["pour"].map(poured)) + pd.to_timedelta(
            looks["age_days"].astype(float) // 1, "D")
        yield from self.told("pieces", "age_days", looks["age_days"][days > pd.Timestamp(latest)],
                             "an age the piece has reached since it was poured", remedy)

    def unusual(self):
        """Numbers and names that can be and are more likely a slip."""
        for name, frame in self.frames.items():
            for column in (c for c in TABLES[name].columns if c.pattern):
                names = frame[column.name].dropna()
                yield from self.told(
                    name, column.name, names[[bool(_NO_NAME.fullmatch(n)) for n in names]],
                    "a name, or an empty cell if allowed", TRULY)
            for column in (c for c in TABLES[name].columns if c.usual):
                values, (low, high) = frame[column.name].dropna(), column.usual
                yield from self.told(
                    name, column.name, values[~values.between(low, high)],
                    f"a {column.meaning} of {low:g} to {high:g} {column.unit}, as is usual", TRULY)

    def off_the_plan(self):
        """Test batches and heat cycles that are far from the planned ones."""
        for place, row in self._pours():
            plan = self.planned.get(row["pour"], {})
            for column, expected, remedy in _off_its_plan(plan, row) if plan else ():
                yield from self.told("pours", column, {place: row[column]}, expected,
                                     f"{remedy}{TRULY}")
        for name in ("low_c", "high_c"):  # more likely the other unit
            degrees = self.frame("heats")[name].astype(float)
            yield from self.told(
                "heats", name, degrees[(degrees - self.heat_c).abs() > FAR_OFF_C],
                f"about {self.heat_c:g} °C, as planned", TRULY)

    def other_minutes(self):
        """Scores of which the minutes alone differ from a stored one: mended, they count twice."""
        key = [n for n in THROWS.key if n != "minutes"] + ["position"]
        there = self.with_stored("throws", key).dropna(subset="position")
        for place, row in _last_of_each(there):
            yield from self.told(
                "throws", "minutes", {place: row["minutes"]},
                f"{_plain(row['minutes_stored']) or 'no'} min, as stored: a piece is smelt "
                "once at each place in a session",
                f"{_say_correct('throws', row['entry_id'], 'minutes=MINUTES')} {TRULY}")

    def taken_back(self):
        """Rows as they were before they were made void or mended: stored again, they would count
        again, or twice."""
        for name in self.frames:
            table = _table_of(name)
            for place, row in _last_of_each(self.with_stored(name, history=True)):
                yield from self.told(
                    name, table.key[0], {place: row[table.key[0]]}, "no row that was voided or "
                    f"corrected (entry {row['entry_id']} of {table.name})",
                    f"Remove the row. {TRULY}")

    def with_stored(self, name, key=None, history=False):
        """The entries of a file that are stored, with what is stored beside (``grade_stored``);
        of the rows that stand, or with ``history`` of all that ever did."""
        table, entries = _table_of(name), self.frame(name)
        stored = self.store.rows(table.name, history)
        if name == "pieces":  # looks have the stress of their piece where they were given none
            of_piece = dict(self.store.distinct("pieces", ("code", "stress")))
            stored["stress"] = stored["stress"].fillna(stored["code"].map(of_piece))
            entries = _grades_of(entries)
        found = entries.rename_axis("row").reset_index().merge(
            stored, on=key or list(table.key), suffixes=("", "_stored"))
        return found.set_index("row").sort_index(kind="stable")

    def stored_already(self):
        """Take out what is stored already, which nothing more is asked about; a problem for what
        differs from that."""
        pieces = [code for (code,) in self.stored("pieces", "code")]
        for name, frame in self.frames.items():
            there = self.with_stored(name)
            yield from sorted(self._differences(name, there), key=lambda problem: problem.row)
            new = ~frame.index.isin(there.index)
            if name == "pieces":  # one of the two grades of a look may be new
                grades = [f"{test}_grade" for test in GRADE_WORDS]
                ungraded = frame[grades].isna().all(axis=1) & ~frame["code"].isin(pieces)
                frame = frame.copy()
                for test, heading in zip(GRADE_WORDS, grades, strict=True):
                    frame.loc[there.index[there["test"] == test], heading] = pd.NA
                new = ungraded | frame[grades].notna().any(axis=1)
            self.frames[name] = frame[new]
            self.passed += len(frame) - int(new.sum())

    def _differences(self, name, there):
        """What rows say otherwise than the stored ones; an export writes the limits that hold."""
        table = _table_of(name)
        for column in (c for c in table.mendable if c not in table.key):
            own, old = f"{column}", f"{column}_stored"
            other = there[own].notna() & ~there[own].eq(there[old]).fillna(False)
            if column in LIMITS and other.any():
                held = read_series(self.store).blends.set_index("blend")[column]
                other &= there[own] != there["blend_stored"].map(held)
            for place, row in there[other].iterrows():
                heading = f"{row['test']}_grade" if name == "pieces" else column
                change = f'{column}="{_plain(row[own])}"'
                yield from self.told(
                    name, heading, {place: row[own]},
                    f"{_plain(row[old]) or 'an empty cell'}, as is stored",
                    _say_correct(table.name, row["entry_id"], change))


def _off_its_plan(plan, row):
    """Column, what was expected, and more of the remedy, where a test batch is not as planned."""
    day, wax, load = planned_day(plan), known(plan, "wax_g"), known(plan, "load_pct")
    if day and abs(row["poured_on"] - day) > YEAR_OFF:
        yield ("poured_on", f"a day within {YEAR_OFF.days} days of {day}, as planned",
               "Check the year. ")
    # Another wax; or a lot, which in most files is that of the wax or oil, and nobody checks it.
    blend, lot = plan.get("blend"), plan.get("lot") or ""
    if blend and alike(blend) != alike(row["blend"]):
        yield "blend", f"{blend}, as planned", ""
    if row["lot"] and alike(lot) != alike(row["lot"]):
        yield ("lot", f"{lot or 'no lot to check'}, as planned",
               "Leave the cell empty or remove the column. ")
    weighed = load_from_weights(row["fragrance_g"], row["wax_g"])
    if load is not None and FAR_OFF + 1e-9 < abs(weighed - load) and weighed <= MOST_LOAD_PCT:
        yield ("fragrance_g", f"about {load / 100.0 * row['wax_g']:.3g} g, as {load:.4g} % of wax "
               f"is planned and with {row['wax_g']:g} g of wax this is {weighed:.2f} %", "")
    if wax and not wax / 2 <= row["wax_g"] <= 2 * wax:
        yield "wax_g", f"about {wax:.4g} g, as planned", ""


def _last_of_each(there):
    """Row number and row of each row of a file, beside the last that is stored of it."""
    return there[~there.index.duplicated(keep="last")].iterrows()


def _table_of(name):
    """The table that the entries of a file go to."""
    return GRADES if name == "pieces" else RECORDS[name]


def _say_correct(table, entry, change):
    return ("Remove the row, and correct the stored one on the page or with scentlab correct "
            f"FOLDER {table} {entry} {change} --reason TEXT.")


def _plain(value):
    """A value as a file shows it; '' for none."""
    return "" if pd.isna(value) else f"{value:g}" if isinstance(value, float) else str(value)

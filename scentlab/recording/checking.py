"""What is wrong with files that are in order one by one: against each other, plan and record.

Every check yields a problem for each row; many of one kind are said once.
"""

import datetime as dt
import functools
import itertools
import re
from dataclasses import replace

from scentlab.recording.kept_plan import kept_plan
from scentlab.recording.pouring import FAR_OFF_C, known, planned_day
from scentlab.recording.reading import LIMITS, read_series
from scentlab.recording.records import RECORDS
from scentlab.recording.store import NAMED
from scentlab.schema import (
    FAR_OFF,
    MOST_LOAD_PCT,
    ONE_DAY,
    YEAR_OFF,
    DataError,
    Problem,
    check_clock,
    impossible_load,
    parse_table,
)
from scentlab.text import alike, gathered, kept, spelling
from scentlab.units import load_from_weights

TRULY = "Correct it; where it is truly so, import it with --beyond-plan, or tick that in the form."

# What a spreadsheet or its owner writes where there is nothing, error values among it.
_NO_NAME = re.compile(r"[-–—?.]+|n/?a|#[A-Z/0]+[!?]?", re.IGNORECASE)
_SHOWN = 12  # rows of one kind of problem that are named


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
        sheets = {**sheets, "pieces": plan.fill_in(sheets["pieces"])}
    new = _Import(sheets, store)
    for name, sheet in sheets.items():
        try:
            # An export has its files of pieces and of throw scores also before there are any.
            new.frames[name] = parse_table(sheet.text, sheet.table, sheet.file, sheet.rows,
                                           may_be_empty=name != "pours" and len(sheets) > 1)
        except DataError as error:
            problems += _pours_left_open(error.problems, sheet, plan, beyond_plan)
    unplanned = [] if plan is None or beyond_plan else list(plan.beyond(sheets))
    problems += unplanned
    problems += new.across({problem.value for problem in unplanned})
    problems += new.impossible_pours()
    if store is not None and not problems:
        problems += new.stored_already()
    if not beyond_plan:
        problems += [*new.unusual(), *new.other_years(), *new.other_names(), *new.other_weights(),
                     *new.other_heats(), *new.other_minutes(), *new.taken_back()]
    if store is None or not store.about()["invented"]:  # invented days may lie anywhere
        problems += new.days_to_come(today or dt.date.today())
    if problems:
        raise DataError(_said_once(problems))
    return new.frames, new.passed


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
        yield replace(first, remedy=f"{first.remedy} It is the same in rows {rows}{more}.")


def records(frame):
    """Rows as dicts with None for what is missing."""
    return frame.astype(object).where(frame.notna(), None).to_dict("records")


def grade_rows(looks):
    """Looks (one row, up to two grades) as rows of the table of grades."""
    return [grade for row in records(looks) for grade in _grades_of(row)]


def _grades_of(row):
    shared = {k: row[k] for k in ("code", "stress", "age_days", "assessor")}
    return [{**shared, "test": test, "grade": row[f"{test}_grade"]}
            for test in ("sweat", "frost") if row[f"{test}_grade"] is not None]


def _one_spelling(sheets, store):
    """The sheets with names that differ only in look spelt in one way: as known, or as first."""
    for name in NAMED:
        holders = [n for n, sheet in sheets.items() if sheet.cells(name)]
        known = [] if store is None or not holders else store.known_names(name)
        given = [kept(cell) for n in holders for _, cell in sheets[n].cells(name)]
        spell = spelling(known, list(filter(None, given)))
        for n in holders:
            cells = [spell(kept(cell)) for cell in sheets[n].text[name]]
            sheets = {**sheets, n: replace(sheets[n], text=sheets[n].text.assign(**{name: cells}))}
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
            yield replace(problem, remedy="The plan does not know this code: give its pour.")


class _Import:
    """Sheets, the frames of those that are in order, and the store that they go into, if any."""

    def __init__(self, sheets, store):
        self.sheets, self.store, self.frames, self.passed = dict(sheets), store, {}, 0
        plan = (store and store.plan()) or {}
        self.planned = {p["pour"]: p for p in plan.get("pours", ())}
        self.heat_c = plan.get("rules", {}).get("heat_cycle", {}).get("temp_c")

    def stored(self, table, *columns):
        return frozenset() if self.store is None else self.store.distinct(table, columns)

    def cells(self, name, column):
        return self.sheets[name].cells(column) if name in self.sheets else []

    def rows(self, name):
        """Pairs of row number and row of a table; none when it is not there or not in order."""
        found = records(self.frames[name]) if name in self.frames else ()
        return list(zip(self.sheets[name].rows, found, strict=True)) if found else []

    def entries(self, name):
        """Triples of row number, row, and the entries that it makes, each with its key."""
        for place, row in self.rows(name):
            ones = _grades_of(row) if name == "pieces" else [row]
            yield place, row, [(tuple(one[k] for k in _table_of(name).key), one) for one in ones]

    def told(self, name, column, places, expected, remedy):
        """A problem for each (row, value) of a column."""
        return [Problem(self.sheets[name].file, row, column, value, expected, remedy)
                for row, value in places]

    def across(self, unplanned):
        """What is wrong between the files: a code of two pours, unknown pours and codes.

        ``unplanned`` holds names that are shown already, for the kept plan does not have them.
        """
        stored = dict(self.stored("pieces", "code", "pour"))
        origins, codes = dict(stored), self.cells("pieces", "code")
        for (row, code), (_, pour) in zip(codes, self.cells("pieces", "pour"), strict=False):
            first = origins.setdefault(code, pour)
            if code and pour and first != pour:
                where = "is stored" if code in stored else "is given above"
                yield from self.told(
                    "pieces", "pour", [(row, pour)],
                    f"pour {first}, for code {code} {where} as a piece of it",
                    "A code belongs to one pour: correct the pour or the code.")
        if "pours" in self.sheets or self.store is not None:
            yield from self._unknown_pours()
        known = set(origins) | {code for _, code in codes} | unplanned
        for name in (n for n in self.sheets if n in ("throws", "warmings", "pairs")):
            for column in self.sheets[name].table.codes:
                lost = [(row, code) for row, code in self.cells(name, column)
                        if code and code not in known]
                yield from self.told(
                    name, column, lost, "a code that the file of pieces or the store holds",
                    "Correct the code, or add the piece, or save the plan first.")

    def _unknown_pours(self):
        known = {pour for _, pour in self.cells("pours", "pour")}
        known |= {pour for (pour,) in self.stored("pours", "pour")}
        # A piece of a pour that will not be poured is there, and has no grade.
        gone = {pour for _, pour in self.cells("unpoured", "pour")}
        gone |= {pour for (pour,) in self.stored("unpoured", "pour")}
        graded = {row for name in ("sweat_grade", "frost_grade")
                  for row, grade in self.cells("pieces", name) if grade}
        lost = [(row, pour) for row, pour in self.cells("pieces", "pour")
                if pour and pour not in known and (pour not in gone or row in graded)]
        filled = self.sheets["pieces"].filled if lost else ()
        yield from self.told(
            "pieces", "pour", [place for place in lost if place[0] not in filled],
            "a pour that the file of pours or the store holds",
            "Correct the name, or give the file of pours as well, or log the pour first.")
        # Of a pour that the plan filled in the name stays sealed: the code is shown instead.
        sealed = {row for row, _ in lost if row in filled}
        yield from self.told(
            "pieces", "code", [at for at in self.cells("pieces", "code") if at[0] in sealed],
            "a piece whose pour is logged",
            "Give the file of pours as well, or log the pours first.")

    def impossible_pours(self):
        """Loads that no wax takes, pots of two blends, and limits that contradict each other."""
        # the first value of a column for a pot or a blend, and where
        said = {("blend", f"pot {pot}"): (blend, "in the store")
                for pot, blend in self.stored("pours", "pot", "blend")}
        for place, row in self.rows("pours"):
            if wrong := impossible_load(row):
                yield from self.told("pours", "fragrance_g", [(place, f"{row['fragrance_g']:g}")],
                                     *wrong)
            blend = f"blend {row['blend']}"
            for column, of in (("blend", f"pot {row['pot']}"), ("limit_load_pct", blend),
                               ("limit_content_pct", blend)):
                if (value := row[column]) is None:
                    continue
                first, where = said.setdefault((column, of), (value, f"in row {place}"))
                if value != first:
                    yield from self.told(
                        "pours", column, [(place, _plain(value))],
                        f"{_plain(first)}, that of {of} {where}",
                        "A pot has one blend and a blend one limit of a kind: correct it.")

    def days_to_come(self, today):
        """Pours, heat cycles and looks on days that have not come; one day is let pass."""
        remedy, latest = check_clock(today), today + ONE_DAY
        for name, day in (("pours", "poured_on"), ("heats", "started_on")):
            late = [(place, str(row[day])) for place, row in self.rows(name) if row[day] > latest]
            yield from self.told(name, day, late, "a day that has come", remedy)
        poured = dict(self.stored("pours", "pour", "poured_on"))
        poured |= {row["pour"]: row["poured_on"] for _, row in self.rows("pours")}
        late = [(place, f"{row['age_days']:g}") for place, row in self.rows("pieces")
                if None not in (row["age_days"], poured.get(row["pour"]))
                and poured[row["pour"]] + dt.timedelta(days=row["age_days"]) > latest]
        yield from self.told("pieces", "age_days", late, "an age that the piece has reached since "
                              "its day of pouring", remedy)

    def unusual(self):
        """Numbers and names that can be and are more likely a slip."""
        for name, sheet in self.sheets.items():
            for column in (c.name for c in sheet.table.columns if c.pattern):
                yield from self.told(name, column, [
                    (place, row[column]) for place, row in self.rows(name)
                    if _NO_NAME.fullmatch(row[column] or "")], "a name, or an empty cell where "
                    "one may be", TRULY)
            for column in (c for c in sheet.table.columns if c.usual):
                low, high = column.usual
                odd = [(place, f"{row[column.name]:g}") for place, row in self.rows(name)
                       if column.doubt(row[column.name])]
                usual = f"a {column.meaning} of {low:g} to {high:g} {column.unit}, as is usual"
                yield from self.told(name, column.name, odd, usual, TRULY)

    def other_years(self):
        """Days of pouring so far from the planned ones that the year is a slip."""
        for place, row in self.rows("pours"):
            meant, day = planned_day(self.planned.get(row["pour"])), row["poured_on"]
            if meant and abs(day - meant) > YEAR_OFF:
                yield from self.told("pours", "poured_on", [(place, str(day))],
                                     f"a day within {YEAR_OFF.days} days of {meant}, as planned",
                                     f"Look at the year. {TRULY}")

    def other_names(self):
        """Planned test batches that went into another wax, or bear a lot: in most files it is that
        of the wax or oil, and nobody checks it."""
        for place, row in self.rows("pours"):
            plan = self.planned.get(row["pour"], {})
            meant, lot = plan.get("blend"), plan.get("lot") or ""
            if meant and alike(meant) != alike(row["blend"]):
                yield from self.told("pours", "blend", [(place, row["blend"])],
                                     f"{meant}, as planned", TRULY)
            if plan and row["lot"] and alike(lot) != alike(row["lot"]):
                yield from self.told("pours", "lot", [(place, row["lot"])],
                                     f"{lot or 'no lot to check'}, as planned",
                                     f"Leave the cell empty, or the column out. {TRULY}")

    def other_weights(self):
        """Weights that are far from the planned load, or the planned wax."""
        for place, row in self.rows("pours"):
            plan, wax = self.planned.get(row["pour"], {}), row["wax_g"]
            load, meant = load_from_weights(row["fragrance_g"], wax), known(plan, "load_pct")
            if meant is not None and FAR_OFF + 1e-9 < abs(load - meant) and load <= MOST_LOAD_PCT:
                yield from self.told(
                    "pours", "fragrance_g", [(place, f"{row['fragrance_g']:g}")],
                    f"about {meant / 100.0 * wax:.3g} g, for {meant:.4g} % of wax is planned and "
                    f"with {wax:g} g of wax this is {load:.2f} %", TRULY)
            planned = known(plan, "wax_g")
            if planned and not planned / 2 <= wax <= 2 * planned:
                yield from self.told("pours", "wax_g", [(place, f"{wax:g}")],
                                     f"about {planned:.4g} g, as planned", TRULY)

    def other_heats(self):
        """Heat cycles far from the planned temperature: more likely the other unit."""
        for name in ("low_c", "high_c") if self.heat_c else ():
            far = [(place, f"{row[name]:g}") for place, row in self.rows("heats")
                   if abs(row[name] - self.heat_c) > FAR_OFF_C]
            yield from self.told("heats", name, far, f"about {self.heat_c:g} °C, as planned", TRULY)

    def other_minutes(self):
        """Scores of which the minutes alone differ from a stored one: mended, they count twice."""
        of = ("code", "assessor", "sitting", "kind", "position")
        stored = gathered((tuple(one[n] for n in of), one) for one in (
            self.store.records("throws") if self.store and "throws" in self.frames else ()))
        for place, row in self.rows("throws"):
            there = {one["minutes"]: one["entry_id"]
                     for one in stored.get(tuple(row[n] for n in of), ()) if one["position"]}
            if there and row["minutes"] not in there:
                minutes, entry = next(iter(there.items()))
                yield from self.told(
                    "throws", "minutes", [(place, _plain(row["minutes"]) or "")],
                    f"{_plain(minutes) or 'no'} min, as stored: at one place of a session a piece "
                    "is smelt once", f"{_say_correct('throws', entry, 'minutes=MINUTES')} {TRULY}")

    def taken_back(self):
        """Rows as they were before they were made void or mended: stored again, they would count
        again, or twice."""
        for name in self.frames if self.store else ():
            table = _table_of(name)
            stand, once = (_by_key(self.store, table, history) for history in (False, True))
            back = [(place, key) for place, _, entries in self.entries(name) for key, _ in entries
                    if key in once and key not in stand]
            for place, key in back:
                yield from self.told(
                    name, table.key[0], [(place, str(key[0]))], "no row that was made void or "
                    f"mended (entry {once[key]['entry_id']} of {table.name})",
                    f"Leave the row out. {TRULY}")

    def stored_already(self):
        """Take out what is stored already, which nothing more is asked about; a problem for what
        differs from that."""
        pieces = self.stored("pieces", "code")
        for name, frame in self.frames.items():
            stored, sheet = _by_key(self.store, _table_of(name)), self.sheets[name]
            new, keep = frame.copy(), []
            for i, (place, row, entries) in zip(frame.index, self.entries(name), strict=True):
                there = [(one, stored[key]) for key, one in entries if key in stored]
                for one, old in there:
                    yield from self._differences(name, place, one, old)
                keep.append(len(there) < len(entries) if entries else (row["code"],) not in pieces)
                if there and keep[-1]:  # one of the two grades of a look
                    new.loc[i, f"{there[0][0]['test']}_grade"] = None
            self.passed += keep.count(False)
            self.frames[name] = new.loc[keep]
            self.sheets[name] = replace(sheet, text=sheet.text.loc[keep],
                                        rows=tuple(itertools.compress(sheet.rows, keep)))

    @functools.cached_property
    def _held(self):
        return read_series(self.store).blends.set_index("blend")

    def _differences(self, name, place, one, there):
        """What a row says otherwise than the stored one; an export writes the limits that hold."""
        table = _table_of(name)
        for column in table.mendable:
            if one[column] not in (None, there[column]) and not (
                    column in LIMITS and one[column] == self._held.at[there["blend"], column]):
                heading = f"{one['test']}_grade" if name == "pieces" else column
                value, old = str(_plain(one[column])), _plain(there[column])
                yield from self.told(
                    name, heading, [(place, value)],
                    f"{'an empty cell' if old is None else old}, as is stored",
                    _say_correct(table.name, there["entry_id"], f'{column}="{value}"'))


def _table_of(name):
    """The table that the entries of a file go to."""
    return RECORDS["grades" if name == "pieces" else name]


def _say_correct(table, entry, change):
    return ("Leave the row out, and mend the stored one on the page, or by scentlab correct FOLDER "
            f"{table} {entry} {change} --reason TEXT.")


def _plain(value):
    return f"{value:g}" if isinstance(value, float) else value


def _by_key(store, table, history=False):
    """The rows that stand, or with ``history`` all that ever did, by their key, looks with the
    stress of their piece where they were given none."""
    rows = records(store.rows(table.name, history=True)) if history else store.records(table.name)
    if table.name == "grades" and any(row["stress"] is None for row in rows):
        of_piece = dict(store.distinct("pieces", ("code", "stress")))
        rows = [{**r, "stress": r["stress"] or of_piece.get(r["code"])} for r in rows]
    return {tuple(row[name] for name in table.key): row for row in rows}

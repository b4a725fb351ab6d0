"""What is wrong with files that are in order one by one: against each other, plan and record.

Every check yields problems; many of one kind are one problem that names its rows.
"""

import datetime as dt
import re
from dataclasses import replace

from scentlab.recording.kept_plan import kept_plan
from scentlab.recording.pouring import planned_day
from scentlab.recording.records import RECORDS
from scentlab.recording.store import NAMED
from scentlab.schema import (
    ONE_DAY,
    WHICHEVER,
    YEAR_OFF,
    DataError,
    Problem,
    check_clock,
    impossible_load,
    parse_table,
)
from scentlab.text import kept, spelling

MOST_ALIKE = 4  # problems of one kind that are shown row by row; more are shown as one
# Weights in g that a scale prints with three decimals, or that are thousands with a point.
_GROUPED = re.compile(r"[1-9]\d{0,2}\.\d\d0")
BEYOND = (
    "Where it is truly beyond the plan, import it with --beyond-plan, or tick that in the form."
)
TRULY = "Correct it; where it is truly so, import it with --beyond-plan, or tick that in the form."


def check_sheets(sheets, store=None, problems=(), *, unread=(), today=None, beyond_plan=False):
    """Typed frames of sheets of text, checked one by one, against each other and the store.

    ``unread`` names tables whose file was given and could not be read: what they hold is not
    known, so nothing is missing from them. ``today`` is the machine's day when absent.
    With ``beyond_plan`` pours, pieces, assessors and sittings need not be in the kept plan.
    Raises DataError with every problem, after the ``problems`` that were known before.
    """
    problems, frames, plan = list(problems), {}, kept_plan(store)
    sheets = _one_spelling(sheets, store)
    if plan is not None and "pieces" in sheets:
        sheets = {**sheets, "pieces": plan.fill_in(sheets["pieces"])}
    for name, sheet in sheets.items():
        try:
            frames[name] = parse_table(sheet.text, sheet.table, sheet.file, sheet.rows)
        except DataError as error:
            problems.extend(_pours_left_open(error.problems, sheet, plan, beyond_plan))
        problems.extend(_doubtful_weights(sheet))
    unplanned = [] if plan is None or beyond_plan else list(plan.beyond(sheets))
    problems.extend(_beyond_plan(unplanned))
    problems.extend(_across(sheets, store, unread, {value for _, _, value, *_ in unplanned}))
    if "pours" in frames:
        problems.extend(_impossible_pours(frames["pours"], sheets["pours"], store))
    if not beyond_plan:
        problems.extend(_doubts(frames, sheets, store))
    if store is None or not store.about()["invented"]:  # invented days may lie anywhere
        problems.extend(_days_to_come(frames, sheets, store, today or dt.date.today()))
    if store is not None and not problems:
        problems.extend(_stored_already(frames, sheets, store))
    if problems:
        raise DataError(problems)
    return frames


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


def _grouped(file, column, places, expected, remedy, whole=""):
    """One problem per (row, value), or one for all of them where they are many.

    ``whole`` is the remedy when no row of the file is right: then it is not the rows.
    """
    if len(places) <= MOST_ALIKE:
        return [Problem(file, row, column, value, expected, remedy) for row, value in places]
    values = list(dict.fromkeys(value for _, value in places))
    few = ", ".join(values[:5]) + (f" and {len(values) - 5} more" if len(values) > 5 else "")
    return [Problem(
        file, places[0][0], column, values[0], expected,
        f"{whole or remedy} It is the same in {len(places)} rows, {_spans(places)} ({few}).",
    )]


def _spans(places):
    """Row numbers in words, runs of them with a dash: 2-25, 27, 30-31."""
    spans = []
    for row in sorted({row for row, _ in places}):
        if spans and row == spans[-1][1] + 1:
            spans[-1][1] = row
        else:
            spans.append([row, row])
    words = [f"{a}" if a == b else f"{a}-{b}" for a, b in spans]
    return ", ".join(words[:6]) + (f" and {len(words) - 6} more runs" if len(words) > 6 else "")


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


def _doubtful_weights(sheet):
    """Weights such as 1.200 g among others with fewer decimals: thousands, or a decimal point?"""
    for name in (c.name for c in sheet.table.columns if c.unit == "g"):
        cells = [(row, text) for row, text in sheet.cells(name) if text]
        if all(re.fullmatch(r"\d+\.\d{3}", text) for _, text in cells):
            continue
        doubtful = [(row, text) for row, text in cells if _GROUPED.fullmatch(text)]
        for row, text in doubtful[:MOST_ALIKE]:
            yield Problem(
                sheet.file, row, name, text, "a weight in g that can be read in one way only",
                f"Write {text.replace('.', '')} or {float(text):g}, {WHICHEVER}.",
            )


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


def _beyond_plan(unplanned):
    """Pours, codes, assessors and sittings that the kept plan does not have."""
    by_column = {}
    for sheet, column, *found in unplanned:
        by_column.setdefault((sheet.file, column), []).append(found)
    for (file, column), found in by_column.items():
        what = {"pour": "pours", "code": "pieces", "assessor": "testers", "sitting": "sessions"}
        many = len(found) > MOST_ALIKE
        for group in [found] if many else [[one] for one in found]:
            places = sorted((row, value) for value, rows, _ in group for row in rows)
            remedy = ("Is it the file of another series?" if many else
                      f"Correct it; the nearest: {', '.join(group[0][2])}.")
            yield from _grouped(file, column, places, f"one of the {what[column]} of the kept plan",
                                f"{remedy} {BEYOND}")


def _across(sheets, store, unread, unplanned):
    """What is wrong between the files: a code of two pours, unknown pours and codes.

    ``unplanned`` holds names that are shown already, for the kept plan does not have them.
    """
    stored = {} if store is None else dict(store.distinct("pieces", ("code", "pour")))
    origins, pieces = dict(stored), sheets.get("pieces")
    codes, pours = (pieces.cells(n) if pieces else [] for n in ("code", "pour"))
    for (row, code), (_, pour) in zip(codes, pours, strict=False):
        first = origins.setdefault(code, pour)
        if code and pour and first != pour:
            where = "is stored" if code in stored else "is given above"
            yield Problem(
                pieces.file, row, "pour", pour,
                f"pour {first}, for code {code} {where} as a piece of it",
                "A code belongs to one pour: correct the pour or the code.",
            )
    if pieces and "pours" not in unread and ("pours" in sheets or store is not None):
        yield from _unknown_pours(pieces, sheets.get("pours"), store)
    known = set(origins) | {code for _, code in codes} | unplanned
    scoring = [s for n, s in sheets.items() if n in ("throws", "warmings", "pairs")]
    for sheet, name in ((s, name) for s in scoring for name in s.table.codes):
        scored = [] if "pieces" in unread else sheet.cells(name)
        lost = [(row, code) for row, code in scored if code and code not in known]
        whole = "Give the file of pieces as well, or save the plan first."
        yield from _grouped(
            sheet.file, name, lost, "a code that the file of pieces or the store holds",
            "Correct the code or add the piece.", whole if len(lost) == len(scored) else "",
        )


def _unknown_pours(pieces, pours, store):
    known = {pour for _, pour in pours.cells("pour")} if pours else set()
    known |= {pour for (pour,) in store.distinct("pours", ("pour",))} if store else set()
    given = pieces.cells("pour")
    lost = [(row, pour) for row, pour in given if pour and pour not in known]
    whole = "Give the file of pours as well, or log the pours first."
    named = [(row, pour) for row, pour in lost if row not in pieces.filled]
    yield from _grouped(
        pieces.file, "pour", named, "a pour that the file of pours or the store holds",
        "Correct the name or add the pour.", whole if len(named) == len(given) else "",
    )
    # Of a pour that the plan filled in the name stays sealed: the code is shown instead.
    sealed = {row for row, _ in lost} & pieces.filled
    codes = [(row, code) for row, code in pieces.cells("code") if row in sealed]
    yield from _grouped(pieces.file, "code", codes, "a piece whose pour is logged", whole)


def _impossible_pours(pours, sheet, store):
    """Loads that no wax takes, pots of two blends, and limits that contradict each other."""
    said = {}  # the first value of a column for a pot or a blend, and where
    if store is not None:
        for pot, blend in store.distinct("pours", ("pot", "blend")):
            said["blend", pot] = blend, "in the store"
    for place, row in zip(sheet.rows, records(pours), strict=True):
        if wrong := impossible_load(row):
            yield Problem(sheet.file, place, "fragrance_g", f"{row['fragrance_g']:g}", *wrong)
        for column, of in (("blend", row["pot"]), ("limit_load_pct", row["blend"]),
                           ("limit_content_pct", row["blend"])):
            value = row[column]
            first, where = said.setdefault((column, of), (value, f"in row {place}"))
            if value is None or first == value:
                continue
            if first is None:
                said[column, of] = value, f"in row {place}"
            elif column == "blend":
                yield Problem(sheet.file, place, column, value,
                              f"blend {first}, which pot {of} holds {where}",
                              "A pot is one melt of one blend: correct the pot or the blend.")
            else:
                yield Problem(sheet.file, place, column, f"{value:g}",
                              f"{first:g}, the limit of blend {of} {where}",
                              "A blend has one limit: correct the value or leave it empty.")


def _days_to_come(frames, sheets, store, today):
    """Pours, heat cycles and looks on days that have not come; one day is let pass."""
    poured, remedy = {}, check_clock(today)
    if store is not None:
        poured = dict(store.distinct("pours", ("pour", "poured_on")))
    poured |= {row["pour"]: row["poured_on"] for _, row in _placed("pours", frames, sheets)}
    for name, day in (("pours", "poured_on"), ("heats", "started_on")):
        late = [(place, str(row[day])) for place, row in _placed(name, frames, sheets)
                if row[day] > today + ONE_DAY]
        if late:
            yield from _grouped(sheets[name].file, day, late, "a day that has come", remedy)
    late = []
    for place, row in _placed("pieces", frames, sheets):
        age, day = row["age_days"], poured.get(row["pour"])
        if None not in (age, day) and day + dt.timedelta(days=age) > today + ONE_DAY:
            late.append((place, f"{age:g}"))
    if late:
        expected = "an age that the piece has reached since its day of pouring"
        yield from _grouped(sheets["pieces"].file, "age_days", late, expected, remedy)


def _doubts(frames, sheets, store):
    """What can be and is more likely a slip: unusual numbers, and a year off."""
    for name, sheet in sheets.items():
        for column in (c for c in sheet.table.columns if c.usual):
            odd = [(place, f"{row[column.name]:g}") for place, row in _placed(name, frames, sheets)
                   if column.doubt(row[column.name])]
            if odd:
                low, high = column.usual
                usual = f"a {column.meaning} of {low:g} to {high:g} {column.unit}, as is usual"
                yield from _grouped(sheet.file, column.name, odd, usual, TRULY)
    rows, plan = list(_placed("pours", frames, sheets)), (store and store.plan()) or {}
    planned = {p["pour"]: day for p in plan.get("pours", ()) if (day := planned_day(p))}
    days = [row["poured_on"] for _, row in rows]
    days += [day for (day,) in store.distinct("pours", ("poured_on",))] if store else []
    for place, row in rows:
        pour, day = row["pour"], row["poured_on"]
        others = list(days)
        others.remove(day)
        near = [planned[pour]] if pour in planned else others
        if near and min(abs(day - other) for other in near) > YEAR_OFF:
            about = f"{planned[pour]}, as planned" if pour in planned else "that of another pour"
            yield Problem(sheets["pours"].file, place, "poured_on", str(day),
                          f"a day within {YEAR_OFF.days} days of {about}",
                          f"Look at the year. {TRULY}")


def _placed(name, frames, sheets):
    """Pairs of row number and row of a table; none when it is not there."""
    if name not in frames:
        return []
    return zip(sheets[name].rows, records(frames[name]), strict=True)


def _stored_already(frames, sheets, store):
    """Rows that the store holds already, with their place in the file."""
    for name, frame in frames.items():
        table = "grades" if name == "pieces" else name
        key, found = RECORDS[table].key, {}
        stored = {tuple(r[k] for k in key) for r in _stored_records(store, table)}
        for place, row in _placed(name, frames, sheets):
            for one in _grades_of(row) if name == "pieces" else [row]:
                if tuple(one[k] for k in key) in stored:
                    words = ", ".join(f"{k} {one[k]}" for k in key if one[k] is not None)
                    found.setdefault(place, (place, str(row[key[0]]), words))
        all_stored = len(found) == len(frame)
        whole = "Leave the file out: all of its rows are stored." if all_stored else ""
        found = list(found.values())
        for group in [found] if len(found) > MOST_ALIKE else [[one] for one in found]:
            yield from _grouped(
                sheets[name].file, key[0], [one[:2] for one in group],
                f"a row that is not stored yet, and {group[0][2]} is",
                "Leave the row out, or correct the stored one in the series.", whole,
            )


def _stored_records(store, table):
    """The rows that stand, looks with the stress of their piece where they were given none."""
    rows = records(store.rows(table))
    if table == "grades" and any(row["stress"] is None for row in rows):
        of_piece = dict(store.distinct("pieces", ("code", "stress")))
        rows = [{**r, "stress": r["stress"] or of_piece.get(r["code"])} for r in rows]
    return rows

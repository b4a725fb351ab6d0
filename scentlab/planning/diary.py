"""What falls on which day: as a table, as a printed page and as an .ics calendar."""

import datetime as dt

import pandas as pd

from scentlab.planning.refusal import count_of
from scentlab.planning.sheets import document, esc, invented_line, table

_LOOK_WORDS = {
    ("sweat", "rest"): "Look for sweat at rest", ("sweat", "heat"): "Look for sweat after heat",
    ("frost", "rest"): "Look for frost", ("reserve", None): "Reserve pieces",
    ("bleed", None): "Weigh the blotters for bleed",
}


def diary(plan):
    """One row per day and task: day, task, detail. No codes and no loads."""
    rows = [*_pour_days(plan), *_heat_days(plan), *_looks(plan), *_sittings(plan)]
    frame = pd.DataFrame(rows, columns=["day", "task", "detail"])
    return frame.sort_values("day", kind="stable", ignore_index=True)


def calendar_html(plan, paper="A4"):
    """The diary as a page to hang up."""
    rows = [
        f"<tr><td>{r.day.isoformat()} {r.day:%a}</td><td>{esc(r.task)}</td>"
        f"<td>{esc(r.detail)}</td></tr>" for r in diary(plan).itertuples()
    ]
    body = table([("Day", 34), ("Task", 50), ("Detail", 104)], "".join(rows), "left")
    page = (
        f'<section class="{"far" if len(rows) <= 20 else ""}"><h1>Calendar: {esc(plan.title)}</h1>'
        f"{invented_line(plan)}{body}</section>"
    )
    return document(f"Calendar: {plan.title}", [page], paper)


def calendar_ics(plan):
    """The diary as an iCalendar text (RFC 5545), whole-day events, lines ended by CR LF.

    Write it with ``newline=""``, so that the line ends stay as they are.
    """
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//scentlab//plan//EN", "CALSCALE:GREGORIAN"]
    stamp = f"{plan.start:%Y%m%d}T000000Z"  # the plan's own date: the same plan, the same file
    for number, row in enumerate(diary(plan).itertuples(), start=1):
        lines += [
            "BEGIN:VEVENT", f"UID:{plan.start:%Y%m%d}-{plan.seed}-{number}@scentlab",
            f"DTSTAMP:{stamp}", f"DTSTART;VALUE=DATE:{row.day:%Y%m%d}",
            f"DTEND;VALUE=DATE:{row.day + dt.timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_ics(f'{plan.title}: {row.task}')}", f"DESCRIPTION:{_ics(row.detail)}",
            "TRANSP:TRANSPARENT", "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(f"{folded}\r\n" for line in lines for folded in _folded(line))


def _pour_days(plan):
    for day, rows in plan.pours.groupby("poured_on"):
        pots = rows["pot"].nunique()
        yield day, "Pour", (
            f"{count_of(pots, 'pot')}, {count_of(len(rows), 'pour')}, {rows['pieces'].sum()} "
            f"pieces, {rows['wax_g'].sum():.0f} g of wax, {rows['fragrance_g'].sum():.1f} g of "
            "fragrance"
        )


def _heat_days(plan):
    """The day on which the first heat cycle starts: one cycle a day, done by the look."""
    heat = plan.pieces[plan.pieces["stress"] == "heat"]
    for due, rows in heat.groupby("due_on"):
        start = due - dt.timedelta(days=plan.heat_cycle.cycles)
        yield start, "Start the heat cycle", (
            f"{count_of(len(rows), 'piece')}, {plan.heat_cycle.words}, one cycle a day"
        )


def _looks(plan):
    for (test, stress), words in _LOOK_WORDS.items():
        rows = [p for p in plan.piece_rows if (p.test, p.stress) == (test, stress)]
        for day in sorted({p.due_on for p in rows}):
            number = sum(p.due_on == day for p in rows)
            yield day, words, f"{count_of(number, 'piece')} due"


def _sittings(plan):
    for (day, sitting, kind), rows in plan.smellings.groupby(["sitting_on", "sitting", "kind"]):
        people = rows["assessor"].nunique()
        most = int(rows.groupby("assessor").size().max())
        yield day, f"Sitting {sitting}, {kind} throw", (
            f"{count_of(people, 'assessor')}, up to {count_of(most, 'piece')} each"
        )


def _ics(text):
    """Text with the characters escaped that RFC 5545 (3.3.11) gives a meaning."""
    text = str(text).replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
    return "\\n".join(text.splitlines())


def _folded(line):
    """A line in pieces of at most 75 octets (RFC 5545, 3.1), no letter torn apart."""
    pieces, now = [], b""
    for letter in line:
        encoded = letter.encode()
        if len(now) + len(encoded) > 75:
            pieces.append(now.decode())
            now = b" "
        now += encoded
    return [*pieces, now.decode()]

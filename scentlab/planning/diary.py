"""What falls on which day."""

import datetime as dt

import pandas as pd

from scentlab.planning.panel import session_minutes
from scentlab.planning.refusal import count_of
from scentlab.planning.rules import PURPOSES
from scentlab.schema import THROW_WORDS
from scentlab.text import gathered
from scentlab.units import add_up, say_one_weight


def diary(plan):
    """One row per day and task: day, task, detail. No codes and no loads."""
    rows = [*_pour_days(plan), *_looks(plan), *_sessions(plan)]
    frame = pd.DataFrame(rows, columns=["day", "task", "detail"])
    return frame.sort_values("day", kind="stable", ignore_index=True)


def _pour_days(plan):
    for day, rows in plan.pours.groupby("poured_on"):
        yield day, "Pour", (
            f"{count_of(rows['pot'].nunique(), 'pot')}, {count_of(len(rows), 'test batch')}, "
            f"{count_of(rows['pieces'].sum(), 'piece')}, "
            f"{say_one_weight(add_up(rows['wax_g']), 0, total=True)} of wax and "
            f"{say_one_weight(add_up(rows['fragrance_g']), total=True)} of fragrance to weigh"
        )


def _looks(plan):
    """The days of looks, and those on which a heat cycle starts: one a day, done by the look."""
    for test, stress, _, words in PURPOSES.values():
        own = [p.due_on for p in plan.piece_rows if words and (p.test, p.stress) == (test, stress)]
        for day in sorted(set(own)):
            number = count_of(own.count(day), "piece")
            if stress == "heat":
                yield plan.heat_cycle.begins(day), "Start the heat cycle", (
                    f"{number}, {plan.heat_cycle.words}, one cycle a day")
            yield day, words, f"{number} due"
    for day, _, codes in later_looks(plan):
        yield day, "Inspect sweat again", f"{count_of(len(codes), 'piece')} due"


def later_looks(plan):
    """The later looks at sweat: rows (day, stress, codes), by day, rest before heat."""
    poured = {p.pour: p.poured_on for p in plan.pour_rows}
    found = gathered(
        ((plan.calendar.next(poured[p.pour] + dt.timedelta(days=days)), p.stress == "heat",
          p.stress), p.code)
        for p in plan.piece_rows if p.test == "sweat" for days in plan.cure_days.again)
    return [(day, stress, codes) for (day, _, stress), codes in sorted(found.items())]


def _sessions(plan):
    minutes = session_minutes(plan)
    for (day, sitting, kind), rows in plan.smellings.groupby(["sitting_on", "sitting", "kind"]):
        length, testers = minutes[sitting]
        yield day, f"Session {sitting}, {THROW_WORDS[kind]} throw", (
            f"{plan.calendar.begin} to {plan.calendar.clock(length)}, "
            f"{count_of(testers, 'tester')}, {count_of(rows['position'].max(), 'piece')}")


def busy_days(plan):
    """The days with work of an evening: pouring, looks and sessions, not those of the reserve."""
    days = {p.poured_on for p in plan.pour_rows} | {s.sitting_on for s in plan.smelling_rows}
    days |= {p.due_on for p in plan.piece_rows if p.test in ("sweat", "frost")}
    return sorted(days | {day for day, _, _ in later_looks(plan)})

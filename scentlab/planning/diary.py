"""What falls on which day."""

import datetime as dt

import pandas as pd

from scentlab.planning.refusal import count_of
from scentlab.planning.rules import PURPOSES


def diary(plan):
    """One row per day and task: day, task, detail. No codes and no loads."""
    rows = [*_pour_days(plan), *_looks(plan), *_sessions(plan)]
    frame = pd.DataFrame(rows, columns=["day", "task", "detail"])
    return frame.sort_values("day", kind="stable", ignore_index=True)


def _pour_days(plan):
    for day, rows in plan.pours.groupby("poured_on"):
        yield day, "Pour", (
            f"{count_of(rows['pot'].nunique(), 'pot')}, {count_of(len(rows), 'pour')}, "
            f"{rows['pieces'].sum()} pieces, {rows['wax_g'].sum():.0f} g of wax, "
            f"{rows['fragrance_g'].sum():.1f} g of fragrance"
        )


def _looks(plan):
    """The days of looks, and those on which a heat cycle starts: one a day, done by the look."""
    for test, stress, _, words in PURPOSES.values():
        own = [p.due_on for p in plan.piece_rows if words and (p.test, p.stress) == (test, stress)]
        for day in sorted(set(own)):
            number = count_of(own.count(day), "piece")
            if stress == "heat":
                start = day - dt.timedelta(days=plan.heat_cycle.cycles)
                yield start, "Start the heat cycle", (
                    f"{number}, {plan.heat_cycle.words}, one cycle a day")
            yield day, words, f"{number} due"


def _sessions(plan):
    for (day, sitting, kind), rows in plan.smellings.groupby(["sitting_on", "sitting", "kind"]):
        each = rows.groupby("assessor").size()
        throw = "hot" if kind == "warm" else kind
        yield day, f"Session {sitting}, {throw} throw", (
            f"{count_of(len(each), 'tester')}, up to {count_of(int(each.max()), 'piece')} each"
        )

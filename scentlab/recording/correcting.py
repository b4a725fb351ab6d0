"""What is stored of a piece or a pour, and how an entry of it is mended or made void.

Nothing is erased: a correction is a new row beside the old one, and both keep their reason. Scores
are found by blind code alone and told without the pour, so that whoever mends one stays blind.
"""

import datetime as dt
import re
from dataclasses import dataclass

from scentlab.recording.records import RECORDS, SCORES, pair_words, photo_words, warming_words
from scentlab.recording.store import RefusedError, need_reason
from scentlab.recording.unpoured import left_words
from scentlab.schema import (
    GRADE_WORDS,
    ONE_DAY,
    PIECES,
    STRESS_WORDS,
    THROW_WORDS,
    WARMTH,
    Findings,
    check_clock,
    check_row,
    impossible_load,
)
from scentlab.series import heat_words
from scentlab.text import kept, spelling
from scentlab.units import load_from_weights, say_in, say_load_oz, say_weighed

LIMIT_COUNTS = ("A corrected limit counts for its whole blend (a plan's regulatory limit for all "
                "its blends) until it is corrected again, or emptied in the same test batch.")
HEAT = "heat"  # what stands for all heat cycles, which are of no piece and no pour


@dataclass(frozen=True)
class Entry:
    """A stored row that stands: its table and number, what it says, and what can be mended."""

    table: str
    entry_id: int
    words: str
    values: dict


def stored_about(store, name, what=None):
    """The entries that stand of a piece (three digits) or of a pour (its name), oldest first; of
    the heat cycles as they were reached for the word heat.

    With ``what="piece"`` a pour is refused, for its weights would tell a load to who scores.
    Raises RefusedError when nothing that counts is stored of it.
    """
    name = kept(name)
    if not name:
        raise RefusedError(
            "Nothing is filled in: give a piece's blind code or a test batch's name")
    blind = re.fullmatch(PIECES["code"].pattern, name)
    if what == "piece" and not blind:
        raise RefusedError(f"{name!r} is not a blind code: give the three digits on the label")
    pours = store.known_names("pour")
    name = name if blind else spelling([*pours, HEAT])(name)
    heat = name == HEAT and HEAT not in pours
    places = {t: RECORDS[t].codes for t in SCORES} if blind else (
        {"heats": ()} if heat else {"pours": ("pour",)})
    places |= {} if heat else {"unpoured": ("pour",)}
    found = [
        Entry(table, row["entry_id"], left_words(store, {name: row["note"]})
              if table == "unpoured" else _words(table, row),
              {n: row[n] for n in RECORDS[table].mendable})
        for table, columns in places.items() for row in store.records(table, columns, name)
    ]
    if not found:
        what = f"piece {name}" if blind else "a heat cycle" if heat else f"test batch {name}"
        remedy = "record it with: scentlab heat FOLDER" if heat else "check its label again"
        raise RefusedError(f"nothing that counts is stored for {what}", remedy,
                           field="code" if blind else "pour", value=name)
    return found


def mend(store, table, entry_id, changes, reason, key=None):
    """Correct the columns in ``changes`` (texts or values) of an entry; returns the receipt.

    A reason is needed, as for a void. Raises RefusedError, or DataError with every wrong value.
    """
    why = need_reason(reason)
    allowed = RECORDS[table].mendable
    odd = [name for name in changes if name not in allowed]
    if odd:
        remedy = "for another piece or test batch, make the entry void and record it again"
        if {"pot", "blend"} & set(odd):
            remedy = ("for another wax, make the entry void and import it from a file, with its "
                      "own pot and --beyond-plan")
        raise RefusedError(
            f"{', '.join(odd)} of {table} cannot be corrected, only {', '.join(allowed)}",
            remedy, field=odd[0],
        )
    old = store.entry(table, entry_id)
    if old is None:
        raise RefusedError(f"the table {table} has no entry {entry_id}")
    row = check_row(RECORDS[table], {**old, **changes})
    if row == old:
        raise RefusedError(f"entry {entry_id} of {table} already says so; nothing was changed")
    refuse_what_cannot_be(table, row)
    changed = {name: row[name] for name in changes}
    return store.correct(table, entry_id, changed, key=key, reason=why)


def say_now(table, values):
    """What the columns of a table are now, in the maker's units."""
    return ", ".join(f"{column.called} {_say(value, column.unit)}" for name, value in values.items()
                     for column in [RECORDS[table][name]])


def _say(value, unit):
    if isinstance(value, float):
        return say_in(value, unit) if unit and "," not in unit else f"{value:g}"  # 0 to 10
    return "not known" if value in (None, "") else str(value)


def said_of(changes, row):
    """What beside the columns themselves a correction changes, as sentences; ``row`` as it is now.
    """
    said = [LIMIT_COUNTS] if any(name.startswith("limit_") for name in changes) else []
    if {"wax_g", "fragrance_g"} & changes.keys():
        load = load_from_weights(row["fragrance_g"], row["wax_g"])
        said.append(f"The load of this test batch is now {say_load_oz(load)}.")
    return said


def refuse_what_cannot_be(table, row):
    """A pour or a heat cycle of a day to come, or weights that make a load that no wax takes."""
    findings, today = Findings(table), dt.date.today()
    for name in ("poured_on", "started_on"):
        if row.get(name) is not None and row[name] > today + ONE_DAY:
            findings.add(None, name, str(row[name]), "a day up to today", check_clock(today))
    if wrong := impossible_load(row):
        findings.add(None, "fragrance_g", say_weighed(row["fragrance_g"]), *wrong)
    findings.stop()


def _words(table, row):
    if table == "pours":
        warmth = "".join(f", {column.called} {say_in(row[column.name], column.unit)}"
                         for column in WARMTH if row.get(column.name) is not None)
        return (
            f"pour {row['pour']} of {row['poured_on']}: {say_weighed(row['fragrance_g'])} of "
            f"fragrance in {say_weighed(row['wax_g'])} of wax{warmth}"
        )
    who = f" by {row['assessor']}" if row.get("assessor") else ""
    if table == "photos":
        return f"{photo_words(row)}{who}"
    if table == "grades":
        age = "" if row["age_days"] is None else f" at {row['age_days']:g} days"
        grade = GRADE_WORDS[row["test"]][row["grade"]]
        stress = f", {STRESS_WORDS[row['stress']]}" if row["stress"] else ""
        return f"{row['test']} grade {row['grade']} ({grade}{stress}){who}{age}"
    if table == "throws":
        after = "" if row["minutes"] is None else f" after {row['minutes']:g} min"
        kind = THROW_WORDS[row["kind"]]
        return f"{kind} throw {row['throw']:g} of 10{after}{who}, session {row['sitting']}"
    if table == "warmings":
        return warming_words(row)
    if table == "heats":
        return f"heat cycle begun on {row['started_on']}: {heat_words(row)}"
    if table == "pairs":
        return f"{pair_words(row)}{who}, session {row['sitting']}"
    return (f"bleed {row['bleed_mg']:g} mg in {row['hours']:g} h at "
            f"{say_in(row['temp_c'], '°C')}")



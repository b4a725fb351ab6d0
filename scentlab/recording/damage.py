"""What is wrong in a store's file: changed from outside, or broken, and what of it can be read."""

import datetime as dt
import itertools
import sqlite3
import time

from scentlab.recording.tables import (
    BOOKKEEPING,
    TABLES,
    about_sum,
    about_word,
    as_frame,
    columns_of,
    made_sum,
    row_sum,
    summed,
)
from scentlab.schema import check_row
from scentlab.text import unseen, visible

OPENING_S = 0.5  # s to look for damage on opening; only some 100,000 scores take longer
# What SQLite says of a damaged file may itself be no text.
FAILED = (sqlite3.Error, UnicodeDecodeError)
NOT_FIT = "was changed from outside: its checksum does not match"


def first_fault(connection):
    """The first damage that a short look finds, in words; what is left over :meth:`Store.check`s.
    """
    if words := next(changed_words(connection), None):
        return words
    until = time.monotonic() + OPENING_S
    connection.set_progress_handler(lambda: time.monotonic() > until, 10_000)
    try:
        return next(itertools.chain(
            broken_pages(connection, "quick_check"),
            changed_rows(connection, TABLES),
            broken_pages(connection, "integrity_check"),
        ), None)
    except sqlite3.OperationalError as error:
        if getattr(error, "sqlite_errorname", "") != "SQLITE_INTERRUPT":
            raise
        return None
    finally:
        connection.set_progress_handler(None, 0)


def broken_pages(connection, look):
    """What SQLite finds wrong in its file, in its words."""
    for (words,) in connection.execute(f"PRAGMA {look}(20)"):
        if words != "ok":
            yield words


def changed_words(connection):
    """What is known about the series or its tables and does not fit its sum, in words."""
    for name, own, what in (("digest", about_sum, "its title or another word about it"),
                            ("tables", made_sum, "what its tables may hold")):
        if about_word(connection, name) not in (None, own(connection)):
            yield f"{what} {NOT_FIT}"


def changed_rows(connection, tables):
    """Rows whose sum does not fit, in words."""
    for name in tables:
        columns = columns_of(connection, name)
        if "digest" not in columns:  # a store from before
            continue
        # Nothing is ever taken out, so SQLite's own last number is how many there are.
        for (gone,) in connection.execute(
            f"SELECT seq - (SELECT count(*) FROM {name}) FROM sqlite_sequence WHERE name = '{name}'"
        ):
            if gone:
                yield f"{name} lacks {gone} of its entries"
        summed = ", ".join(c for c in columns if c not in ("entry_id", "digest"))
        for (number,) in connection.execute(
            f"SELECT entry_id FROM {name} WHERE digest <> row_sum({summed})"
        ):
            yield f"entry {number} of {name} {NOT_FIT}"


def fault(table, row):
    """What is wrong with a stored row, which only a change from outside can have made; or ''."""
    try:
        check_row(table, {n: row.get(n) for n in table.names})
        dt.datetime.fromisoformat(row.get("saved_at"))
        int(row["entry_id"]), int(row.get("replaces") or 0)
        if unseen(f"{row.get('void_reason')}{row.get('reason')}{row.get('key')}", lines=True):
            raise ValueError("its reason or key is no text")
        values = [v for n, v in row.items() if n not in ("entry_id", "digest")]
        if row.get("digest") not in (None, row_sum(*values)):
            raise ValueError(f"it {NOT_FIT}")
    except (ValueError, TypeError) as error:
        return str(error).splitlines()[0]
    return ""


def rescued(raw, table, lost):
    good, standing, columns = [], {}, table.names + BOOKKEEPING
    for row in from_both_ends(raw, table.name, lost):
        wrong = fault(table, row)
        if wrong:
            lost.append(f"{table.name}, entry {row['entry_id']}: {visible(wrong)}")
        else:
            good.append(row)
    replaced = {row.get("replaces") for row in good}
    for row in sorted(good, key=lambda row: row["entry_id"]):
        if row["entry_id"] in replaced or row.get("void_reason") is not None:
            continue
        first = standing.setdefault(tuple(row.get(n) for n in table.key), row)
        if first is not row:  # what told them apart is gone
            lost.append(f"{table.name}, entry {row['entry_id']}: the same as entry "
                        f"{first['entry_id']}")
    return as_frame([[row.get(n) for n in columns] for row in standing.values()], table)


def from_both_ends(raw, table, lost):
    """The rows that can be read: a broken page stops the one way and the other behind it."""
    names, found, problem = ("entry_id", *summed(table), "digest"), {}, None
    for order in ("ASC", "DESC"):
        try:
            for row in raw.execute(f"SELECT * FROM {table} ORDER BY rowid {order}"):
                if row["entry_id"] in found:
                    break
                # By place, for the name of a column may be damaged; the row's sum is the judge.
                same = names if len(row) == len(names) else row.keys()
                found[row["entry_id"]] = dict(zip(same, row, strict=True))
        except (*FAILED, IndexError) as error:
            problem = error
    if problem is not None:
        lost.append(f"{table}: not all can be read, only {len(found)} entries ({problem})")
    return found.values()

"""The tables of a store in SQL: made, brought up to those of today, and read into frames."""

import datetime as dt
import zlib

import pandas as pd

from scentlab.recording.records import RECORDS

BOOKKEEPING = ("entry_id", "key", "saved_at", "replaces", "void_reason", "reason")
# "What has been scored" is asked at every page, also among a million scores: these indexes answer
# it without the rows themselves.
SCORED = {"grades": "test, code, assessor", "throws": "assessor, sitting, kind, code"}


def table_sql(table):
    """What makes a table of records; what its columns may hold is a constraint of the database."""
    name, columns, checks = table.name, [], []
    for c in table.columns:
        kind = {"number": "FLOAT", "integer": "INTEGER", "date": "DATE"}.get(c.kind, "TEXT")
        columns.append(f"{c.name} {kind}{' NOT NULL' if c.required else ''}")
        rule = {
            "choice": f"{c.name} IN ({', '.join(repr(w) for w in c.choices)})",
            "text": f"length({c.name}) BETWEEN 1 AND 200",
            "date": "",
        }.get(c.kind, f"{c.name} BETWEEN {c.lower} AND {c.upper}")
        if rule:
            checks.append(f"CONSTRAINT {name}_{c.name}_in_range CHECK ({rule})")
    parts = [
        "entry_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT", "key TEXT NOT NULL UNIQUE",
        "saved_at TEXT NOT NULL",
        # Unique: a row can be replaced once, so history is a line and never a fork.
        f"replaces INTEGER UNIQUE REFERENCES {name} (entry_id)",
        "void_reason TEXT", "reason TEXT", *columns,
        # The sum of all the others. At the end: what damages the head of a row moves all behind it.
        "digest INTEGER", *checks,
    ]
    return f"CREATE TABLE {name} ({', '.join(parts)})"


TABLES = {
    "plan": "CREATE TABLE plan (entry_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, key TEXT NOT "
    "NULL UNIQUE, saved_at TEXT NOT NULL, document TEXT NOT NULL, digest INTEGER)",
    **{name: table_sql(table) for name, table in RECORDS.items()},
}


def records_sql(name):
    """What belongs to a table: indexes, and the triggers of what only appends."""
    if name in RECORDS:
        first = RECORDS[name].key[0]
        yield f"CREATE INDEX {name}_by_{first} ON {name} ({first})"
    if name in SCORED:
        yield f"CREATE INDEX {name}_scored ON {name} ({SCORED[name]}, void_reason)"
    for verb in ("UPDATE", "DELETE"):
        yield (f"CREATE TRIGGER {name}_no_{verb.lower()} BEFORE {verb} ON {name} BEGIN "
               f"SELECT RAISE(ABORT, 'the table {name} only appends'); END")


def made_of(connection):
    """What made the tables of a file, by their names."""
    return dict(connection.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name <> 'about' AND name NOT "
        "LIKE 'sqlite%' ORDER BY name"))


def made_sum(connection):
    return str(row_sum(*made_of(connection).items()))


def columns_of(connection, table):
    """The columns of a table in their order; none when there is no such table."""
    return tuple(row["name"] for row in connection.execute(f"PRAGMA table_info({table})"))


def as_now(connection):
    """What makes the tables those of today, of a new store or an older one, whose rows stay.

    A table whose columns or constraints differ is built again beside itself; new columns are empty.
    """
    made = made_of(connection)
    if not columns_of(connection, "about"):
        yield "CREATE TABLE about (name TEXT NOT NULL PRIMARY KEY, value TEXT NOT NULL)"
    for name, wanted in TABLES.items():
        if made.get(name) == wanted:
            continue
        there = columns_of(connection, name)
        if there:
            for kind, part in connection.execute(
                "SELECT type, name FROM sqlite_master WHERE tbl_name = ? AND type IN "
                "('index', 'trigger') AND sql IS NOT NULL", [name]
            ).fetchall():
                yield f"DROP {kind.upper()} {part}"
            yield f"ALTER TABLE {name} RENAME TO old_{name}"
        yield wanted
        if there:
            kept = ", ".join(c for c in ("entry_id", *summed(name)) if c in there)
            yield f"INSERT INTO {name} ({kept}) SELECT {kept} FROM old_{name} ORDER BY entry_id"
            yield f"UPDATE {name} SET digest = row_sum({', '.join(summed(name))})"
            yield f"DROP TABLE old_{name}"
        yield from records_sql(name)


def bring_up(connection, words):
    """Make the tables those of today, and keep what is known about the series and its tables."""
    for statement in as_now(connection):
        connection.execute(statement)
    query = "INSERT OR REPLACE INTO about VALUES (?, ?)"
    connection.executemany(query, {**words, "tables": made_sum(connection)}.items())
    connection.execute(query, ["digest", about_sum(connection)])


def about_sum(connection):
    query = "SELECT name, value FROM about WHERE name NOT IN ('version', 'digest') ORDER BY name"
    return str(row_sum(*map(tuple, connection.execute(query))))


def about_word(connection, name):
    found = row_of(connection, "about", "name", name)
    return found and found["value"]


def strange_parts(connection):
    """Tables and columns that no store of this version has, in words."""
    for name in made_of(connection):
        known = {"entry_id", *summed(name), "digest"} if name in TABLES else ()
        if not known:
            yield f"the table {name} is not known here"
        elif strange := [c for c in columns_of(connection, name) if c not in known]:
            yield f"the column {strange[0]} of {name} is not known here"


def standing(table):
    """The condition that a row is neither replaced nor void."""
    return (f"void_reason IS NULL AND entry_id NOT IN "
            f"(SELECT replaces FROM {table} WHERE replaces IS NOT NULL)")


def first_row(connection, query, *values):
    return connection.execute(query, values).fetchone()


def row_of(connection, table, column, value):
    return first_row(connection, f"SELECT * FROM {table} WHERE {column} = ?", value)


def summed(table):
    """The columns that a row's sum is taken over, in their order in the file."""
    if table == "plan":
        return ("key", "saved_at", "document")
    return BOOKKEEPING[1:] + RECORDS[table].names


def row_sum(*values):
    """The sum of a row as it is stored; a changed bit, also a few beside each other, changes it."""
    return zlib.crc32(repr(values).encode())


def as_frame(found, table):
    """Fetched rows with the column types of :func:`scentlab.schema.parse_table`."""
    made = pd.DataFrame([*map(tuple, found)], columns=[*table.names, *BOOKKEEPING], dtype=object)
    for c in table.columns:
        made[c.name] = c.series(map(as_day, made[c.name]) if c.kind == "date" else made[c.name])
    made["saved_at"] = pd.to_datetime(made["saved_at"], utc=True).astype("datetime64[us, UTC]")
    return made.astype({"entry_id": "int64", "replaces": "Int64"})


def as_day(text):
    return None if text is None else dt.date.fromisoformat(text)

"""The store of a series: it only appends.

A series folder holds ``series.sqlite``. A correction is a new row that names the row it replaces,
a void is a new row with a reason; triggers refuse every update and delete. Each operation has a
connection and a transaction of its own, so that callbacks in other threads and other processes
can write at the same time.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import functools
import json
import os
import re
import sqlite3
import threading
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pandas as pd

from scentlab.files import table_beside
from scentlab.materials import Fragrance, Worded
from scentlab.recording.damage import (
    FAILED,
    broken_pages,
    changed_rows,
    changed_words,
    first_fault,
    rescued,
)
from scentlab.recording.records import RECORDS, SCORES
from scentlab.recording.tables import (
    BOOKKEEPING,
    TABLES,
    about_word,
    as_day,
    as_frame,
    bring_up,
    columns_of,
    first_row,
    made_of,
    row_of,
    row_sum,
    standing,
    strange_parts,
    summed,
)
from scentlab.schema import check_row
from scentlab.series import plan_problem
from scentlab.text import spelling, visible

FILE_NAME = "series.sqlite"
VERSION = 6
# Columns that hold a name, and the tables that have it: a name has one spelling.
NAMED = {
    "pour": ("pours", "pieces", "unpoured"), "pot": ("pours",), "blend": ("pours",),
    "sitting": ("throws", "pairs"), "assessor": ("grades", "throws", "warmings", "pairs"),
    "lot": ("pours",), "room": ("throws",), "warmer": ("throws",),
}
BUSY_S = 30  # to wait while another program writes
_AT_ONCE = 500  # values in one query; SQLite takes some thousand
_MOST_FOUND = 32  # answers to questions that are kept


def series_files(folder):
    """The records of all series in a folder, by name. A hidden folder is none: a program that was
    stopped while it made a series leaves one."""
    return sorted(Path(folder).glob(f"[!.]*/{FILE_NAME}"))


class StoreError(Worded, RuntimeError):
    """The store cannot do what was asked; nothing was written."""


class DamagedError(StoreError):
    """The store is damaged; what is whole of it can still be saved with :func:`whole_rows`."""


class RefusedError(StoreError):
    """The row itself cannot be stored; trying again would not help, unlike with a full disk."""


@dataclass(frozen=True)
class Receipt:
    """Proof that a row is stored: its number, its key and when it was saved (UTC)."""

    entry_id: int
    key: str
    saved_at: dt.datetime

    @property
    def clock(self):
        """The time of day here when it was saved."""
        return f"{self.saved_at.astimezone():%H:%M:%S}"


class Store:
    """A series that is being recorded. Make one with :meth:`create` or :meth:`open`.

    Parameters
    ----------
    folder : str or Path, of the series.

    >>> import tempfile
    >>> store = Store.create(tempfile.mkdtemp(), title="spring")
    >>> store.about()["title"], len(store.rows("pours"))
    ('spring', 0)
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder, self.place = Path(folder), str(folder)
        self._path = self.folder.absolute() / FILE_NAME  # the same from another working directory
        self._journal = self._path.with_name(f"{FILE_NAME}-wal")
        self._whole = False  # whether it was looked through for damage
        self._held = None  # connections that rest, where some are kept
        self._found = {}  # what was asked for, with the last row of its table then
        self._own = threading.local()  # of a thread that stores several together, its connection
        self._own_entries = 0

    def __repr__(self):
        return f"Store({self.place!r})"

    @classmethod
    def create(
        cls, place: str | Path, *, title: str = "", fragrance: str = "", invented: bool = False,
    ) -> Store:
        """A new store in a folder (made when absent).

        ``title``, ``fragrance`` and ``invented`` describe a series that has no plan; a plan's own
        words win over them. Raises StoreError when there is a series already.
        """
        store = cls(place)
        if store._path.exists() and store._path.stat().st_size:
            raise StoreError(f"{place} already holds a series",
                             "open it with Store.open or choose another folder")
        try:
            store.folder.mkdir(parents=True, exist_ok=True)
            store._path.touch()
        except OSError as error:
            raise StoreError(f"the folder {place} cannot be made ({error.strerror})",
                             "choose another place") from error
        about = {"title": title, "fragrance": fragrance, "invented": "yes" if invented else "no",
                 "version": str(VERSION), "created_at": _now()}
        with store._connected() as connection:  # a journal is not changed within a transaction
            connection.execute("PRAGMA journal_mode=WAL")
        with store._transaction("BEGIN IMMEDIATE") as connection:
            bring_up(connection, about)
        store._whole = True
        return store

    @classmethod
    def open(cls, place: str | Path) -> Store:
        """The store of a series folder.

        The file is looked through for damage first, for half a second at most (a hundred thousand
        scores); :meth:`check` looks at all of a larger one. Raises StoreError, with the way out,
        when it is damaged, of a newer scentlab, or no store of a series.
        """
        store = cls(place)
        store._need_file()
        version = store._version()
        with store._reading() as connection:
            if words := first_fault(connection):
                raise store._damaged(words)
            if words := next(strange_parts(connection), None):
                known = about_word(connection, "tables") is not None
                raise store._newer(words) if known else store._damaged(words)
            older = version < VERSION or made_of(connection) != TABLES
            # All rows, however long it takes: those of tables built again get sums anew.
            if older and (words := next(changed_rows(connection, TABLES), None)):
                raise store._damaged(words)
        store._whole = True
        if older:
            store._migrate()
        with store._reading() as connection:
            _last_plan(connection)
        return store

    def about(self) -> dict[str, Any]:
        """Title, fragrance and whether the data are invented, as given to :meth:`create`."""
        with self._reading() as connection:
            found = dict(connection.execute("SELECT name, value FROM about").fetchall())
        return {
            "title": found.get("title", ""),
            "fragrance": found.get("fragrance", ""),
            "invented": found.get("invented") == "yes",
            "version": int(found["version"]),
        }

    def name_fragrance(self, name: str) -> None:
        """Say what the fragrance of a series without a plan is; RefusedError where a plan says it.
        """
        if told := ((self.plan() or {}).get("fragrance") or {}).get("name"):
            raise RefusedError(f"the plan says that the fragrance is {told}", field="fragrance",
                               value=name)
        name = Fragrance(name).name
        with self._writing() as connection:
            bring_up(connection, {"fragrance": name})

    # --- the plan ---------------------------------------------------------------------------

    def save_plan(self, plan: dict, key: str | None = None) -> Receipt:
        """Store a plan (its dict form) and its pieces; a later plan stands before an earlier one.

        A plan equal to the one that stands is not kept twice: the receipt is that one's.
        A piece that the new plan moves to another pour or test is corrected, and one that only
        the plan before had is made void, unless it has scores: then StoreError, for a scored
        piece cannot change its origin.
        """
        key = key or uuid.uuid4().hex
        document = json.dumps(plan, ensure_ascii=False, allow_nan=False)
        pieces = [check_row(RECORDS["pieces"], {n: p.get(n) for n in RECORDS["pieces"].names})
                  for p in plan.get("pieces", ())]
        with self._writing() as connection:
            if known := row_of(connection, "plan", "key", key):
                return _receipt(known)
            last = first_row(connection, _LAST_PLAN)
            before = last and _plan_of(last)
            same = before is not None and before == json.loads(document)
            gone = [] if same else [p["code"] for p in (before or {}).get("pieces", ())]
            # Pieces that were mended by hand since go back to the plan, as with any plan.
            _keep_pieces(connection, pieces, gone, key)
            if same:
                return _receipt(last)
            return _insert(connection, "plan", {"document": document}, key)

    def plan(self) -> dict | None:
        """The plan that was saved last, as a dict; None when there is none."""
        with self._reading() as connection:
            return _last_plan(connection)

    # --- rows in ----------------------------------------------------------------------------

    def add(self, table: str, row: Mapping[str, Any], key: str | None = None) -> Receipt:
        """Store a row and return its :class:`Receipt`.

        ``key`` (or an entry ``key`` of the row) makes a resend harmless: the same row under the
        same key is stored once and the first receipt comes back. Raises
        :class:`scentlab.schema.DataError` on a wrong value and StoreError on a row that is stored
        already, a piece that nobody knows, or a store that cannot write.
        """
        return self.add_all({table: [{**row, "key": key or row.get("key")}]})[table][0]

    def add_all(
        self, rows: Mapping[str, Sequence[Mapping[str, Any]]],
    ) -> dict[str, list[Receipt]]:
        """Store rows of several tables (a dict of lists) in one transaction, all or none; each may
        have its ``key``. Returns their receipts by table."""
        # In the order of RECORDS: pieces go in before their scores ask for them.
        prepared = {table: [_prepare(table, row) for row in rows[table]]
                    for table in sorted(rows, key=list(RECORDS).index)}
        with self._writing() as connection:
            return {t: _add_rows(connection, t, entries) for t, entries in prepared.items()}

    def correct(
        self, table: str, entry_id: int, row: Mapping[str, Any], key: str | None = None,
        reason: str | None = None,
    ) -> Receipt:
        """Replace the values given in ``row`` by a new row; the old one stays in the history.

        ``reason`` says why, and is kept with the new row.
        """
        def corrected(connection, old):
            merged = check_row(RECORDS[table], {**old, **row})
            _spell(connection, table, [merged])
            _refuse_twins(connection, table, [merged], but=entry_id)
            _need_pieces(connection, table, [merged])
            return {**merged, "reason": reason}

        return self._replace(table, entry_id, key, corrected)

    def void(self, table: str, entry_id: int, reason: str, key: str | None = None) -> Receipt:
        """Take a row out of the current state by a new row that says why."""
        why = need_reason(reason)
        return self._replace(table, entry_id, key, lambda _, old: {**old, "void_reason": why})

    def _replace(self, table, entry_id, key, change):
        """A new row in the place of an old one; returns its receipt."""
        key = key or uuid.uuid4().hex
        with self._writing() as connection:
            if known := row_of(connection, table, "key", key):
                return _receipt(known)
            row = change(connection, _values(table, _changeable(connection, table, entry_id)))
            return _insert(connection, table, {**row, "replaces": int(entry_id)}, key)

    # --- rows out ---------------------------------------------------------------------------

    def known_names(self, column: str) -> list[str]:
        """The names of a column of ``NAMED`` that the plan and the record know, planned first."""
        with self._reading() as connection:
            return _known_names(connection, column)

    def find(self, table: str, key: str) -> tuple[dict, Receipt] | None:
        """The stored row under a client's key and its receipt, or None when there is none."""
        with self._reading() as connection:
            stored = row_of(connection, table, "key", key)
            return stored and (_values(table, stored), _receipt(stored))

    def entry(self, table: str, entry_id: int) -> dict | None:
        """The values of one entry, whether or not it stands; None when there is none."""
        with self._reading() as connection:
            stored = row_of(connection, table, "entry_id", int(entry_id))
            return stored and _values(table, stored)

    def rows(self, table: str, history: bool = False) -> pd.DataFrame:
        """The rows that stand, or with ``history=True`` every row ever stored, oldest first.

        Returns a DataFrame with the table's columns and then entry_id, key, saved_at (UTC),
        replaces, void_reason and reason (of a correction).
        """
        where = "1" if history else standing(table)
        names = ", ".join(RECORDS[table].names + BOOKKEEPING)
        with self._reading() as connection:
            query = f"SELECT {names} FROM {table} WHERE {where} ORDER BY entry_id"
            return as_frame(connection.execute(query).fetchall(), RECORDS[table])

    def records(
        self, table: str, columns: Sequence[str] = (), value: Any = None,
    ) -> list[dict]:
        """The rows that stand as dicts of their values and entry_id, oldest first; with ``columns``
        those that have the value in one of them."""
        where = " OR ".join(f"{name} = ?" for name in columns) or "1"
        query = f"SELECT * FROM {table} WHERE ({where}) AND {standing(table)} ORDER BY entry_id"
        with self._reading() as connection:
            return [{**_values(table, row), "entry_id": row["entry_id"]}
                    for row in connection.execute(query, [value] * len(columns))]

    def distinct(self, table: str, columns: Iterable[str], **where: Any) -> frozenset[tuple]:
        """The distinct values of some columns among the rows that stand, as a set of tuples.

        ``where`` names columns and the value that they must have. Reads only what it needs, and
        nothing twice before a row is added, so it stays fast in a store of a million scores.
        """
        same = [f"{name} IS ?" for name in where] + [standing(table)]
        query = f"SELECT DISTINCT {', '.join(columns)} FROM {table} WHERE {' AND '.join(same)}"
        asked, last = (query, *where.values()), f"SELECT entry_id, saved_at FROM {table}"
        with self._reading() as connection:
            # What only appends is as it was while its last row is.
            state = first_row(connection, f"{last} ORDER BY entry_id DESC LIMIT 1")
            known = self._found.get(asked)
            if known is not None and known[0] == state:
                return known[1]
            found = connection.execute(query, list(where.values())).fetchall()
            days = {n for n, c in enumerate(columns) if RECORDS[table][c].kind == "date"}
            found = frozenset(tuple(as_day(v) if n in days else v for n, v in enumerate(row))
                              for row in found)
            if getattr(self._own, "connection", None) is None:  # what may be taken back is not kept
                if len(self._found) >= _MOST_FOUND:
                    self._found.clear()
                self._found[asked] = state, found
            return found

    def entries_of_others(self) -> int:
        """How many entries there are that were not stored by this object: while it stays the same,
        nobody else has stored any."""
        with self._reading() as connection:
            return _entries(connection) - self._own_entries

    def check(self) -> tuple[str, ...]:
        """Look for damage; returns a tuple of sentences, empty when all is well."""
        with self._reading() as connection:
            problems = [f"series.sqlite is damaged: {w}"
                        for w in broken_pages(connection, "integrity_check")]
            problems += (*changed_words(connection), *changed_rows(connection, TABLES))
            for name, column in ((n, c) for n in SCORES for c in RECORDS[n].codes):
                query = (f"SELECT entry_id, {column} FROM {name} WHERE {standing(name)} AND "
                         f"{column} NOT IN (SELECT code FROM pieces WHERE {standing('pieces')})")
                problems += [f"entry {n} of {name} is a score of piece {code}, which is void"
                             for n, code in connection.execute(f"{query} ORDER BY entry_id")]
        return tuple(problems)

    # --- connections ------------------------------------------------------------------------

    def hold(self) -> None:
        """Keep connections for the next operation, for a program that serves many phones.

        Opening one for each costs more than a score. :meth:`let_go` closes those that rest, with
        which the file holds everything by itself again: call it every few seconds.
        """
        self._held = []

    def let_go(self) -> None:
        """Close the connections that :meth:`hold` keeps and nobody uses."""
        while self._held:
            with contextlib.suppress(IndexError):  # another thread was faster
                self._held.pop().close()

    @contextlib.contextmanager
    def _connected(self):
        try:
            try:
                connection = self._held.pop()
            except (AttributeError, IndexError):
                connection = self._connect()
            try:
                yield connection
            except BaseException:
                connection.close()  # which takes back what was not committed
                raise
            if self._held is None:
                connection.close()
            else:
                self._held.append(connection)
        except FAILED as error:
            raise self._clear_error(error) from error

    def _connect(self):
        # A journal of this kind needs a file beside the database even to read it. In a folder that
        # nobody can write to, and without such a journal, nothing changes, which SQLite may know.
        # One that was moved meanwhile is not begun anew, empty. One that may write joins a journal
        # that was left to the file for good: not before they are known to belong together.
        folder, left = self._path.parent, self._left()
        frozen = self._path.exists() and not os.access(folder, os.W_OK) and left is None
        return self._opened("immutable=1" if frozen else
                            "mode=ro" if left and not self._whole else "mode=rw")

    def _left(self):
        """The size of the journal beside the file; None where there is none."""
        with contextlib.suppress(OSError):  # another program may take it away at any time
            return self._journal.stat().st_size

    def _opened(self, how):
        connection = sqlite3.connect(
            f"file:{quote(str(self._path))}?{how}", uri=True, isolation_level=None,
            timeout=BUSY_S, check_same_thread=False,
        )
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA foreign_keys=ON")
        connection.create_function("row_sum", -1, row_sum, deterministic=True)
        return connection

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """All that this thread does with the store meanwhile in one transaction.

        A step that is refused leaves the others as they are, and so does a ``together`` within
        this one. Nothing is stored for good before the end, which raises StoreError when it cannot
        be.
        """
        outer = getattr(self._own, "connection", None)
        with self._writing() as connection:
            self._own.connection = connection
            try:
                yield
            finally:
                self._own.connection = outer

    @contextlib.contextmanager
    def _transaction(self, begin):
        shared = getattr(self._own, "connection", None)
        with contextlib.nullcontext(shared) if shared else self._connected() as connection:
            connection.execute("SAVEPOINT step" if shared else begin)
            try:
                yield connection
            except BaseException:
                if shared and shared.in_transaction:  # a full disk ends it all
                    shared.execute("ROLLBACK TO step")
                    shared.execute("RELEASE step")
                raise
            connection.execute("RELEASE step" if shared else "COMMIT")

    @contextlib.contextmanager
    def _reading(self):
        with self._transaction("BEGIN") as connection:
            try:
                yield connection
            # A cell that is not of its column's kind stops the reader at the column's type.
            except (ValueError, TypeError, OverflowError) as error:
                raise self._damaged(error) from error

    @contextlib.contextmanager
    def _writing(self):
        """A transaction that has the right to write from its start.

        One that reads first and asks for the right later is refused at once when another writer
        was faster.
        """
        with self._transaction("BEGIN IMMEDIATE") as connection:
            within, before = getattr(self._own, "connection", None), _entries(connection)
            yield connection
            if within is None:
                self._own_entries += _entries(connection) - before

    # --- a file that is not as it should be -------------------------------------------------

    def _need_file(self):
        try:
            if not self._path.is_file():
                raise StoreError(f"{self.folder} is not a series folder: it has no {FILE_NAME}",
                                 "check the name or start a new series there")
        except OSError as error:
            raise _outside("SQLITE_CANTOPEN", self.place) from error

    def _version(self):
        with self._reading() as connection:
            if not self._path.stat().st_size and not self._left():
                raise StoreError(
                    f"{self.place}: {FILE_NAME} is empty, as a full disk or a copy that was "
                    "stopped leaves it", "put a copy of it back, or begin anew in another folder")
            if columns_of(connection, "about")[:2] != ("name", "value"):
                raise StoreError(
                    f"{self.place} holds no series: its {FILE_NAME} belongs to another program",
                    "check the folder's name, or start a series in another folder")
            version = about_word(connection, "version")
        if not re.fullmatch(r"[1-9][0-9]{0,5}", str(version)):
            raise self._damaged(f"its version is {version!r}, no number")
        if int(version) > VERSION:
            raise self._newer(f"store version {version}, this one knows up to {VERSION}")
        return int(version)

    def _migrate(self):
        """Give an older store the tables of today: a copy first, then all steps or none."""
        copy = self.folder / f"before-version-{VERSION}-{_now()[:19].replace(':', '')}.sqlite"
        with self._connected() as source, contextlib.closing(sqlite3.connect(copy)) as target:
            source.backup(target)
        try:
            with self._writing() as connection:
                bring_up(connection, {"version": str(VERSION)})
        except Exception as error:
            raise StoreError(
                f"{self.place} could not be updated to store version {VERSION} ({error}); it is "
                "unchanged", f"a copy from before is {copy}"
            ) from error

    def _newer(self, what):
        return StoreError(
            f"{self.place} was written by a newer scentlab ({what})",
            "update scentlab, or export its files where it was written, with: scentlab export "
            "FOLDER --out OTHER-FOLDER")

    def _damaged(self, what):
        """The error of a damaged store, in one sentence with the way out."""
        words = " ".join(str(what).split())
        words = words if len(words) <= 160 else words[:157] + "..."
        mixed = not self._whole and bool(self._left()) and self._whole_alone()
        return DamagedError(
            f"{self.place} is damaged ({words}): leave the file alone and go back to a copy, or "
            "export what is good with: scentlab export FOLDER --whole-rows --out OTHER-FOLDER"
            + mixed * (f". If you have put a copy back: the {FILE_NAME}-wal beside it is of the "
                       f"file before. Move {FILE_NAME}-wal and {FILE_NAME}-shm to another folder "
                       "and try again")
        )

    def _whole_alone(self):
        """Whether no damage is found in the file where what its journal holds is left out."""
        try:
            with contextlib.closing(self._opened("immutable=1")) as alone:
                return first_fault(alone) is None
        except FAILED:
            return False

    def _clear_error(self, error):
        """What an error of SQLite means and what to do about it."""
        # One that Python itself makes has no name: a text that is none.
        name = getattr(error, "sqlite_errorname", "SQLITE_CORRUPT")
        if name.startswith("SQLITE_CORRUPT"):
            return self._damaged(error)
        known = _outside(name, self.place)
        return known or StoreError(f"the store {self.place} answers: {str(error).strip()}")


def need_reason(reason):
    """The reason of a change without blanks around it; a RefusedError where there is none."""
    reason = str(reason or "").strip()
    if not reason:
        raise RefusedError("say why: every change keeps its reason")
    return reason


def _prepare(table, row):
    row = dict(row)
    key = row.pop("key", None) or uuid.uuid4().hex
    return check_row(RECORDS[table], row), str(key)


def _add_rows(connection, table, entries):
    """Store checked rows with their keys in a handful of statements; returns their receipts."""
    keys = [key for _, key in entries]
    stored = {r["key"]: r for r in _where_in(connection, f"SELECT * FROM {table}", "key", keys)}
    _spell(connection, table, [row for row, _ in entries])
    new = {}
    for row, key in entries:
        known = _values(table, stored[key]) if key in stored else new.setdefault(key, row)
        if known != row:
            where = f" (entry {stored[key]['entry_id']})" if key in stored else ""
            raise RefusedError(f"the key {key} was already used for another row of {table}{where}",
                               "give each row its own key", field="key", value=key)
    _refuse_twins(connection, table, list(new.values()))
    _need_pieces(connection, table, list(new.values()))
    _insert_all(connection, table, new)
    found = _where_in(connection, f"SELECT * FROM {table}", "key", list(new))
    receipts = {row["key"]: _receipt(row) for row in (*stored.values(), *found)}
    return [receipts[key] for key in keys]


def _insert_all(connection, table, rows):
    names, saved_at = summed(table), _now()
    values = ([key, saved_at, *(_stored(row.get(n)) for n in names[2:])]
              for key, row in rows.items())
    connection.executemany(
        f"INSERT INTO {table} ({', '.join(names)}, digest) VALUES ({'?, ' * len(names)}?)",
        ([*row, row_sum(*row)] for row in values),
    )


def _stored(value):
    if isinstance(value, float):
        return value + 0.0  # there is one zero in a file of SQLite
    return value.isoformat() if isinstance(value, dt.date) else value


def _insert(connection, table, row, key):
    _insert_all(connection, table, {key: row})
    return _receipt(row_of(connection, table, "key", key))


def _where_in(connection, query, column, values):
    """Rows of a query whose column has one of the values, asked for some hundred at a time."""
    joint = "AND" if " WHERE " in query else "WHERE"
    for start in range(0, len(values), _AT_ONCE):
        some = values[start:start + _AT_ONCE]
        marks = ", ".join("?" * len(some))
        yield from connection.execute(f"{query} {joint} {column} IN ({marks})", some)


def _spell(connection, table, rows):
    """Give each name in the rows the spelling in which it is known; names by look are one."""
    for column in (c for c in NAMED if c in RECORDS[table].names):
        given = list(dict.fromkeys(row[column] for row in rows if row[column] is not None))
        # A spelling that this table has already needs no look at all the names.
        query = f"SELECT 1 FROM {table} WHERE {column} = ? LIMIT 1"
        if all(first_row(connection, query, name) for name in given):
            continue
        spell = spelling(_known_names(connection, column), given)
        for row in rows:
            row[column] = None if row[column] is None else spell(row[column])


def _known_names(connection, column):
    plan = _last_plan(connection) or {}
    planned = plan.get("pours", ())
    if column == "sitting":
        planned = (*plan.get("smellings", ()), *plan.get("pairs", ()))
    found = [*plan.get("assessors", ())] if column == "assessor" else [
        row[column] for row in planned if row.get(column)
    ]
    for table in NAMED[column]:
        query = f"SELECT DISTINCT {column} FROM {table} WHERE {column} IS NOT NULL ORDER BY 1"
        found += [name for (name,) in connection.execute(query)]
    return list(dict.fromkeys(found))


def _refuse_twins(connection, table, rows, but=None):
    """Refuse a row whose key another row has, of those that stand or of these."""
    names = RECORDS[table].key
    query = f"SELECT {', '.join(names)}, entry_id FROM {table} WHERE {standing(table)}"
    heads = list(dict.fromkeys(_stored(row[names[0]]) for row in rows))
    taken = {tuple(place): f"stored already (entry {n})" for *place, n
             in _where_in(connection, query, names[0], heads) if but is None or n != int(but)}
    for row in rows:
        place = tuple(_stored(row[n]) for n in names)  # a day as the store has it
        if place in taken:
            values = ", ".join(f"{k} {v}" for k, v in zip(names, place, strict=True)
                               if v is not None)
            raise RefusedError(f"{table}: {values} is {taken[place]}",
                               "correct or void that entry first", field=names[0], value=place[0])
        taken[place] = "given twice"


def _need_pieces(connection, table, rows):
    names = RECORDS[table].codes if table in SCORES else ()
    codes = list(dict.fromkeys(row[name] for row in rows for name in names))
    query = f"SELECT code FROM pieces WHERE {standing('pieces')}"
    known = {code for (code,) in _where_in(connection, query, "code", codes)}
    for code in codes:
        if code not in known:
            raise RefusedError(
                f"{table}: there is no piece {code}",
                "check the code, or save the plan or the piece first", field=names[0], value=code,
            )


def _changeable(connection, table, entry_id):
    """The row to be corrected or voided; it must exist and not be replaced or void itself."""
    old = row_of(connection, table, "entry_id", int(entry_id))
    if old is None:
        raise RefusedError(f"the table {table} has no entry {entry_id}")
    if later := row_of(connection, table, "replaces", int(entry_id)):
        raise RefusedError(
            f"entry {entry_id} of {table} was replaced by entry {later['entry_id']}",
            "change that one")
    if old["void_reason"] is not None:
        raise RefusedError(f"entry {entry_id} of {table} is a void", "add a new row instead")
    return old


def _keep_pieces(connection, pieces, gone, plan_key):
    """Bring the record to the pieces of a plan; those ``gone`` are void where it lacks them.

    Nobody will ever score a piece that no plan has; one with scores cannot change its origin.
    """
    query = f"SELECT * FROM pieces WHERE {standing('pieces')}"
    current = {row["code"]: dict(row) for row in connection.execute(query)}
    scored = {code for name in SCORES for column in RECORDS[name].codes
              for (code,) in connection.execute(
                  f"SELECT DISTINCT {column} FROM {name} WHERE {standing(name)}")}
    new, planned = {}, {piece["code"]: piece for piece in pieces}
    for code in dict.fromkeys([*gone, *planned]):
        old, row = current.get(code), planned.get(code)
        if row == (old and _values("pieces", old)):
            continue
        if old and code in scored:
            raise StoreError(
                f"piece {code} has scores as a piece of test batch {old['pour']} for "
                f"{old['test'] or 'any test'}, but the new plan has it differently or not at all",
                "give the plan new codes, or void its scores first", field="code", value=code)
        new[f"{plan_key}:{code}"] = {
            **(row or _values("pieces", old)), "replaces": old and old["entry_id"],
            "void_reason": None if row else "not in the plan kept later"}
    _insert_all(connection, "pieces", new)


_LAST_PLAN = "SELECT * FROM plan ORDER BY entry_id DESC LIMIT 1"


def _last_plan(connection):
    row = first_row(connection, _LAST_PLAN)
    plan = row and _plan_of(row)
    if row and plan is None:
        raise ValueError(f"the plan (entry {row['entry_id']}) cannot be read")
    return plan


def _plan_of(row):
    document = row["document"]
    return json.loads(document) if isinstance(document, str) and _is_plan(document) else None


@functools.lru_cache(maxsize=4)
def _is_plan(document):
    try:
        return not plan_problem(json.loads(document))
    except (ValueError, TypeError, RecursionError):
        return False


def _entries(connection):
    """How many entries were ever stored: SQLite keeps the last number of each table."""
    (number,) = first_row(connection, "SELECT total(seq) FROM sqlite_sequence")
    return int(number)


def _values(table, stored):
    return {c.name: as_day(stored[c.name]) if c.kind == "date" else stored[c.name]
            for c in RECORDS[table].columns}


def _receipt(stored):
    return Receipt(stored["entry_id"], stored["key"], dt.datetime.fromisoformat(stored["saved_at"]))


def _now():
    return dt.datetime.now(dt.UTC).isoformat(timespec="microseconds")


# --- what is whole of a damaged store ------------------------------------------------------------


def whole_rows(folder):
    """Of a damaged store what can be read and is right: frames by table, as of :meth:`Store.rows`,
    and sentences on what is lost. It is opened for reading alone; StoreError when nothing can be
    read."""
    store, frames, lost, failed = Store(folder), {}, [], None
    store._need_file()
    try:
        uri = f"file:{quote(str(store._path.absolute()))}?mode=ro"
        with contextlib.closing(sqlite3.connect(uri, uri=True)) as raw:
            # A byte that is no UTF-8 becomes a sign that no column takes: its row is shown as lost.
            raw.text_factory = lambda data: data.decode("utf-8", "surrogateescape")
            raw.row_factory = sqlite3.Row
            raw.execute("PRAGMA writable_schema = ON")  # a file that was cut short is read, too
            try:
                lost += [visible(f"{FILE_NAME}: {' '.join(words.split())}")
                         for words in broken_pages(raw, "integrity_check")]
            except FAILED as error:  # the look itself stopped; what of each table is whole?
                lost, failed = [visible(f"{FILE_NAME}: {error}")], error
            frames = {name: rescued(raw, table, lost) for name, table in RECORDS.items()}
    except FAILED as error:
        failed = error
    if failed and not any(map(len, frames.values())):
        raise StoreError(f"{store._path} cannot be read at all ({failed})",
                         "restore it from a copy") from failed
    for name, code in ((n, c) for n in SCORES for c in RECORDS[n].codes):
        rows = frames[name]
        orphans = rows[~rows[code].isin(frames["pieces"]["code"])]
        lost += [f"{name}, entry {n}: its piece {c} is missing"
                 for n, c in zip(orphans["entry_id"], orphans[code], strict=True)]
    return frames, tuple(lost)


_ERRORS = table_beside(__file__, "errors.toml")


def _outside(name, place):
    """The StoreError of an SQLite error by its name; None for one that has no words here."""
    for start, said in _ERRORS.items():
        if name.startswith(start):
            return StoreError(said["words"].format(place), said["remedy"])
    return None

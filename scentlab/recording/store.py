"""The store of a series: it only appends.

A series folder holds ``series.sqlite``. A correction is a new row that names the row it replaces,
a void is a new row with a reason; triggers refuse every update and delete. Each operation has a
connection and a transaction of its own, so that callbacks in other threads and other processes
can write at the same time.
"""

import contextlib
import datetime as dt
import functools
import json
import os
import re
import sqlite3
import uuid
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import pandas as pd
import sqlalchemy as sa
from sqlalchemy import exc

from scentlab.recording.records import RECORDS, SCORES, check_row, warming_words
from scentlab.series import plan_problem
from scentlab.text import spelling, unseen, visible

FILE_NAME = "series.sqlite"
VERSION = 3
# Columns that hold a name, and the tables that have it: one spelling of a name stands.
NAMED = {
    "pour": ("pours", "pieces"), "pot": ("pours",), "blend": ("pours",), "sitting": ("throws",),
    "assessor": ("grades", "throws", "warmings"),
}
_AT_ONCE = 500  # values in one query; SQLite takes some thousand
BOOKKEEPING = ("entry_id", "key", "saved_at", "replaces", "void_reason", "reason")


class StoreError(RuntimeError):
    """The store cannot do what was asked; nothing was written. The message says what to do."""


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


def _sql_type(column):
    return {"number": sa.Float, "integer": sa.Integer, "date": sa.Date}.get(column.kind, sa.Text)()


def _sql_check(column, name):
    """The range of a column as a CHECK constraint, or nothing when there is none."""
    here = sa.column(column.name)
    if column.kind == "choice":
        rule = here.in_(column.choices)
    elif column.kind in ("number", "integer"):
        rule = here.between(column.lower, column.upper)
    elif column.kind == "text":
        rule = sa.func.length(here).between(1, 200)
    else:
        return ()
    return (sa.CheckConstraint(rule, name=f"{name}_{column.name}_in_range"),)


def _record_table(metadata, table):
    columns = [
        sa.Column("entry_id", sa.Integer, primary_key=True, autoincrement=True),
        sa.Column("key", sa.Text, nullable=False, unique=True),
        sa.Column("saved_at", sa.Text, nullable=False),
        # Unique: a row can be replaced once, so history is a line and never a fork.
        sa.Column("replaces", sa.ForeignKey(f"{table.name}.entry_id"), unique=True),
        sa.Column("void_reason", sa.Text),
        sa.Column("reason", sa.Text),  # why a row was corrected
    ]
    checks = []
    for c in table.columns:
        columns.append(sa.Column(c.name, _sql_type(c), nullable=not c.required))
        checks.extend(_sql_check(c, table.name))
    index = sa.Index(f"{table.name}_by_{table.key[0]}", table.key[0])
    return sa.Table(table.name, metadata, *columns, *checks, index, sqlite_autoincrement=True)


METADATA = sa.MetaData()
ABOUT = sa.Table(
    "about", METADATA,
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)
PLAN = sa.Table(
    "plan", METADATA,
    sa.Column("entry_id", sa.Integer, primary_key=True, autoincrement=True),
    sa.Column("key", sa.Text, nullable=False, unique=True),
    sa.Column("saved_at", sa.Text, nullable=False),
    sa.Column("document", sa.Text, nullable=False),
    sqlite_autoincrement=True,
)


def _add_reasons(connection):
    """From version 1 to 2: a correction can say why."""
    for name in ("pours", "pieces", "grades", "throws", "bleeds"):
        connection.exec_driver_sql(f'ALTER TABLE "{name}" ADD COLUMN reason TEXT')


def _add_warmings(connection):
    """From version 2 to 3: checks of pieces left on the warmer."""
    SQL_TABLES["warmings"].create(connection)
    for statement in _append_only("warmings", connection.dialect.name):
        connection.exec_driver_sql(statement)


# Per old version the step to the next one: a callable of a connection within a transaction.
MIGRATIONS = {1: _add_reasons, 2: _add_warmings}
SQL_TABLES = {name: _record_table(METADATA, table) for name, table in RECORDS.items()}
# "What has been scored" is asked at every page, also among a million scores: these indexes answer
# it without the rows themselves.
_grades, _throws = SQL_TABLES["grades"].c, SQL_TABLES["throws"].c
sa.Index("grades_scored", _grades.test, _grades.code, _grades.assessor, _grades.void_reason)
sa.Index(
    "throws_scored", _throws.assessor, _throws.sitting, _throws.kind, _throws.code,
    _throws.void_reason,
)


class Store:
    """A series that is being recorded. Make one with :meth:`create` or :meth:`open`."""

    def __init__(self, engine, place, folder=None):
        self._engine = engine
        self.place = place
        self.folder = folder

    def __repr__(self):
        return f"Store({self.place!r})"

    @classmethod
    def create(cls, place, *, title="", fragrance="", invented=False, busy_timeout_s=30):
        """A new store in a folder (made when absent) or at an SQLAlchemy URL.

        ``title``, ``fragrance`` and ``invented`` describe a series that has no plan; a plan's own
        words win over them. Raises StoreError when there is a series already.
        """
        folder = _folder(place)
        if folder is not None:
            _make_folder(folder)
        store = cls(_engine(place, busy_timeout_s), str(place), folder)
        about = {"title": title, "fragrance": fragrance, "invented": "yes" if invented else "no"}
        with store._clear_errors():
            if folder is not None:
                store._use_wal()
            with store._writing() as connection:
                _build(connection, about, store.place)
        return store

    @classmethod
    def open(cls, place, *, busy_timeout_s=30):
        """The store of a series folder or at an SQLAlchemy URL.

        The file is looked through for damage first. Raises StoreError, with the way out, when it
        is damaged, of a newer scentlab, or no store of a series.
        """
        folder = _folder(place)
        if folder is not None:
            try:
                _need_series(folder)
            except OSError as error:
                raise StoreError(_SQLITE_WORDS["SQLITE_CANTOPEN"].format(place=place)) from error
        store = cls(_engine(place, busy_timeout_s), str(place), folder)
        with store._clear_errors():
            if store._version() < VERSION:
                store._migrate()
            store._need_whole()
        return store

    def about(self):
        """Title, fragrance and whether the data are invented, as given to :meth:`create`."""
        with self._clear_errors(), self._reading() as connection:
            found = dict(connection.execute(sa.select(ABOUT.c.name, ABOUT.c.value)).all())
        return {
            "title": found.get("title", ""),
            "fragrance": found.get("fragrance", ""),
            "invented": found.get("invented") == "yes",
            "version": self._version(),
        }

    def save_plan(self, plan, key=None):
        """Store a plan (its dict form) and its pieces; a later plan stands before an earlier one.

        A plan equal to the one that stands is not kept twice: the receipt is that one's.
        A piece that the new plan moves to another pour or test is corrected, and one that only
        the plan before had is made void, unless it has scores: then StoreError, for a scored
        piece cannot change its origin.
        """
        key = key or uuid.uuid4().hex
        document = json.dumps(plan, ensure_ascii=False, allow_nan=False)
        with self._clear_errors(), self._writing(PLAN) as connection:
            known = _by_key(connection, PLAN, key)
            if known is not None:
                return _receipt(known)
            last = _last_plan_row(connection)
            if last is not None and _plan_of(last) == json.loads(document):
                # Pieces that were mended by hand since go back to the plan, as with any plan.
                self._save_pieces(connection, plan.get("pieces", ()), key)
                return _receipt(last)
            saved_at = _now()
            self._drop_pieces(connection, plan.get("pieces", ()), key)
            found = connection.execute(
                PLAN.insert().values(key=key, saved_at=saved_at, document=document)
            )
            self._save_pieces(connection, plan.get("pieces", ()), key)
            return Receipt(found.inserted_primary_key[0], key, _moment(saved_at))

    def _save_pieces(self, connection, pieces, plan_key):
        names = RECORDS["pieces"].names
        for piece in pieces:
            row = check_row(RECORDS["pieces"], {k: piece.get(k) for k in names})
            old = _current_piece(connection, row["code"])
            if old is not None and all(old[k] == row[k] for k in names):
                continue
            if old is not None and _scored(connection, row["code"]):
                raise StoreError(
                    f"piece {row['code']} has scores as a piece of pour {old['pour']} for "
                    f"{old['test'] or 'any test'}, and the new plan makes it a piece of pour "
                    f"{row['pour']} for {row['test'] or 'any test'}; give the plan new codes"
                )
            replaces = None if old is None else old["entry_id"]
            key = f"{plan_key}:{row['code']}"
            _insert(connection, "pieces", row, key, replaces=replaces)

    def _drop_pieces(self, connection, pieces, plan_key):
        """Pieces of the plan before that the new one lacks: nobody will ever score them."""
        before = (_last_plan(connection) or {}).get("pieces", ())
        kept = {piece["code"] for piece in pieces}
        for code in (p["code"] for p in before if p["code"] not in kept):
            old = _current_piece(connection, code)
            if old is None:
                continue
            if _scored(connection, code):
                raise StoreError(
                    f"piece {code} has scores as a piece of pour {old['pour']}, and the new plan "
                    "has no such piece; keep its code in the plan, or void its scores first"
                )
            _insert(connection, "pieces", _values("pieces", old), f"{plan_key}:void:{code}",
                    replaces=old["entry_id"], void_reason="not in the plan that was kept later")

    def plan(self):
        """The plan that was saved last, as a dict; None when there is none."""
        with self._clear_errors(), self._reading() as connection:
            return _last_plan(connection)

    def add(self, table, row, key=None):
        """Store a row and return its :class:`Receipt`.

        ``key`` (or an entry ``key`` of the row) makes a resend harmless: the same row under the
        same key is stored once and the first receipt comes back. Raises
        :class:`scentlab.schema.DataError` on a wrong value and StoreError on a row that is stored
        already, a piece that nobody knows, or a store that cannot write.
        """
        return self.add_many(table, [row], None if key is None else [key])[0]

    def add_many(self, table, rows, keys=None):
        """Store several rows of one table, all or none; returns their receipts."""
        return self.add_all({table: rows}, None if keys is None else {table: keys})[table]

    def add_all(self, rows, keys=None):
        """Store rows of several tables (a dict of lists) in one transaction, all or none."""
        _known(rows)
        prepared = {}
        # In the order of RECORDS: pieces go in before their scores ask for them.
        for table in (t for t in RECORDS if t in rows):
            given = (keys or {}).get(table) or [None] * len(rows[table])
            pairs = zip(rows[table], given, strict=True)
            prepared[table] = [_prepare(table, r, k) for r, k in pairs]
        with self._clear_errors(), self._writing(*(SQL_TABLES[t] for t in prepared)) as connection:
            return {t: _add_rows(connection, t, entries) for t, entries in prepared.items()}

    def known_names(self, column):
        """The names of a column of ``NAMED`` that the plan and the record know, planned first."""
        with self._clear_errors(), self._reading() as connection:
            return _known_names(connection, column)

    def find(self, table, key):
        """The stored row under a client's key and its receipt, or None when there is none."""
        _known([table])
        with self._clear_errors(), self._reading() as connection:
            stored = _by_key(connection, SQL_TABLES[table], key)
        return None if stored is None else (_values(table, stored), _receipt(stored))

    def entry(self, table, entry_id):
        """The values of one entry, whether or not it stands; None when there is none."""
        _known([table])
        sql = SQL_TABLES[table]
        query = sa.select(sql).where(sql.c.entry_id == int(entry_id))
        with self._clear_errors(), self._reading() as connection:
            stored = connection.execute(query).mappings().first()
        return None if stored is None else _values(table, stored)

    def correct(self, table, entry_id, row, key=None, reason=None):
        """Replace the values given in ``row`` by a new row; the old one stays in the history.

        ``reason`` says why, and is kept with the new row.
        """
        _known([table])
        with self._clear_errors(), self._writing(SQL_TABLES[table]) as connection:
            key = key or uuid.uuid4().hex
            known = _by_key(connection, SQL_TABLES[table], key)
            if known is not None:
                return _receipt(known)
            old = _standing(connection, table, entry_id)
            merged = check_row(RECORDS[table], {**_values(table, old), **row})
            _spell(connection, table, [merged])
            _refuse_twins(connection, table, [merged], but=entry_id)
            _need_pieces(connection, table, [merged])
            return _insert(connection, table, merged, key, replaces=entry_id, reason=reason)

    def void(self, table, entry_id, reason, key=None):
        """Take a row out of the current state by a new row that says why."""
        _known([table])
        if not isinstance(reason, str) or not reason.strip():
            raise StoreError("a void needs a reason; say why the row does not count")
        with self._clear_errors(), self._writing(SQL_TABLES[table]) as connection:
            key = key or uuid.uuid4().hex
            known = _by_key(connection, SQL_TABLES[table], key)
            if known is not None:
                return _receipt(known)
            old = _standing(connection, table, entry_id)
            values = _values(table, old)
            return _insert(connection, table, values, key, entry_id, reason.strip())

    def rows(self, table, history=False):
        """The rows that stand, or with ``history=True`` every row ever stored, oldest first.

        Returns a DataFrame with the table's columns and then entry_id, key, saved_at (UTC),
        replaces, void_reason and reason (of a correction).
        """
        _known([table])
        sql = SQL_TABLES[table]
        query = sa.select(*(sql.c[n] for n in RECORDS[table].names + BOOKKEEPING))
        if not history:
            query = query.where(_stands(sql))
        with self._clear_errors(), self._reading() as connection:
            return _frame(connection.execute(query.order_by(sql.c.entry_id)).all(), RECORDS[table])

    def history(self, code):
        """All that was ever recorded of a piece, with what became of each entry.

        Table by table and by entry within a table: a clock set back does not change the order.

        Returns a DataFrame with table, entry_id, saved_at, assessor, value (in words) and state.
        """
        found = []
        for name in ("pieces", *SCORES):
            with self._clear_errors(), self._reading() as connection:
                sql = SQL_TABLES[name]
                rows = connection.execute(sa.select(sql).where(sql.c.code == code)).mappings().all()
                found.extend(_told(name, rows))
        columns = ["table", "entry_id", "saved_at", "assessor", "value", "state"]
        return pd.DataFrame(found, columns=columns, dtype=object)

    def distinct(self, table, columns, **where):
        """The distinct values of some columns among the rows that stand, as a set of tuples.

        ``where`` names columns and the value that they must have. Reads only what it needs, so
        it stays fast in a store of a million scores.
        """
        _known([table])
        sql = SQL_TABLES[table]
        same = [sql.c[name] == value for name, value in where.items()]
        query = sa.select(*(sql.c[c] for c in columns)).where(*same, _stands(sql)).distinct()
        with self._clear_errors(), self._reading() as connection:
            return {tuple(row) for row in connection.execute(query)}

    def hold(self, connections):
        """Keep so many connections for the next operation, for a program that serves many phones.

        Opening one for each costs more than a score. :meth:`let_go` closes those that rest, with
        which the file holds everything by itself again: call it every few seconds.
        """
        self._engine = sa.create_engine(self._engine.url, pool_size=connections,
                                        poolclass=sa.QueuePool)
        if self._engine.dialect.name == "sqlite":
            _prepare_sqlite(self._engine, busy_timeout_s=30)

    def let_go(self):
        """Close the connections that :meth:`hold` keeps and nobody uses."""
        self._engine.dispose()

    def backup(self, path):
        """Copy the store, as it stands, to a new file while others may be writing."""
        path = Path(path)
        if self._engine.dialect.name != "sqlite":
            raise StoreError(f"{self.place} is on a database server; use the server's own backup")
        if path.exists():
            raise StoreError(f"{path} exists already; give the name of a new file")
        half = path.with_name(path.name + ".part")
        try:
            with self._clear_errors(), contextlib.closing(self._engine.raw_connection()) as raw:
                with contextlib.closing(sqlite3.connect(half)) as target:
                    raw.driver_connection.backup(target)
            os.replace(half, path)
        except (sqlite3.Error, OSError) as error:
            half.unlink(missing_ok=True)
            raise StoreError(
                f"the backup {path} could not be written ({error}); choose another place"
            ) from error
        return path

    def check(self):
        """Look for damage; returns a tuple of sentences, empty when all is well."""
        with self._clear_errors(), self._reading() as connection:
            problems = [f"series.sqlite is damaged: {w}" for w in _broken_pages(connection)]
            for table in RECORDS.values():
                problems.extend(_wrong_rows(connection, table))
            for name in SCORES:
                problems.extend(_lost_scores(connection, name))
        return tuple(problems)

    @contextlib.contextmanager
    def _reading(self):
        with self._engine.begin() as connection:
            try:
                yield connection
            # A cell that is not of its column's kind stops the reader at the column's type.
            except (ValueError, TypeError, OverflowError) as error:
                raise DamagedError(_damaged(self.place, error)) from error

    @contextlib.contextmanager
    def _writing(self, *tables):
        """A transaction that has the right to write from its start.

        SQLite: BEGIN IMMEDIATE, for a transaction that reads first and asks for the right later
        is refused at once when another writer was faster. PostgreSQL: a lock on the tables, so
        that the look for a twin and the insert are one step.
        """
        engine = self._engine.execution_options(begin="BEGIN IMMEDIATE")
        with engine.begin() as connection:
            if connection.dialect.name == "postgresql":
                for table in sorted(t.name for t in tables):
                    connection.exec_driver_sql(
                        f'LOCK TABLE "{table}" IN SHARE ROW EXCLUSIVE MODE'
                    )
            yield connection

    @contextlib.contextmanager
    def _clear_errors(self):
        try:
            yield
        except exc.DBAPIError as error:
            kind = DamagedError if _damage(error) else StoreError
            raise kind(_say(error, self.place)) from error
        except exc.SQLAlchemyError as error:
            raise StoreError(f"the store {self.place} cannot be used: {error}") from error

    def _use_wal(self):
        # The journal of a database cannot be changed within a transaction.
        with self._engine.execution_options(begin="").connect() as connection:
            connection.exec_driver_sql("PRAGMA journal_mode=WAL")

    def _version(self):
        with self._reading() as connection:
            if not _is_store(connection):
                raise StoreError(f"{self.place} holds no series; start one with Store.create")
            query = sa.select(ABOUT.c.value).where(ABOUT.c.name == "version")
            version = connection.execute(query).scalar()
        if not re.fullmatch(r"[1-9][0-9]{0,5}", str(version)):
            raise DamagedError(_damaged(self.place, f"its version is {version!r}, no number"))
        if int(version) > VERSION:
            raise StoreError(
                f"{self.place} was written by a newer scentlab (store version {version}, this "
                f"one knows up to {VERSION}); update scentlab"
            )
        return int(version)

    def _need_whole(self):
        """Refuse a file that is damaged, lacks a column, or has a plan that cannot be read."""
        with self._reading() as connection:
            words = next(_broken_pages(connection), None) or next(_missing_parts(connection), None)
            if words:
                raise DamagedError(_damaged(self.place, words))
            _last_plan(connection)

    def _migrate(self):
        """Bring an older store to this version: a backup first, then all steps or none."""
        copy = None
        if self.folder is not None:
            copy = self.folder / f"before-version-{VERSION}-{_now()[:19].replace(':', '')}.sqlite"
            self.backup(copy)
        try:
            with self._writing() as connection:
                # Read again: another program may have been faster.
                for version in range(_stored_version(connection), VERSION):
                    MIGRATIONS[version](connection)
                connection.execute(
                    ABOUT.update().where(ABOUT.c.name == "version").values(value=str(VERSION))
                )
        except Exception as error:
            kept = f"; a copy from before is {copy}" if copy else ""
            raise StoreError(
                f"{self.place} could not be brought to store version {VERSION} ({error}); it is "
                f"as it was{kept}"
            ) from error


def _folder(place):
    """The folder of a place, or None when the place is an SQLAlchemy URL."""
    return None if "://" in str(place) else Path(place)


def _make_folder(folder):
    if (folder / FILE_NAME).exists() and (folder / FILE_NAME).stat().st_size:
        raise StoreError(
            f"{folder} holds a series already; open it with Store.open or choose another folder"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"the folder {folder} cannot be made ({error.strerror}); choose another place"
        ) from error


def _need_series(folder):
    if not folder.exists():
        raise StoreError(f"there is no folder {folder}; check the name or start a new series there")
    if not folder.is_dir():
        raise StoreError(f"{folder} is a file; give the series folder that holds {FILE_NAME}")
    if not (folder / FILE_NAME).is_file():
        raise StoreError(
            f"{folder} is not a series folder, it holds no {FILE_NAME}; check the name or start "
            "a new series there"
        )


def _engine(place, busy_timeout_s):
    folder = _folder(place)
    try:
        if folder is None:
            url = sa.make_url(str(place))
        else:
            url = _sqlite_url((folder / FILE_NAME).absolute())
        engine = sa.create_engine(url, poolclass=sa.NullPool)
    except (exc.ArgumentError, exc.NoSuchModuleError, ImportError) as error:
        raise StoreError(
            f"{place} cannot be opened as a database URL ({error}); check the URL and that the "
            "database's driver is installed"
        ) from error
    if engine.dialect.name == "sqlite":
        _prepare_sqlite(engine, busy_timeout_s)
    return engine


def _sqlite_url(path):
    """The URL of the database file, for reading alone when its folder cannot be written.

    A journal of the kind used here needs a file beside the database even to read it. In a folder
    that nobody can write to, and without such a journal, nothing changes, which SQLite may know.
    """
    journal = path.with_name(path.name + "-wal")
    frozen = path.exists() and not os.access(path.parent, os.W_OK) and not journal.exists()
    if not frozen:
        return sa.URL.create("sqlite", database=str(path))
    query = {"immutable": "1", "uri": "true"}
    return sa.URL.create("sqlite", database=f"file:{quote(str(path))}", query=query)


def _prepare_sqlite(engine, busy_timeout_s):
    @sa.event.listens_for(engine, "connect")
    def connect(raw, _):
        raw.isolation_level = None  # SQLAlchemy sends every BEGIN itself, below
        raw.execute(f"PRAGMA busy_timeout={int(1000 * busy_timeout_s)}")
        raw.execute("PRAGMA synchronous=FULL")
        raw.execute("PRAGMA foreign_keys=ON")

    @sa.event.listens_for(engine, "begin")
    def begin(connection):
        statement = connection.get_execution_options().get("begin", "BEGIN")
        if statement:
            connection.exec_driver_sql(statement)


def _build(connection, about, place):
    if sa.inspect(connection).has_table("about"):
        raise StoreError(f"{place} holds a series already; open it with Store.open")
    METADATA.create_all(connection, checkfirst=False)
    for name in [*RECORDS, "plan"]:
        for statement in _append_only(name, connection.dialect.name):
            connection.exec_driver_sql(statement)
    about = {**about, "version": str(VERSION), "created_at": _now()}
    connection.execute(ABOUT.insert(), [{"name": k, "value": v} for k, v in about.items()])


def _append_only(name, dialect):
    """Statements that make a table refuse updates and deletes."""
    words = f"the table {name} only appends"
    if dialect == "sqlite":
        return [
            f"CREATE TRIGGER {name}_no_{verb.lower()} BEFORE {verb} ON {name} "
            f"BEGIN SELECT RAISE(ABORT, '{words}'); END"
            for verb in ("UPDATE", "DELETE")
        ]
    if dialect == "postgresql":
        return [
            f"CREATE FUNCTION {name}_only_appends() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION '{words}'; END $$",
            f'CREATE TRIGGER {name}_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON "{name}" '
            f"FOR EACH STATEMENT EXECUTE FUNCTION {name}_only_appends()",
        ]
    return []


def _known(tables):
    for table in tables:
        if table not in RECORDS:
            raise StoreError(f"there is no table {table!r}; the tables are {', '.join(RECORDS)}")


def _prepare(table, row, key):
    row = dict(row)
    own = row.pop("key", None)
    return check_row(RECORDS[table], row), str(key or own or uuid.uuid4().hex)


def _add_rows(connection, table, entries):
    """Store checked rows with their keys in a handful of statements; returns their receipts."""
    sql, keys = SQL_TABLES[table], [key for _, key in entries]
    stored = {row["key"]: row for row in _where_in(connection, sa.select(sql), sql.c.key, keys)}
    _spell(connection, table, [row for row, _ in entries])
    new = {}
    for row, key in entries:
        if _values(table, stored[key]) != row if key in stored else new.setdefault(key, row) != row:
            raise RefusedError(
                f"the key {key} was used already for another row of {table}"
                + (f" (entry {stored[key]['entry_id']})" if key in stored else "")
                + "; give each row a key of its own"
            )
    _refuse_twins(connection, table, list(new.values()))
    _need_pieces(connection, table, list(new.values()))
    if new:
        saved_at = _now()
        connection.execute(
            sql.insert(), [{**row, "key": key, "saved_at": saved_at} for key, row in new.items()]
        )
        proof = sa.select(sql.c.entry_id, sql.c.key, sql.c.saved_at)
        found = _where_in(connection, proof, sql.c.key, list(new))
        stored |= {row["key"]: row for row in found}
    receipts = {key: _receipt(row) for key, row in stored.items()}
    return [receipts[key] for key in keys]


def _where_in(connection, query, column, values):
    """Rows of a query whose column has one of the values, asked for some hundred at a time."""
    for start in range(0, len(values), _AT_ONCE):
        some = query.where(column.in_(values[start:start + _AT_ONCE]))
        yield from connection.execute(some).mappings()


def _spell(connection, table, rows):
    """Give each name in the rows the spelling in which it is known; names by look are one."""
    for column in (c for c in NAMED if c in RECORDS[table].names):
        given = dict.fromkeys(row[column] for row in rows if row[column] is not None)
        own = SQL_TABLES[table].c[column]
        # A spelling that this table has already needs no look at all the names.
        if all(connection.execute(sa.select(own).where(own == n).limit(1)).first() for n in given):
            continue
        spell = spelling(_known_names(connection, column), given)
        for row in rows:
            row[column] = None if row[column] is None else spell(row[column])


def _known_names(connection, column):
    plan = _last_plan(connection) or {}
    found = [*plan.get("assessors", ())] if column == "assessor" else [
        row[column] for row in plan.get("smellings" if column == "sitting" else "pours", ())
        if row.get(column)
    ]
    for table in NAMED[column]:
        own = SQL_TABLES[table].c[column]
        query = sa.select(own).where(own.is_not(None)).distinct().order_by(own)
        found += connection.execute(query).scalars()
    return list(dict.fromkeys(found))


def _insert(connection, table, row, key, replaces=None, void_reason=None, reason=None):
    # A number out of a frame is numpy's, which SQLite would store as bytes.
    replaces = None if replaces is None else int(replaces)
    saved_at = _now()
    found = connection.execute(SQL_TABLES[table].insert().values(
        key=key, saved_at=saved_at, replaces=replaces, void_reason=void_reason, reason=reason,
        **row
    ))
    return Receipt(found.inserted_primary_key[0], key, _moment(saved_at))


@functools.cache
def _stands(sql):
    """The condition that a row is neither replaced nor void."""
    later = sql.alias()
    replaced = sa.select(later.c.replaces).where(later.c.replaces.is_not(None))
    return sa.and_(sql.c.void_reason.is_(None), sql.c.entry_id.not_in(replaced))


def _by_key(connection, sql, key):
    return connection.execute(sa.select(sql).where(sql.c.key == key)).mappings().first()


def _last_plan(connection):
    row = _last_plan_row(connection)
    plan = None if row is None else _plan_of(row)
    if row is not None and plan is None:
        raise ValueError(f"the plan (entry {row['entry_id']}) cannot be read")
    return plan


def _plan_of(row):
    """The plan of a row, None when it is none."""
    try:
        plan = json.loads(row["document"])
    except (ValueError, RecursionError):
        return None
    return None if plan_problem(plan) else plan


def _last_plan_row(connection):
    query = sa.select(PLAN).order_by(PLAN.c.entry_id.desc()).limit(1)
    return connection.execute(query).mappings().first()


def _current_piece(connection, code):
    sql = SQL_TABLES["pieces"]
    query = sa.select(sql).where(sql.c.code == code, _stands(sql))
    return connection.execute(query).mappings().first()


def _scored(connection, code):
    for name in SCORES:
        sql = SQL_TABLES[name]
        query = sa.select(sql.c.entry_id).where(sql.c.code == code, _stands(sql)).limit(1)
        if connection.execute(query).first():
            return True
    return False


def _standing(connection, table, entry_id):
    """The row to be corrected or voided; it must exist and not be replaced or void itself."""
    sql = SQL_TABLES[table]
    query = sa.select(sql).where(sql.c.entry_id == int(entry_id))
    old = connection.execute(query).mappings().first()
    if old is None:
        raise RefusedError(f"the table {table} has no entry {entry_id}")
    query = sa.select(sql.c.entry_id).where(sql.c.replaces == int(entry_id))
    later = connection.execute(query).scalar()
    if later is not None:
        raise RefusedError(
            f"entry {entry_id} of {table} was replaced by entry {later}; change that one"
        )
    if old["void_reason"] is not None:
        raise RefusedError(f"entry {entry_id} of {table} is a void; add a new row instead")
    return old


def _refuse_twins(connection, table, rows, but=None):
    """Refuse a row whose key another row has, of those that stand or of these."""
    sql, names = SQL_TABLES[table], RECORDS[table].key
    query = sa.select(sql.c.entry_id, *(sql.c[n] for n in names)).where(_stands(sql))
    if but is not None:
        query = query.where(sql.c.entry_id != int(but))
    for name in names[1:]:
        query = query.where(_is_one_of(sql.c[name], {row[name] for row in rows}))
    heads = list(dict.fromkeys(row[names[0]] for row in rows))
    taken = {tuple(r[n] for n in names): f"stored already (entry {r['entry_id']})"
             for r in _where_in(connection, query, sql.c[names[0]], heads)}
    for row in rows:
        place = tuple(row[n] for n in names)
        if place in taken:
            values = ", ".join(f"{k} {v}" for k, v in zip(names, place, strict=True)
                               if v is not None)
            raise RefusedError(
                f"{table}: {values} is {taken[place]}; correct or void that entry first"
            )
        taken[place] = "given twice"


def _is_one_of(column, values):
    """The condition that a column has one of the values, as far as they are few enough to ask."""
    if len(values) > _AT_ONCE:
        return sa.true()
    known = column.in_(values - {None})
    return sa.or_(known, column.is_(None)) if None in values else known


def _need_pieces(connection, table, rows):
    if table not in SCORES:
        return
    pieces, codes = SQL_TABLES["pieces"], list(dict.fromkeys(row["code"] for row in rows))
    query = sa.select(pieces.c.code).where(_stands(pieces))
    known = {row["code"] for row in _where_in(connection, query, pieces.c.code, codes)}
    for code in codes:
        if code not in known:
            raise RefusedError(
                f"{table}: nobody knows a piece {code}; check the code, or save the plan or "
                "the piece first"
            )


def _is_store(connection):
    found = sa.inspect(connection)
    return found.has_table("about") and {c["name"] for c in found.get_columns("about")} >= {
        "name", "value"
    }


def _broken_pages(connection):
    """What SQLite finds wrong in its file, in its words; nothing for another database."""
    if connection.dialect.name == "sqlite":
        for (words,) in connection.exec_driver_sql("PRAGMA integrity_check(20)"):
            if words != "ok":
                yield words


def _missing_parts(connection):
    """Tables, columns and triggers that every store has and this one lacks, in words."""
    found = sa.inspect(connection)
    tables = set(found.get_table_names())
    for name, table in METADATA.tables.items():
        if name not in tables:
            yield f"the table {name} is missing"
        else:
            lost = {c.name for c in table.columns} - {c["name"] for c in found.get_columns(name)}
            for column in sorted(lost):
                yield f"the column {column} of {name} is missing"


def whole_rows(folder):
    """Of a damaged store what can be read and is right: frames by table, and what is lost.

    Parameters
    ----------
    folder : series folder. Its file is opened for reading alone and is not changed.

    Returns
    -------
    (dict of table name to frame as of :meth:`Store.rows`, tuple of sentences on what is lost).
    Raises StoreError when nothing can be read.
    """
    path = Path(folder) / FILE_NAME
    _need_series(Path(folder))
    frames, lost = {}, []
    try:
        uri = f"file:{quote(str(path.absolute()))}?mode=ro"
        with contextlib.closing(sqlite3.connect(uri, uri=True)) as raw:
            # A byte that is no UTF-8 becomes a sign that no column takes: its row is told.
            raw.text_factory = lambda data: data.decode("utf-8", "surrogateescape")
            raw.row_factory = sqlite3.Row
            for table in RECORDS.values():
                frames[table.name] = _rescued(raw, table, lost)
        for name in SCORES:
            rows = frames[name][["entry_id", "code"]].itertuples(index=False)
            known = set(frames["pieces"]["code"])
            lost += [f"{name}, entry {n}: its piece {c} is not there" for n, c in rows
                     if c not in known]
    except sqlite3.Error as error:
        raise StoreError(
            f"{path} cannot be read at all ({error}); restore it from a copy"
        ) from error
    return frames, tuple(lost)


def _rescued(raw, table, lost):
    found, problem = {}, None
    # From both ends: a broken page stops the one way and the other behind it.
    for order in ("ASC", "DESC"):
        try:
            for row in raw.execute(f'SELECT * FROM "{table.name}" ORDER BY rowid {order}'):
                if row["entry_id"] in found:
                    break
                found[row["entry_id"]] = dict(row)
        except (sqlite3.Error, IndexError) as error:
            problem = error
    if problem is not None:
        lost.append(f"{table.name}: not all can be read ({problem})")
    good = [found[n] for n in sorted(found, key=str) if _is_good(table, found[n], lost)]
    replaced = {row.get("replaces") for row in good}
    standing = [
        [row.get(n) for n in table.names + BOOKKEEPING] for row in good
        if row["entry_id"] not in replaced and row.get("void_reason") is None
    ]
    return _frame(sorted(standing, key=lambda row: row[len(table.names)]), table)


def _is_good(table, row, lost):
    """Whether a rescued row is right, which is then of the right kinds; what is wrong is told."""
    try:
        row |= check_row(table, {n: row.get(n) for n in table.names})
        _moment(row["saved_at"])
        row["entry_id"] = int(row["entry_id"])
        row["replaces"] = None if row.get("replaces") is None else int(row["replaces"])
        if unseen(f"{row.get('void_reason')}{row.get('reason')}{row.get('key')}", lines=True):
            raise ValueError("its reason or key is no text")
    except (ValueError, TypeError, KeyError) as error:
        words = str(error).splitlines()[0]
        lost.append(f"{table.name}, entry {row.get('entry_id')}: {visible(words)}")
        return False
    return True


def _damaged(place, what):
    """A damaged store in one sentence, with the way out."""
    words = " ".join(str(what).split())
    words = words if len(words) <= 160 else words[:157] + "..."
    return (
        f"{place} is damaged ({words}): keep the file as it is and go back to a copy, or write "
        "what is whole of it with: scentlab export FOLDER --whole-rows --out OTHER-FOLDER"
    )


def _stored_version(connection):
    query = sa.select(ABOUT.c.value).where(ABOUT.c.name == "version")
    return int(connection.execute(query).scalar())


def _told(table, rows):
    """Entries of one table about one piece, each with its state in words."""
    later = {r["replaces"]: r for r in rows if r["replaces"] is not None}
    for row in sorted(rows, key=lambda r: r["entry_id"]):
        after = later.get(row["entry_id"])
        state = "stands"
        if row["void_reason"] is not None:
            state = f"makes entry {row['replaces']} void: {row['void_reason']}"
        elif after is not None:
            verb = "void by" if after["void_reason"] is not None else "corrected by"
            state = f"{verb} entry {after['entry_id']}"
            if after["reason"]:
                state += f": {after['reason']}"
        yield (
            table, row["entry_id"], _moment(row["saved_at"]), row.get("assessor"),
            _in_words(table, row), state,
        )


def _in_words(table, row):
    if table == "pieces":
        return f"a piece of pour {row['pour']} for {row['test'] or 'any test'}"
    if table == "grades":
        return f"{row['test']} grade {row['grade']}"
    if table == "throws":
        return f"{row['kind']} throw {row['throw']:g} of 10 in sitting {row['sitting']}"
    if table == "warmings":
        return warming_words(row)
    return f"bleed {row['bleed_mg']:g} mg in {row['hours']:g} h at {row['temp_c']:g} °C"


def _wrong_rows(connection, table):
    """Rows whose values are out of range, which only a change from outside can have made."""
    sql = SQL_TABLES[table.name]
    for row in connection.execute(sa.select(sql).order_by(sql.c.entry_id)).mappings():
        try:
            check_row(table, _values(table.name, row))
            _moment(row["saved_at"])
        except ValueError as error:
            yield f"entry {row['entry_id']} of {table.name}: {str(error).splitlines()[0]}"


def _lost_scores(connection, table):
    sql, pieces = SQL_TABLES[table], SQL_TABLES["pieces"]
    known = sa.exists().where(pieces.c.code == sql.c.code, _stands(pieces))
    query = sa.select(sql.c.entry_id, sql.c.code).where(_stands(sql), ~known)
    for row in connection.execute(query.order_by(sql.c.entry_id)):
        yield f"entry {row.entry_id} of {table} is a score of piece {row.code}, which is void"


def _values(table, stored):
    return {name: stored[name] for name in RECORDS[table].names}


def _receipt(stored):
    return Receipt(stored["entry_id"], stored["key"], _moment(stored["saved_at"]))


def _now():
    return dt.datetime.now(dt.UTC).isoformat(timespec="microseconds")


def _moment(text):
    return dt.datetime.fromisoformat(text)


def _frame(found, table):
    """Fetched rows with the column types of :func:`scentlab.schema.parse_table`."""
    names = table.names + BOOKKEEPING
    columns = list(zip(*found, strict=True)) if found else [()] * len(names)
    frame = {n: pd.Series(list(c), dtype=object) for n, c in zip(names, columns, strict=True)}
    kinds = {"number": "float64", "integer": "Int64"}
    for column in table.columns:
        if column.kind in kinds:
            frame[column.name] = frame[column.name].astype(kinds[column.kind])
    frame["entry_id"] = frame["entry_id"].astype("int64")
    frame["replaces"] = frame["replaces"].astype("Int64")
    frame["saved_at"] = pd.to_datetime(frame["saved_at"], utc=True).astype("datetime64[us, UTC]")
    return pd.DataFrame(frame)


def _say(error, place):
    """What a database's error means and what to do about it."""
    if _damage(error):
        return _damaged(place, error.orig)
    name = getattr(error.orig, "sqlite_errorname", "") or ""
    for start, words in _SQLITE_WORDS.items():
        if name.startswith(start):
            return words.format(place=place)
    return f"the store {place} answers: {str(error.orig).strip()}"


def _damage(error):
    """Whether SQLite found the file damaged."""
    name = getattr(error.orig, "sqlite_errorname", "") or ""
    return name.startswith("SQLITE_CORRUPT") or "decode to UTF-8" in str(error.orig)


_SQLITE_WORDS = {
    "SQLITE_BUSY": "{place} is locked by another program that does not finish; nothing was saved. "
    "Close what holds it open (a backup, a sync program, a database viewer) and save again",
    "SQLITE_LOCKED": "{place} is locked by another program that does not finish; nothing was "
    "saved. Close what holds it open (a backup, a sync program, a database viewer) and save again",
    "SQLITE_READONLY": "{place} is read-only; nothing was saved. Give yourself the right to write "
    "to the folder and its files, or copy the series to a folder of your own",
    "SQLITE_FULL": "the disk of {place} is full; nothing was saved. Make room and save again",
    "SQLITE_CANTOPEN": "{place} cannot be opened: the folder or its files refuse reading or "
    "writing. Give yourself the right to write to the folder, or copy the series to your own",
    "SQLITE_NOTADB": "{place}: series.sqlite is no database; restore it from a copy",
    "SQLITE_IOERR": "the disk of {place} failed while the store was used; nothing was saved. "
    "Check the disk, then save again",
}

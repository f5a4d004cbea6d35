"""How is the database reached? SQLite in WAL mode, or PostgreSQL through psycopg 3.

Rows are read and written on the driver's own cursors: a read of one resource must cost no more
than its two look-ups. SQL is written with `?` and one dialect for both engines; SQLAlchemy
keeps the schema, the migrations and the pool of PostgreSQL connections.

No exception of a driver leaves this file: trouble with the database becomes `Unavailable`.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from functools import cache
from typing import Any, Literal

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, SQLAlchemyError

from service.errors import Unavailable

Dialect = Literal["sqlite", "postgresql"]
Row = tuple[Any, ...]

BUSY_MS = 30_000
"""How long a writer waits for the one before it."""


@cache
def _for_psycopg(sql: str) -> str:
    return sql.replace("%", "%%").replace("?", "%s")


class Connection:
    """A DBAPI connection in autocommit mode with the few calls the store needs."""

    __slots__ = ("_cursor", "dialect", "raw")

    def __init__(self, raw: Any, dialect: Dialect) -> None:
        self.raw = raw
        self.dialect: Dialect = dialect
        self._cursor = raw.cursor()

    def _sql(self, sql: str) -> str:
        return sql if self.dialect == "sqlite" else _for_psycopg(sql)

    def rows(self, sql: str, params: Sequence[Any] = ()) -> list[Row]:
        """All rows of a select written with `?`."""
        found: list[Row] = self._cursor.execute(self._sql(sql), params).fetchall()
        return found

    def row(self, sql: str, params: Sequence[Any] = ()) -> Row | None:
        """The first row of a select written with `?`, or None."""
        found: Row | None = self._cursor.execute(self._sql(sql), params).fetchone()
        return found

    def stream(self, sql: str, params: Sequence[Any] = (), *, batch: int = 500) -> Iterator[Row]:
        """Rows of a select one by one, in constant memory where a snapshot is open."""
        if self.dialect == "sqlite":
            yield from self.raw.cursor().execute(sql, params)
            return
        with self.raw.cursor(name="hyoid_stream") as cursor:
            cursor.itersize = batch
            yield from cursor.execute(self._sql(sql), params)

    def run(self, sql: str, params: Sequence[Any] = ()) -> None:
        """One statement written with `?`."""
        self._cursor.execute(self._sql(sql), params)

    def many(self, sql: str, rows: Sequence[Sequence[Any]]) -> None:
        """One statement for each of many rows."""
        if rows:
            self._cursor.executemany(self._sql(sql), rows)


class Database:
    """The connections of one process to one database."""

    def __init__(self, url: str) -> None:
        """Take `sqlite:///file`, `postgresql://…` or `postgresql+psycopg://…`; opens nothing yet.

        Raises ValueError for any other URL.
        """
        self.url = normal_url(url)
        self.dialect: Dialect = "sqlite" if self.url.startswith("sqlite") else "postgresql"
        self.engine: Engine = _engine(self.url)
        self._local = threading.local()
        self._writing = threading.Lock()
        self._opened: list[Connection] = []

    def reader(self, *, snapshot: bool = False) -> AbstractContextManager[Connection]:
        """A connection to read on; with `snapshot` all its statements see one state."""
        if self.dialect == "sqlite" and not snapshot:
            return _LocalReader(self)
        return self._snapshot() if snapshot else self._pooled()

    @contextmanager
    def _pooled(self) -> Iterator[Connection]:
        with self._failures(), self._connection() as connection:
            yield connection

    @contextmanager
    def _snapshot(self) -> Iterator[Connection]:
        with self._failures(), self._connection() as connection:
            if connection.dialect == "sqlite":
                connection.run("BEGIN")
            else:
                connection.run("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
            try:
                yield connection
            finally:
                connection.run("ROLLBACK")

    @contextmanager
    def writer(self) -> Iterator[Connection]:
        """The one connection that may write now: commits at the end, or leaves nothing behind.

        Raises Unavailable when the writer before does not finish in time.
        """
        with self._failures(), self._turn(), self._connection() as connection:
            if connection.dialect == "sqlite":
                connection.run("BEGIN IMMEDIATE")
            else:
                connection.run("BEGIN")
                connection.run(f"SET LOCAL lock_timeout = {BUSY_MS}")
            try:
                yield connection
                connection.run("COMMIT")
            except BaseException:
                _roll_back(connection)
                raise

    def local(self) -> Connection:
        """This thread's own SQLite connection, kept open. May raise SQLAlchemyError."""
        try:
            connection: Connection = self._local.connection
        except AttributeError:
            pooled = self.engine.raw_connection()
            raw = pooled.driver_connection
            pooled.detach()
            connection = self._local.connection = Connection(raw, "sqlite")
            self._opened.append(connection)
        return connection

    def close(self) -> None:
        """Close what is open; threads that go on get new connections."""
        for connection in self._opened:
            connection.raw.close()
        self._opened.clear()
        self._local = threading.local()
        self.engine.dispose()

    @contextmanager
    def _turn(self) -> Iterator[None]:
        """Queue the writers of this process, since SQLite would have them poll for the lock."""
        if not self._writing.acquire(timeout=BUSY_MS / 1000):
            raise Unavailable("Other writers kept the store busy for too long; try again")
        try:
            yield
        finally:
            self._writing.release()

    @contextmanager
    def _connection(self) -> Iterator[Connection]:
        if self.dialect == "sqlite":
            yield self.local()
            return
        pooled = self.engine.raw_connection()
        try:
            driver = pooled.driver_connection
            yield Connection(driver, "postgresql")
        except BaseException:
            if getattr(pooled.driver_connection, "closed", True):
                pooled.invalidate()
            raise
        finally:
            pooled.close()

    @contextmanager
    def _failures(self) -> Iterator[None]:
        try:
            yield
        except (*_driver_errors(), SQLAlchemyError) as error:
            raise _unavailable() from error


class _LocalReader:
    """The short way to a single statement on SQLite: no transaction, no generator."""

    __slots__ = ("_database",)

    def __init__(self, database: Database) -> None:
        self._database = database

    def __enter__(self) -> Connection:
        try:
            return self._database.local()
        except SQLAlchemyError as error:
            raise _unavailable() from error

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, sqlite3.Error):
            raise _unavailable() from error


def _unavailable() -> Unavailable:
    return Unavailable("The database did not take the request; nothing was stored. Try again later")


def normal_url(url: str) -> str:
    """The URL with the driver we use; ValueError where it is none of ours."""
    try:
        parsed = make_url(url)
    except ArgumentError:
        raise ValueError(f"not a database URL: {url!r}") from None
    if parsed.drivername in ("sqlite", "sqlite+pysqlite"):
        if parsed.database in (None, "", ":memory:"):
            raise ValueError("the store needs a file: sqlite:///hyoid.sqlite3")
        return parsed.set(drivername="sqlite").render_as_string(hide_password=False)
    if parsed.drivername in ("postgresql", "postgres", "postgresql+psycopg"):
        return parsed.set(drivername="postgresql+psycopg").render_as_string(hide_password=False)
    raise ValueError(f"the database must be SQLite or PostgreSQL, not {parsed.drivername!r}")


def _engine(url: str) -> Engine:
    if url.startswith("sqlite"):
        engine = create_engine(url, connect_args={"check_same_thread": False})
        event.listen(engine, "connect", _prepare_sqlite)
        return engine
    return create_engine(
        url,
        isolation_level="AUTOCOMMIT",
        pool_size=16,
        max_overflow=16,
        pool_reset_on_return=None,
        pool_pre_ping=False,
        pool_recycle=1800,
    )


def _prepare_sqlite(raw: sqlite3.Connection, _record: object) -> None:
    raw.isolation_level = None
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",
        f"busy_timeout={BUSY_MS}",
        "foreign_keys=ON",
        "cache_size=-65536",
        "temp_store=MEMORY",
        "mmap_size=268435456",
    ):
        raw.execute(f"PRAGMA {pragma}").close()


def _roll_back(connection: Connection) -> None:
    try:
        connection.run("ROLLBACK")
    except _driver_errors():
        connection.raw.close()


@cache
def _driver_errors() -> tuple[type[Exception], ...]:
    try:
        import psycopg
    except ImportError:
        return (sqlite3.Error,)
    return (sqlite3.Error, psycopg.Error)

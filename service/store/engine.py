"""How is the database reached? SQLite in WAL mode, or PostgreSQL through psycopg 3.

Rows are read and written on the driver's own cursors: a read of one resource must cost no more
than its two look-ups. SQLAlchemy keeps the schema, the migrations and the pool of PostgreSQL
connections.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from typing import Any

from sqlalchemy import URL, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DisconnectionError, SQLAlchemyError

from service.store.connection import (
    BUSY_MS,
    Connection,
    Dialect,
    as_unavailable,
    is_cut,
    limited_room,
    time_limit,
    unavailable,
)
from service.store.convoy import Convoy

_CONNECT_SECONDS = 10
_CHECKPOINT_PAGES = 4000
"""16 MiB of log; SQLite's own choice, a quarter of it, is filled by a handful of sessions."""

_MAPPED = 2**31 - 2**16
"""Bytes of the file that are read in place, SQLite's most: no copy, and no memory of our own."""

_READER_KIB, _WRITER_KIB = 16 << 10, 64 << 10
"""Pages beyond that, and changed ones, which a connection keeps. Each thread that reads has one."""


class Database:
    """The connections of one process to one database."""

    def __init__(self, url: str, busy_ms: int = BUSY_MS) -> None:
        """Take `sqlite:///file`, `postgresql://…` or `postgresql+psycopg://…`; opens nothing yet.

        `busy_ms` is how long a writer waits for the others. Raises ValueError for any other URL.
        """
        self.url = normal_url(url)
        self.dialect: Dialect = "sqlite" if self.url.startswith("sqlite") else "postgresql"
        self.engine: Engine = _engine(self.url, busy_ms)
        self._local = threading.local()
        self._convoy = Convoy(self._open_writer, busy_ms)
        self._opened: list[Connection] = []

    def reader(
        self, *, snapshot: bool = False, seconds: float | None = None, room: int | None = None
    ) -> AbstractContextManager[Connection]:
        """A connection to read on; with `snapshot` all its statements see one state.

        A statement of a snapshot that takes longer than `seconds` is stopped and refused as
        TooCostly; so are more than `room` bytes of resources.
        """
        if self.dialect == "sqlite" and not snapshot:
            return _LocalReader(self)
        return self._snapshot(seconds, room) if snapshot else self._pooled()

    @contextmanager
    def _pooled(self) -> Iterator[Connection]:
        with as_unavailable(), self._connection() as connection:
            yield connection

    @contextmanager
    def _snapshot(self, seconds: float | None, room: int | None) -> Iterator[Connection]:
        with as_unavailable(), self._connection() as connection:
            if connection.dialect == "sqlite":
                connection.run("BEGIN")
            else:
                connection.run("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")
            try:
                with time_limit(connection, seconds), limited_room(connection, room):
                    yield connection
            finally:
                connection.run("ROLLBACK")

    def writer(self) -> AbstractContextManager[Connection]:
        """The one connection that may write now: kept for good when the block has ended well.

        A block that raises leaves nothing behind. Raises Unavailable where the database does
        not take it.
        """
        return self._convoy.writer()

    def local(self) -> Connection:
        """This thread's own SQLite connection, kept open. May raise SQLAlchemyError."""
        try:
            connection: Connection = self._local.connection
        except AttributeError:
            connection = self._local.connection = self._open()
            self._opened.append(connection)
        return connection

    def close(self) -> None:
        """Close what is open; threads that go on get new connections."""
        self._convoy.close()
        for connection in self._opened:
            connection.raw.close()
        self._opened.clear()
        self._local = threading.local()
        self.engine.dispose()

    def _open(self) -> Connection:
        pooled = self.engine.raw_connection()
        raw = pooled.driver_connection
        pooled.detach()
        return Connection(raw, self.dialect)

    def _open_writer(self) -> Connection:
        connection = self._open()
        if self.dialect == "sqlite":
            # `Connection.begin` waits by itself.
            connection.run("PRAGMA busy_timeout=0")
            # Pages that many commits change go from the log to the file less often.
            connection.run(f"PRAGMA wal_autocheckpoint={_CHECKPOINT_PAGES}")
            connection.run(f"PRAGMA cache_size=-{_WRITER_KIB}")
        return connection

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


class _LocalReader:
    """The short way to a single statement on SQLite: no transaction, no generator."""

    __slots__ = ("_database",)

    def __init__(self, database: Database) -> None:
        self._database = database

    def __enter__(self) -> Connection:
        try:
            return self._database.local()
        except SQLAlchemyError as error:
            raise unavailable() from error

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, sqlite3.Error):
            raise unavailable() from error


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


def _engine(url: str, busy_ms: int) -> Engine:
    if url.startswith("sqlite"):
        engine = create_engine(url, connect_args={"check_same_thread": False})
        event.listen(engine, "connect", partial(_prepare_sqlite, busy_ms))
        return engine
    engine = create_engine(
        _with_timeout(url),
        isolation_level="AUTOCOMMIT",
        pool_size=16,
        max_overflow=16,
        pool_reset_on_return=None,
        pool_recycle=1800,
    )
    event.listen(engine, "checkout", _refuse_cut)
    return engine


def _with_timeout(url: str) -> URL:
    """A server that does not answer at all must not hold a request for minutes."""
    parsed = make_url(url)
    if "connect_timeout" in parsed.query:
        return parsed
    return parsed.update_query_dict({"connect_timeout": str(_CONNECT_SECONDS)})


def _refuse_cut(raw: Any, _record: object, _proxy: object) -> None:
    """After a restart of the server: let the pool open another instead of handing this one out."""
    if is_cut(raw):
        raise DisconnectionError


def _prepare_sqlite(busy_ms: int, raw: sqlite3.Connection, _record: object) -> None:
    raw.isolation_level = None
    for pragma in (
        "journal_mode=WAL",
        "synchronous=FULL",
        f"busy_timeout={busy_ms}",
        "foreign_keys=ON",
        f"cache_size=-{_READER_KIB}",
        "temp_store=MEMORY",
        f"mmap_size={_MAPPED}",
    ):
        raw.execute(f"PRAGMA {pragma}").close()

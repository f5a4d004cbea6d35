"""One connection to the database: SQL written with `?` on the driver's own cursor."""

from __future__ import annotations

import selectors
import sqlite3
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache, lru_cache
from typing import Any, Literal

from sqlalchemy.exc import SQLAlchemyError

from service.errors import TooCostly, Unavailable

Dialect = Literal["sqlite", "postgresql"]
Row = tuple[Any, ...]

BUSY_MS = 30_000
"""How long a writer waits for the others, in milliseconds, before it is refused."""

_IN_TRANSACTION = 2
"""PQTRANS_INTRANS of libpq: a transaction is open, and not broken by an error."""

_ASK_AGAIN = 0.001
"""Seconds between two attempts to become the writer of an SQLite file. SQLite's own waiting grows
to 0.1 seconds, and so misses the moments when a busy process pauses."""


@lru_cache(maxsize=4096)
def _for_psycopg(sql: str) -> str:
    return sql.replace("%", "%%").replace("?", "%s")


class Connection:
    """A DBAPI connection in autocommit mode with the few calls the store needs."""

    __slots__ = ("_cursor", "dialect", "raw", "room")

    def __init__(self, raw: Any, dialect: Dialect) -> None:
        self.raw = raw
        self.dialect: Dialect = dialect
        self.room: int | None = None
        """Bytes of resources that may still be read; None: no limit (`rows.stored_rows`)."""
        self._cursor = raw.cursor()

    def _sql(self, sql: str) -> str:
        return sql if self.dialect == "sqlite" else _for_psycopg(sql)

    def rows(self, sql: str, params: Sequence[Any] = ()) -> list[Row]:
        """All rows of a select written with `?`."""
        found: list[Row] = self._cursor.execute(self._sql(sql), params).fetchall()
        return found

    def each(self, sql: str, params: Sequence[Any] = ()) -> Iterable[Row]:
        """The same one by one: on SQLite none is fetched before it is asked for."""
        rows: Iterable[Row] = self._cursor.execute(self._sql(sql), params)
        return rows

    def row(self, sql: str, params: Sequence[Any] = ()) -> Row | None:
        """The first of the few rows of a select written with `?`, or None."""
        # A select that is not read to its end would keep SQLite from emptying its log.
        found: list[Row] = self._cursor.execute(self._sql(sql), params).fetchall()
        return found[0] if found else None

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

    def begin(self, busy_ms: int) -> None:
        """Begin a transaction that writes; wait so long for writers of other processes.

        SQLite does that here, PostgreSQL where it comes to a row that another has locked. There a
        process that is cut off in the middle must not hold up the others for ever.
        """
        if self.dialect == "sqlite":
            self._begin_immediate(time.monotonic() + busy_ms / 1000)
            return
        self._cursor.execute(
            f"BEGIN; SET LOCAL lock_timeout = {busy_ms};"
            f" SET LOCAL idle_in_transaction_session_timeout = {2 * busy_ms}",
            prepare=False,
        )

    def _begin_immediate(self, end: float) -> None:
        while True:
            try:
                self._cursor.execute("BEGIN IMMEDIATE")
                return
            except sqlite3.OperationalError as error:
                busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
                if not busy or time.monotonic() > end:
                    raise
            time.sleep(_ASK_AGAIN)

    def is_in_transaction(self) -> bool:
        """Whether there is an open transaction that a COMMIT would keep."""
        if self.dialect == "sqlite":
            return bool(self.raw.in_transaction)
        return bool(self.raw.pgconn.transaction_status == _IN_TRANSACTION)

    def many(self, sql: str, rows: Sequence[Sequence[Any]]) -> None:
        """One statement for each of many rows."""
        if rows:
            self._cursor.executemany(self._sql(sql), rows)


def is_cut(raw: Any) -> bool:
    """Whether the server has given up an idle connection of psycopg; costs no round trip.

    A server has nothing to say to one who asks nothing, but farewell.
    """
    if raw.closed:
        return True
    with selectors.DefaultSelector() as selector:
        selector.register(raw, selectors.EVENT_READ)
        return bool(selector.select(timeout=0))


@cache
def driver_errors() -> tuple[type[Exception], ...]:
    """What a driver or the pool may raise."""
    try:
        import psycopg
    except ImportError:
        return (sqlite3.Error, SQLAlchemyError)
    return (sqlite3.Error, psycopg.Error, SQLAlchemyError)


def unavailable() -> Unavailable:
    """The refusal for trouble with the database before anything was to be kept."""
    return Unavailable("The database did not take the request; nothing was stored. Try again later")


def unconfirmed() -> Unavailable:
    """The refusal where the database did not answer to a commit."""
    return Unavailable(
        "The database did not confirm that this was stored, and it may have been or not: look"
        " before you try again"
    )


@contextmanager
def as_unavailable() -> Iterator[None]:
    """Turn trouble with the database into Unavailable, so that no driver's exception leaves."""
    try:
        yield
    except driver_errors() as error:
        if _is_stopped(error):
            raise TooCostly("The request takes too long; narrow it, by client or date") from error
        raise unavailable() from error


_STEPS = 20_000
"""Steps of SQLite's machine between two looks at the clock: some tenths of a millisecond."""


@contextmanager
def time_limit(connection: Connection, seconds: float | None) -> Iterator[None]:
    """Stop a statement of this transaction that takes longer; on SQLite, all of them together."""
    if seconds is None:
        yield
        return
    if connection.dialect == "postgresql":
        connection.run(f"SET LOCAL statement_timeout = {int(seconds * 1000)}")
        yield
        return
    end = time.monotonic() + seconds
    connection.raw.set_progress_handler(lambda: time.monotonic() > end, _STEPS)
    try:
        yield
    finally:
        connection.raw.set_progress_handler(None, 0)


@contextmanager
def limited_room(connection: Connection, room: int | None) -> Iterator[None]:
    """Let no more bytes of resources be read within this block."""
    connection.room = room
    try:
        yield
    finally:
        connection.room = None


def _is_stopped(error: Exception) -> bool:
    """Whether the time limit ended it: SQLITE_INTERRUPT, or query_canceled of PostgreSQL."""
    return str(error) == "interrupted" or getattr(error, "sqlstate", None) == "57014"

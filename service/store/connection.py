"""One connection to the database: SQL written with `?` on the driver's own cursor."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache, lru_cache
from typing import Any, Literal

from sqlalchemy.exc import SQLAlchemyError

from service.errors import Unavailable

Dialect = Literal["sqlite", "postgresql"]
Row = tuple[Any, ...]

BUSY_MS = 30_000
"""How long a writer waits for one of another process."""


@lru_cache(maxsize=4096)
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


@cache
def driver_errors() -> tuple[type[Exception], ...]:
    """What a driver or the pool may raise."""
    try:
        import psycopg
    except ImportError:
        return (sqlite3.Error, SQLAlchemyError)
    return (sqlite3.Error, psycopg.Error, SQLAlchemyError)


def unavailable() -> Unavailable:
    """The refusal for trouble with the database."""
    return Unavailable("The database did not take the request; nothing was stored. Try again later")


@contextmanager
def as_unavailable() -> Iterator[None]:
    """Turn trouble with the database into Unavailable, so that no driver's exception leaves."""
    try:
        yield
    except driver_errors() as error:
        raise unavailable() from error

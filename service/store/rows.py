"""What does the store hand out? One version of one resource, with the bytes that are served."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from service.errors import TooCostly
from service.store.connection import Connection

_FEW = 16
"""Rows that PostgreSQL may send before their bytes are counted."""


class Stored(NamedTuple):
    """A version: `updated` in microseconds since 1970 (UTC); `body` is None for a deletion."""

    type: str
    id: str
    vid: int
    updated: int
    deleted: bool
    body: bytes | None
    rid: int
    seq: int
    method: str

    @property
    def reference(self) -> str:
        """`Type/id`."""
        return f"{self.type}/{self.id}"


COLUMNS = "r.type, r.id, v.vid, v.updated, v.method = 'DELETE', v.body, v.rid, v.seq, v.method"
"""The columns of `Stored`, from `resource r` and `version v`."""


def stored_rows(
    connection: Connection, sql: str, params: Sequence[Any] = (), most: int | None = None
) -> list[Stored]:
    """The versions that a select of COLUMNS gives, of which there are at most so many.

    Raises TooCostly where they have more bytes than there is room for, before they are all here.
    """
    if connection.room is None:
        return list(map(Stored._make, connection.rows(sql, params)))
    if connection.dialect == "postgresql" and (most is None or most > _FEW):
        # Its driver takes all rows before it gives the first.
        size = f"SELECT coalesce(sum(length(s.body)), 0) FROM ({sql}) s"
        [(needed,)] = connection.rows(size, params)
        if needed > connection.room:
            raise _too_much()
    found = []
    for row in connection.each(sql, params):
        stored = Stored._make(row)
        connection.room -= len(stored.body or b"")
        if connection.room < 0:
            raise _too_much()
        found.append(stored)
    return found


def _too_much() -> TooCostly:
    return TooCostly("The answer takes too much room; ask for less at once, with _count")

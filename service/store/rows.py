"""What does the store hand out? One version of one resource, with the bytes that are served."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from service.errors import NoRoom
from service.store.connection import Connection

_SMALL = "CASE WHEN length(v.body) <= 131072 THEN v.body END"
_LARGE = "SELECT body FROM version WHERE length(body) <= ? AND seq = ?"


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


def stored_rows(connection: Connection, sql: str, params: Sequence[Any] = ()) -> list[Stored]:
    """The versions that a select of COLUMNS gives.

    Raises NoRoom where they have more bytes than there is room for, before they are all here.
    """
    if connection.room is None:
        return list(map(Stored._make, connection.rows(sql, params)))
    if connection.dialect == "postgresql":
        # Its driver takes all rows before it gives the first; so the large ones come by themselves.
        rows = connection.rows(sql.replace("v.body", _SMALL), params)
        return [_with_body(connection, Stored._make(row)) for row in rows]
    return [_counted(connection, Stored._make(row)) for row in connection.each(sql, params)]


def _with_body(connection: Connection, stored: Stored) -> Stored:
    if stored.body is None and not stored.deleted:
        row = connection.row(_LARGE, (connection.room, stored.seq))
        if row is None:
            raise _no_room()
        stored = stored._replace(body=row[0])
    return _counted(connection, stored)


def _counted(connection: Connection, stored: Stored) -> Stored:
    assert connection.room is not None
    connection.room -= len(stored.body or b"")
    if connection.room < 0:
        raise _no_room()
    return stored


def _no_room() -> NoRoom:
    return NoRoom("The answer takes too much room; ask for less at once, with _count")

"""Which resources are there, all of them in order? For export and for building the index anew."""

from __future__ import annotations

from collections.abc import Iterator

from service.caller import Caller
from service.store.connection import Connection
from service.store.visibility import and_visible


def size(connection: Connection) -> int:
    """How many resources there ever were, deleted ones included."""
    row = connection.row("SELECT count(*) FROM resource")
    return int(row[0]) if row else 0


def present_size(connection: Connection, caller: Caller) -> int:
    """How many resources the caller may see now."""
    narrowed, params = and_visible(caller, "r.rid")
    row = connection.row(
        f"SELECT count(*) FROM resource r WHERE r.deleted = ?{narrowed}", (False, *params)
    )
    return int(row[0]) if row else 0


def present_types(connection: Connection, caller: Caller) -> list[str]:
    """The types of which the caller may see a resource now."""
    narrowed, params = and_visible(caller, "r.rid")
    rows = connection.rows(
        f"SELECT DISTINCT r.type FROM resource r WHERE r.deleted = ?{narrowed} ORDER BY r.type",
        (False, *params),
    )
    return [row[0] for row in rows]


def bodies(connection: Connection, caller: Caller, resource_type: str) -> Iterator[bytes]:
    """The current versions of one type in the order of their making, in constant memory.

    `connection` has to be a snapshot.
    """
    narrowed, params = and_visible(caller, "r.rid")
    rows = connection.stream(
        "SELECT v.body FROM resource r JOIN version v ON v.seq = r.seq"
        f" WHERE r.type = ? AND r.deleted = ?{narrowed} ORDER BY r.rid",
        (resource_type, False, *params),
    )
    for row in rows:
        yield bytes(row[0])

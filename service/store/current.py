"""What is stored now, and what was version n?"""

from __future__ import annotations

from service.caller import Caller
from service.store.connection import Connection
from service.store.rows import COLUMNS, Stored
from service.store.visibility import and_visible

_CURRENT = (
    f"SELECT {COLUMNS} FROM resource r JOIN version v ON v.seq = r.seq"
    " WHERE r.type = ? AND r.id = ?"
)
_VERSION = (
    f"SELECT {COLUMNS} FROM resource r JOIN version v ON v.rid = r.rid"
    " WHERE r.type = ? AND r.id = ? AND v.vid = ?"
)


def current_version(
    connection: Connection, caller: Caller, resource_type: str, resource_id: str
) -> Stored | None:
    """The newest version, perhaps a deletion; None where the caller may see none."""
    narrowed, params = and_visible(caller, "r.rid")
    row = connection.row(_CURRENT + narrowed, (resource_type, resource_id, *params))
    return Stored._make(row) if row else None


def numbered_version(
    connection: Connection, caller: Caller, resource_type: str, resource_id: str, vid: int
) -> Stored | None:
    """Version `vid`, perhaps a deletion; None where the caller may see none."""
    narrowed, params = and_visible(caller, "r.rid")
    row = connection.row(_VERSION + narrowed, (resource_type, resource_id, vid, *params))
    return Stored._make(row) if row else None

"""What is stored now, and what was version n?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain

from service.caller import Caller
from service.standard.mentions import Name
from service.store.audit.trail import touched
from service.store.connection import Connection, Row
from service.store.rows import COLUMNS, Stored, stored_rows
from service.store.sql import batches, pair_marks
from service.store.visibility import and_version_visible, and_visible, visible

_CURRENT = (
    f"SELECT {COLUMNS} FROM resource r JOIN version v ON v.seq = r.seq"
    " WHERE r.type = ? AND r.id = ?"
)
_VERSION = (
    f"SELECT {COLUMNS} FROM resource r JOIN version v ON v.rid = r.rid"
    " WHERE r.type = ? AND r.id = ? AND v.vid = ?"
)

_ANOTHER = (
    "SELECT 1 FROM resource r JOIN version v ON v.seq = r.seq"
    " WHERE r.rid = (SELECT a.rid FROM resource a WHERE a.type = ? LIMIT 1)"
    " AND NOT EXISTS (SELECT 1 FROM resource o WHERE o.type = ? AND o.id = ?)"
)


def current_version(
    connection: Connection,
    caller: Caller,
    resource_type: str,
    resource_id: str,
    letter: str = "r",
) -> Stored | None:
    """The newest version, perhaps a deletion; None where the caller may see none.

    `letter` is that of the scopes: what the version is wanted for.
    """
    narrowed, params = and_visible(caller, "r.rid", letter, (resource_type,))
    row = connection.row(_CURRENT + narrowed, (resource_type, resource_id, *params))
    if row is None and narrowed:
        look_at_another(connection, (resource_type, resource_id), narrowed, params)
    return _found(row)


def is_hidden(connection: Connection, caller: Caller, resource_type: str, resource_id: str) -> bool:
    """Whether it is there, perhaps deleted, but not to be seen by the caller: never to be told."""
    seen = visible(caller, "r.rid", "r", (resource_type,))
    if seen is None:
        return False
    where = f"SELECT 1 FROM resource r WHERE r.type = ? AND r.id = ? AND NOT ({seen[0]})"
    return connection.row(where, (resource_type, resource_id, *seen[1])) is not None


def named_versions(
    connection: Connection, names: Sequence[Name], where: str, params: Sequence[object]
) -> Iterator[Stored]:
    """The current versions of those that are there and meet the condition `where`, about `r`, with
    its parameters; in no order."""
    deleted = "r.deleted" if connection.dialect == "postgresql" else "r.deleted = 1"
    for batch in batches(names):
        yield from stored_rows(
            connection,
            f"SELECT {COLUMNS} FROM resource r JOIN version v ON v.seq = r.seq"
            f" WHERE (r.type, r.id) IN (VALUES {pair_marks(len(batch))}) AND NOT {deleted}"
            f" AND {where}",
            (*chain.from_iterable(batch), *params),
        )


def numbered_version(
    connection: Connection, caller: Caller, resource_type: str, resource_id: str, vid: int
) -> Stored | None:
    """Version `vid`, perhaps a deletion; None where the caller may see none."""
    narrowed, params = and_version_visible(caller, "r", (resource_type,))
    row = connection.row(_VERSION + narrowed, (resource_type, resource_id, vid, *params))
    if row is None and narrowed:
        look_at_another(connection, (resource_type, resource_id), narrowed, params)
    return _found(row)


def look_at_another(
    connection: Connection, name: Name, narrowed: str, params: tuple[object, ...]
) -> None:
    """Ask of another resource of the type whether it is seen, where this one is not there.

    Else what is not there would be answered sooner than what is not the caller's.
    """
    connection.row(_ANOTHER + narrowed, (name[0], *name, *params))


def _found(row: Row | None) -> Stored | None:
    if row is None:
        return None
    stored = Stored._make(row)
    touched(stored.rid)
    return stored

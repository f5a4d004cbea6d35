"""How is something written? In one unit of work: all of it, or nothing.

Whoever opens a unit is the only writer of the store until it ends (`engine.Database.writer`
and the row of `change_clock`), on SQLite and on PostgreSQL alike. So the order of `seq`, the
order of `updated` and the order of commits are one, conditional writes cannot race, and what
`_since` gave once is never completed later by something earlier.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from service.caller import Caller
from service.errors import Forbidden
from service.standard.codec import encode
from service.standard.meta import stamped
from service.standard.search_values import SearchValues, extract
from service.store import index
from service.store.connection import Connection
from service.store.current import current_version
from service.store.engine import Database
from service.store.rows import Stored
from service.store.visibility import require_own

_CLOCK = "SELECT seq, rid, updated FROM change_clock WHERE id = 1"
_SET_CLOCK = "UPDATE change_clock SET seq = ?, rid = ?, updated = ? WHERE id = 1"
_TAKEN = "SELECT 1 FROM resource WHERE type = ? AND id = ?"
_NEW_RESOURCE = (
    "INSERT INTO resource (rid, type, id, vid, seq, updated, deleted) VALUES (?, ?, ?, ?, ?, ?, ?)"
)
_NEXT_RESOURCE = "UPDATE resource SET vid = ?, seq = ?, updated = ?, deleted = ? WHERE rid = ?"
_VERSION = (
    "INSERT INTO version (seq, rid, vid, type, method, updated, body) VALUES (?, ?, ?, ?, ?, ?, ?)"
)


class Unit:
    """One unit of work of one caller. All its versions carry the same time."""

    def __init__(self, connection: Connection, caller: Caller, clock: Callable[[], int]) -> None:
        lock = " FOR UPDATE" if connection.dialect == "postgresql" else ""
        change = connection.row(_CLOCK + lock)
        if change is None:
            raise RuntimeError("the change clock is missing: was the schema migrated?")
        self._connection = connection
        self.caller = caller
        self._seq, self._rid, last = change
        self._flushed: int = self._seq
        self.updated: int = max(clock(), last + 1)
        self._versions: list[tuple[Any, ...]] = []
        self._new: list[tuple[Any, ...]] = []
        self._next: list[tuple[Any, ...]] = []
        self._replaced: list[int] = []
        self._deleted: list[int] = []
        self._rows = index.PendingRows()

    def reader(self) -> Connection:
        """The unit's own connection, with everything written so far in place."""
        self._flush()
        return self._connection

    def current(self, resource_type: str, resource_id: str) -> Stored | None:
        """The newest version (perhaps a deletion), or None where there never was one."""
        return current_version(self.reader(), self.caller, resource_type, resource_id)

    def append(
        self,
        resource: dict[str, Any],
        resource_id: str,
        base: str,
        *,
        method: str,
        current: Stored | None,
        values: SearchValues | None = None,
    ) -> Stored:
        """Add a version of `resource`; `current` is what `current()` gave for its identity.

        `base` is the FHIR base URL: references below it are local. `values` are the search values,
        where they were extracted before.
        Raises Forbidden where it lies, or would lie, in the record of a client who is not the
        caller's.
        """
        values = values or extract(resource | {"id": resource_id}, f"{base}/")
        require_own(self.caller, values.patients)
        if current is None and self.caller.clients is not None:
            self._require_free(resource["resourceType"], resource_id)
        vid = current.vid + 1 if current else 1
        body = encode(stamped(resource, resource_id, vid, self.updated))
        stored = self._add(resource["resourceType"], resource_id, method, body, current)
        self._rows.add(stored.rid, stored.type, values)
        return stored

    def delete(self, current: Stored) -> Stored:
        """Add the deletion of a resource."""
        return self._add(current.type, current.id, "DELETE", None, current)

    def close(self) -> None:
        """Write what is left and move the clock; call before the commit."""
        self._flush()

    def _require_free(self, resource_type: str, resource_id: str) -> None:
        """What the caller cannot see may be there all the same."""
        if self.reader().row(_TAKEN, (resource_type, resource_id)):
            raise Forbidden("The resource belongs to the record of a client who is not yours")

    def _add(
        self,
        resource_type: str,
        resource_id: str,
        method: str,
        body: bytes | None,
        current: Stored | None,
    ) -> Stored:
        if current is not None and current.seq > self._flushed:
            self._flush()
        self._seq += 1
        deleted = body is None
        if current is None:
            self._rid += 1
            rid, vid = self._rid, 1
            self._new.append(
                (rid, resource_type, resource_id, vid, self._seq, self.updated, deleted)
            )
        else:
            rid, vid = current.rid, current.vid + 1
            self._next.append((vid, self._seq, self.updated, deleted, rid))
            (self._deleted if deleted else self._replaced).append(rid)
        self._versions.append((self._seq, rid, vid, resource_type, method, self.updated, body))
        return Stored(
            resource_type, resource_id, vid, self.updated, deleted, body, rid, self._seq, method
        )

    def _flush(self) -> None:
        if not self._versions:
            return
        connection = self._connection
        connection.many(_VERSION, self._versions)
        connection.many(_NEW_RESOURCE, self._new)
        connection.many(_NEXT_RESOURCE, self._next)
        if self._replaced:
            index.remove(connection, self._replaced, compartments=True)
        if self._deleted:
            index.remove(connection, self._deleted, compartments=False)
        self._rows.write(connection)
        connection.run(_SET_CLOCK, (self._seq, self._rid, self.updated))
        for pending in (self._versions, self._new, self._next, self._replaced, self._deleted):
            pending.clear()
        self._flushed = self._seq


@contextmanager
def unit_of_work(database: Database, caller: Caller, clock: Callable[[], int]) -> Iterator[Unit]:
    """Write within this block. Commits when it ends well.

    `clock` gives microseconds since 1970; it is asked when the turn to write has come.
    """
    with database.writer() as connection:
        unit = Unit(connection, caller, clock)
        yield unit
        unit.close()

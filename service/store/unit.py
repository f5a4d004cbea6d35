"""How is something written? In one unit of work: all of it, or nothing.

Whoever opens a unit is the only writer of the store until it ends (`engine.Database.writer`
and the row of `change_clock`), on SQLite and on PostgreSQL alike. So the order of `seq`, the
order of `updated` and the order of commits are one, conditional writes cannot race, and what
`_since` gave once is never completed later by something earlier.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from service.caller import Caller
from service.errors import MethodNotAllowed, NotFound
from service.standard.codec import encode
from service.standard.grants import WHOLE, grants_of, insufficient, require
from service.standard.ids import new_id
from service.standard.meta import instant, stamped
from service.standard.provenance import Version, completed, made, to_sign
from service.standard.search_values import SearchValues, extract
from service.store import index
from service.store.audit import log
from service.store.audit.access import Access
from service.store.audit.sent import about, append_sent, as_sent, numbers_of, sent_access
from service.store.audit.trail import Trail, current_trail
from service.store.caseload import is_narrowed, own_client
from service.store.claims import Claims, not_yours, patients_named
from service.store.connection import Connection, Row, as_unavailable, limited_room, time_limit
from service.store.current import current_version
from service.store.engine import Database
from service.store.keepers import keepers_of
from service.store.rows import Stored
from service.store.visibility import may_miss

_CLOCK = "SELECT seq, rid, updated FROM change_clock WHERE id = 1"
_SET_CLOCK = "UPDATE change_clock SET seq = ?, rid = ?, updated = ? WHERE id = 1"
_TAKEN = "SELECT 1 FROM resource WHERE type = ? AND id = ?"
_NEW_RESOURCE = (
    "INSERT INTO resource (rid, type, id, vid, seq, updated, deleted) VALUES (?, ?, ?, ?, ?, ?, ?)"
)
_KEPT = "INSERT INTO keeper (rid, name) VALUES (?, ?)"
_NEXT_RESOURCE = "UPDATE resource SET vid = ?, seq = ?, updated = ?, deleted = ? WHERE rid = ?"
_VERSION = (
    "INSERT INTO version (seq, rid, vid, type, method, updated, body, base)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)

_INTERACTIONS = {"POST": "create", "PUT": "update", "PATCH": "patch", "DELETE": "delete"}
_SEVERAL = frozenset({"batch", "unknown"})
"""Of these what was written is told as what it is: each entry of a batch, and what commands do."""


class Unit:
    """One unit of work of one caller. All its versions carry the same time."""

    def __init__(self, connection: Connection, caller: Caller, clock: Callable[[], int]) -> None:
        self._connection = connection
        self.caller = replace(caller, purpose="") if caller.purpose else caller
        """Who writes. The glass is broken for reading alone."""
        self._seq, self._rid, last = take_turn(connection)
        self._claims = Claims(self.caller, self._seq)
        self._flushed: int = self._seq
        self.updated: int = max(clock(), last + 1)
        self._versions: list[tuple[Any, ...]] = []
        self._new: list[tuple[Any, ...]] = []
        self._next: list[tuple[Any, ...]] = []
        self._replaced: list[int] = []
        self._before: dict[int, int] = {}
        self._deleted: list[int] = []
        self._kept: list[tuple[int, str]] = []
        self._rows = index.PendingRows()
        self._written: list[Version] = []
        self._touched: list[int] = []
        self._targeted: list[str] = []
        self._on_record = False

    def reader(self) -> Connection:
        """The unit's own connection, with everything written so far in place."""
        self._flush()
        return self._connection

    @contextmanager
    def reading(
        self, *, snapshot: bool = False, seconds: float | None = None, room: int | None = None
    ) -> Iterator[Connection]:
        """The same as `Store.reader`, limits included, with what this unit has written in place."""
        connection = self.reader()
        with as_unavailable(), time_limit(connection, seconds), limited_room(connection, room):
            yield connection
            if seconds is not None and connection.dialect == "postgresql":
                connection.run("SET LOCAL statement_timeout TO DEFAULT")

    def current(self, resource_type: str, resource_id: str, letter: str = "u") -> Stored | None:
        """The newest version (perhaps a deletion), or None where there never was one.

        None too where the caller may not write there; `letter` is that of the scopes.
        """
        return current_version(self.reader(), self.caller, resource_type, resource_id, letter)

    def append(
        self,
        resource: dict[str, Any],
        resource_id: str,
        base: str,
        *,
        method: str,
        current: Stored | None,
        values: SearchValues | None = None,
        derived: bool = False,
    ) -> Stored:
        """Add a version of `resource`; `current` is what `current()` gave for its identity.

        `base` is the FHIR base URL: references below it are local. `values` are the search values,
        where they were extracted before. `derived`: the id was not chosen by who asks, but follows
        from what is stored.
        Raises Forbidden where the scopes do not reach, or where it would name a client who is not
        the caller's; `settle` and `close` ask the rest, when all of the unit is in place.
        """
        kind = resource["resourceType"]
        require_kept(kind)
        letter = "c" if current is None or current.deleted else "u"
        require(self.caller, letter, kind)
        values = values or extract(resource | {"id": resource_id}, f"{base}/")
        vid = current.vid + 1 if current else 1
        body = encode(stamped(resource, resource_id, vid, self.updated))
        if is_narrowed(self.caller, letter):
            self._name(resource, resource_id, letter, values, patients_named(body, base))
        if current is None and (derived or method != "POST"):
            self._require_choice(kind, resource_id, derived=derived)
        if kind == "DocumentReference" and current is not None:
            self._claims.led_before(self._connection, current)
        stored = self._add(kind, resource_id, method, body, current, base)
        self._rows.add(stored.rid, stored.type, values)
        if kind == "Provenance":
            self._targeted += [str(each.get("reference", "")) for each in resource["target"]]
        self._claims.note((kind, resource_id), stored.rid, letter)
        if current is None and not values.patients and is_narrowed(self.caller, letter):
            self._kept += [(stored.rid, name) for name in keepers_of(self.caller)]
        return stored

    def delete(self, current: Stored) -> Stored:
        """Add the deletion of a resource. Raises Forbidden where the scopes do not reach."""
        require(self.caller, "d", current.type)
        self._claims.forget((current.type, current.id))
        return self._add(current.type, current.id, "DELETE", None, current)

    def refuse_seen(self, resource_type: str, resource_id: str) -> None:
        """Raise Forbidden where it may be read, but not changed: to who sees it, it is there."""
        found = current_version(self.reader(), self.caller, resource_type, resource_id)
        if found is not None and not found.deleted:
            raise insufficient(f"{resource_type}/{resource_id} may be read, but not changed")

    def keep_event(self, event: dict[str, Any], base: str) -> Stored:
        """Append an AuditEvent that a client sent to the log. Raises Forbidden, and Invalid."""
        if grants_of(self.caller).of("c", "AuditEvent") != WHOLE:
            raise insufficient("AuditEvents are sent with a scope for all of them")
        sent = as_sent(event, self.caller)
        clients = patients_named(encode(sent), base)
        if is_narrowed(self.caller, "c"):
            self._claims.name(self._connection, "c", clients)
        access = sent_access(sent, self.caller, base, clients, self.updated)
        own = own_client(self.caller, "c", "sc.patient")
        access.rids = numbers_of(self._connection, about(sent, base), own)
        number = append_sent(self.reader(), access)
        body = encode(stamped(sent, str(number), 1, access.at))
        self._written.append(Version("AuditEvent", str(number), 1, "POST"))
        return Stored("AuditEvent", str(number), 1, access.at, False, body, 0, 0, "POST")

    def settle(self, resource_type: str, resource_id: str) -> None:
        """Raise Forbidden where what was written lies outside of what the caller may write."""
        if (resource_type, resource_id) in self._claims.unsettled():
            self._claims.settle(self.reader(), (resource_type, resource_id))

    def close(self) -> None:
        """Write what is left, look at what is not settled, move the clock, put it on record;
        before the commit."""
        for key in self._claims.unsettled():
            self.settle(*key)
        trail = current_trail()
        if trail is not None and self._written:
            self._sign(trail)
        self._flush()
        if self._written and not self._on_record:
            self.record(self._access(trail or Trail(caller=self.caller)))

    def record(self, access: Access) -> int:
        """Put this on record in the same transaction, instead of what is told by itself; its
        number in the log."""
        self._on_record = True
        if (trail := current_trail()) is not None:
            trail.units += 1
        return log.append(self.reader(), [access])[0]

    def _access(self, trail: Trail) -> Access:
        """What was written here, by whom, on which request."""
        written = self._written
        interaction = trail.interaction
        if interaction in _SEVERAL:
            single = len({each[:2] for each in written if each.type != "Provenance"}) == 1
            interaction = _INTERACTIONS[written[0].method] if single else "transaction"
        created = all(each.vid == 1 and each.method != "DELETE" for each in written)
        access = trail.access(
            self.updated,
            201 if created else 200,
            tuple(each.reference for each in written),
            interaction,
        )
        return replace(access, rids=tuple(sorted({*access.rids, *self._touched})))

    def _sign(self, trail: Trail) -> None:
        """Add the Provenance of what was written: the one that was sent, or else ours."""
        recorded = instant(self.updated)
        if trail.provenance is not None:
            versions = to_sign(self._written, (), trail.base)
            by = self.caller if trail.signed else None
            found = completed(trail.provenance, versions, by, recorded)
        elif trail.signed:
            versions = to_sign(self._written, self._targeted, trail.base)
            found = made(versions, self.caller, recorded)
        else:
            return
        if versions:
            self._add_ours(found, trail.base)

    def _add_ours(self, resource: dict[str, Any], base: str) -> None:
        """Add a resource that the service makes of its own: no scope of the caller is for it."""
        key = new_id()
        values = extract(resource | {"id": key}, f"{base}/")
        body = encode(stamped(resource, key, 1, self.updated))
        stored = self._add(resource["resourceType"], key, "POST", body, None, base)
        self._rows.add(stored.rid, stored.type, values)

    def _name(
        self,
        resource: dict[str, Any],
        resource_id: str,
        letter: str,
        values: SearchValues,
        named: set[str],
    ) -> None:
        """Ask whether the clients it names are the caller's. A new client is asked for later."""
        named |= {id_ for _, kind, id_, _ in values.references if kind == "Patient"}
        named |= set(values.patients)
        if resource["resourceType"] == "Patient" and letter == "c":
            self._claims.expect(resource_id)
        self._claims.name(self._connection, letter, named)

    def _require_choice(self, resource_type: str, resource_id: str, *, derived: bool) -> None:
        """Who does not see all does not choose ids: that would tell which are taken."""
        if not may_miss(self.caller, "u", resource_type):
            return
        if derived:
            if self.reader().row(_TAKEN, (resource_type, resource_id)):
                raise not_yours()
            return
        self.refuse_seen(resource_type, resource_id)
        raise NotFound(
            f"There is no {resource_type}/{resource_id} that you may change, and who sees only a"
            " part of the store does not choose the ids of new resources: create it by POST"
        )

    def _add(
        self,
        resource_type: str,
        resource_id: str,
        method: str,
        body: bytes | None,
        current: Stored | None,
        base: str | None = None,
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
            self._before[rid] = current.vid
        self._versions.append(
            (self._seq, rid, vid, resource_type, method, self.updated, body, base)
        )
        self._written.append(Version(resource_type, resource_id, vid, method))
        self._touched.append(rid)
        return Stored(
            resource_type, resource_id, vid, self.updated, deleted, body, rid, self._seq, method
        )

    def _flush(self) -> None:
        if not self._versions:
            return
        connection = self._connection
        connection.many(_VERSION, self._versions)
        connection.many(_NEW_RESOURCE, self._new)
        connection.many(_KEPT, self._kept)
        connection.many(_NEXT_RESOURCE, self._next)
        if self._replaced:
            self._rows.note_moves(connection, {rid: self._before[rid] for rid in self._replaced})
            index.remove(connection, self._replaced)
        if self._deleted:
            index.remove_deleted(connection, self._deleted)
        self._rows.write(connection)
        connection.run(_SET_CLOCK, (self._seq, self._rid, self.updated))
        for pending in (self._versions, self._new, self._kept, self._next, self._replaced):
            pending.clear()
        self._deleted.clear()
        self._before.clear()
        self._flushed = self._seq


def require_kept(kind: str) -> None:
    """Raise MethodNotAllowed for what is never changed once it is there."""
    if kind == "AuditEvent":
        raise MethodNotAllowed(
            "An AuditEvent can be created, read and searched; the audit log is only appended to",
            headers={"Allow": "GET, HEAD, POST"},
        )


def take_turn(connection: Connection) -> Row:
    """Become the only writer: the row of the change clock, locked until the commit.

    Everything that writes begins with it, so that no two writers ever wait for each other.
    """
    lock = " FOR UPDATE" if connection.dialect == "postgresql" else ""
    change = connection.row(_CLOCK + lock)
    if change is None:
        raise RuntimeError("the change clock is missing: was the schema migrated?")
    return change


@contextmanager
def unit_of_work(database: Database, caller: Caller, clock: Callable[[], int]) -> Iterator[Unit]:
    """Write within this block. Commits when it ends well.

    `clock` gives microseconds since 1970; it is asked when the turn to write has come.
    """
    with database.writer() as connection:
        unit = Unit(connection, caller, clock)
        yield unit
        unit.close()

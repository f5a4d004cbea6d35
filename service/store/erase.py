"""How is a client's record erased for good?

Of every resource that lies in this client's record alone, all versions go, and a deletion takes
their place: the id stays taken, and whoever keeps a copy is told by history, `_since` and export.
What lies in another client's record as well is left, and named. The audit log is kept.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from service.caller import Caller
from service.standard.definitions import definitions
from service.store.audit.access import Access
from service.store.connection import Connection
from service.store.current import current_version
from service.store.full_text import forget_removed
from service.store.sql import batches
from service.store.store import Store
from service.store.unit import Unit

_AT_ONCE = 200
"""Resources in one unit of work, so that other writers get their turn."""

_LYING = (
    "SELECT DISTINCT r.rid, r.type, r.id FROM resource r"
    " JOIN compartment k ON k.rid = r.rid WHERE k.patient = ? ORDER BY r.rid"
)
_LAY = (
    "SELECT DISTINCT r.rid, r.type, r.id FROM past_compartment k"
    " JOIN resource r ON r.rid = k.rid WHERE k.patient = ?"
)
_SELF = "SELECT rid, type, id FROM resource WHERE type = 'Patient' AND id = ?"
_OF_OTHERS = (
    "SELECT 1 FROM compartment WHERE rid = ? AND patient NOT IN ('', ?)"
    " UNION ALL SELECT 1 FROM past_compartment WHERE rid = ? AND patient NOT IN ('', ?)"
)
_BODIES = "SELECT body FROM version WHERE rid = ? AND body IS NOT NULL"
_OLDER = "DELETE FROM version WHERE rid = ? AND seq < ?"
_PAST = "DELETE FROM past_compartment WHERE rid = ?"
_BINARY = "SELECT rid, type, id FROM resource WHERE type = 'Binary' AND id = ?"
_LEADING = "SELECT rid FROM index_uri WHERE param = ? AND value = ?"


class Name(NamedTuple):
    """A logical resource: its number, type and id."""

    rid: int
    type: str
    id: str


class Record(NamedTuple):
    """What is the client's alone, and what is another client's as well."""

    own: list[Name]
    shared: list[Name]


def record_of(connection: Connection, patient: str, base: str = "") -> Record:
    """Every resource that lies, or in an earlier version lay, in this client's record.

    With it go the Binaries that its attachments lead to, by `Binary/[id]` or below the FHIR base
    URL `base`, unless a DocumentReference outside of it leads to one as well.
    """
    found = {
        Name._make(row).rid: Name._make(row)
        for sql in (_SELF, _LYING, _LAY)
        for row in connection.rows(sql, (patient,))
    }
    own: list[Name] = []
    shared: list[Name] = []
    for name in found.values():
        of_others = name[1:] != ("Patient", patient) and connection.rows(
            _OF_OTHERS, (name.rid, patient, name.rid, patient)
        )
        (shared if of_others else own).append(name)
    among = {name.rid for name in own}
    for binary in _attachments(connection, own, base):
        (own if _leading(connection, binary) <= among else shared).append(binary)
    return Record(own, shared)


def erase(store: Store, caller: Caller, patient: str, names: Sequence[Name]) -> None:
    """Erase these, some hundred at a time, each time whole; it may be begun again at any time.

    On SQLite what is freed is written over; on PostgreSQL it goes with the next VACUUM.
    """
    for part in batches(names, _AT_ONCE):
        with store.write(caller) as unit:
            if unit.reader().dialect == "sqlite":
                unit.reader().run("PRAGMA secure_delete = ON")
            for name in part:
                _erase(unit, caller, name)
            changed = tuple(f"{name.type}/{name.id}" for name in part)
            access = Access(
                unit.updated, "erase", 200, caller.name, clients=(patient,), changed=changed
            )
            unit.record(access)
    with store.write(caller) as unit:
        forget_removed(unit.reader())
    if store.database.dialect == "sqlite":
        with store.database.reader() as connection:
            connection.rows("PRAGMA wal_checkpoint(TRUNCATE)")


def _erase(unit: Unit, caller: Caller, name: Name) -> None:
    current = current_version(unit.reader(), caller, name.type, name.id)
    if current is None:
        return
    newest = current if current.deleted else unit.delete(current)
    connection = unit.reader()
    connection.run(_OLDER, (name.rid, newest.seq))
    connection.run(_PAST, (name.rid,))


def _attachments(connection: Connection, own: Sequence[Name], base: str) -> list[Name]:
    """The Binaries that any version of these leads to."""
    # In stored bytes; within a text the quotes would be escaped.
    below = re.escape(f"{base}/".encode()) if base else b""
    attached = re.compile(rb'"url":"(?:' + below + rb')?Binary/([A-Za-z0-9\-.]{1,64})"')
    ids = {
        match.decode()
        for name in own
        for row in connection.rows(_BODIES, (name.rid,))
        for match in attached.findall(bytes(row[0]))
    }
    return [Name._make(row) for found in sorted(ids) for row in connection.rows(_BINARY, (found,))]


def _leading(connection: Connection, binary: Name) -> set[int]:
    """The numbers of the DocumentReferences that lead to a Binary."""
    location = definitions().parameter_number("DocumentReference", "location")
    return {row[0] for row in connection.rows(_LEADING, (location, f"Binary/{binary.id}"))}

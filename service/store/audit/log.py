"""How does an access get into the log, and how is it proved that none was taken out?

Each row carries the SHA-256 (FIPS 180-4) of the row before it, its own number and its own bytes.
Whoever changes, removes or inserts a row has to change every later one, and the newest value no
longer is the one that was noted elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set
from hashlib import sha256

from service.store.audit.access import Access
from service.store.connection import Connection
from service.store.sql import pair_marks

GENESIS = bytes(32)
"""What the first row is chained to."""

_NEWEST = "SELECT n, chain FROM audit_event ORDER BY n DESC LIMIT 1"
_EVENT = "INSERT INTO audit_event (n, at, agent, body, chain) VALUES (?, ?, ?, ?, ?)"
_ENTITY = "INSERT INTO audit_entity (reference, at, n) VALUES (?, ?, ?)"
_CLIENTS = "SELECT rid, patient FROM compartment WHERE patient <> '' AND rid IN "
_NUMBERS = "SELECT rid, type, id FROM resource WHERE (type, id) IN "
_LOCK = "SELECT seq FROM change_clock WHERE id = 1 FOR UPDATE"
_MOST = 500
"""Most resources in one look-up of their clients."""


def link(before: bytes, n: int, body: bytes) -> bytes:
    """The chain value of row `n`."""
    return sha256(before + n.to_bytes(8, "big") + body).digest()


def newest(connection: Connection) -> tuple[int, bytes]:
    """Number and chain value of the last row; 0 and GENESIS where there is none."""
    row = connection.row(_NEWEST)
    return (0, GENESIS) if row is None else (row[0], bytes(row[1]))


def become_writer(connection: Connection) -> None:
    """Wait for the turn to write on PostgreSQL; on SQLite the transaction has it already."""
    if connection.dialect == "postgresql":
        connection.row(_LOCK)


def append(connection: Connection, accesses: Sequence[Access]) -> list[int]:
    """Add rows in the transaction of the one writer, and return their numbers."""
    if not accesses:
        return []
    n, chain = newest(connection)
    targets = _numbers(connection, {_target(access) for access in accesses} - {None})
    wanted = {rid for access in accesses for rid in access.rids}
    clients = _clients(connection, wanted | set(targets.values()))
    events, entities = [], []
    for access in accesses:
        rids = access.rids
        if (rid := targets.get(_target(access))) is not None:
            rids = (*rids, rid)
        if rids:
            access.settle(client for rid in rids for client in clients.get(rid, ()))
        n, body = n + 1, access.encoded()
        chain = link(chain, n, body)
        events.append((n, access.at, access.agent, body, chain))
        entities += [(reference, access.at, n) for reference in sorted(access.references())]
    connection.many(_EVENT, events)
    connection.many(_ENTITY, entities)
    return [event[0] for event in events]


Name = tuple[str, str]


def _target(access: Access) -> Name | None:
    """What it was about, where the number of that is not told: it was refused, or is made."""
    if not access.target or access.rids or access.target.startswith("Patient/"):
        return None
    kind, key, *_ = access.target.split("/")
    return kind, key


def _numbers(connection: Connection, names: Set[Name | None]) -> dict[Name | None, int]:
    """The numbers of the resources with these names; of some nobody has heard."""
    wanted = sorted(name for name in names if name is not None)
    found: dict[Name | None, int] = {}
    for start in range(0, len(wanted), _MOST):
        part = wanted[start : start + _MOST]
        part += part[-1:] * (_padded(len(part)) - len(part))
        rows = connection.rows(
            f"{_NUMBERS}(VALUES {pair_marks(len(part))})",
            tuple(value for name in part for value in name),
        )
        found |= {(kind, key): rid for rid, kind, key in rows}
    return found


def _clients(connection: Connection, rids: Iterable[int]) -> dict[int, list[str]]:
    """The clients in whose record each of these resources lies."""
    wanted, found = sorted(rids), dict[int, list[str]]()
    for start in range(0, len(wanted), _MOST):
        part = wanted[start : start + _MOST]
        # Few lengths of the list, so that few statements are kept prepared.
        part += part[-1:] * (_padded(len(part)) - len(part))
        marks = ", ".join("?" * len(part))
        for rid, patient in connection.rows(f"{_CLIENTS}({marks})", part):
            found.setdefault(rid, []).append(patient)
    return found


def _padded(count: int) -> int:
    """The next power of two, or the most."""
    return min(1 << (count - 1).bit_length(), _MOST) if count < _MOST else _MOST

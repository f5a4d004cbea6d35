"""How does an access get into the log, and how is it proved that none was taken out?

Each row carries the SHA-256 (FIPS 180-4) of the row before it, its own number and its own bytes.
Whoever changes, removes or inserts a row has to change every later one, and the newest value no
longer is the one that was noted elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from hashlib import sha256
from itertools import chain as chained

from service.store.audit.access import Access
from service.store.connection import Connection, Row
from service.store.sql import batches, marks, padded, pair_marks

GENESIS = bytes(32)
"""What the first row is chained to."""

_NEWEST = "SELECT n, chain FROM audit_event ORDER BY n DESC LIMIT 1"
_EVENT = "INSERT INTO audit_event (n, at, agent, body, chain) VALUES "
_ENTITY = "INSERT INTO audit_entity (reference, at, n) VALUES "
_CLIENTS = "SELECT rid, patient FROM compartment WHERE patient <> '' AND rid IN "
_NUMBERS = "SELECT rid, type, id FROM resource WHERE (type, id) IN "
_ROWS = 256
"""Rows in one statement. SQLite lets other threads go on at each: with a statement for each row,
a drain under load spends more time on waiting for its turn than on writing."""


def link(before: bytes, n: int, body: bytes) -> bytes:
    """The chain value of row `n`."""
    return sha256(before + n.to_bytes(8, "big") + body).digest()


def newest(connection: Connection) -> tuple[int, bytes]:
    """Number and chain value of the last row; 0 and GENESIS where there is none."""
    row = connection.row(_NEWEST)
    return (0, GENESIS) if row is None else (row[0], bytes(row[1]))


def append(connection: Connection, accesses: Sequence[Access]) -> list[int]:
    """Add rows in the transaction of the one writer, and return their numbers."""
    if not accesses:
        return []
    _settle(connection, accesses)
    last, chain = newest(connection)
    events: list[Row] = []
    entities: list[Row] = []
    for n, access in enumerate(accesses, last + 1):
        at, body = access.at, access.encoded()
        chain = link(chain, n, body)
        events.append((n, at, access.agent, body, chain))
        entities += [(reference, at, n) for reference in access.references()]
    # In the order of their index, each page of which is then changed once.
    entities.sort()
    _insert(connection, _EVENT, events)
    _insert(connection, _ENTITY, entities)
    return [event[0] for event in events]


def _insert(connection: Connection, head: str, rows: Sequence[Row]) -> None:
    """Add rows, many with one statement; of few lengths, so that few are kept prepared."""
    start = 0
    while left := len(rows) - start:
        size = min(1 << (left.bit_length() - 1), _ROWS)
        part = rows[start : start + size]
        one = f"({marks(len(part[0]))})"
        connection.run(f"{head}{', '.join([one] * size)}", tuple(chained.from_iterable(part)))
        start += size


Name = tuple[str, str]


def _settle(connection: Connection, accesses: Sequence[Access]) -> None:
    """Put the clients of what was shown, or asked for in vain, in the place of its number."""
    targets = [_target(access) for access in accesses]
    numbers = _numbers(connection, {target for target in targets if target is not None})
    wanted = {rid for access in accesses for rid in access.rids}
    clients = _clients(connection, wanted.union(numbers.values()))
    nobody: frozenset[str] = frozenset()
    for access, target in zip(accesses, targets, strict=True):
        if len(access.rids) == 1:
            access.settle(clients.get(access.rids[0], nobody))
        elif access.rids:
            access.settle(nobody.union(*(clients.get(rid, nobody) for rid in access.rids)))
        elif target is not None and (rid := numbers.get(target)) is not None:
            access.settle(clients.get(rid, nobody))


def _target(access: Access) -> Name | None:
    """What it was about, where the number of that is not told: it was refused, or is made."""
    if access.rids or not access.target or access.target.startswith("Patient/"):
        return None
    kind, key, *_ = access.target.split("/")
    return kind, key


def _numbers(connection: Connection, names: Set[Name]) -> dict[Name, int]:
    """The numbers of the resources with these names; of some nobody has heard."""
    found: dict[Name, int] = {}
    for part in map(padded, batches(sorted(names))):
        rows = connection.rows(
            f"{_NUMBERS}(VALUES {pair_marks(len(part))})", tuple(chained.from_iterable(part))
        )
        found |= {(kind, key): rid for rid, kind, key in rows}
    return found


def _clients(connection: Connection, rids: Set[int]) -> dict[int, frozenset[str]]:
    """The clients in whose record each of these resources lies."""
    found: dict[int, frozenset[str]] = {}
    for part in map(padded, batches(sorted(rids))):
        for rid, patient in connection.rows(f"{_CLIENTS}({marks(len(part))})", part):
            found[rid] = found.get(rid, frozenset()) | {patient}
    return found

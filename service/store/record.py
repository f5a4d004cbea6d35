"""What belongs to one client's record, and which shared resources does it refer to?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from service.caller import Caller
from service.standard.grants import LISTED
from service.standard.mentions import Name, referred
from service.store.connection import Connection
from service.store.current import named_versions
from service.store.index import SHARED
from service.store.rows import COLUMNS, Stored, stored_rows
from service.store.sql import marks
from service.store.visibility import and_visible

_IN_TURN = 200
_AT_ONCE = 2000
"""Rows of a record that are asked for at once: PostgreSQL gives them all before any is counted."""


@dataclass(frozen=True, slots=True)
class RecordQuery:
    """Which part of the record: `types` (empty: all), changed at or after `since` (µs)."""

    patient: str
    types: tuple[str, ...] = ()
    since: int | None = None


def record_page(
    connection: Connection,
    caller: Caller,
    query: RecordQuery,
    after: tuple[str, int] = ("", 0),
    limit: int | None = None,
) -> list[Stored]:
    """Resources in the patient's compartment but the Patient itself, in order of (type, rid)."""
    if limit is not None:
        return stored_rows(connection, *_listing(caller, query, after, limit))
    found: list[Stored] = []
    while page := record_page(connection, caller, query, after, _AT_ONCE):
        found += page
        if len(page) < _AT_ONCE:
            break
        after = (page[-1].type, page[-1].rid)
    return found


def record_in_turn(connection: Connection, caller: Caller, query: RecordQuery) -> Iterator[Stored]:
    """The same, whole, for a look at each: few at a time are held, and take no room."""
    return map(Stored._make, connection.stream(*_listing(caller, query), batch=_IN_TURN))


def record_size(connection: Connection, caller: Caller, query: RecordQuery) -> int:
    """How many resources `record_page` would give in all."""
    where, params = _where(caller, query)
    row = connection.row(
        f"SELECT count(*) FROM compartment k JOIN resource r ON r.rid = k.rid WHERE {where}",
        params,
    )
    return int(row[0]) if row else 0


def shared_references(
    connection: Connection, caller: Caller, record: Iterable[Stored]
) -> list[Stored]:
    """What the record refers to, directly or through one another, in order of rid.

    Only resources that lie in no patient's compartment: another client's never come along.
    """
    found: dict[Name, Stored] = {}
    asked: set[Name] = set()
    wanted = _references(record)
    while new := sorted(wanted - asked):
        asked |= wanted
        fetched = _shared(connection, caller, new)
        found |= {(stored.type, stored.id): stored for stored in fetched}
        wanted = _references(fetched)
    return sorted(found.values(), key=lambda stored: stored.rid)


def _references(record: Iterable[Stored]) -> set[Name]:
    return {name for stored in record for name in referred(stored.body or b"")}


def _shared(connection: Connection, caller: Caller, names: Sequence[Name]) -> list[Stored]:
    narrowed, clients = and_visible(caller, "r.rid", LISTED)
    shared = "EXISTS (SELECT 1 FROM compartment k WHERE k.rid = r.rid AND k.patient = ?)"
    return list(named_versions(connection, names, shared + narrowed, (SHARED, *clients)))


def _listing(
    caller: Caller, query: RecordQuery, after: tuple[str, int] = ("", 0), limit: int | None = None
) -> tuple[str, tuple[object, ...]]:
    where, params = _where(caller, query)
    limited = "" if limit is None else " LIMIT ?"
    return (
        f"SELECT {COLUMNS} FROM compartment k JOIN resource r ON r.rid = k.rid"
        f" JOIN version v ON v.seq = r.seq WHERE {where} AND (k.type, k.rid) > (?, ?)"
        f" ORDER BY k.type, k.rid{limited}",
        (*params, *after, *(() if limit is None else (limit,))),
    )


def _where(caller: Caller, query: RecordQuery) -> tuple[str, tuple[object, ...]]:
    conditions = ["k.patient = ?", "r.deleted = ?", "NOT (r.type = 'Patient' AND r.id = ?)"]
    params: list[object] = [query.patient, False, query.patient]
    if query.types:
        conditions.append(f"k.type IN ({marks(len(query.types))})")
        params.extend(query.types)
    if query.since is not None:
        conditions.append("r.updated >= ?")
        params.append(query.since)
    narrowed, clients = and_visible(caller, "k.rid", LISTED)
    return " AND ".join(conditions) + narrowed, (*params, *clients)

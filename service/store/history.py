"""What happened, newest first? Of one resource, of one type, of all (R4 http page, history)."""

from __future__ import annotations

from dataclasses import dataclass

from service.caller import Caller
from service.store.connection import Connection
from service.store.current import look_at_another
from service.store.rows import COLUMNS, Stored, stored_rows
from service.store.visibility import and_version_visible

_FIRST_SINCE = "SELECT seq FROM version WHERE updated >= ? ORDER BY updated, seq LIMIT 1"
"""`updated` follows `seq`, so this is one look-up."""


@dataclass(frozen=True, slots=True)
class HistoryQuery:
    """Which versions. Times in microseconds since 1970 (UTC).

    `since`: written at or after it. `at`: was current at some time in this closed interval.
    `before`: with a lower `seq`, to go on where a page ended.
    """

    type: str | None = None
    id: str | None = None
    since: int | None = None
    at: tuple[int, int] | None = None
    before: int | None = None
    count: int = 100


def history(connection: Connection, caller: Caller, query: HistoryQuery) -> list[Stored]:
    """Up to `count` versions, newest first."""
    conditions: list[str] = []
    params: list[object] = []

    def require(condition: str, *values: object) -> None:
        conditions.append(condition)
        params.extend(values)

    if query.id is not None:
        require("r.type = ? AND r.id = ?", query.type, query.id)
    elif query.type is not None:
        require("v.type = ?", query.type)
    if query.before is not None:
        require("v.seq < ?", query.before)
    if query.since is not None:
        require(f"v.seq >= ({_FIRST_SINCE})", query.since)
    if query.at is not None:
        low, high = query.at
        require("v.updated <= ?", high)
        require(
            "NOT EXISTS (SELECT 1 FROM version n WHERE n.rid = v.rid AND n.vid = v.vid + 1"
            " AND n.updated <= ?)",
            low,
        )
    letter = "s" if query.id is None else "r"
    types = None if query.type is None else (query.type,)
    narrowed, clients = and_version_visible(caller, letter, types)
    where = " AND ".join(conditions) or "1 = 1"
    order = "v.seq" if query.id is None else "v.vid"
    return stored_rows(
        connection,
        f"SELECT {COLUMNS} FROM version v JOIN resource r ON r.rid = v.rid"
        f" WHERE {where}{narrowed} ORDER BY {order} DESC LIMIT ?",
        (*params, *clients, query.count),
    )


def version_count(connection: Connection, caller: Caller, resource_type: str, id_: str) -> int:
    """How many versions one resource has, deletions included."""
    narrowed, clients = and_version_visible(caller, "r", (resource_type,))
    row = connection.row(
        "SELECT count(*) FROM resource r JOIN version v ON v.rid = r.rid"
        f" WHERE r.type = ? AND r.id = ?{narrowed}",
        (resource_type, id_, *clients),
    )
    count = int(row[0]) if row else 0
    if count == 0 and narrowed:
        look_at_another(connection, (resource_type, id_), narrowed, clients)
    return count

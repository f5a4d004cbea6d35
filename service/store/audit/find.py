"""Which accesses were there? The newest first, by entity, agent and time, page by page.

Each page walks one index in the order (time, number), so that its cost does not grow with the log.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from service.store.audit.access import Access, decoded
from service.store.audit.log import newest
from service.store.caseload import FENCE, Condition
from service.store.connection import Connection, Dialect

_ONE = "SELECT w.n, w.at, w.body FROM audit_event w WHERE w.n = ?"
_CLIENTS_IN: dict[Dialect, str] = {
    "sqlite": "json_each(CAST(ob.body AS TEXT), '$.clients')",
    "postgresql": "json_array_elements_text(convert_from(ob.body, 'UTF8')::json -> 'clients')",
}
"""The clients in a row, read from it: an index from rows to what they are about would cost each
access more than everything else in the log."""
LATEST = (1 << 63) - 1
EARLIEST = -LATEST


class Recorded(NamedTuple):
    """A row of the log: its number, its time in microseconds since 1970 (UTC), what was done."""

    n: int
    at: int
    access: Access


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is looked for. All that is given must hold.

    `entities` are references `Type/id`; each tuple is met by one of its members. `before` is the
    place (`at`, `n`) of the last row of the page before. `allowed` is a condition on a row `w`, as
    `of_own` gives it.
    """

    entities: tuple[tuple[str, ...], ...] = ()
    agents: tuple[str, ...] = ()
    since: int = EARLIEST
    until: int = LATEST
    before: tuple[int, int] = (LATEST, LATEST)
    allowed: Condition | None = None


def one(connection: Connection, n: int, allowed: Condition | None = None) -> Recorded | None:
    """The row with this number, where it meets the condition."""
    text, params = allowed or ("TRUE", ())
    row = connection.row(f"{_ONE} AND {text}", (n, *params))
    return _recorded(row) if row else None


def of_own(own: Condition, dialect: Dialect) -> Condition:
    """That a row `w` is about clients, and all of them are met by `own`, a condition on the column
    `oc.patient`."""
    clients = (
        f"FROM (SELECT value AS patient FROM audit_event ob, {_CLIENTS_IN[dialect]}"
        " WHERE ob.n = w.n) oc"
    )
    return (
        f"(EXISTS (SELECT 1 {clients}) AND NOT EXISTS (SELECT 1 {clients} WHERE NOT {own[0]}))",
        own[1],
    )


def page(connection: Connection, wanted: Wanted, count: int) -> list[Recorded]:
    """At most `count` rows that are wanted, the newest first."""
    walks = [_walk(wanted, driver, count) for driver in _drivers(wanted)]
    union = " UNION ".join(f"SELECT n, at FROM ({sql}) walked" for sql, _ in walks)
    params = [param for _, some in walks for param in some]
    rows = connection.rows(
        f"SELECT a.n, a.at, a.body FROM ({union}) found"
        " JOIN audit_event a ON a.n = found.n ORDER BY found.at DESC, found.n DESC LIMIT ?",
        (*params, count),
    )
    return [_recorded(row) for row in rows]


def count(connection: Connection, wanted: Wanted) -> int:
    """How many rows are wanted in all. Reads each of them, but for the whole log."""
    wanted = replace(wanted, before=(LATEST, LATEST))
    if wanted == Wanted():
        return newest(connection)[0]
    walks = [_walk(wanted, driver, LATEST) for driver in _drivers(wanted)]
    union = " UNION ".join(f"SELECT n FROM ({sql}) walked" for sql, _ in walks)
    params = [param for _, some in walks for param in some]
    row = connection.row(f"SELECT count(*) FROM ({union}) found", params)
    return int(row[0]) if row else 0


Driver = tuple[str, str] | None
"""The column that a walk is led by, and its value; None for the whole log."""


def _drivers(wanted: Wanted) -> list[Driver]:
    if wanted.entities:
        return [("reference", reference) for reference in sorted(set(wanted.entities[0]))]
    if wanted.agents:
        return [("agent", agent) for agent in sorted(set(wanted.agents))]
    return [None]


def _walk(wanted: Wanted, driver: Driver, count: int) -> tuple[str, list[Any]]:
    """The rows of one walk. The rest of what is wanted is looked up for each row."""
    by_entity = driver is not None and driver[0] == "reference"
    table = "audit_entity" if by_entity else "audit_event"
    # One upper end: of two, PostgreSQL may begin at the wrong one and pass over all between.
    end = min(wanted.before, (wanted.until, LATEST))
    conditions = ["w.at >= ?", "(w.at, w.n) < (?, ?)"]
    params: list[Any] = [wanted.since, *end]
    if driver is not None:
        conditions.insert(0, f"w.{driver[0]} = ?")
        params.insert(0, driver[1])
    for references in wanted.entities[1:]:
        marks = ", ".join("?" * len(references))
        conditions.append(
            f"EXISTS (SELECT 1 FROM audit_entity e WHERE e.reference IN ({marks})"
            f" AND e.at = w.at AND e.n = w.n{FENCE})"
        )
        params += references
    if by_entity and wanted.agents:
        marks = ", ".join("?" * len(wanted.agents))
        conditions.append(
            f"EXISTS (SELECT 1 FROM audit_event x WHERE x.n = w.n AND x.agent IN ({marks}){FENCE})"
        )
        params += wanted.agents
    if wanted.allowed is not None:
        conditions.append(wanted.allowed[0])
        params += wanted.allowed[1]
    sql = (
        f"SELECT w.n, w.at FROM {table} w WHERE {' AND '.join(conditions)}"
        " ORDER BY w.at DESC, w.n DESC LIMIT ?"
    )
    return sql, [*params, count]


def _recorded(row: tuple[Any, ...]) -> Recorded:
    return Recorded(row[0], row[1], decoded(bytes(row[2])))

"""Which accesses were there? The newest first, by entity, agent and time, page by page.

Each page walks one index in the order (time, number), so that its cost does not grow with the log.
An event that a client sent has two times: that at which it was stored, by which the log is in
order, and that which it tells of itself. By the latter it has entries of its own, so that a search
by it takes two walks, one over what the service saw itself and one over what was sent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

from service.store.audit.access import BY_DATE, NAME, SENT, Access, decoded
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

    def place(self, *, by_date: bool) -> tuple[int, int]:
        """Where it stands in the order asked for."""
        recorded = self.access.recorded
        return (self.at if recorded is None or not by_date else recorded, self.n)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is looked for. All that is given must hold.

    `entities` are references `Type/id`; each tuple is met by one of its members. `since` and
    `until` are about the time of storing. `by_date`: the order is that of AuditEvent.recorded, and
    `earliest` and `latest` are about that. `before` is the place of the last row of the page
    before. `allowed` is a condition on a row `w`, as `of_own` gives it.
    """

    entities: tuple[tuple[str, ...], ...] = ()
    agents: tuple[str, ...] = ()
    since: int = EARLIEST
    until: int = LATEST
    before: tuple[int, int] = (LATEST, LATEST)
    allowed: Condition | None = None
    by_date: bool = False
    earliest: int = EARLIEST
    latest: int = LATEST


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
    walks = _walks(wanted, count)
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
    if replace(wanted, by_date=False) == Wanted():
        return newest(connection)[0]
    walks = _walks(wanted, LATEST)
    union = " UNION ".join(f"SELECT n FROM ({sql}) walked" for sql, _ in walks)
    params = [param for _, some in walks for param in some]
    row = connection.row(f"SELECT count(*) FROM ({union}) found", params)
    return int(row[0]) if row else 0


Walk = tuple[str, list[Any]]
"""A select of n and at, in their order, and its parameters."""


def _walks(wanted: Wanted, count: int) -> list[Walk]:
    """What to walk, so that together it is what is wanted."""
    if wanted.entities:
        references = sorted(set(wanted.entities[0]))
        seen: list[tuple[str, str]] = [("reference", reference) for reference in references]
        sent = references
    else:
        agents = sorted(set(wanted.agents))
        seen = [("agent", agent) for agent in agents]
        sent = [f"{NAME}{agent}" for agent in agents]
        if not wanted.by_date:
            seen += [("reference", name) for name in sent]
    drivers = seen or [("", "")]
    walks = [_walk(wanted, column, value, count) for column, value in drivers]
    if wanted.by_date:
        walks += [_sent_walk(wanted, reference, count) for reference in sent or [SENT]]
    return walks


def _walk(wanted: Wanted, column: str, value: str, count: int) -> Walk:
    """Along what has the value in the column, or along the whole log, by the time of storing.

    By date only what the service saw itself, of which both times are the same. The rest of what
    is wanted is looked up for each row.
    """
    low, high = wanted.since, wanted.until
    if wanted.by_date:
        low, high = max(low, wanted.earliest), min(high, wanted.latest)
    conditions, params = _between(low, high, wanted.before)
    if column:
        conditions, params = [f"w.{column} = ?", *conditions], [value, *params]
    if wanted.by_date:
        conditions.append(f"NOT EXISTS ({_entry()}{FENCE})")
        params.append(SENT)
    further = wanted.entities[1:]
    if column != "agent" and wanted.agents:
        names = [f"{NAME}{agent}" for agent in wanted.agents]
        marks = ", ".join("?" * len(names))
        conditions.append(
            f"(EXISTS (SELECT 1 FROM audit_event x WHERE x.n = w.n AND x.agent IN ({marks}){FENCE})"
            f" OR EXISTS ({_entry(len(names))}{FENCE}))"
        )
        params += [*wanted.agents, *names]
    table = "audit_entity" if column == "reference" else "audit_event"
    return _ordered(table, wanted, conditions, params, further, count)


def _sent_walk(wanted: Wanted, reference: str, count: int) -> Walk:
    """Along what was sent and is found by the reference, by the time that it tells of itself."""
    conditions, params = _between(wanted.earliest, wanted.latest, wanted.before)
    conditions, params = ["w.reference = ?", *conditions], [f"{BY_DATE}{reference}", *params]
    further = [tuple(f"{BY_DATE}{each}" for each in some) for some in wanted.entities[1:]]
    if wanted.entities and wanted.agents:
        further.append(tuple(f"{BY_DATE}{NAME}{agent}" for agent in wanted.agents))
    if (wanted.since, wanted.until) != (EARLIEST, LATEST):
        conditions.append(
            f"EXISTS (SELECT 1 FROM audit_event x WHERE x.n = w.n AND x.at BETWEEN ? AND ?{FENCE})"
        )
        params += [wanted.since, wanted.until]
    return _ordered("audit_entity", wanted, conditions, params, further, count)


def _between(low: int, high: int, before: tuple[int, int]) -> tuple[list[str], list[Any]]:
    # One upper end: of two, PostgreSQL may begin at the wrong one and pass over all between.
    return ["w.at >= ?", "(w.at, w.n) < (?, ?)"], [low, *min(before, (high, LATEST))]


def _ordered(
    table: str,
    wanted: Wanted,
    conditions: list[str],
    params: list[Any],
    further: Sequence[tuple[str, ...]],
    count: int,
) -> Walk:
    for references in further:
        conditions.append(f"EXISTS ({_entry(len(references))}{FENCE})")
        params += references
    if wanted.allowed is not None:
        conditions.append(wanted.allowed[0])
        params += wanted.allowed[1]
    sql = (
        f"SELECT w.n, w.at FROM {table} w WHERE {' AND '.join(conditions)}"
        " ORDER BY w.at DESC, w.n DESC LIMIT ?"
    )
    return sql, [*params, count]


def _entry(count: int = 1) -> str:
    """That the row `w` is found by one of so many references."""
    return (
        f"SELECT 1 FROM audit_entity e WHERE e.reference IN ({', '.join('?' * count)})"
        " AND e.at = w.at AND e.n = w.n"
    )


def _recorded(row: tuple[Any, ...]) -> Recorded:
    return Recorded(row[0], row[1], decoded(bytes(row[2])))

"""Which Observations and Procedures bear on a plan of care? Read in one statement each.

By the client's compartment, and of that only what is not over before the look-back began, or
refers to the plan, or bears a mark (the phase "baseline"). The rest of the store is not touched.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from service.caller import Caller
from service.standard.definitions import definitions
from service.standard.grants import LISTED
from service.store.connection import Connection
from service.store.visibility import and_version_visible, and_visible

_MOST_VERSIONS = 200


@dataclass(frozen=True, slots=True)
class CourseQuery:
    """Of one type in one client's compartment.

    `since` (µs) leaves out what ended before it; `targets` are (type, id) that it may be based on
    instead; `marked` is (system, code) of a category that brings it in instead.
    """

    patient: str
    type: str
    since: int | None = None
    targets: Sequence[tuple[str, str]] = ()
    marked: tuple[str, str] | None = None


def course_bodies(connection: Connection, caller: Caller, query: CourseQuery) -> Iterator[bytes]:
    """The stored bytes, in no particular order."""
    conditions = ["k.patient = ?", "k.type = ?", "r.deleted = ?"]
    params: list[object] = [query.patient, query.type, False]
    if query.since is not None:
        either, more = _bearing(query, query.since)
        conditions.append(f"({either})")
        params += more
    narrowed, clients = and_visible(caller, "k.rid", LISTED, (query.type,))
    rows = connection.stream(
        "SELECT v.body FROM compartment k JOIN resource r ON r.rid = k.rid"
        f" JOIN version v ON v.seq = r.seq WHERE {' AND '.join(conditions)}{narrowed}",
        (*params, *clients),
    )
    for (body,) in rows:
        yield body


def version_bodies(
    connection: Connection, caller: Caller, resource_type: str, resource_id: str
) -> list[tuple[int, bytes]]:
    """(µs when stored, bytes) of the last versions that the caller may see, in order."""
    narrowed, clients = and_version_visible(caller, "r", (resource_type,))
    rows = connection.rows(
        "SELECT v.updated, v.body FROM resource r JOIN version v ON v.rid = r.rid"
        f" WHERE r.type = ? AND r.id = ? AND v.body IS NOT NULL{narrowed}"
        " ORDER BY v.vid DESC LIMIT ?",
        (resource_type, resource_id, *clients, _MOST_VERSIONS),
    )
    return [(updated, body) for updated, body in reversed(rows)]


def _bearing(query: CourseQuery, since: int) -> tuple[str, list[object]]:
    either = [
        "NOT EXISTS (SELECT 1 FROM index_date d WHERE d.rid = k.rid AND d.param = ? AND d.high < ?)"
    ]
    number = definitions().parameter_number
    params: list[object] = [number(query.type, "date"), since]
    if query.targets:
        marks = " OR ".join(["(f.target_type = ? AND f.target_id = ?)"] * len(query.targets))
        either.append(
            "EXISTS (SELECT 1 FROM index_reference f"
            f" WHERE f.rid = k.rid AND f.param = ? AND ({marks}))"
        )
        params += [number(query.type, "based-on")]
        params += [part for target in query.targets for part in target]
    if query.marked is not None:
        system, code = query.marked
        either.append(
            "EXISTS (SELECT 1 FROM index_token t"
            " WHERE t.rid = k.rid AND t.param = ? AND t.code = ? AND t.system = ?)"
        )
        params += [number(query.type, "category"), code, system]
    return " OR ".join(either), params

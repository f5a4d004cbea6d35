"""What is one client's whole record? `Patient/[id]/$everything`.

The patient's compartment, and every shared resource it refers to, directly or through another.
R4: OperationDefinition-Patient-everything, http://hl7.org/fhir/R4/compartmentdefinition.html.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import chain

from service.caller import Caller
from service.store.connection import Connection
from service.store.current import current_version
from service.store.record import (
    RecordQuery,
    record_in_turn,
    record_page,
    record_size,
    shared_references,
)
from service.store.rows import Stored
from service.store.store import present

Cursor = tuple[str, int]
"""Where a page ended: (type, rid) of the last resource of the compartment, or
(SHARED, rid) among the shared resources."""

START: Cursor = ("", 0)
SHARED = "~"
"""After every type in the order of pages."""


@dataclass(frozen=True, slots=True)
class Page:
    """Resources of the record, then shared ones; `next` where there are more."""

    own: tuple[Stored, ...]
    shared: tuple[Stored, ...]
    total: int
    next: Cursor | None


def everything(
    connection: Connection,
    caller: Caller,
    query: RecordQuery,
    *,
    count: int | None = None,
    after: Cursor | None = None,
) -> Page:
    """One page of at most `count` resources (1 or more), or all of them.

    Raises NotFound or Gone where there is no such patient.
    """
    patient = present(
        current_version(connection, caller, "Patient", query.patient), f"Patient/{query.patient}"
    )
    first = [patient] if after is None and _wanted(patient, query) else []
    own = list(first)
    if after is None or after[0] != SHARED:
        limit = None if count is None else count + 1 - len(first)
        own += record_page(connection, caller, query, after or START, limit)
    shared: list[Stored] = []
    if count is None or len(own) <= count:
        seen = after[1] if after is not None and after[0] == SHARED else 0
        shared = [
            stored
            for stored in _shared(connection, caller, query, patient)
            if _wanted(stored, query) and stored.rid > seen
        ]
    total = record_size(connection, caller, query) + _wanted(patient, query)
    if count is None or len(own) + len(shared) <= count:
        return Page(tuple(own), tuple(shared), total, None)
    shared = shared[: max(count - len(own), 0)]
    own = own[:count]
    return Page(tuple(own), tuple(shared), total, _cursor(own, shared, patient))


def _shared(
    connection: Connection, caller: Caller, query: RecordQuery, patient: Stored
) -> list[Stored]:
    """From the whole record, since what is wanted of the shared may hang on what is not."""
    whole = replace(query, types=(), since=None)
    record = record_in_turn(connection, caller, whole)
    return shared_references(connection, caller, chain((patient,), record))


def _wanted(stored: Stored, query: RecordQuery) -> bool:
    typed = not query.types or stored.type in query.types
    return typed and (query.since is None or stored.updated >= query.since)


def _cursor(own: list[Stored], shared: list[Stored], patient: Stored) -> Cursor:
    if shared:
        return SHARED, shared[-1].rid
    last = own[-1]
    # The patient comes before its turn; those after it begin anew.
    return START if last.rid == patient.rid else (last.type, last.rid)

"""Was a resource part of the export as it was then? Told from the version itself.

The tables tell of a resource what is so now. One that was changed, moved or deleted since the
export, and a deleted one whose rows are gone, is judged by the bytes of the version.
"""

from __future__ import annotations

from collections.abc import Sequence

from service.caller import Caller
from service.handover.bulk.parts import PROVENANCE, Filters, Part
from service.handover.bulk.request import BulkRequest, in_records
from service.standard.codec import decode_resource
from service.standard.grants import LISTED, WHOLE, grants_of
from service.standard.search_values import SearchValues, extract
from service.standard.searching.query import SearchQuery
from service.store.connection import Connection
from service.store.export_conditions import (
    Scratch,
    members_among,
    target_number,
    targets_in_records,
)
from service.store.export_walk import Changed


def was_part(
    connection: Connection,
    request: BulkRequest,
    key: str,
    part: Part,
    filters: Filters,
    caller: Caller,
    then: Changed,
    scratch: Scratch,
) -> bool:
    """Whether the version was part of the export `key` by record and by filter."""
    filtered = part.type in filters and not then.deleted
    of_record = request.level != "system" and in_records(part.type)
    if not filtered and not of_record:
        return True
    if then.body is None:
        return False
    values = extract(decode_resource(then.body), f"{request.base}/")
    if of_record and not _in_record(connection, request, key, part.type, values):
        return False
    if not filtered:
        return True
    return scratch.meets(caller, filters[part.type], values, then.id, then.updated)


def was_allowed(
    callers: Sequence[Caller], base: str, then: Changed, kind: str, scratch: Scratch
) -> bool:
    """Whether the version was within the scopes of them all; deletions are judged by the tables."""
    found = dict.fromkeys(
        (caller, grants_of(caller).of(letter, kind)) for caller in callers for letter in LISTED
    )
    if then.deleted or all(alternatives == WHOLE for _, alternatives in found):
        return True
    if then.body is None or any(alternatives is None for _, alternatives in found):
        return False
    values = extract(decode_resource(then.body), f"{base}/")
    return all(
        scratch.meets(
            caller,
            [SearchQuery((kind,), criteria) for criteria in some],
            values,
            then.id,
            then.updated,
        )
        for caller, some in found
        if some
    )


def targets_of(request: BulkRequest, then: Changed) -> set[tuple[str, str]]:
    """(type, id) of what a Provenance was about."""
    if then.body is None:
        return set()
    return _targets(extract(decode_resource(then.body), f"{request.base}/"))


def _targets(values: SearchValues) -> set[tuple[str, str]]:
    number = target_number()
    return {(kind, id_) for param, kind, id_, _ in values.references if param == number and kind}


def _in_record(
    connection: Connection, request: BulkRequest, key: str, kind: str, values: SearchValues
) -> bool:
    own = key if request.members else None
    if own is None and values.patients:
        return True
    if own is not None and members_among(connection, own, values.patients):
        return True
    return kind == PROVENANCE and targets_in_records(connection, own, _targets(values))

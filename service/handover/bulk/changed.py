"""Was a resource part of the export as it was then? Told from the version itself.

The tables tell of a resource what is so now. One that was changed, moved or deleted since the
export, and a deleted one whose rows are gone, is judged by the bytes of the version.
"""

from __future__ import annotations

from service.caller import Caller
from service.handover.bulk.parts import PROVENANCE, Filters, Part
from service.handover.bulk.request import BulkRequest, in_records
from service.standard.codec import decode_resource
from service.standard.search_values import SearchValues, extract
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

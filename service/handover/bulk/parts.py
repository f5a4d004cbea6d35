"""Which walks meet everything that an export holds? In an order that the request alone decides.

Provenance that goes with what is exported comes last, when all else is listed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from service.caller import Caller
from service.handover.bulk.request import BulkRequest, in_records
from service.standard.searching.query import SearchQuery
from service.store.export_conditions import about_a_record, in_a_record, meets_one
from service.store.sql import Sql, all_of, any_of

PROVENANCE = "Provenance"

Walk = Literal["settled", "record", "about", "changed"]
Filters = Mapping[str, Sequence[SearchQuery]]


@dataclass(frozen=True, slots=True)
class Part:
    """One walk over one type; `associated`: what goes with what is listed already."""

    walk: Walk
    type: str
    associated: bool = False


def parts_of(request: BulkRequest) -> tuple[Part, ...]:
    """All walks of an export."""
    parts: list[Part] = []
    for kind in request.types:
        if kind == PROVENANCE and request.associated:
            continue
        parts += [Part(walk, kind) for walk in (*_settled(request, kind), "changed")]
    if request.associated:
        parts.append(Part("settled", PROVENANCE, True))
        parts.append(Part("changed", PROVENANCE, True))
    return tuple(parts)


def _settled(request: BulkRequest, kind: str) -> tuple[Walk, ...]:
    if not request.members or not in_records(kind):
        return ("settled",)
    if kind != PROVENANCE:
        return ("record",)
    # What a deleted one was about is in no table: where those are told too, all that were changed
    # since then are gone through.
    return ("record", "about") if request.since is None else ("settled",)


def condition_of(
    request: BulkRequest, key: str, part: Part, filters: Filters, caller: Caller, dialect: str
) -> Sql:
    """What a resource `r` that was not changed since must meet to be part of the export `key`."""
    conditions = [Sql("TRUE")]
    own = key if request.members else None
    if request.level != "system" and not part.associated and part.walk == "settled":
        if part.type == PROVENANCE:
            # What a deleted one was about is not in the tables any more.
            ways = [Sql("r.deleted = TRUE"), in_a_record(own), about_a_record(own)]
            conditions.append(any_of(ways))
        elif in_records(part.type):
            conditions.append(in_a_record(own))
    if part.type in filters and not part.associated:
        met = meets_one(caller, dialect, filters[part.type])
        conditions.append(any_of([Sql("r.deleted = TRUE"), met]))
    return all_of(conditions)

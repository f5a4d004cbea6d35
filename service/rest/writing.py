"""create, update, patch, delete within a unit of work, plain and conditional.

Shared by single requests and by the entries of a Bundle; what may be done is decided in
`standard/preconditions.py`. R4 http page: #create, #ccreate, #update, #cond-update, #patch,
#delete.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

from service.errors import Conflict, HyoidError, Invalid, NotSupported, PreconditionFailed
from service.rest.conditions import matches
from service.rest.permission import is_readable
from service.standard.codec import decode_resource
from service.standard.grants import insufficient
from service.standard.ids import new_id as new_id
from service.standard.meta import unstamped
from service.standard.patching import fhirpath_patch, json_patch
from service.standard.patching.merge_patch import apply_merge_patch
from service.standard.preconditions import (
    Create,
    Current,
    Delete,
    Existing,
    Nothing,
    condition_place,
    decide_conditional_delete,
    decide_conditional_patch,
    decide_conditional_update,
    decide_create,
    decide_delete,
    decide_patch,
    decide_update,
)
from service.standard.profiles import check
from service.standard.search_values import SearchValues
from service.store.rows import Stored
from service.store.unit import Unit

Resource = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Change:
    """A patch: what it makes of a resource, and where it asks what is stored: `expression` in a
    FHIRPath Patch, `location` in a JSON Patch, None where it does not ask."""

    apply: Callable[[Resource], Resource]
    expression: str | None = None
    location: str | None = None

    @property
    def asks(self) -> bool:
        """Whether what is stored decides whether it can be done, beyond which elements are there.

        Who may not read could find out by that what is stored, guess by guess.
        """
        return self.expression is not None or self.location is not None


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a write depends on, and where that was said (`http`, `Bundle.entry[2].request`)."""

    if_match: str | None = None
    if_none_match: str | None = None
    if_none_exist: str | None = None
    where: str = "http"

    def of(self, name: str) -> str:
        """The place of one condition, for refusals."""
        return condition_place(self.where, name)


class Written(NamedTuple):
    """What a write came to; `stored` is None where there was nothing to delete."""

    status: int
    stored: Stored | None


def create(
    unit: Unit,
    resource: Resource,
    base: str,
    conditions: Conditions,
    values: SearchValues | None = None,
) -> Written:
    """Store a new resource under the id it was given by `new_id`, unless one matches."""
    condition = conditions.if_none_exist
    if resource["resourceType"] == "AuditEvent":
        if condition is not None:
            raise NotSupported("An AuditEvent is not created conditionally")
        return Written(201, unit.keep_event(resource, base))
    if condition is not None:
        found = only_match(unit, resource["resourceType"], condition, base, conditions)
        if found is not None:
            return Written(200, found)
    stored = unit.append(resource, resource["id"], base, method="POST", current=None, values=values)
    return Written(201, stored)


def only_match(
    unit: Unit, resource_type: str, search: str, base: str, conditions: Conditions
) -> Stored | None:
    """What a conditional create finds already there; 412 where it is more than one."""
    found = matches(unit, resource_type, search, base, conditions.of("If-None-Exist"))
    decision = decide_create([stored.id for stored in found], conditions.where)
    return found[0] if isinstance(decision, Existing) else None


def update(
    unit: Unit,
    resource: Resource,
    base: str,
    conditions: Conditions,
    values: SearchValues | None = None,
) -> Written:
    """Store the next version, or the first under the client's id."""
    current = unit.current(resource["resourceType"], resource["id"])
    decision = decide_update(
        _known(current),
        if_match=conditions.if_match,
        if_none_match=conditions.if_none_match,
        where=conditions.where,
    )
    stored = unit.append(
        resource, resource["id"], base, method="PUT", current=current, values=values
    )
    return Written(201 if isinstance(decision, Create) else 200, stored)


def update_where(
    unit: Unit, resource: Resource, search: str, base: str, conditions: Conditions
) -> Written:
    """Store the next version of the one that matches, or a new resource where none does."""
    resource_type = resource["resourceType"]
    target = identity_for(unit, resource, search, base, conditions)
    if target is None:
        if conditions.if_match is not None:
            raise PreconditionFailed("If-Match was given, but nothing matches the search")
        return create(unit, resource | {"id": new_id()}, base, Conditions(where=conditions.where))
    return update(unit, {"resourceType": resource_type, **resource, "id": target}, base, conditions)


def identity_for(
    unit: Unit, resource: Resource, search: str, base: str, conditions: Conditions
) -> str | None:
    """The id that an update by search is for; None where the service is to give one."""
    resource_type, sent = resource["resourceType"], resource.get("id")
    found = [
        stored.id for stored in matches(unit, resource_type, search, base, conditions.of("url"))
    ]
    target = decide_conditional_update(found, sent, conditions.where)
    if not found and target.id is not None:
        current = unit.current(resource_type, target.id)
        if current is not None and not current.deleted:
            raise Conflict(
                f"{resource_type}/{target.id} exists, but does not match the search",
                expression=f"{resource_type}.id",
            )
    return target.id


def patch(
    unit: Unit,
    resource_type: str,
    resource_id: str,
    change: Change,
    base: str,
    conditions: Conditions,
) -> Written:
    """Store what `change` makes of the current version."""
    current = unit.current(resource_type, resource_id)
    if current is None:
        unit.refuse_seen(resource_type, resource_id)
    name = f"{resource_type}/{resource_id}"
    decide_patch(_known(current), name, if_match=conditions.if_match, where=conditions.where)
    assert current is not None
    resource = _changed(unit, current, change)
    return Written(200, unit.append(resource, resource_id, base, method="PATCH", current=current))


def json_change(operations: Any) -> Change:
    """A JSON Patch."""
    asked = json_patch.question_in(operations)
    return Change(lambda found: json_patch.apply_json_patch(found, operations), location=asked)


def fhirpath_change(parameters: Any) -> Change:
    """A FHIRPath Patch. Raises Malformed."""
    asked = fhirpath_patch.question_in(parameters)
    return Change(
        lambda found: fhirpath_patch.apply_fhirpath_patch(found, parameters), expression=asked
    )


def merge_change(patch: Any) -> Change:
    """A JSON Merge Patch; it asks nothing."""
    return Change(lambda found: apply_merge_patch(found, patch))


def _changed(unit: Unit, current: Stored, change: Change) -> Resource:
    """What the patch makes of it. What it asks, and why it cannot be, is told to who may read it:
    a refusal may quote what is stored."""
    kind = current.type
    readable = is_readable(unit.caller, kind, created=False) or (
        unit.current(kind, current.id, "r") is not None
    )
    if change.asks and not readable:
        raise insufficient(
            "A test, or a path with a function, asks what is stored, and no scope of this caller"
            f" has 'r' for this {kind}: without it patches lead to names and indexes",
            expression=change.expression,
            location=change.location,
        )
    try:
        resource = change.apply(unstamped(decode_resource(current.body or b"")))
        check(resource)
    except HyoidError as error:
        if readable:
            raise
        raise Invalid(
            "The patch does not fit what is stored, or does not lead to what is valid; why is told"
            " to who may read it",
            status=error.status,
        ) from None
    return resource


def patch_where(
    unit: Unit, resource_type: str, search: str, change: Change, base: str, conditions: Conditions
) -> Written:
    """Patch the one that matches."""
    found = [
        stored.id for stored in matches(unit, resource_type, search, base, conditions.of("url"))
    ]
    target = decide_conditional_patch(found, conditions.where)
    assert target.id is not None
    return patch(unit, resource_type, target.id, change, base, conditions)


def delete(unit: Unit, resource_type: str, resource_id: str, conditions: Conditions) -> Written:
    """Delete it; fine where it is not there, or is deleted already."""
    current = unit.current(resource_type, resource_id, "d")
    if current is None:
        unit.refuse_seen(resource_type, resource_id)
    decision = decide_delete(_known(current), if_match=conditions.if_match, where=conditions.where)
    if isinstance(decision, Delete):
        assert current is not None
        current = unit.delete(current)
    return Written(204, current)


def delete_where(
    unit: Unit, resource_type: str, search: str, base: str, conditions: Conditions
) -> Written:
    """Delete the one that matches; 412 where several do."""
    found = [
        stored.id for stored in matches(unit, resource_type, search, base, conditions.of("url"))
    ]
    target = decide_conditional_delete(found, conditions.where)
    if isinstance(target, Nothing):
        return Written(204, None)
    assert target.id is not None
    return delete(unit, resource_type, target.id, conditions)


def _known(stored: Stored | None) -> Current | None:
    return None if stored is None else Current(stored.vid, stored.deleted)

"""create, update, patch, delete over HTTP: one request, one unit of work."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlencode

from service.errors import Invalid, UnsupportedMediaType
from service.rest import writing
from service.rest.call import FHIR_JSON, Answer, Call, Service
from service.rest.cautions import with_warnings
from service.rest.negotiation import COMMON, require_json_body, require_utf8
from service.rest.responses import version_headers, written
from service.rest.routing import Interaction
from service.rest.writing import Change, Conditions, Resource, Written
from service.standard.codec import decode, decode_resource
from service.standard.profiles import check
from service.standard.search_values import extract
from service.store.unit import Unit

JSON_PATCH = "application/json-patch+json"
MERGE_PATCH = "application/merge-patch+json"


def create(service: Service, call: Call, asked: Interaction) -> Answer:
    """POST [type], with `If-None-Exist` as a conditional create.

    Criteria in the address, which R4 does not define, are read the same way: a client that sends
    them means to create once, and to pass over them would make a second copy.
    """
    sent = _resource(service, call, asked)
    check(sent)
    resource = sent | {"id": writing.new_id()}
    values = extract(resource, f"{call.base}/")
    conditions = _conditions(call)
    return _write(
        service, call, lambda unit: writing.create(unit, resource, call.base, conditions, values)
    )


def update(service: Service, call: Call, asked: Interaction) -> Answer:
    """PUT [type]/[id]."""
    resource = _resource(service, call, asked)
    require_same_id(resource, asked.id)
    check(resource)
    values = extract(resource, f"{call.base}/")
    conditions = _conditions(call)
    return _write(
        service, call, lambda unit: writing.update(unit, resource, call.base, conditions, values)
    )


def conditional_update(service: Service, call: Call, asked: Interaction) -> Answer:
    """PUT [type]?search."""
    resource = _resource(service, call, asked)
    check(resource)
    search, conditions = urlencode(call.query), _conditions(call)
    return _write(
        service,
        call,
        lambda unit: writing.update_where(unit, resource, search, call.base, conditions),
    )


def patch(service: Service, call: Call, asked: Interaction) -> Answer:
    """PATCH [type]/[id] with a JSON Patch, or with Parameters (FHIRPath Patch)."""
    assert asked.type is not None
    assert asked.id is not None
    kind, key, change, conditions = asked.type, asked.id, _change(service, call), _conditions(call)
    return _write(
        service,
        call,
        lambda unit: writing.patch(unit, kind, key, change, call.base, conditions),
    )


def conditional_patch(service: Service, call: Call, asked: Interaction) -> Answer:
    """PATCH [type]?search."""
    assert asked.type is not None
    kind, search = asked.type, urlencode(call.query)
    change, conditions = _change(service, call), _conditions(call)
    return _write(
        service,
        call,
        lambda unit: writing.patch_where(unit, kind, search, change, call.base, conditions),
    )


def delete(service: Service, call: Call, asked: Interaction) -> Answer:
    """DELETE [type]/[id]."""
    assert asked.type is not None
    assert asked.id is not None
    kind, key, conditions = asked.type, asked.id, _conditions(call)
    return _write(service, call, lambda unit: writing.delete(unit, kind, key, conditions))


def conditional_delete(service: Service, call: Call, asked: Interaction) -> Answer:
    """DELETE [type]?search."""
    assert asked.type is not None
    kind, search, conditions = asked.type, urlencode(call.query), _conditions(call)
    return _write(
        service,
        call,
        lambda unit: writing.delete_where(unit, kind, search, call.base, conditions),
    )


def require_type(resource: Resource, expected: str | None, expression: str = "") -> None:
    """Raise Invalid unless the resource is of the type that the address names."""
    sent = resource["resourceType"]
    if sent != expected:
        raise Invalid(
            f"The address is for {expected}, but the resource is a {sent[:64]!r}",
            code="value",
            expression=expression or "resourceType",
        )


def require_same_id(resource: Resource, expected: str | None, prefix: str = "") -> None:
    """Raise Invalid unless the resource has the id that the address names."""
    sent = resource.get("id")
    if sent != expected:
        kind = resource["resourceType"]
        told = "has no id" if sent is None else f"has the id {str(sent)[:64]!r}"
        raise Invalid(
            f"The address ends in {str(expected)[:64]!r}, but the resource {told}",
            code="required" if sent is None else "value",
            expression=f"{prefix or kind}.id",
        )


def _conditions(call: Call) -> Conditions:
    headers = call.headers
    if_none_exist = headers.get("if-none-exist")
    if if_none_exist is None and call.method == "POST":
        criteria = [pair for pair in call.query if pair[0] not in COMMON]
        if_none_exist = urlencode(criteria) or None
    return Conditions(headers.get("if-match"), headers.get("if-none-match"), if_none_exist)


def _resource(service: Service, call: Call, asked: Interaction) -> Resource:
    if "content-type" in call.headers:
        require_json_body(call.headers["content-type"])
    resource = decode_resource(call.body, max_bytes=service.settings.max_body)
    require_type(resource, asked.type)
    return resource


def _change(service: Service, call: Call) -> Change:
    content_type = call.headers.get("content-type", "")
    require_utf8(content_type)
    base, limit = content_type.split(";")[0].strip().lower(), service.settings.max_body
    if base not in (JSON_PATCH, MERGE_PATCH, FHIR_JSON, "application/json"):
        raise UnsupportedMediaType(
            f"A patch is {JSON_PATCH}, {MERGE_PATCH} or, as Parameters, {FHIR_JSON}",
            location="http.Content-Type",
        )
    patch = decode(call.body, max_bytes=limit)
    if base == JSON_PATCH:
        return writing.json_change(patch)
    if base != MERGE_PATCH and isinstance(patch, dict) and "resourceType" in patch:
        parameters = decode_resource(call.body, max_bytes=limit)
        require_type(parameters, "Parameters")
        check(parameters)
        return writing.fhirpath_change(parameters)
    return writing.merge_change(patch)


def _write(service: Service, call: Call, step: Callable[[Unit], Written]) -> Answer:
    with service.store.write(call.caller) as unit:
        done = step(unit)
    if done.status == 204:
        return Answer(204, b"", version_headers(done.stored) if done.stored else {})
    assert done.stored is not None
    return with_warnings(service, call, done.stored, written(call, done.stored, done.status))

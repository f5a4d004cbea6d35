"""$validate: would this resource be taken? Every problem found, nothing stored.

R4: OperationDefinition-Resource-validate. The answer is 200 whatever is found.
"""

from __future__ import annotations

from typing import Any

from service.errors import Invalid, Issue
from service.rest.call import Answer, Call, Service
from service.rest.cautions import warnings_about
from service.rest.parameters import body_resource, check_envelope, values_of
from service.rest.responses import told
from service.rest.routing import Interaction
from service.standard.codec import decode_resource
from service.standard.grants import require
from service.standard.profiles import declared, declared_issues, profile_issues
from service.standard.validation import validate
from service.standard.validation.fhirpath.budget import Budget
from service.store.current import current_version
from service.store.store import present
from service.terminology.stored import StoredLibrary

_MOST_STEPS, _MOST_ROOM = 1_000_000, 3_000_000
"""For the rules of all profiles together: enough for a Bundle of ten thousand resources of ours."""
_MODES = ("create", "update", "delete", "profile")


def validate_resource(service: Service, call: Call, asked: Interaction) -> Answer:
    """[type]/$validate and [type]/[id]/$validate, with `mode` and `profile`."""
    resource, given = _handed(service, call)
    mode = given.get("mode")
    if mode is not None and mode not in _MODES:
        raise Invalid(f"mode is one of {', '.join(_MODES)}", code="value", location="http.mode")
    issues: list[Issue] = []
    if resource is None or asked.id is not None:
        resource = _with_stored(call, asked, resource, mode, issues)
    if resource is not None:
        issues += _address_issues(resource, asked, mode)
        issues += _judged(service, call, resource, given.get("profile"))
    return told(issues)


def _judged(service: Service, call: Call, resource: dict[str, Any], profile: object) -> list[Issue]:
    """What R4 says, the profile asked for and those that the resource names in `meta`; warnings."""
    issues = validate(resource)
    if any(issue.severity in ("fatal", "error") for issue in issues):
        return issues
    urls = [profile] if isinstance(profile, str) else []
    with call.reading(snapshot=True) as connection:
        library = StoredLibrary(connection, call.caller)
        budget = Budget(_MOST_STEPS, _MOST_ROOM)
        found = profile_issues(resource, [*urls, *declared(resource)], library, library, budget)
        found += declared_issues(resource, library, library, budget)
        found += warnings_about(service, connection, call, resource)
    return list(dict.fromkeys([*issues, *found]))


def _handed(service: Service, call: Call) -> tuple[dict[str, Any] | None, dict[str, Any]]:
    given: dict[str, Any] = dict(call.query)
    body = body_resource(service, call)
    if body is None or body["resourceType"] != "Parameters":
        return body, given
    check_envelope(body)
    values = list(values_of(body))
    named = dict(values)
    if len(named) < len(values):
        raise Invalid(
            "A parameter is there twice, so it is not clear what to check",
            code="value",
            expression="Parameters.parameter",
        )
    resource = named.pop("resource", None)
    if resource is not None and not isinstance(resource, dict):
        raise Invalid("The resource to check is no object", expression="Parameters.parameter")
    return resource, given | named


def _with_stored(
    call: Call,
    asked: Interaction,
    resource: dict[str, Any] | None,
    mode: str | None,
    issues: list[Issue],
) -> dict[str, Any] | None:
    if asked.id is None:
        raise Invalid("There is no resource to check", code="required", expression="resource")
    assert asked.type is not None
    require(call.caller, "r", asked.type)
    with call.reading() as connection:
        found = current_version(connection, call.caller, asked.type, asked.id)
    stored = present(found, f"{asked.type}/{asked.id}")
    if mode == "delete":
        text = f"{stored.reference} may be deleted"
        issues.append(Issue("information", "informational", text))
        return None
    return decode_resource(stored.body or b"") if resource is None else resource


def _address_issues(resource: dict[str, Any], asked: Interaction, mode: str | None) -> list[Issue]:
    kind = resource.get("resourceType")
    if kind != asked.type:
        text = f"The address is for {asked.type}, but the resource is a {str(kind)[:64]!r}"
        return [Issue("error", "value", text, "resourceType")]
    if mode == "update" and "id" not in resource:
        return [Issue("error", "required", "An update needs the id", f"{kind}.id")]
    if asked.id is not None and resource.get("id") not in (None, asked.id):
        return [Issue("error", "value", f"The address names {asked.id[:64]!r}", f"{kind}.id")]
    return []

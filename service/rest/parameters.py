"""What was handed to an operation: in the query, or as a Parameters resource in the body?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from service.errors import Invalid
from service.rest.call import Call, Service
from service.rest.negotiation import COMMON, require_json_body
from service.standard.codec import decode_resource
from service.standard.validation import check

Resource = dict[str, Any]


def body_resource(service: Service, call: Call) -> Resource | None:
    """The resource in the body, or None where there is no body."""
    if not call.body.strip():
        return None
    if "content-type" in call.headers:
        require_json_body(call.headers["content-type"])
    return decode_resource(call.body, max_bytes=service.settings.max_body)


def handed(service: Service, call: Call) -> list[tuple[str, Any]]:
    """(name, value) of every parameter; values of a Parameters body are as they stand there.

    Raises Invalid where the body is another resource or breaks the rules of Parameters.
    """
    found: list[tuple[str, Any]] = list(call.query)
    body = body_resource(service, call)
    if body is None:
        return found
    if body["resourceType"] != "Parameters":
        raise Invalid("The body must be a Parameters resource", expression="resourceType")
    check(body)
    return found + list(values_of(body))


def given_with(service: Service, call: Call, bare: str) -> list[tuple[str, Any]]:
    """(name, value) of every parameter but the common ones; a body that is no Parameters resource
    is the value of `bare`. Resources in them are not checked."""
    found: list[tuple[str, Any]] = [pair for pair in call.query if pair[0] not in COMMON]
    body = body_resource(service, call)
    if body is None:
        return found
    if body["resourceType"] != "Parameters":
        return [*found, (bare, body)]
    check_envelope(body)
    return [*found, *values_of(body)]


def only(given: Sequence[tuple[str, Any]], name: str) -> Any:
    """The value of a parameter, or None. Raises Invalid where it was given twice."""
    values = [value for key, value in given if key == name]
    if len(values) > 1:
        raise Invalid(f"{name} is given once", code="value", location=f"http.{name}")
    return values[0] if values else None


def truth(value: Any, name: str) -> bool:
    """A flag; false where it was not given. Raises Invalid for what is neither true nor false."""
    if value is None or value is False or value == "false":
        return False
    if value is True or value == "true":
        return True
    raise Invalid(f"{name} is true or false", code="value", location=f"http.{name}")


def check_envelope(parameters: Resource) -> None:
    """Raise Invalid where the Parameters are no good, whatever the resources in them are."""
    listed = parameters.get("parameter")
    if isinstance(listed, list):
        parameters = parameters | {"parameter": [_without_resource(one) for one in listed]}
    check(parameters)


def _without_resource(parameter: Any) -> Any:
    """With a value in place of the resource, as a parameter must have one of them."""
    if not isinstance(parameter, dict) or "resource" not in parameter:
        return parameter
    kept = {name: value for name, value in parameter.items() if name != "resource"}
    return kept | {"valueBoolean": True}


def values_of(parameters: Resource) -> Iterator[tuple[str, Any]]:
    """(name, value) of the parameters in a Parameters resource, parts left aside."""
    for parameter in parameters.get("parameter", ()):
        for key, value in parameter.items():
            if key == "resource" or key.startswith("value"):
                yield parameter["name"], value

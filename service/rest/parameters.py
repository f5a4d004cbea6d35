"""What was handed to an operation: in the query, or as a Parameters resource in the body?"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.errors import Invalid
from service.rest.call import Call, Service
from service.rest.negotiation import require_json_body
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

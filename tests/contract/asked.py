"""What does a bad request look like in the tables of this folder?

`where` is the place that the refusal must name: an `expression` (`Patient.gender`) or a
`location` (`http.If-Match`, `line 1, column 9`); the empty text where there is no such place.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

Resource = dict[str, Any]

FHIR = "application/fhir+json"
JSON_PATCH = "application/json-patch+json"
FORM = "application/x-www-form-urlencoded"


@dataclass(frozen=True)
class Bad:
    """One bad request and the refusal that it must meet."""

    name: str
    method: str
    address: str
    status: int
    code: str
    where: str = ""
    body: bytes | None = None
    headers: dict[str, str] = field(default_factory=dict)

    def __str__(self) -> str:
        return self.name


def posted(name: str, resource: Resource, code: str, where: str, status: int = 400) -> Bad:
    """A create of this resource."""
    return sent(name, "POST", resource["resourceType"], resource, status, code, where)


def sent(
    name: str,
    method: str,
    address: str,
    body: Any,
    status: int,
    code: str,
    where: str = "",
    **headers: str,
) -> Bad:
    """A request with a body: bytes as they are, anything else as JSON."""
    raw = body if isinstance(body, bytes) else json.dumps(body).encode()
    given = {"Content-Type": FHIR} | _named(headers)
    return Bad(name, method, address, status, code, where, raw, given)


def asked(
    name: str, method: str, address: str, status: int, code: str, where: str = "", **headers: str
) -> Bad:
    """A request without a body."""
    return Bad(name, method, address, status, code, where, None, _named(headers))


def without(resource: Resource, *names: str) -> Resource:
    """The resource without these elements."""
    return {name: value for name, value in resource.items() if name not in names}


def _named(headers: dict[str, str]) -> dict[str, str]:
    return {name.replace("_", "-"): value for name, value in headers.items()}

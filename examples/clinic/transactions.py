"""How is a set of resources sent? As one transaction Bundle.

http://hl7.org/fhir/R4/http.html#transaction. What has a readable id is PUT there; what the clinic
numbers itself is POSTed if there is none with that identifier, so that sending twice makes one.
"""

from __future__ import annotations

from collections.abc import Iterable
from uuid import NAMESPACE_URL, uuid5

from .codes import Json


def put(resource: Json) -> Json:
    """An entry that creates or replaces the resource under its own id."""
    target = f"{resource['resourceType']}/{resource['id']}"
    return {"resource": resource, "request": {"method": "PUT", "url": target}}


def urn(identifier: Json) -> str:
    """The fullUrl of a resource that has no id yet: always the same one for an identifier."""
    return f"urn:uuid:{uuid5(NAMESPACE_URL, identifier['system'] + '|' + identifier['value'])}"


def post_once(resource: Json) -> Json:
    """An entry that creates the resource unless one with its first identifier is there."""
    own = resource["identifier"][0]
    return {
        "fullUrl": urn(own),
        "resource": resource,
        "request": {
            "method": "POST",
            "url": resource["resourceType"],
            "ifNoneExist": f"identifier={own['system']}|{own['value']}",
        },
    }


def transaction(entries: Iterable[Json]) -> Json:
    """A transaction Bundle."""
    return {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}

"""What is to be done with a Bundle from a file? http://hl7.org/fhir/R4/bundle.html

A transaction or batch is processed as the service would process it. Any other is taken apart,
unless its entries refer to each other by urn: then it is made one transaction, so that the
references can be resolved (http://hl7.org/fhir/R4/http.html#trules).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Literal

from service.errors import Malformed, NotSupported
from service.standard.codec import encode

Json = dict[str, Any]
Handling = Literal["process", "take apart", "rebuild"]

_PROCESSED = frozenset({"transaction", "batch"})
_TAKEN_APART = frozenset({"collection", "document", "searchset", "message"})
_URN_REFERENCE = re.compile(rb'"reference":"urn:')


def handling_of(bundle: Json) -> Handling:
    """What to do with it. Raises NotSupported for a kind that carries no resources to store."""
    kind = bundle.get("type")
    if isinstance(kind, str) and kind in _PROCESSED:
        return "process"
    if not isinstance(kind, str) or kind not in _TAKEN_APART:
        raise NotSupported(
            f"A Bundle of type {str(kind)[:40]!r} cannot be loaded", expression="Bundle.type"
        )
    return "rebuild" if _URN_REFERENCE.search(encode(bundle)) else "take apart"


def resources_of(bundle: Json) -> Iterator[tuple[int, Json]]:
    """The resources with the number of their entry (from 0), without notes about a search.

    Raises Malformed where there is an entry without a resource.
    """
    entries = bundle.get("entry", [])
    if not isinstance(entries, list):
        raise Malformed("Bundle.entry must be a list", expression="Bundle.entry")
    for number, entry in enumerate(entries):
        place = f"Bundle.entry[{number}]"
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if not isinstance(resource, dict) or not isinstance(resource.get("resourceType"), str):
            raise Malformed(
                "The entry has no resource with a resourceType", expression=f"{place}.resource"
            )
        search = entry.get("search")
        if isinstance(search, dict) and search.get("mode") == "outcome":
            continue
        yield number, resource


def as_transaction(bundle: Json) -> Json:
    """The same resources as a transaction: PUT where they have an id, POST where not."""
    return {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            _request(bundle["entry"][number], resource) for number, resource in resources_of(bundle)
        ],
    }


def _request(entry: Json, resource: Json) -> Json:
    kind, key = resource["resourceType"], resource.get("id")
    request = (
        {"method": "POST", "url": kind}
        if key is None
        else {"method": "PUT", "url": f"{kind}/{key}"}
    )
    full_url = {"fullUrl": entry["fullUrl"]} if "fullUrl" in entry else {}
    return full_url | {"resource": resource, "request": request}

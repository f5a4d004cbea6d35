"""How does an operation store what it made? As a transaction that the caller might have posted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from service.errors import MethodNotAllowed, NotSupported
from service.rest import bundle
from service.rest.call import FHIR_JSON, Answer, Call, Service
from service.rest.routing import Interaction
from service.standard.codec import encode

Resource = dict[str, Any]


def require_storing(call: Call, operation: str) -> None:
    """Refuse to store by a read, and within a transaction that is being processed."""
    if call.method != "POST":
        raise MethodNotAllowed(f"{operation} with store=true takes POST", headers={"Allow": "POST"})
    if call.in_transaction:
        raise NotSupported(
            "store=true cannot be asked within a transaction; leave it out, and put the entries"
            " in it",
            location="http.store",
        )


def store_entries(service: Service, call: Call, entries: Sequence[Resource]) -> Answer:
    """Process the entries as one transaction of the caller's."""
    posted = replace(
        call,
        method="POST",
        path=(),
        query=(),
        headers={"content-type": FHIR_JSON, "prefer": call.headers.get("prefer", "")},
        body=encode({"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}),
    )
    return bundle.process({}, service, posted, Interaction("transaction"))

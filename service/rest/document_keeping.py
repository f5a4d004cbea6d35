"""`persist=true`: keep a document as it was made.

There is no Bundle among the stored types. It is kept as a DocumentReference of the client whose
attachment is the Bundle itself, byte for byte: so it lies in the client's record, leaves with it,
and is seen by whom the record may be seen.
"""

from __future__ import annotations

import base64
import hashlib
from typing import Any

from service.errors import TooLarge
from service.handover.document import Document
from service.rest.call import FHIR_JSON, Call, Service
from service.rest.writing import new_id
from service.standard.profiles import check
from service.store.rows import Stored

Resource = dict[str, Any]

_STATES = {"preliminary": "preliminary", "amended": "amended", "final": "final"}


def keep(
    service: Service, call: Call, document: Document, body: bytes, identifier: str, timestamp: str
) -> Stored:
    """Store it. Raises TooLarge where it is larger than a request may be."""
    if len(body) * 4 // 3 > service.settings.max_body:
        raise TooLarge(
            f"The document has {len(body)} bytes, too many to keep; ask for it without persist"
        )
    resource = reference(document, body, identifier, timestamp) | {"id": new_id()}
    check(resource)
    with service.store.write(call.caller) as unit:
        return unit.append(resource, resource["id"], call.base, method="POST", current=None)


def reference(document: Document, body: bytes, identifier: str, timestamp: str) -> Resource:
    """The DocumentReference, without an id."""
    composition = document.composition
    attachment = {
        "contentType": FHIR_JSON,
        "language": composition.get("language"),
        "data": base64.b64encode(body).decode(),
        "size": len(body),
        "hash": base64.b64encode(hashlib.sha1(body, usedforsecurity=False).digest()).decode(),
        "title": composition.get("title"),
        "creation": timestamp,
    }
    authors = [
        author
        for author in composition.get("author", ())
        if not str(author.get("reference", "")).startswith("#")
    ]
    found = {
        "resourceType": "DocumentReference",
        "masterIdentifier": {"system": "urn:ietf:rfc:3986", "value": identifier},
        "status": "current",
        "docStatus": _STATES.get(str(composition.get("status")), "entered-in-error"),
        "type": composition.get("type"),
        "subject": composition.get("subject"),
        "date": timestamp,
        "author": authors or None,
        "custodian": composition.get("custodian"),
        "content": [{"attachment": {k: v for k, v in attachment.items() if v is not None}}],
    }
    return {name: value for name, value in found.items() if value is not None}

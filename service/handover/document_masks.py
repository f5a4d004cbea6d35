"""What becomes of a reference that must not, or cannot, be followed in a document?

It is taken out and said to be: Reference keeps its type and bears data-absent-reason, and the
resource is tagged SUBSETTED. Beside what belongs to clients nothing else stays, since an id or a
display can name another client; who or what is shared keeps its display and identifier.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from service.standard.codec import decode_resource, encode
from service.standard.mentions import Name, local_name, referred
from service.standard.registry import RESOURCE_TYPES
from service.standard.searching.subset import TAG
from service.store.rows import Stored

Resource = dict[str, Any]

_REASON = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
_OF_NOBODY = frozenset(
    {
        "Practitioner",
        "PractitionerRole",
        "Organization",
        "Location",
        "Device",
        "Questionnaire",
        "ActivityDefinition",
        "PlanDefinition",
    }
)


def masked_body(stored: Stored, left_out: Collection[Name], base: str) -> bytes:
    """The bytes of a resource as they may leave; as they are stored where nothing was left out."""
    body = stored.body or b""
    if not left_out or not any(name in left_out for name in referred(body, base)):
        return body
    resource: Resource = _masked(decode_resource(body), left_out, base)
    meta = resource.setdefault("meta", {})
    meta["tag"] = [tag for tag in meta.get("tag", ()) if tag.get("code") != TAG["code"]] + [TAG]
    return encode(resource)


def _masked(value: Any, left_out: Collection[Name], base: str) -> Any:
    if isinstance(value, list):
        return [_masked(one, left_out, base) for one in value]
    if not isinstance(value, dict):
        return value
    reference = value.get("reference")
    if isinstance(reference, str):
        name = local_name(reference, base)
        if name in left_out and name is not None:
            return _reference(value, name)
    return {key: _masked(one, left_out, base) for key, one in value.items()}


def _reference(value: Resource, name: Name) -> Resource:
    shared = name[0] in _OF_NOBODY
    reason = {"url": _REASON, "valueCode": "unknown" if shared else "masked"}
    kept: Resource = {
        key: value[key] for key in ("identifier", "display") if shared and key in value
    }
    kind: Resource = {"type": name[0]} if name[0] in RESOURCE_TYPES else {}
    return {"extension": [reason], **kind, **kept}

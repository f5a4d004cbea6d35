"""Who sent this record, and from where? The Provenance that goes with a transaction.

R4: http://hl7.org/fhir/R4/provenance.html. Its id follows from where the client lies here, so that
a later pull makes it a new version and not a second one.
"""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from service.standard.mentions import local_name
from service.standard.meta import instant

if TYPE_CHECKING:
    from service.handover.transaction_bundle import Sent

Resource = dict[str, Any]

_URI = "urn:ietf:rfc:3986"
_TERMS = "http://terminology.hl7.org/CodeSystem"


def provenance(patient: Sent, sent: Sequence[Sent], newest: int, base: str) -> Resource:
    """The entry. `newest` (µs) is when the youngest version among them was stored: what is sent is
    the state of that time.

    Targets are the client and whatever is put: for people and organisations that the receiver knew
    before, this service is not the source.
    """
    key = str(uuid.uuid5(uuid.NAMESPACE_URL, f"{base}/{'/'.join(patient.name)}#sent"))
    targets = [one for one in sent if one is patient or one.condition is None]
    agent: Resource = {
        "type": {
            "coding": [{"system": f"{_TERMS}/provenance-participant-type", "code": "assembler"}]
        },
        "who": {
            "type": "Device",
            "identifier": {"system": _URI, "value": base},
            "display": "Hyoid",
        },
    }
    house = _house(patient, sent, base)
    if house is not None:
        agent["onBehalfOf"] = {"reference": house.full_url}
    resource: Resource = {
        "resourceType": "Provenance",
        "id": key,
        "meta": {"source": base},
        "target": [{"reference": one.full_url} for one in targets],
        "recorded": instant(newest),
        "agent": [agent],
    }
    sources = dict.fromkeys(one.resource.get("meta", {}).get("source") for one in sent)
    entities = [
        {"role": "source", "what": {"identifier": {"system": _URI, "value": source}}}
        for source in sources
        if source and source != base
    ]
    resource |= {"entity": entities} if entities else {}
    request = {"method": "PUT", "url": f"Provenance/{key}"}
    return {"fullUrl": f"urn:uuid:{key}", "resource": resource, "request": request}


def _house(patient: Sent, sent: Sequence[Sent], base: str) -> Sent | None:
    """The organisation that keeps the record."""
    kept = patient.resource.get("managingOrganization", {}).get("reference")
    name = local_name(kept, base) if isinstance(kept, str) else None
    return next((one for one in sent if one.name == name), None)

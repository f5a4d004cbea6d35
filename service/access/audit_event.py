"""How does a row of the audit log read as an AuditEvent?

R4 AuditEvent, with agents and entities as the RESTful profile of IHE ITI Basic Audit Log Patterns
has them. Resources that were found by a search are not listed, only the clients they belong to.
"""

from __future__ import annotations

from base64 import b64encode
from typing import Any

from service.standard.codec import decode_resource
from service.standard.meta import instant, stamped
from service.store.audit.access import Access
from service.store.audit.find import Recorded

_TYPE = "http://terminology.hl7.org/CodeSystem/audit-event-type"
_INTERACTION = "http://hl7.org/fhir/restful-interaction"
_DCM = "http://dicom.nema.org/resources/ontology/DCM"
_ENTITY = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
_ROLE = "http://terminology.hl7.org/CodeSystem/object-role"
_PART = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType"
_REASON = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
_SOURCE = "http://terminology.hl7.org/CodeSystem/security-source-type"
_OF_OURS = "https://hyoid.example/fhir/CodeSystem/audit-interaction"

_SEARCHES = ("search", "search-type", "search-system")
_HISTORIES = ("history", "history-instance", "history-type", "history-system")
_BUNDLES = ("transaction", "batch")
_SIGNING = {"login": "110122", "logout": "110123"}
_ACTIONS = {
    "create": "C",
    "update": "U",
    "patch": "U",
    "delete": "D",
    "read": "R",
    "vread": "R",
    **dict.fromkeys(_HISTORIES, "R"),
}
_RESTFUL = frozenset({*_ACTIONS, *_SEARCHES, *_BUNDLES, "operation", "capabilities"})
_SENDS, _RECEIVES, _APPLICATION = "110153", "110152", "110150"
_DISPLAYS = {
    _SENDS: "Source Role ID",
    _RECEIVES: "Destination Role ID",
    _APPLICATION: "Application",
}


def audit_event(recorded: Recorded, base: str) -> dict[str, Any]:
    """The AuditEvent of a row; `base` is the FHIR base URL of the service that answered."""
    access = recorded.access
    if access.body:
        sent = decode_resource(access.body.encode())
        return stamped(sent, str(recorded.n), 1, recorded.at)
    kind, subtype = _types(access)
    event: dict[str, Any] = {
        "resourceType": "AuditEvent",
        "type": kind,
        "subtype": [subtype],
        "action": _ACTIONS.get(access.interaction, "E"),
        "recorded": instant(recorded.at),
        "outcome": outcome(access.status),
        **({"outcomeDesc": access.told} if access.told else {}),
        **_purpose(access),
        "agent": [_who_asked(access), _who_answered(access, base)],
        "source": {
            "observer": {"display": "Hyoid"},
            "type": [{"system": _SOURCE, "code": "4", "display": "Application Server"}],
        },
    }
    entities = _entities(access)
    if entities:
        event["entity"] = entities
    return stamped(event, str(recorded.n), 1, recorded.at)


def outcome(status: int) -> str:
    """0 success, 4 refused, 8 failed (http://hl7.org/fhir/audit-event-outcome), by HTTP status."""
    return "0" if status < 400 else "4" if status < 500 else "8"


def _types(access: Access) -> tuple[dict[str, str], dict[str, str]]:
    if access.interaction in _SIGNING:
        kind = {"system": _DCM, "code": "110114", "display": "User Authentication"}
        return kind, {"system": _DCM, "code": _SIGNING[access.interaction]}
    if access.interaction in _RESTFUL:
        kind = {"system": _TYPE, "code": "rest", "display": "RESTful Operation"}
        return kind, {"system": _INTERACTION, "code": access.interaction}
    kind = {"system": _DCM, "code": "110114", "display": "User Authentication"}
    if access.interaction not in ("token", "introspect", "revoke"):
        kind = {"system": _TYPE, "code": "rest", "display": "RESTful Operation"}
    return kind, {"system": _OF_OURS, "code": access.interaction}


def _purpose(access: Access) -> dict[str, Any]:
    if not access.purpose:
        return {}
    broken = {"system": _REASON, "code": "BTG", "display": "break the glass"}
    return {"purposeOfEvent": [{"coding": [broken], "text": access.purpose}]}


def _who_asked(access: Access) -> dict[str, Any]:
    agent: dict[str, Any] = {"type": _role_of_client(access)}
    if access.acts_as:
        agent["who"] = {"reference": access.acts_as}
    else:
        agent["who"] = {"identifier": {"value": access.agent}}
    agent |= {"altId": access.agent, "requestor": True}
    if access.token:
        agent["policy"] = [f"urn:ietf:params:oauth:jti:{access.token}"]
    if access.address:
        agent["network"] = {"address": access.address, "type": "2"}
    return agent


def _role_of_client(access: Access) -> dict[str, Any]:
    if access.kind == "person":
        reads = _ACTIONS.get(access.interaction, "E") in ("R", "E")
        code, display = (
            ("IRCP", "information recipient") if reads else ("AUT", "author (originator)")
        )
        return {"coding": [{"system": _PART, "code": code, "display": display}]}
    return _dcm(_ends(access.interaction)[0])


def _who_answered(access: Access, base: str) -> dict[str, Any]:
    return {
        "type": _dcm(_ends(access.interaction)[1]),
        "who": {"display": "Hyoid"},
        "requestor": False,
        "network": {"address": base, "type": "5"},
    }


def _ends(interaction: str) -> tuple[str, str]:
    """The part of the client, and of the service."""
    action = _ACTIONS.get(interaction, "E")
    if action == "R":
        return _RECEIVES, _SENDS
    return (_APPLICATION, _RECEIVES) if action == "D" else (_SENDS, _RECEIVES)


def _dcm(code: str) -> dict[str, Any]:
    return {"coding": [{"system": _DCM, "code": code, "display": _DISPLAYS[code]}]}


def _entities(access: Access) -> list[dict[str, Any]]:
    person, thing = {"system": _ENTITY, "code": "1"}, {"system": _ENTITY, "code": "2"}
    found: list[dict[str, Any]] = [
        {
            "what": {"reference": f"Patient/{client}"},
            "type": person,
            "role": {"system": _ROLE, "code": "1", "display": "Patient"},
        }
        for client in access.clients
    ]
    for name in dict.fromkeys((*access.changed, access.target)):
        if name and name not in {f"Patient/{client}" for client in access.clients}:
            role = {"system": _ROLE, "code": "4", "display": "Domain Resource"}
            found.append({"what": {"reference": name}, "type": thing, "role": role})
    if access.query:
        found.append(
            {
                "type": thing,
                "role": {"system": _ROLE, "code": "24", "display": "Query"},
                "description": access.query,
                "query": b64encode(access.query.encode()).decode(),
            }
        )
    if access.request:
        other = {"system": _ENTITY, "code": "4"}
        found.append(
            {
                "what": {"identifier": {"value": access.request}},
                "type": other,
                "name": "X-Request-Id",
            }
        )
    return found

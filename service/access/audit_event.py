"""How does a row of the audit log read as an AuditEvent?

R4 AuditEvent, with agents and entities as the RESTful profile of IHE ITI Basic Audit Log Patterns
has them. Resources that were found by a search are not listed, only the clients they belong to.
"""

from __future__ import annotations

from base64 import b64encode
from typing import Any

from service.access.audit_codes import ACTIONS, TYPES, Coding, coded, ends, restful, subtypes
from service.access.audit_masking import MASKED_QUERY, masked_event
from service.standard.codec import decode_resource
from service.standard.meta import instant, stamped
from service.standard.provenance import CALLER
from service.standard.searching.subset import TAG
from service.store.audit.access import Access
from service.store.audit.find import Recorded

_ENTITY = "http://terminology.hl7.org/CodeSystem/audit-entity-type"
_ROLE = "http://terminology.hl7.org/CodeSystem/object-role"
_PART = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType"
_REASON = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
_SOURCE = "http://terminology.hl7.org/CodeSystem/security-source-type"

_AUTHOR = coded(_PART, "AUT", "author (originator)")
_RECIPIENT = coded(_PART, "IRCP", "information recipient")
_WRITING = frozenset({"transaction", "intake", "erase"})
"""Beside what has an action that changes something."""


def audit_event(recorded: Recorded, base: str, *, masked: bool = False) -> dict[str, Any]:
    """The AuditEvent of a row; `base` is the FHIR base URL of the service that answered.

    `masked`: without the words of who asked or sent it, which may name other clients than those
    it is found by.
    """
    access = recorded.access
    if access.body:
        sent = decode_resource(access.body.encode())
        return stamped(masked_event(sent) if masked else sent, str(recorded.n), 1, recorded.at)
    event: dict[str, Any] = {
        "resourceType": "AuditEvent",
        **({"meta": {"tag": [TAG]}} if masked and (access.told or access.query) else {}),
        "type": TYPES.get(access.interaction, restful()),
        "subtype": subtypes(access.interaction),
        "action": ACTIONS.get(access.interaction, "E"),
        "recorded": instant(recorded.at),
        "outcome": outcome(access.status),
        **({"outcomeDesc": access.told} if access.told and not masked else {}),
        **_purpose(access),
        "agent": [*_who_asked(access), _who_answered(access, base)],
        "source": {
            "observer": {"display": "Hyoid"},
            "type": [{"system": _SOURCE, "code": "4", "display": "Application Server"}],
        },
    }
    entities = _entities(access, masked=masked)
    if entities:
        event["entity"] = entities
    return stamped(event, str(recorded.n), 1, recorded.at)


def outcome(status: int) -> str:
    """0 success, 4 refused, 8 failed (http://hl7.org/fhir/audit-event-outcome), by HTTP status."""
    return "0" if status < 400 else "4" if status < 500 else "8"


def _purpose(access: Access) -> dict[str, Any]:
    if not access.purpose:
        return {}
    broken = coded(_REASON, "BTG", "break the glass")
    return {"purposeOfEvent": [{"coding": [broken], "text": access.purpose}]}


def _who_asked(access: Access) -> list[dict[str, Any]]:
    """The system; of a person both the person, who has no address, and what he asked with."""
    part = {"type": {"coding": [ends(access.interaction)[0]]}}
    network = {"network": {"address": access.address, "type": "2"}} if access.address else {}
    who = (
        {"reference": access.acts_as}
        if access.acts_as
        else {"identifier": {"system": CALLER, "value": access.agent}}
    )
    policy = {"policy": [f"urn:ietf:params:oauth:jti:{access.token}"]} if access.token else {}
    asked = {"who": who, "altId": access.agent, "requestor": True, **policy}
    if access.kind != "person":
        return [{**part, **asked, **network}]
    user = {**_part_of_person(access), **asked}
    browser = {**part, "who": {"display": "Browser or application"}, "requestor": False}
    return [user, {**browser, **network}] if network else [user]


def _part_of_person(access: Access) -> dict[str, Any]:
    """No part in a record has who signs in or out."""
    if access.interaction in TYPES:
        return {}
    writes = (
        access.changed
        or access.interaction in _WRITING
        or ACTIONS.get(access.interaction, "E") in ("C", "U", "D")
    )
    return {"type": {"coding": [_AUTHOR if writes else _RECIPIENT]}}


def _who_answered(access: Access, base: str) -> dict[str, Any]:
    return {
        "type": {"coding": [ends(access.interaction)[1]]},
        "who": {"display": "Hyoid"},
        "requestor": False,
        "network": {"address": base, "type": "5"},
    }


def _entities(access: Access, *, masked: bool) -> list[dict[str, Any]]:
    person, thing = coded(_ENTITY, "1", "Person"), coded(_ENTITY, "2", "System Object")
    found: list[dict[str, Any]] = [
        _entity({"reference": f"Patient/{client}"}, person, coded(_ROLE, "1", "Patient"))
        for client in access.clients
    ]
    clients = {f"Patient/{client}" for client in access.clients}
    for name in dict.fromkeys((*access.changed, access.target)):
        if name and name not in clients:
            role = coded(_ROLE, "4", "Domain Resource")
            found.append(_entity({"reference": name}, thing, role))
    if access.query:
        text = {
            "description": access.query,
            "query": b64encode(access.query.encode()).decode(),
        }
        query = {"type": thing, "role": coded(_ROLE, "24", "Query")}
        found.append({**query, **(MASKED_QUERY if masked else text)})
    if access.request:
        number = {"identifier": {"value": access.request}}
        other = coded(_ENTITY, "4", "Other")
        found.append({"what": number, "type": other, "name": "X-Request-Id"})
    return found


def _entity(what: dict[str, Any], kind: Coding, role: Coding) -> dict[str, Any]:
    return {"what": what, "type": kind, "role": role}

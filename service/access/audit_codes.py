"""Which codes does an AuditEvent have for what was done? By the interaction of the row.

R4 AuditEvent (audit-event-type, restful-interaction, DICOM DCM) and, for types, actions and the
parts of client and service, IHE ITI Basic Audit Log Patterns 1.1.
"""

from __future__ import annotations

from service.store.audit.sent import OF_OURS, SOURCE_ROLE

Coding = dict[str, str]

_TYPE = "http://terminology.hl7.org/CodeSystem/audit-event-type"
_LIFE = "http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle"
_INTERACTION = "http://hl7.org/fhir/restful-interaction"
_DCM = "http://dicom.nema.org/resources/ontology/DCM"
_PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"

ACTIONS = {
    "create": "C",
    "update": "U",
    "patch": "U",
    "delete": "D",
    "erase": "D",
    "read": "R",
    "vread": "R",
    "history": "R",
    "history-instance": "R",
    "history-type": "R",
    "history-system": "R",
}
"""Codes of http://hl7.org/fhir/audit-event-action; all else is executed (E)."""

_EXECUTED = frozenset(
    {
        "search",
        "search-type",
        "search-system",
        "transaction",
        "batch",
        "operation",
        "capabilities",
    }
)
RESTFUL = _EXECUTED.union(ACTIONS) - {"erase"}
"""Codes of http://hl7.org/fhir/restful-interaction; for all else there are codes of ours."""


def coded(system: str, code: str, display: str) -> Coding:
    """One code."""
    return {"system": system, "code": code, "display": display}


def restful() -> Coding:
    """What came over HTTP and is nothing of `TYPES`."""
    return coded(_TYPE, "rest", "RESTful Operation")


_AUTHENTICATION = coded(_DCM, "110114", "User Authentication")

TYPES: dict[str, Coding] = {
    **dict.fromkeys(("login", "logout", "token", "introspect", "revoke"), _AUTHENTICATION),
    "command": coded(_DCM, "110113", "Security Alert"),
    "erase": coded(_LIFE, "destroy", "Destroy/Delete Record Lifecycle Event"),
    "unreadable": coded(_DCM, "110100", "Application Activity"),
}
"""What is no access to a record by HTTP."""

_OF_OTHERS = {
    "login": coded(_DCM, "110122", "Login"),
    "logout": coded(_DCM, "110123", "Logout"),
    "command": coded(_DCM, "110129", "Security Configuration"),
    "token": {"system": "urn:ihe:event-type-code", "code": "ITI-71"},
}

_DESTINATION = coded(_DCM, "110152", "Destination Role ID")
_APPLICATION = coded(_DCM, "110150", "Application")
_CUSTODIAN = coded(_PARTICIPANT, "custodian", "Custodian")


def subtypes(interaction: str) -> list[Coding]:
    """The interaction, by codes of others where there are some, and else by ours."""
    if interaction in RESTFUL:
        return [{"system": _INTERACTION, "code": interaction}]
    others = [_OF_OTHERS[interaction]] if interaction in _OF_OTHERS else []
    if interaction in ("login", "logout"):
        return others
    return [*others, {"system": OF_OURS, "code": interaction}]


def ends(interaction: str) -> tuple[Coding, Coding]:
    """The part of the client, and of the service."""
    action = ACTIONS.get(interaction, "E")
    if action == "R":
        return _DESTINATION, SOURCE_ROLE
    return (_APPLICATION, _CUSTODIAN) if action == "D" else (SOURCE_ROLE, _DESTINATION)

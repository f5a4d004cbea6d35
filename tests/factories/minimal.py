"""The least that a valid resource of each type must have. (R4, the definitions of the types)"""

from __future__ import annotations

from typing import Any

Resource = dict[str, Any]

_TEXT = {"text": "x"}
_SOMEBODY = {"reference": "Patient/somebody"}
_DATE = "2026-03-04"
_INSTANT = "2026-03-04T09:30:00+01:00"
_URL = "https://clinic.example/x"

_REQUIRED: dict[str, Resource] = {
    "Patient": {},
    "Practitioner": {},
    "PractitionerRole": {},
    "Organization": {"name": "x"},
    "RelatedPerson": {"patient": _SOMEBODY},
    "CareTeam": {},
    "Location": {},
    "CarePlan": {"status": "active", "intent": "plan", "subject": _SOMEBODY},
    "Goal": {"lifecycleStatus": "active", "description": _TEXT, "subject": _SOMEBODY},
    "ServiceRequest": {"status": "active", "intent": "order", "subject": _SOMEBODY},
    "Encounter": {"status": "finished", "class": {"code": "AMB"}},
    "Procedure": {"status": "completed", "subject": _SOMEBODY},
    "Observation": {"status": "final", "code": _TEXT},
    "Condition": {"subject": _SOMEBODY},
    "AllergyIntolerance": {
        "patient": _SOMEBODY,
        "clinicalStatus": {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical",
                    "code": "active",
                }
            ]
        },
    },
    "Flag": {"status": "active", "code": _TEXT, "subject": _SOMEBODY},
    "DetectedIssue": {"status": "final"},
    "NutritionOrder": {
        "status": "active",
        "intent": "order",
        "patient": _SOMEBODY,
        "dateTime": _DATE,
        "oralDiet": {"instruction": "x"},
    },
    "Device": {},
    "Questionnaire": {"status": "active"},
    "QuestionnaireResponse": {"status": "completed"},
    "DiagnosticReport": {"status": "final", "code": _TEXT},
    "Composition": {
        "status": "final",
        "type": _TEXT,
        "date": _DATE,
        "author": [{"display": "x"}],
        "title": "x",
    },
    "DocumentReference": {"status": "current", "content": [{"attachment": {"title": "x"}}]},
    "Binary": {"contentType": "text/plain"},
    "Group": {"type": "person", "actual": False},
    "Task": {"status": "draft", "intent": "plan"},
    "Appointment": {
        "status": "proposed",
        "participant": [{"actor": _SOMEBODY, "status": "accepted"}],
    },
    "Consent": {
        "status": "draft",
        "scope": _TEXT,
        "category": [_TEXT],
        "patient": _SOMEBODY,
        "policyRule": _TEXT,
    },
    "Provenance": {
        "target": [_SOMEBODY],
        "recorded": _INSTANT,
        "agent": [{"who": {"display": "x"}}],
    },
    "AuditEvent": {
        "type": {"code": "rest"},
        "recorded": _INSTANT,
        "agent": [{"requestor": True}],
        "source": {"observer": {"display": "x"}},
    },
    "Subscription": {
        "status": "requested",
        "reason": "x",
        "criteria": "Observation?status=final",
        "channel": {"type": "rest-hook", "endpoint": _URL},
    },
    "ActivityDefinition": {"status": "draft"},
    "PlanDefinition": {"status": "draft"},
    "ValueSet": {"status": "draft"},
    "CodeSystem": {"status": "draft", "content": "not-present"},
    "ConceptMap": {"status": "draft"},
    "StructureDefinition": {
        "url": _URL,
        "name": "X",
        "status": "draft",
        "kind": "complex-type",
        "abstract": False,
        "type": "Extension",
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Extension",
        "derivation": "constraint",
        "context": [{"type": "element", "expression": "Patient"}],
        "differential": {"element": [{"id": "Extension", "path": "Extension"}]},
    },
    "List": {"status": "current", "mode": "working"},
}


def minimal(resource_type: str, resource_id: str | None = None) -> Resource:
    """A resource of this type with nothing but what it must have."""
    head: Resource = {"resourceType": resource_type}
    return head | ({"id": resource_id} if resource_id else {}) | _REQUIRED[resource_type]

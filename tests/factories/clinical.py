"""Makers of small, valid resources: invented people, invented values."""

from __future__ import annotations

from typing import Any

Resource = dict[str, Any]

TECHNIQUES = "https://hyoid.example/fhir/CodeSystem/technique"
SESSIONS = "https://clinic.example/sessions"


def patient(resource_id: str | None = None, family: str = "Sandberg", **more: Any) -> Resource:
    """A client."""
    found: Resource = {
        "resourceType": "Patient",
        "identifier": [{"system": "https://clinic.example/clients", "value": f"c-{family}"}],
        "name": [{"family": family, "given": ["Runa"]}],
        "gender": "female",
        "birthDate": "1961-04-02",
    }
    return _with(found, resource_id, more)


def observation(
    resource_id: str | None = None,
    patient: str = "Patient/p1",
    value: Any = 21.5,
    code: str = "maximum-tongue-pressure",
    when: str = "2026-03-04T09:30:00+01:00",
    **more: Any,
) -> Resource:
    """A measure."""
    found: Resource = {
        "resourceType": "Observation",
        "status": "final",
        "category": [
            {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                        "code": "therapy",
                    }
                ]
            }
        ],
        "code": {
            "coding": [{"system": "https://hyoid.example/fhir/CodeSystem/measure", "code": code}]
        },
        "subject": {"reference": patient},
        "effectiveDateTime": when,
        "valueQuantity": {
            "value": value,
            "unit": "kPa",
            "system": "http://unitsofmeasure.org",
            "code": "kPa",
        },
    }
    return _with(found, resource_id, more)


def care_plan(resource_id: str | None = None, patient: str = "Patient/p1", **more: Any) -> Resource:
    """A plan of care."""
    found: Resource = {
        "resourceType": "CarePlan",
        "status": "active",
        "intent": "plan",
        "title": "Swallowing after stroke",
        "subject": {"reference": patient},
        "period": {"start": "2026-02-01"},
    }
    return _with(found, resource_id, more)


def encounter(patient: str = "Patient/p1", session: str = "s-1", **more: Any) -> Resource:
    """A session."""
    found: Resource = {
        "resourceType": "Encounter",
        "identifier": [{"system": SESSIONS, "value": session}],
        "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
        "subject": {"reference": patient},
        "period": {"start": "2026-03-04T09:00:00+01:00", "end": "2026-03-04T09:45:00+01:00"},
    }
    return _with(found, None, more)


def procedure(patient: str = "Patient/p1", technique: str = "quick-taps", **more: Any) -> Resource:
    """A technique as delivered."""
    found: Resource = {
        "resourceType": "Procedure",
        "status": "completed",
        "code": {"coding": [{"system": TECHNIQUES, "code": technique}]},
        "subject": {"reference": patient},
        "performedPeriod": {
            "start": "2026-03-04T09:05:00+01:00",
            "end": "2026-03-04T09:10:00+01:00",
        },
    }
    return _with(found, None, more)


def session_bundle(number: int, patient: str = "Patient/p1") -> Resource:
    """A session as a transaction: 1 Encounter, 6 Procedures, 8 Observations.

    Every entry is a conditional create, so that posting it again stores nothing.
    """
    session = f"s-{number}"
    visit = _urn(number, 0)
    entries = [_entry(visit, encounter(patient, session), f"identifier={SESSIONS}|{session}")]
    for place in range(1, 7):
        done = procedure(
            patient,
            f"technique-{place}",
            identifier=[{"system": SESSIONS, "value": f"{session}-p{place}"}],
            encounter={"reference": visit},
        )
        condition = f"identifier={SESSIONS}|{session}-p{place}"
        entries.append(_entry(_urn(number, place), done, condition))
    for place in range(7, 15):
        part_of = _urn(number, 1 + (place - 7) % 6)
        seen = observation(
            patient=patient,
            value=18 + place / 4,
            code=f"measure-{place}",
            identifier=[{"system": SESSIONS, "value": f"{session}-o{place}"}],
            encounter={"reference": visit},
            partOf=[{"reference": part_of}],
        )
        condition = f"identifier={SESSIONS}|{session}-o{place}"
        entries.append(_entry(_urn(number, place), seen, condition))
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def unconditional(bundle: Resource) -> Resource:
    """The same Bundle with plain creates."""
    for entry in bundle["entry"]:
        entry["request"].pop("ifNoneExist")
    return bundle


def _entry(full_url: str, resource: Resource, condition: str) -> Resource:
    request = {"method": "POST", "url": resource["resourceType"], "ifNoneExist": condition}
    return {"fullUrl": full_url, "resource": resource, "request": request}


def _urn(number: int, place: int) -> str:
    return f"urn:uuid:00000000-0000-4000-8000-{number:08x}{place:04x}"


def _with(found: Resource, resource_id: str | None, more: Resource) -> Resource:
    if resource_id is not None:
        found = {"resourceType": found["resourceType"], "id": resource_id, **found}
    return found | more

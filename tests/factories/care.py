"""Makers of a whole case, as a document about it needs: the clinic, a client, and a neighbour."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.factories.course import (
    START,
    client,
    delivered,
    goal,
    measured,
    order,
    plan,
    response,
    weekly,
)

Resource = dict[str, Any]
COLD = "faucial-cold-strokes"
HOSTILE = "<script>alert(1)</script>"
DELAYS = ([9.2, 9.0, 9.4, 9.1], [8.8, 7.1, 6.0, 5.2, 4.1, 3.0])


def text(words: str) -> Resource:
    """A CodeableConcept that has words only."""
    return {"text": words}


def case(name: str) -> Iterator[Resource]:
    """Everything about the client `c-<name>`, in an order in which references lead backwards."""
    mine = {"reference": f"Patient/c-{name}"}
    yield {"resourceType": "Organization", "id": f"{name}-house", "name": "An invented clinic"}
    yield {
        "resourceType": "Practitioner",
        "id": f"{name}-therapist",
        "name": [{"family": "Okoro", "given": ["Ada"]}],
    }
    yield client(name) | {
        "name": [{"family": f"Invented {HOSTILE}", "given": ["Ola & Co"]}],
        "managingOrganization": {"reference": f"Organization/{name}-house"},
        "identifier": [{"system": "https://clinic.example/ids", "value": f"N-{name}"}],
    }
    yield {
        "resourceType": "Condition",
        "id": f"{name}-dysphagia",
        "clinicalStatus": {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/condition-clinical",
                    "code": "active",
                    "display": "Active",
                }
            ]
        },
        "code": text("Swallowing difficulty"),
        "subject": mine,
        "onsetDateTime": "2025-10",
    }
    yield {
        "resourceType": "AllergyIntolerance",
        "id": f"{name}-citrus",
        "criticality": "high",
        "clinicalStatus": {
            "coding": [
                {
                    "system": "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical",
                    "code": "active",
                }
            ]
        },
        "code": text("Citrus fruit"),
        "patient": mine,
        "reaction": [{"manifestation": [text("Swollen lips")]}],
    }
    yield {
        "resourceType": "Flag",
        "id": f"{name}-flag",
        "status": "active",
        "code": text("Coughs on thin fluids"),
        "subject": mine,
    }
    yield {
        "resourceType": "NutritionOrder",
        "id": f"{name}-diet",
        "status": "active",
        "intent": "order",
        "patient": mine,
        "dateTime": "2026-03-01",
        "oralDiet": {"instruction": "Upright and alert", "type": [text("Minced and moist")]},
    }
    yield goal(name, "swallow-delay", "s", high=3.0)
    yield order(name, COLD, START, START + timedelta(weeks=12))
    yield plan(
        name,
        title="Prompt swallow & safe words",
        author={"reference": f"Practitioner/{name}-therapist"},
        goal=[{"reference": f"Goal/{name}-goal-1"}],
        addresses=[{"reference": f"Condition/{name}-dysphagia"}],
        activity=[{"reference": {"reference": f"ServiceRequest/{name}-{COLD}"}}],
        note=[{"time": "2026-03-20T10:00:00-07:00", "text": "Keep the dose. <b>Loud</b>"}],
    )
    for number in range(6):
        day = START + timedelta(days=3 * number)
        yield delivered(name, number, COLD, day)
        yield response(name, number, COLD, day, "wanted" if number else "not-wanted")
    yield delivered(name, 6, COLD, START + timedelta(days=20), reason="illness")
    yield from weekly(name, *DELAYS)
    start = datetime.now(UTC) + timedelta(days=10)
    yield {
        "resourceType": "Appointment",
        "id": f"{name}-visit",
        "status": "booked",
        "description": "Next visit",
        "start": start.isoformat(timespec="seconds"),
        "end": (start + timedelta(hours=1)).isoformat(timespec="seconds"),
        "participant": [
            {"actor": mine, "status": "accepted"},
            {"actor": {"reference": f"Practitioner/{name}-therapist"}, "status": "accepted"},
        ],
    }


def neighbour(name: str) -> Iterator[Resource]:
    """Another client, and all the ways in which the two records touch, honest or not."""
    mine, theirs = {"reference": f"Patient/c-{name}"}, {"reference": f"Patient/c-{name}-other"}
    secret = {"reference": f"Condition/{name}-other-secret", "display": "Secret of Nils Neighbour"}
    yield client(f"{name}-other") | {"name": [{"family": "Neighbour", "given": ["Nils"]}]}
    yield {
        "resourceType": "Condition",
        "id": f"{name}-other-secret",
        "code": text("Secret illness"),
        "subject": theirs,
        # By this it lies in the compartment of both.
        "asserter": mine,
    }
    yield plan(f"{name}-other", title="Secret plan")
    # An Observation of the client that points into the other record.
    yield measured(name, 90, START + timedelta(days=50), 3.0, focus=[secret, theirs])
    # A value of the neighbour that the client is named on, with the client's plan.
    yield measured(name, 91, START + timedelta(days=51), 77.0, subject=theirs, performer=[mine])
    yield {
        "resourceType": "Group",
        "id": f"{name}-group",
        "type": "person",
        "actual": True,
        "member": [{"entity": mine}, {"entity": theirs}],
    }
    # Shared types that are about the neighbour.
    yield {
        "resourceType": "Task",
        "id": f"{name}-task",
        "status": "requested",
        "intent": "order",
        "for": theirs,
        "description": "Secret task",
    }
    yield measured(
        name,
        92,
        START + timedelta(days=52),
        3.1,
        focus=[{"reference": f"Group/{name}-group"}, {"reference": f"Task/{name}-task"}],
        note=[
            {
                "text": "Honest note",
                "authorReference": {"reference": f"Practitioner/{name}-gone", "display": "Dr Gone"},
            }
        ],
    )

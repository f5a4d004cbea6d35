"""Makers of a course of therapy: a plan with its goals, orders, sessions and measurements."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, timedelta
from typing import Any

Resource = dict[str, Any]

OWN = "https://hyoid.example/fhir/CodeSystem/"
UCUM = "http://unitsofmeasure.org"
START = date(2026, 3, 2)


def coding(system: str, code: str) -> Resource:
    """A Coding of one of our code systems."""
    return {"system": OWN + system, "code": code}


def concept(system: str, code: str) -> Resource:
    """A CodeableConcept of one of our code systems."""
    return {"coding": [coding(system, code)]}


def quantity(value: float, unit: str) -> Resource:
    """A Quantity with a UCUM unit."""
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}


def plan(name: str = "p1", *, start: date | None = START, **more: Any) -> Resource:
    """A plan of care of the client `c-<name>`."""
    found: Resource = {
        "resourceType": "CarePlan",
        "id": name,
        "status": "active",
        "intent": "plan",
        "title": "An invented plan",
        "subject": {"reference": f"Patient/c-{name}"},
    }
    if start is not None:
        found["period"] = {"start": start.isoformat()}
    return found | more


def client(name: str = "p1", **more: Any) -> Resource:
    """The client of a plan."""
    found = {
        "resourceType": "Patient",
        "id": f"c-{name}",
        "name": [{"family": "Invented"}],
        "gender": "male",
        "birthDate": "1958-05-01",
    }
    return found | more


def measured(
    name: str,
    number: int,
    day: date | str,
    value: float,
    *,
    code: str = "swallow-delay",
    unit: str = "s",
    phase: str | None = None,
    linked: bool = True,
    **more: Any,
) -> Resource:
    """One measurement; linked to the plan where it was taken under it."""
    when = day if isinstance(day, str) else day.isoformat()
    found: Resource = {
        "resourceType": "Observation",
        "id": f"{name}-{code}-{number}",
        "status": "final",
        "code": concept("measure", code),
        "subject": {"reference": f"Patient/c-{name}"},
        "effectiveDateTime": when,
        "valueQuantity": quantity(value, unit),
    }
    if phase is not None:
        found["category"] = [concept("phase", phase)]
    if linked:
        found["basedOn"] = [{"reference": f"CarePlan/{name}"}]
    return found | more


def weekly(
    name: str,
    baseline: Sequence[float],
    treatment: Sequence[float],
    *,
    start: date = START,
    **more: Any,
) -> list[Resource]:
    """Weekly values before and after the start of the plan, told apart by their dates only."""
    found = []
    for number, value in enumerate(baseline):
        day = start - timedelta(weeks=len(baseline) - number)
        found.append(measured(name, number, day, value, linked=False, **more))
    for number, value in enumerate(treatment):
        day = start + timedelta(weeks=number, days=1)
        found.append(measured(name, len(baseline) + number, day, value, **more))
    return found


def goal(name: str, code: str, unit: str, *, number: int = 1, **bounds: float) -> Resource:
    """A goal: at or above `low`, at or below `high`."""
    return {
        "resourceType": "Goal",
        "id": f"{name}-goal-{number}",
        "lifecycleStatus": "active",
        "description": {"text": f"An invented goal about {code}"},
        "subject": {"reference": f"Patient/c-{name}"},
        "target": [
            {
                "measure": concept("measure", code),
                "detailRange": {end: quantity(value, unit) for end, value in bounds.items()},
            }
        ],
    }


def order(name: str, technique: str, first: date, last: date, per_week: int = 2) -> Resource:
    """An ordered technique: three sets of five strokes a side."""
    return {
        "resourceType": "ServiceRequest",
        "id": f"{name}-{technique}",
        "status": "active",
        "intent": "order",
        "basedOn": [{"reference": f"CarePlan/{name}"}],
        "code": concept("technique", technique),
        "subject": {"reference": f"Patient/c-{name}"},
        "extension": [dose(sets=3, strokesPerSide=5)],
        "occurrenceTiming": {
            "repeat": {
                "boundsPeriod": {"start": first.isoformat(), "end": last.isoformat()},
                "frequency": per_week,
                "period": 1,
                "periodUnit": "wk",
            }
        },
    }


def dose(**parts: int) -> Resource:
    """The dose extension."""
    kinds = {"sets": "PositiveInt", "strokesPerSide": "PositiveInt"}
    return {
        "url": "https://hyoid.example/fhir/StructureDefinition/dose",
        "extension": [
            {"url": url, f"value{kinds.get(url, 'UnsignedInt')}": value}
            for url, value in parts.items()
        ],
    }


def delivered(
    name: str, number: int, technique: str, day: date, *, reason: str | None = None, **more: Any
) -> Resource:
    """A technique given on a day, or left out with a reason."""
    found: Resource = {
        "resourceType": "Procedure",
        "id": f"{name}-{technique}-{number}",
        "status": "not-done" if reason else "completed",
        "basedOn": [
            {"reference": f"ServiceRequest/{name}-{technique}"},
            {"reference": f"CarePlan/{name}"},
        ],
        "code": concept("technique", technique),
        "subject": {"reference": f"Patient/c-{name}"},
        "performedDateTime": day.isoformat(),
    }
    if reason:
        found["statusReason"] = concept("missed-reason", reason)
    else:
        found["extension"] = [dose(sets=3, strokesPerSide=5, strokesLeft=15, strokesRight=15)]
    return found | more


def response(name: str, number: int, technique: str, day: date, answer: str) -> Resource:
    """How the technique of the same number was answered."""
    return {
        "resourceType": "Observation",
        "id": f"{name}-response-{technique}-{number}",
        "status": "final",
        "code": concept("measure", "technique-response"),
        "subject": {"reference": f"Patient/c-{name}"},
        "effectiveDateTime": day.isoformat(),
        "basedOn": [{"reference": f"CarePlan/{name}"}],
        "partOf": [{"reference": f"Procedure/{name}-{technique}-{number}"}],
        "valueCodeableConcept": concept("response", answer),
    }


def long_course(name: str, sessions: int, values: int) -> Iterator[Resource]:
    """A plan of many sessions with one technique and `values` measurements in each."""
    chance = random.Random(7)
    start = date(2021, 1, 4)
    codes = ["swallow-delay", "tongue-pressure", "intelligibility", "amr-rate", "phonation-time"]
    units = ["s", "kPa", "%", "/s", "s"]
    yield client(name)
    yield plan(
        name, start=start, activity=[{"reference": {"reference": f"ServiceRequest/{name}-x"}}]
    )
    for session in range(-10, sessions):
        day = start + timedelta(days=session * 1825 // max(sessions, 1))
        if session >= 0:
            yield delivered(name, session, "faucial-cold-strokes", day)
            yield response(name, session, "faucial-cold-strokes", day, "wanted")
        for place in range(values):
            which = place % len(codes)
            found = measured(
                name,
                (session + 10) * values + place,
                f"{day.isoformat()}T10:{place:02d}:00+01:00",
                round(20 + session * 0.01 + chance.gauss(0, 2), 1),
                code=codes[which],
                unit=units[which],
                linked=session >= 0,
                encounter={"reference": f"Encounter/{name}-{session + 10}"},
                text={
                    "status": "generated",
                    "div": '<div xmlns="http://www.w3.org/1999/xhtml"><p>A value.</p></div>',
                },
                note=[{"text": "Measured sitting upright, after a rest of five minutes."}],
            )
            yield found


def references(resources: Iterable[Resource]) -> list[str]:
    """`Type/id` of each."""
    return [f"{resource['resourceType']}/{resource['id']}" for resource in resources]

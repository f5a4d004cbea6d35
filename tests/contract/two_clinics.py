"""Two clinics that share a building's practitioners and forms, but no client.

Everything of one clinic is told apart by its prefix. The south writes what tempts: it refers to
things of the north, uses its identifiers, has a practitioner of the north in a team that is over.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.caller import ANONYMOUS
from service.store.store import Store
from service.store.unit import unit_of_work
from tests.access.asking import BASE
from tests.factories.clinical import care_plan, observation, patient

Resource = dict[str, Any]
Step = tuple[str, Resource, bool]
"""Whose (`north`, `south`, `both`), the resource, and whether it is deleted instead."""

CLINICS = ("north", "south")
START = 1_780_000_000_000_000
"""Microseconds since 1970: when the first was written. Each step is a second later."""


def ref(name: str) -> dict[str, str]:
    return {"reference": name}


def coding(code: str, system: str = "https://clinic.example/codes") -> Resource:
    return {"coding": [{"system": system, "code": code}]}


def shared() -> Iterator[Resource]:
    """What both clinics may see."""
    yield {"resourceType": "Practitioner", "id": "visitor", "name": [{"family": "Visiting"}]}
    yield {
        "resourceType": "Questionnaire",
        "id": "form",
        "url": "https://clinic.example/form",
        "version": "1",
        "status": "active",
        "item": [{"linkId": "1", "text": "x", "type": "string"}],
    }
    yield {
        "resourceType": "ValueSet",
        "id": "words",
        "url": "https://clinic.example/words",
        "status": "active",
        "compose": {
            "include": [{"system": "https://clinic.example/codes", "concept": [{"code": "a"}]}]
        },
    }
    yield {
        "resourceType": "PlanDefinition",
        "id": "way",
        "status": "active",
        "action": [{"title": "Effortful swallow"}],
    }
    yield {"resourceType": "Device", "id": "manometer", "deviceName": [
        {"name": "Manometer", "type": "user-friendly-name"}
    ]}  # fmt: skip
    yield {"resourceType": "Location", "id": "room", "name": "Room"}


def clinic(at: str, number: int) -> Iterator[Resource]:
    """A client of a clinic with all that belongs to him, and the clinic's own resources."""
    other = "north" if at == "south" else "south"
    me, somebody = f"{at}-p{number}", f"Patient/{at}-p{number}"
    if number == 0:
        yield {"resourceType": "Organization", "id": at, "name": at.title()}
        yield {"resourceType": "Practitioner", "id": f"{at}-doc", "name": [{"family": at}]}
    # The practitioner is tied to some clients by the Patient, to others by the team.
    by_patient = number % 2 == 0
    yield patient(
        me,
        family=f"Family{number}",
        managingOrganization=ref(f"Organization/{at}"),
        identifier=[{"system": "https://clinic.example/clients", "value": f"c-{number}"}],
        **({"generalPractitioner": [ref(f"Practitioner/{at}-doc")]} if by_patient else {}),
    )
    yield {
        "resourceType": "CareTeam",
        "id": f"{at}-team{number}",
        "status": "active",
        "subject": ref(somebody),
        "participant": [{"member": ref(f"Practitioner/{at}-doc")}],
    }
    yield {
        "resourceType": "CareTeam",
        "id": f"{at}-old{number}",
        "status": "inactive",
        "subject": ref(somebody),
        "participant": [{"member": ref(f"Practitioner/{other}-doc")}],
    }
    yield {
        "resourceType": "Encounter",
        "id": f"{me}-visit",
        "status": "finished",
        "class": {"code": "AMB"},
        "subject": ref(somebody),
        "identifier": [{"system": "https://clinic.example/sessions", "value": f"s-{number}"}],
        "period": {"start": f"2026-03-{number + 10}T09:00:00Z"},
        "participant": [{"individual": ref("Practitioner/visitor")}],
    }
    for value in range(3):
        yield observation(
            f"{me}-o{value}",
            somebody,
            value=10 + value + number,
            code=f"m{value % 2}",
            when=f"2026-03-{10 + value:02}T09:30:00Z",
            encounter=ref(f"Encounter/{me}-visit"),
            device=ref("Device/manometer"),
            identifier=[{"system": "https://clinic.example/obs", "value": f"v-{number}-{value}"}],
            note=[{"text": f"note of {at}"}],
        )
    yield observation(f"{me}-o0", somebody, value=99, code="m0", when="2026-03-10T09:30:00Z")
    yield {
        "resourceType": "Goal",
        "id": f"{me}-goal",
        "lifecycleStatus": "active",
        "description": {"text": "swallow"},
        "subject": ref(somebody),
    }
    for title in ("first", "second"):
        yield care_plan(f"{me}-plan", somebody, title=title, goal=[ref(f"Goal/{me}-goal")])
    yield {
        "resourceType": "Procedure",
        "id": f"{me}-proc",
        "status": "completed",
        "subject": ref(somebody),
        "basedOn": [ref(f"CarePlan/{me}-plan")],
        "performedDateTime": "2026-03-10",
        "performer": [{"actor": ref("Practitioner/visitor")}],
    }
    yield {
        "resourceType": "Flag",
        "id": f"{me}-flag",
        "status": "active",
        "code": {"text": "careful"},
        "subject": ref(somebody),
    }
    yield {
        "resourceType": "QuestionnaireResponse",
        "id": f"{me}-answers",
        "status": "completed",
        "questionnaire": "https://clinic.example/form|1",
        "subject": ref(somebody),
        "item": [{"linkId": "1", "answer": [{"valueString": "x"}]}],
    }
    yield {
        "resourceType": "Provenance",
        "id": f"{me}-prov",
        "target": [ref(f"Observation/{me}-o0")],
        "recorded": "2026-03-10T10:00:00Z",
        "agent": [{"who": ref("Practitioner/visitor")}],
    }
    yield {
        "resourceType": "Task",
        "id": f"{me}-task",
        "status": "requested",
        "intent": "order",
        "focus": ref(f"CarePlan/{me}-plan"),
    }
    yield {
        "resourceType": "Device",
        "id": f"{me}-aid",
        "patient": ref(somebody),
        "deviceName": [{"name": "Voice aid", "type": "user-friendly-name"}],
    }
    yield {
        "resourceType": "Binary",
        "id": f"{me}-scan",
        "contentType": "text/plain",
        "data": "eA==",
    }
    yield {
        "resourceType": "DocumentReference",
        "id": f"{me}-doc",
        "status": "current",
        "subject": ref(somebody),
        "content": [{"attachment": {"url": f"Binary/{me}-scan"}}],
    }
    yield {
        "resourceType": "Composition",
        "id": f"{me}-letter",
        "status": "final",
        "type": coding("letter"),
        "subject": ref(somebody),
        "date": "2026-03-12",
        "author": [ref("Practitioner/visitor")],
        "title": f"Letter of {at}",
        "section": [{"title": "Seen", "entry": [ref(f"Observation/{me}-o1")]}],
    }
    yield {
        "resourceType": "List",
        "id": f"{me}-list",
        "status": "current",
        "mode": "working",
        "entry": [{"item": ref(f"Observation/{me}-o1")}, {"item": ref("Practitioner/visitor")}],
    }
    yield {
        "resourceType": "Group",
        "id": f"{me}-group",
        "type": "person",
        "actual": True,
        "member": [{"entity": ref(somebody)}],
    }
    yield {
        "resourceType": "Observation",
        "id": f"{me}-nobody",
        "status": "final",
        "code": coding("m0"),
        "subject": {"identifier": {"value": f"c-{number}"}, "display": at},
        "encounter": ref(f"Encounter/{me}-visit"),
    }


def temptations() -> Iterator[Resource]:
    """What the south writes about the north, and about nobody."""
    yield {
        "resourceType": "List",
        "id": "south-mixed",
        "status": "current",
        "mode": "working",
        "entry": [{"item": ref("Observation/north-p0-o1")}, {"item": ref("Patient/south-p0")}],
    }
    yield {
        "resourceType": "Task",
        "id": "south-spying",
        "status": "requested",
        "intent": "order",
        "focus": ref("Observation/north-p0-o0"),
        "for": ref("Patient/south-p1"),
    }
    yield {
        "resourceType": "Provenance",
        "id": "south-two",
        "target": [ref("Observation/north-p0-o0"), ref("Observation/south-p0-o0")],
        "recorded": "2026-03-10T10:00:00Z",
        "agent": [{"who": ref("Practitioner/visitor")}],
    }
    yield observation(
        "south-derived", "Patient/south-p0", derivedFrom=[ref("Observation/north-p0-o0")]
    )
    yield {
        "resourceType": "Observation",
        "id": "south-loose",
        "status": "final",
        "code": {"text": "x"},
    }
    yield {
        "resourceType": "Binary",
        "id": "south-loose",
        "contentType": "text/plain",
        "data": "eA==",
    }
    yield {
        "resourceType": "Subscription",
        "id": "south-hook",
        "status": "requested",
        "reason": "x",
        "criteria": "Observation?patient=south-p0",
        "channel": {"type": "rest-hook", "endpoint": "https://south.example/hook"},
    }


def steps(clients: int = 4) -> Iterator[Step]:
    """Everything in the order in which it is written, the clinics by turns."""
    for resource in shared():
        yield "both", resource, False
    for number in range(clients):
        for of_north, of_south in zip(
            clinic("north", number), clinic("south", number), strict=True
        ):
            for of, resource in (("north", of_north), ("south", of_south)):
                open_to_all = resource["resourceType"] in ("Organization", "Practitioner")
                yield ("both" if open_to_all else of), resource, False
    for resource in temptations():
        yield "south", resource, False
    for at in CLINICS:
        for kind, key in (("Goal", f"{at}-p1-goal"), ("Observation", f"{at}-p2-o2")):
            yield at, {"resourceType": kind, "id": key}, True


def fill(store: Store, whose: tuple[str, ...]) -> None:
    """Write the steps of these; each at the same time, whoever's are left out."""
    for number, (of, resource, is_deletion) in enumerate(steps()):
        if of not in whose:
            continue
        moment = START + number * 1_000_000
        with unit_of_work(store.database, ANONYMOUS, lambda moment=moment: moment) as unit:
            current = unit.current(resource["resourceType"], resource["id"])
            if is_deletion:
                assert current is not None
                unit.delete(current)
            else:
                unit.append(resource, resource["id"], BASE, method="PUT", current=current)


def names() -> list[str]:
    """All resources that either clinic ever wrote, and one that nobody did."""
    found = {f"{resource['resourceType']}/{resource['id']}" for _, resource, _ in steps()}
    return [*sorted(found), "Observation/absent", "Patient/absent"]

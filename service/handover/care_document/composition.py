"""How does all that become a Composition?

R4, Composition: preliminary, since no person has attested it, and so without an attester. Its
author is the service (contained), and whoever asks for the document in their own name. Document
types: LOINC, verified in the value set c80-doc-typecodes of the official package.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable

from service.handover.care_document.cautions import cautions
from service.handover.care_document.front import front
from service.handover.care_document.markup import narrative
from service.handover.care_document.material import Material, Resource
from service.handover.care_document.next_steps import next_steps
from service.handover.care_document.outcomes import outcomes
from service.handover.care_document.plan import plan_and_goals
from service.handover.care_document.problems import problems
from service.handover.care_document.recommendations import recommendations
from service.handover.care_document.section import Section
from service.handover.care_document.treatment import treatment
from service.therapy.device import service_device
from service.therapy.moments import iso
from service.therapy.references import named

AUTHOR = "service"
"""The id of the contained Device that is the author: this service."""

_NAMES = uuid.UUID("0b4e2f5a-6a0e-5c0b-9c57-6f0a1d2e3b4c")
_PROGRESS_NOTE = ("11512-1", "Speech-language pathology Progress note")
_DISCHARGE_SUMMARY = ("68841-6", "Speech-language pathology Discharge summary")
_SECTIONS: tuple[Callable[[Material], Section], ...] = (
    cautions,
    problems,
    plan_and_goals,
    treatment,
    outcomes,
    recommendations,
    next_steps,
)


def sections(material: Material) -> list[Section]:
    """The sections in their order: what warns comes first."""
    return [write(material) for write in _SECTIONS]


def roots(material: Material, written: Iterable[Section]) -> list[str]:
    """What the Composition will refer to, by reference."""
    found = [named(material.patient), named(material.plan), *material.authors]
    found += [material.custodian] if material.custodian else []
    for section in written:
        found += [section.author] if section.author else []
        found += section.entries
    return list(dict.fromkeys(found))


def composition(
    material: Material, written: Iterable[Section], known: frozenset[str], date: str, version: str
) -> Resource:
    """The Composition without an id; `known` of the `roots` belong to the client or to nobody.

    `date` is an instant, `version` that of this software.
    """
    code, display = _type(material)
    title = material.title or f"Speech-language therapy: {_plan_title(material)}"
    nodes = front(material, title)
    authors = [{"reference": name} for name in material.authors]
    found: Resource = {
        "resourceType": "Composition",
        "language": "en",
        "text": {"status": "generated", "div": narrative(nodes)},
        "contained": [service_device(version) | {"id": AUTHOR}],
        "status": "preliminary",
        "type": {
            "coding": [{"system": "http://loinc.org", "code": code, "display": display}],
            "text": display,
        },
        "subject": {"reference": named(material.patient)},
        "date": date,
        "author": [*authors, {"reference": f"#{AUTHOR}", "display": "Hyoid"}],
        "title": title,
    }
    if material.custodian in known:
        found["custodian"] = {"reference": material.custodian}
    found["event"] = [_event(material)]
    found["section"] = [section.as_fhir(known) for section in written]
    return found


def lineage(material: Material, number: int) -> str:
    """The id of the document of this plan, asked for like this; `number` counts those before it
    that a person has taken over."""
    asked = [*material.authors, material.custodian or "", material.title or "", str(number)]
    return str(uuid.uuid5(_NAMES, "\n".join([named(material.plan), *asked])))


def content(resource: Resource) -> Resource:
    """What of a Composition is its content: without what storing and attesting it change."""
    left = ("id", "meta", "date", "status", "attester")
    return {name: value for name, value in resource.items() if name not in left}


def _type(material: Material) -> tuple[str, str]:
    """A discharge summary where the plan is done and no other one runs, else a progress note."""
    others = material.progress.course.material.plans
    runs = any(other.get("status") in ("active", "on-hold") for other in others)
    done = material.plan.get("status") == "completed" and not runs
    return _DISCHARGE_SUMMARY if done else _PROGRESS_NOTE


def _plan_title(material: Material) -> str:
    return str(material.plan.get("title") or "plan of care")


def _event(material: Material) -> Resource:
    course = material.progress.course
    period = {"end": iso(course.last_day)}
    if course.first_day is not None and course.first_day <= course.last_day:
        period = {"start": iso(course.first_day), **period}
    return {"period": period, "detail": [{"reference": named(material.plan)}]}

"""What does the document say first? Whose it is, who answers for it, and what matters most."""

from __future__ import annotations

from collections.abc import Iterable

from service.handover.care_document.cautions import NO_CAUTION, cautions_told
from service.handover.care_document.markup import Node, listing, pairs, paragraph
from service.handover.care_document.material import Material, Resource
from service.handover.care_document.words import (
    code_words,
    concepts,
    date_words,
    day_words,
    human_name,
    span_words,
)
from service.therapy.progress.report import conclusion
from service.therapy.progress.warnings import DEFER

NOT_SIGNED = (
    "Written by the service Hyoid from what is recorded, without a person's judgement. It stands"
    " once a therapist has read and attested it."
)


def front(material: Material, title: str) -> list[Node]:
    """The nodes of Composition.text."""
    told = cautions_told(material)
    return [
        paragraph(title, bold=True),
        paragraph(NOT_SIGNED),
        paragraph("Cautions first:" if told else NO_CAUTION, bold=bool(told)),
        *listing(dict.fromkeys(map(_first_sentence, told))),
        *([paragraph(f"Each in full under Cautions and allergies. {DEFER}")] if told else []),
        *pairs("About the client", client_rows(material.patient)),
        *pairs("About the document", _document_rows(material)),
        paragraph(f"In short: {conclusion(material.progress)}"),
    ]


def _first_sentence(text: str) -> str:
    """Of a caution what it is called; all of it stands in its section."""
    head, dot, _ = text.partition(". ")
    return f"{head}{dot.strip()}"


def client_rows(patient: Resource) -> Iterable[tuple[str, str]]:
    """Name, birth, sex, numbers, languages, where to reach, as far as recorded."""
    yield "Name", human_name(patient.get("name", ()))
    yield "Born", date_words(patient.get("birthDate"))
    yield "Gender", code_words(patient.get("gender"))
    numbers = [
        f"{one['value']} ({one['system']})" if one.get("system") else str(one["value"])
        for one in patient.get("identifier", ())
        if one.get("value")
    ]
    yield "Numbers", ", ".join(numbers)
    spoken = (one.get("language") or {} for one in patient.get("communication", ()))
    yield "Languages", concepts(spoken)
    reached = [str(one["value"]) for one in patient.get("telecom", ()) if one.get("value")]
    yield "To be reached at", ", ".join(reached)


def _document_rows(material: Material) -> Iterable[tuple[str, str]]:
    course = material.progress.course
    first = day_words(course.first_day) if course.first_day is not None else ""
    yield "Plan of care", str(material.plan.get("title") or "")
    yield "Time it covers", span_words(first, day_words(course.last_day))
    yield "Therapist of the plan", material.name(material.plan.get("author"))
    authors = (material.names.get(author, author) for author in material.authors)
    yield "Asked for by", ", ".join(authors)
    yield "Kept by", material.names.get(material.custodian or "", "")
    yield "Care team", "; ".join(_team(material))


def _team(material: Material) -> Iterable[str]:
    for team in material.of["CareTeam"]:
        if team.get("status") not in (None, "active"):
            continue
        for participant in team.get("participant", ()):
            reference = (participant.get("member") or {}).get("reference", "")
            name = material.name(participant.get("member"))
            role = concepts(participant.get("role"))
            if name and not str(reference).startswith("Patient/"):
                yield f"{name} ({role})" if role else name

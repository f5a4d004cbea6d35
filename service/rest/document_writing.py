"""Write the Composition about a plan of care, once for the same content.

Its id follows from the plan and from what was asked for besides (author, custodian, title). Asked
again with nothing changed, nothing is written. With a change, the Composition gets a new version,
as long as no person has touched it: one that was attested, or edited, is left as it is and a new
one is begun beside it. Ours is known by the method in its history: POST, where persons PUT and
PATCH.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

from service import __version__
from service.caller import Caller
from service.errors import Conflict, Invalid, NotFound
from service.handover.care_document.composition import (
    composition,
    content,
    lineage,
    roots,
    sections,
)
from service.handover.care_document.material import KINDS, Material, Resource, gather
from service.handover.closure import Closure, closure
from service.handover.document import Document, made
from service.rest.call import Call, Service
from service.rest.document_question import Asked
from service.rest.progress import progress_about
from service.standard.codec import decode_resource, encode
from service.standard.grants import LISTED, grants_of, insufficient
from service.standard.profiles import check
from service.store.connection import Connection
from service.store.current import current_version
from service.store.record import RecordQuery, record_page
from service.store.rows import Stored
from service.store.store import present
from service.store.unit import Unit
from service.therapy.course.course import Question
from service.therapy.references import target

_MOST_TAKEN_OVER = 1_000
_SHOWN = 10
_PERSONS = frozenset({"Practitioner", "PractitionerRole", "RelatedPerson", "Patient"})


@dataclass(frozen=True, slots=True)
class Draft:
    """A Composition as it would be written now, and what it reaches."""

    material: Material
    resource: Resource
    reached: Closure


def write_document(service: Service, call: Call, asked: Asked) -> tuple[Document, bool]:
    """The document, and whether a version was written. One snapshot gives text and entries."""
    _require_whole(call.caller)
    now = datetime.now(UTC)
    with call.reading(snapshot=True) as connection:
        draft = _draft(service, connection, call, asked, now)
    check(draft.resource)
    with service.store.write(call.caller) as unit:
        stored, written = _keep(unit, draft, call.base)
    return made(stored, draft.reached, call.base), written


def _draft(
    service: Service, connection: Connection, call: Call, asked: Asked, now: datetime
) -> Draft:
    plan = _plan(connection, call, asked)
    question = Question(now.date().toordinal())
    progress = progress_about(service, connection, call, plan, question)
    patient = _patient(connection, call, progress.course.material.plan, asked)
    authors = asked.authors or _asking(call)
    material = gather(
        connection,
        call.caller,
        progress,
        patient,
        authors=authors,
        custodian=asked.custodian,
        title=asked.title,
    )
    written = sections(material)
    wanted = [tuple(name.split("/")) for name in roots(material, written)]
    names = [(kind, key) for kind, key in wanted]
    reached = closure(connection, call.caller, names, patient["id"], call.base)
    known = frozenset(stored.reference for stored in reached.found)
    _require_known(asked, known)
    material = replace(material, authors=[name for name in authors if name in known])
    made_at = now.isoformat(timespec="seconds")
    resource = composition(material, written, known, made_at, __version__)
    return Draft(material, resource, reached)


def _require_whole(caller: Caller) -> None:
    """Who may not read everything would write that nothing is recorded where something is."""
    needed = (*KINDS, "CarePlan", "Observation", "Patient", "Procedure")
    if not grants_of(caller).wholly(LISTED, needed):
        raise insufficient(
            f"To write about a plan, {LISTED!r} is needed for all of {', '.join(needed)}"
        )


def _keep(unit: Unit, draft: Draft, base: str) -> tuple[Stored, bool]:
    """What is stored already with this content, or a new version."""
    new = encode(content(draft.resource))
    for number in range(_MOST_TAKEN_OVER):
        key = lineage(draft.material, number)
        current = unit.current("Composition", key)
        if current is not None and not current.deleted:
            before = decode_resource(current.body or b"")
            if encode(content(before)) == new:
                return current, False
            if current.method != "POST" or before.get("status") != "preliminary":
                continue
        resource = draft.resource | {"id": key}
        return unit.append(resource, key, base, method="POST", current=current, derived=True), True
    raise Conflict("There are too many documents of this plan that persons have taken over")


def _plan(connection: Connection, call: Call, asked: Asked) -> str:
    """The id of the plan named; else of the client's only active one, else of the only one."""
    if asked.plan is not None:
        return asked.plan.removeprefix("CarePlan/")
    if asked.patient is None:
        raise Invalid(
            "$document needs a plan, or a patient with one plan, or the id of a Composition",
            code="required",
            location="http.plan",
        )
    key = asked.patient.removeprefix("Patient/")
    present(current_version(connection, call.caller, "Patient", key), asked.patient)
    stored = record_page(connection, call.caller, RecordQuery(key, ("CarePlan",)))
    plans = [decode_resource(one.body or b"") for one in stored]
    own = [plan for plan in plans if target(plan.get("subject"), call.base) == asked.patient]
    meant = [plan for plan in own if plan.get("status") == "active"] or own
    if len(meant) != 1:
        names = ", ".join(str(plan["id"]) for plan in meant[:_SHOWN])
        raise Invalid(
            f"{asked.patient} has {len(meant)} plans; name one as plan{f': {names}' * bool(names)}",
            code="required",
            location="http.plan",
        )
    return str(meant[0]["id"])


def _patient(connection: Connection, call: Call, plan: Resource, asked: Asked) -> Resource:
    subject = target(plan.get("subject"), call.base) or ""
    if asked.patient is not None and asked.patient != subject:
        raise Invalid(
            f"CarePlan/{plan['id']} is not about {asked.patient}",
            code="value",
            location="http.patient",
        )
    found = current_version(connection, call.caller, "Patient", subject.removeprefix("Patient/"))
    return decode_resource(present(found, subject).body or b"")


def _asking(call: Call) -> tuple[str, ...]:
    """The person who asks, where it is known as whom."""
    reference = call.caller.reference
    return (reference,) if reference.partition("/")[0] in _PERSONS else ()


def _require_known(asked: Asked, known: frozenset[str]) -> None:
    for name, references in (
        ("author", asked.authors),
        ("custodian", [asked.custodian] if asked.custodian else []),
    ):
        for reference in references:
            if reference not in known:
                raise NotFound(
                    f"There is no {reference} for this document", location=f"http.{name}"
                )

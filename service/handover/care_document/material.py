"""What is a document about a plan written from? Read from the store, within one client's record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.caller import Caller
from service.handover.care_document.words import name_words
from service.standard.codec import decode_resource
from service.store.belonging import belonging
from service.store.connection import Connection
from service.store.record import RecordQuery, record_page
from service.therapy.progress.answer import Progress
from service.therapy.references import target

Resource = dict[str, Any]

KINDS = (
    "AllergyIntolerance",
    "Appointment",
    "CareTeam",
    "Condition",
    "DetectedIssue",
    "Flag",
    "Goal",
    "NutritionOrder",
    "ServiceRequest",
)
_WRONG = frozenset({"entered-in-error", "refuted"})


@dataclass(frozen=True, slots=True)
class Material:
    """One client's plan, with what else bears on it; `names` are of people and organisations, by
    reference."""

    progress: Progress
    patient: Resource
    of: Mapping[str, Sequence[Resource]]
    """What is of the client, by type, in the order in which it was stored."""
    names: Mapping[str, str]
    authors: Sequence[str]
    """References of those who answer for the document, besides the service; may be empty."""
    custodian: str | None
    title: str | None = None

    @property
    def plan(self) -> Resource:
        """The plan of care."""
        return self.progress.course.material.plan

    @property
    def base(self) -> str:
        """The FHIR base URL."""
        return self.progress.course.material.base

    def name(self, reference: Mapping[str, Any] | None) -> str:
        """Who or what a reference is to, as far as it has a name."""
        found = target(dict(reference or {}), self.base)
        known = self.names.get(found or "")
        if known:
            return known
        # What the referrer wrote beside a reference may be about somebody else's record.
        return "" if found else str((reference or {}).get("display") or "")


def gather(
    connection: Connection,
    caller: Caller,
    progress: Progress,
    patient: Resource,
    *,
    authors: Sequence[str] = (),
    custodian: str | None = None,
    title: str | None = None,
) -> Material:
    """Read the rest of what the document says. The patient and the plan's progress are given."""
    base, key = progress.course.material.base, str(patient["id"])
    own = f"Patient/{key}"
    found: dict[str, list[Resource]] = {kind: [] for kind in KINDS}
    for stored in record_page(connection, caller, RecordQuery(key, KINDS)):
        resource = decode_resource(stored.body or b"")
        if is_about(resource, own, base) and not is_wrong(resource):
            found[stored.type].append(resource)
    house = custodian or target(patient.get("managingOrganization"), base)
    people = _people(progress.course.material.plan, found, base)
    names = _names(connection, caller, [own, *people, *authors, house or ""], key)
    if house not in names:
        house = None
    return Material(progress, patient, found, names, tuple(authors), house, title)


def is_about(resource: Resource, own: str, base: str) -> bool:
    """Whether it is this client's, not only mentions the client."""
    if resource["resourceType"] == "Appointment":
        actors = (target(one.get("actor"), base) for one in resource.get("participant", ()))
        clients = {actor for actor in actors if actor and actor.startswith("Patient/")}
        return clients == {own}
    return target(resource.get("subject") or resource.get("patient"), base) == own


def is_wrong(resource: Resource) -> bool:
    """Whether it was taken back."""
    if resource.get("status") in _WRONG or resource.get("lifecycleStatus") in _WRONG:
        return True
    stated = resource.get("verificationStatus") or {}
    return any(coding.get("code") in _WRONG for coding in stated.get("coding", ()))


def _people(
    plan: Resource, found: Mapping[str, Sequence[Resource]], base: str
) -> Iterable[str | None]:
    yield target(plan.get("author"), base)
    for note in plan.get("note", ()):
        yield target(note.get("authorReference"), base)
    for team in found["CareTeam"]:
        for participant in team.get("participant", ()):
            yield target(participant.get("member"), base)
    for appointment in found["Appointment"]:
        for participant in appointment.get("participant", ()):
            yield target(participant.get("actor"), base)


def _names(
    connection: Connection, caller: Caller, references: Iterable[str | None], patient: str
) -> dict[str, str]:
    wanted = dict.fromkeys(tuple(one.split("/")) for one in references if one)
    pairs = [(parts[0], parts[1]) for parts in wanted if len(parts) == 2]
    stored = belonging(connection, caller, pairs, patient)
    named = {one.reference: decode_resource(one.body or b"") for one in stored.values()}
    return {reference: name_words(resource) or reference for reference, resource in named.items()}

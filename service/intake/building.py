"""Which resources does a session become? A note, with what it refers to, in; resources out.

Nothing is looked up here but which ids are free; what a note refers to was linked before. The parts
follow R4's Encounter, Procedure, Observation and so on.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass, field
from typing import Any

from service.intake.drafts import Draft, keys
from service.intake.elements import extension, hl7, period
from service.intake.identity import Session
from service.intake.linking import Linked
from service.intake.local_codes import Meant
from service.intake.tables import table
from service.standard.codec import encode

Json = dict[str, Any]

_SIDES = {"left": "Left", "right": "Right", "both": "Both sides"}
_LOINC = "http://loinc.org"
_SERVICE = {"coding": [hl7("service-type", "68", "Speech Pathology/Therapy")]}


@dataclass(slots=True)
class Known:
    """What was found for a note: whom and what it refers to, and what its codes mean."""

    client: str
    therapist: Json | None = None
    recorder: Json | None = None
    organization: Json | None = None
    plan: str | None = None
    orders: dict[int, Linked] = field(default_factory=dict)
    devices: dict[int, Json] = field(default_factory=dict)
    raters: dict[tuple[str, int], Json] = field(default_factory=dict)
    forms: dict[int, Json] = field(default_factory=dict)
    codes: dict[tuple[str | int, ...], Meant] = field(default_factory=dict)

    def concept(self, *path: str | int) -> Json | None:
        """The CodeableConcept of the code at a path of the note."""
        meant = self.codes.get(path)
        return meant.concept if meant else None


class Builder:
    """Makes the resources of one session."""

    def __init__(self, draft: Draft, known: Known, session: Session) -> None:
        self.draft = draft
        self.note = draft.content
        self.known = known
        self.session = session
        self.subject = {"reference": known.client}
        self.encounter = self.session.reference("Encounter")
        self.end: str = self.note.get("end") or self.note["start"]
        self.held = draft.note.attendance in ("done", "cut-short")
        self.technique_keys = keys(self.note, "techniques")

    def encounter_resource(self) -> Json:
        """The visit, with revision and digest of the note it was made from."""
        setting = table("kinds")["settings"][self.draft.note.setting]
        found = self.session.start("Encounter", "session")
        found["extension"] = [self._revision(), *self._attendance()]
        found["status"] = "finished" if self.held else "cancelled"
        found["class"] = hl7("v3-ActCode", setting["code"], setting["display"])
        kind = self.known.concept("type")
        if kind:
            found["type"] = [kind]
        found["serviceType"] = _SERVICE
        found["subject"] = self.subject
        if not self.held:
            found["appointment"] = [self.session.reference("Appointment")]
        if self.known.therapist:
            performer = hl7("v3-ParticipationType", "PPRF", "primary performer")
            found["participant"] = [
                {"type": [{"coding": [performer]}], "individual": self.known.therapist}
            ]
        found["period"] = period(self.note["start"], self.note.get("end"))
        reasons = [reason for linked in self.known.orders.values() for reason in linked.reasons]
        if reasons:
            found["reasonReference"] = [{"reference": each} for each in sorted(set(reasons))]
        if self.known.organization:
            found["serviceProvider"] = self.known.organization
        return found

    def _revision(self) -> Json:
        return extension(
            "session-revision",
            extension=[
                {"url": "revision", "valuePositiveInt": self.draft.note.revision},
                {"url": "content", "valueString": self.draft.digest},
            ],
        )

    def _attendance(self) -> list[Json]:
        if self.draft.note.attendance == "done":
            return []
        parts: list[Json] = [{"url": "attendance", "valueCode": self.draft.note.attendance}]
        reason = self.known.concept("reason")
        if reason:
            parts.append({"url": "reason", "valueCodeableConcept": reason})
        return [extension("session-attendance", extension=parts)]

    def appointment(self) -> Json:
        """The visit that did not take place."""
        cancelled = self.draft.note.attendance == "cancelled"
        found = self.session.start("Appointment", "appointment")
        found["status"] = "cancelled" if cancelled else "noshow"
        reason = self.known.concept("reason")
        # R4 lets a reason stand with a cancelled one only (app-4, whose `no-show` is no status).
        if cancelled and reason:
            found["cancelationReason"] = reason
        found["serviceType"] = [_SERVICE]
        if "end" in self.note:
            found["start"], found["end"] = self.note["start"], self.note["end"]
        if "note" in self.note:
            found["comment"] = self.note["note"]
        found["participant"] = [
            {"actor": self.subject, "status": "declined" if cancelled else "accepted"}
        ]
        if self.known.therapist:
            found["participant"].append({"actor": self.known.therapist, "status": "accepted"})
        return found

    def observation(self, key: str, at: str, category: str) -> Json:
        """An Observation of this session, without code and value."""
        found = self.session.start("Observation", "observation", key)
        if self.known.plan:
            found["basedOn"] = [{"reference": self.known.plan}]
        found["status"] = "final"
        names = {
            "vital-signs": "Vital Signs",
            "exam": "Exam",
            "survey": "Survey",
            "therapy": "Therapy",
            "activity": "Activity",
        }
        coding = hl7("observation-category", category, names[category])
        found["category"] = [{"coding": [coding]}]
        phase = self.known.concept("phase")
        if phase:
            found["category"].append(phase)
        found["subject"] = self.subject
        found["encounter"] = self.encounter
        found["effectiveDateTime"] = at
        if self.known.therapist:
            found["performer"] = [self.known.therapist]
        return found

    def document(self) -> Json:
        """The note itself: its words to be read, and its content as it was sent."""
        found = self.session.start("DocumentReference", "note")
        found["status"] = "current"
        found["docStatus"] = "final"
        progress = {
            "system": _LOINC,
            "code": "11512-1",
            "display": "Speech-language pathology Progress note",
        }
        found["type"] = {"coding": [progress], "text": "Session note"}
        found["subject"] = self.subject
        if self.known.therapist:
            found["author"] = [self.known.therapist]
        if self.known.organization:
            found["custodian"] = self.known.organization
        words = self._words()
        if words:
            found["description"] = words
            found["content"] = [_attachment("text/plain; charset=utf-8", words.encode())]
        sent = _attachment("application/json", encode(self.note))
        found["content"] = [*found.get("content", ()), sent]
        found["context"] = {
            "encounter": [self.encounter],
            "period": period(self.note["start"], self.note.get("end")),
        }
        return found

    def _words(self) -> str:
        parts = (("", "note"), ("In the client's words: ", "words"), ("Next time: ", "next"))
        return "\n".join(f"{head}{self.note[name]}" for head, name in parts if name in self.note)

    def provenance(self, targets: list[Json], recorded: str) -> Json:
        """Who sent and wrote all this."""
        found: Json = {
            "resourceType": "Provenance",
            "id": self.session.id("Provenance"),
            "target": [{"reference": f"{one['resourceType']}/{one['id']}"} for one in targets],
            "occurredPeriod": period(self.note["start"], self.note.get("end")),
            "recorded": recorded,
            "activity": {"coding": [hl7("v3-DataOperation", "UPDATE", "revise")]}
            if self.draft.note.revision > 1
            else {"coding": [hl7("v3-DataOperation", "CREATE", "create")]},
        }
        agents: list[Json] = []
        author = self.known.recorder or self.known.therapist
        if author:
            agents.append(_agent("author", "Author", author))
        sender = self.known.organization or {"display": f"The sender of {self.draft.system}"}
        agents.append(_agent("custodian" if author else "author", None, sender))
        found["agent"] = agents
        found["entity"] = [{"role": "source", "what": self.session.reference("DocumentReference")}]
        return found


def sided(concept: Json | None, side: str | None) -> Json | None:
    """A body site with its side in words."""
    if side is None:
        return concept
    if concept is None:
        return {"text": _SIDES[side]}
    return concept | {"text": f"{concept.get('text', '')}, {_SIDES[side].lower()}"}


def _attachment(content_type: str, data: bytes) -> Json:
    encoded = base64.b64encode(data).decode()
    return {"attachment": {"contentType": content_type, "data": encoded, "size": len(data)}}


def _agent(code: str, display: str | None, who: Json) -> Json:
    return {"type": {"coding": [hl7("provenance-participant-type", code, display)]}, "who": who}

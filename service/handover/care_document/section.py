"""What is a section of the document, before it is part of a Composition?

Codes: our own for every section (mappings/code-systems/document-section.json), and a LOINC code
where one means the same. Empty reasons: http://terminology.hl7.org/CodeSystem/list-empty-reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from service.handover.care_document.markup import Node, narrative, paragraph
from service.therapy.measures import OWN

Resource = dict[str, Any]

SECTIONS = OWN + "document-section"
_EMPTY = "http://terminology.hl7.org/CodeSystem/list-empty-reason"
_REASONS = {"unavailable": "Unavailable", "notstarted": "Not Started", "closed": "Closed"}

Reason = Literal["unavailable", "notstarted", "closed"]


@dataclass(frozen=True, slots=True)
class Section:
    """A section: what it says, and the resources it rests on, by reference.

    `empty` is why there is nothing to say, where there is nothing; `nothing` says so in words.
    """

    code: str | None
    """Of our own code system; None where the LOINC code says it all."""
    title: str
    loinc: tuple[str, str] | None
    body: Sequence[Node]
    entries: Sequence[str]
    empty: Reason
    nothing: str
    author: str | None = None

    def as_fhir(self, known: frozenset[str]) -> Resource:
        """The Composition.section; entries are those `known` to belong to the client."""
        codings = []
        if self.code is not None:
            codings.append({"system": SECTIONS, "code": self.code, "display": self.title})
        if self.loinc is not None:
            code, display = self.loinc
            named = {"display": display} if display else {}
            codings.append({"system": "http://loinc.org", "code": code} | named)
        found: Resource = {"title": self.title, "code": {"coding": codings, "text": self.title}}
        if self.author in known:
            found["author"] = [{"reference": self.author}]
        wanted = list(dict.fromkeys(self.entries))
        listed = [name for name in wanted if name in known]
        nodes = list(self.body) or [paragraph(self.nothing)]
        if len(listed) < len(wanted):
            nodes.append(paragraph(left_out_words(len(wanted) - len(listed))))
        found["text"] = {"status": "generated", "div": narrative(nodes)}
        if listed:
            found["entry"] = [{"reference": name} for name in listed]
        elif not self.body:
            coding = {"system": _EMPTY, "code": self.empty, "display": _REASONS[self.empty]}
            found["emptyReason"] = {"coding": [coding], "text": self.nothing}
        return found


def left_out_words(count: int) -> str:
    """That some resources do not come along, and why."""
    return (
        f"Left out of this document: {count} resources that are not there any more or lie in the"
        " record of another client as well."
    )

"""What is the document of a Composition? A Bundle of what it reaches, at one point in time.

R4: http://hl7.org/fhir/R4/documents.html (rules bdl-1 to bdl-12). Composition first, then what it
refers to, directly and through others, each once; nothing else. What it refers to directly must be
there: else there is no document. What is referred to further on and is not this client's, or not
there, is left out, and the reference says so (`document_masks.py`).
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.caller import Caller
from service.errors import Invalid, Issue
from service.handover.closure import Closure, closure, reached_from
from service.handover.document_masks import masked_body
from service.standard.codec import decode_resource, encode
from service.standard.mentions import Name, local_name, referred
from service.store.connection import Connection
from service.store.rows import Stored

Resource = dict[str, Any]

_NOT_HERE = "it is not there, or belongs to the record of another client"


@dataclass(frozen=True, slots=True)
class Document:
    """A document before it gets its name and time. `composition` is decoded and what leaves."""

    stored: Stored
    composition: Resource
    reached: Closure
    base: str

    def bundle(self, identifier: str, timestamp: str) -> bytes:
        """The Bundle. `identifier` is a URI that no other document ever had, `timestamp` an
        instant; all else follows from what is stored."""
        head = {
            "resourceType": "Bundle",
            "identifier": {"system": "urn:ietf:rfc:3986", "value": identifier},
            "type": "document",
            "timestamp": timestamp,
        }
        return b"".join([encode(head)[:-1], b',"entry":[', b",".join(self._entries()), b"]}"])

    def subject(self) -> Resource | None:
        """Whom it is about."""
        name = _name(self.composition.get("subject"), self.base)
        return next((self._leaving(one) for one in self.reached.found if _is(one, name)), None)

    def attesters(self) -> Iterator[tuple[Resource, Resource | None]]:
        """Each attester with the person it names."""
        for attester in self.composition.get("attester", ()):
            name = _name(attester.get("party"), self.base)
            found = (self._leaving(one) for one in self.reached.found if _is(one, name))
            yield attester, next(found, None)

    def _entries(self) -> Iterator[bytes]:
        for stored in (self.stored, *self.reached.found):
            url = encode(f"{self.base}/{stored.reference}")
            yield b"".join(
                [
                    b'{"fullUrl":',
                    url,
                    b',"resource":',
                    masked_body(stored, self.reached.left_out, self.base),
                    b"}",
                ]
            )

    def _leaving(self, stored: Stored) -> Resource:
        return decode_resource(masked_body(stored, self.reached.left_out, self.base))


def document(connection: Connection, caller: Caller, stored: Stored, base: str) -> Document:
    """The document of a stored Composition. Give a connection with one snapshot.

    Raises Invalid (422) where something that the Composition names directly cannot be in it.
    """
    composition = decode_resource(stored.body or b"")
    mentioned = referred(stored.body or b"", base)
    reached = closure(connection, caller, mentioned, client(composition, base), base)
    return made(stored, reached, base)


def made(stored: Stored, reached: Closure, base: str) -> Document:
    """The same from what was reached before. Raises Invalid as well."""
    itself = (stored.type, stored.id)
    others = tuple(reached_from(stored, reached.found, base))
    reached = Closure(others, reached.left_out - {itself})
    composition = decode_resource(stored.body or b"")
    held = {(one.type, one.id) for one in others} | {itself}
    issues = [
        Issue("error", "not-found", f"{where} cannot be in the document: {_NOT_HERE}", where)
        for where, reference in direct(composition)
        if not _is_held(reference, held, base)
    ]
    if issues:
        raise Invalid(issues=issues, status=422)
    return Document(
        stored, decode_resource(masked_body(stored, reached.left_out, base)), reached, base
    )


def new_identifier() -> str:
    """A URI that no other document has."""
    return f"urn:uuid:{uuid.uuid4()}"


def client(composition: Resource, base: str) -> str | None:
    """The id of the Patient a Composition is about; None where it is about none of this service."""
    name = _name(composition.get("subject"), base)
    return name[1] if name is not None and name[0] == "Patient" else None


def direct(composition: Resource) -> Iterator[tuple[str, Resource]]:
    """The references that R4 wants inside, with their places."""
    for name in ("subject", "encounter", "custodian"):
        if name in composition:
            yield f"Composition.{name}", composition[name]
    yield from _listed(composition, "author", "Composition")
    for number, attester in enumerate(composition.get("attester", ())):
        if "party" in attester:
            yield f"Composition.attester[{number}].party", attester["party"]
    for number, event in enumerate(composition.get("event", ())):
        yield from _listed(event, "detail", f"Composition.event[{number}]")
    yield from _of_sections(composition, "Composition")


def _of_sections(holder: Mapping[str, Any], where: str) -> Iterator[tuple[str, Resource]]:
    for number, section in enumerate(holder.get("section", ())):
        place = f"{where}.section[{number}]"
        yield from _listed(section, "author", place)
        if "focus" in section:
            yield f"{place}.focus", section["focus"]
        yield from _listed(section, "entry", place)
        yield from _of_sections(section, place)


def _listed(holder: Mapping[str, Any], name: str, where: str) -> Iterator[tuple[str, Resource]]:
    for number, reference in enumerate(holder.get(name, ())):
        yield f"{where}.{name}[{number}]", reference


def _is_held(reference: Resource, held: set[Name], base: str) -> bool:
    """Whether it leads inside: to an entry, or to what is contained; without a literal reference
    (an identifier only) there is nothing to be led to."""
    text = reference.get("reference")
    if not isinstance(text, str) or text.startswith("#"):
        return True
    return local_name(text, base) in held


def _name(reference: Resource | None, base: str) -> Name | None:
    text = (reference or {}).get("reference")
    return local_name(text, base) if isinstance(text, str) else None


def _is(stored: Stored, name: Name | None) -> bool:
    return (stored.type, stored.id) == name

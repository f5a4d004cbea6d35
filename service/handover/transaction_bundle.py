"""How does a client's record go into another record, and again later, without a second copy?

As one transaction (R4, http://hl7.org/fhir/R4/http.html#transaction). People, organisations and the
client, whom the receiver may know already, are created only where nothing there has the identifier
(definitions: the canonical URL); what is there is never overwritten. All else is put under an id
that follows from where it lies here, so that a later pull updates it. Links between the entries
become `urn:uuid:` (`standard/links.py`, which the receiver does the other way round).
"""

from __future__ import annotations

import re
import uuid
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from service.handover.document_masks import masked_body
from service.handover.transaction_provenance import provenance
from service.standard.codec import decode_resource, encode
from service.standard.definitions import definitions
from service.standard.links import rewrite
from service.standard.mentions import Name, local_name
from service.standard.meta import unstamped
from service.store.rows import Stored

Resource = dict[str, Any]

_KNOWN_ELSEWHERE = frozenset({"Patient", "Practitioner", "Organization"})
_PASSING = frozenset({"old", "temp"})
_CONDITIONAL = re.compile(r"[A-Z][A-Za-z]+\?")
_UNKNOWN = {
    "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason",
    "valueCode": "unknown",
}


@dataclass(frozen=True, slots=True)
class Sent:
    """An entry to be: the resource as it lies here, its name within the Bundle, and how it is met
    at the receiver: by `condition` (a search), or as `key`, the id it gets there."""

    resource: Resource
    full_url: str
    key: str
    condition: str | None

    @property
    def name(self) -> Name:
        """(type, id) here."""
        return self.resource["resourceType"], self.resource["id"]

    def entry(self, resource: Resource) -> Resource:
        """The entry, with the resource as it leaves."""
        kind = resource["resourceType"]
        request = {"method": "PUT", "url": f"{kind}/{self.key}"}
        body = {"resourceType": kind, "id": self.key, **resource}
        if self.condition is not None:
            request = {"method": "POST", "url": kind, "ifNoneExist": self.condition}
            del body["id"]
        return {"fullUrl": self.full_url, "resource": body, "request": request}


def transaction_bundle(record: Sequence[Stored], left_out: Iterable[Name], base: str) -> bytes:
    """The Bundle of a record: the Patient first, then the rest (Stored), each once.

    `left_out` are the names of what is referred to and does not come along; such a reference says
    so (`document_masks.py`). `base` is the FHIR base URL without a slash at its end. The same
    record gives the same bytes.
    """
    gone = frozenset(left_out)
    bodies = [decode_resource(masked_body(stored, gone, base)) for stored in record]
    conditions = _conditions(bodies)
    sent = [_sent(body, conditions.get(number), base) for number, body in enumerate(bodies)]
    links = _links(sent, base)
    source = provenance(sent[0], sent, max(stored.updated for stored in record), base)
    entries = [one.entry(_leaving(one, links, base)) for one in sent]
    return encode({"resourceType": "Bundle", "type": "transaction", "entry": [*entries, source]})


def key_elsewhere(base: str, name: Name) -> str:
    """The id that a resource of this service gets at every receiver."""
    return str(uuid.uuid5(uuid.NAMESPACE_URL, f"{base}/{name[0]}/{name[1]}"))


def _sent(body: Resource, condition: str | None, base: str) -> Sent:
    key = key_elsewhere(base, (body["resourceType"], body["id"]))
    return Sent(body, f"urn:uuid:{key}", key, condition)


def _conditions(bodies: Sequence[Resource]) -> dict[int, str]:
    """By place: the search for what the receiver may have. One that two of the record share tells
    them not apart and is not used."""
    offered = {number: list(_searches(body)) for number, body in enumerate(bodies)}
    shared = Counter(
        (bodies[number]["resourceType"], search)
        for number, searches in offered.items()
        for search in set(searches)
    )
    found = {}
    for number, searches in offered.items():
        kind = bodies[number]["resourceType"]
        alone = [search for search in searches if shared[kind, search] == 1]
        if alone:
            found[number] = alone[0]
    return found


def _searches(body: Resource) -> Iterable[str]:
    kind = body["resourceType"]
    if kind in _KNOWN_ELSEWHERE:
        given = [one for one in body.get("identifier", ()) if one.get("use") not in _PASSING]
        # What is kept for official use first; the order is else that of the resource.
        for one in sorted(given, key=lambda one: one.get("use") != "official"):
            if one.get("system") and one.get("value"):
                yield f"identifier={_token(one['system'])}%7C{_token(one['value'])}"
    elif "url" in body and "url" in definitions().search_parameters(kind):
        version = f"&version={_token(body['version'])}" if body.get("version") else ""
        yield f"url={quote(str(body['url']), safe='')}{version}"


def _token(text: str) -> str:
    """R4, search, section escaping."""
    return quote(re.sub(r"([\\,$|])", r"\\\1", text), safe="")


def _links(sent: Iterable[Sent], base: str) -> Mapping[str, str]:
    links = {}
    for one in sent:
        kind, key = one.name
        links[f"{kind}/{key}"] = links[f"{base}/{kind}/{key}"] = one.full_url
    return links


def _leaving(one: Sent, links: Mapping[str, str], base: str) -> Resource:
    resource = unstamped(one.resource)
    resource = {name: value for name, value in resource.items() if name != "id"}
    meta = resource.get("meta", {}) | {"source": base}
    rest = {name: value for name, value in resource.items() if name != "meta"}
    leaving: Resource = {"meta": meta, **_prepared(rest, links, base)}
    rewrite(leaving, links)
    return leaving


def _prepared(value: Any, links: Mapping[str, str], base: str) -> Any:
    """Without what only this service can follow: versions, which the receiver counts anew; urns
    and searches that lead nowhere; and addresses of attachments are made whole."""
    if isinstance(value, list):
        return [_prepared(one, links, base) for one in value]
    if not isinstance(value, dict):
        return value
    found = {name: _prepared(one, links, base) for name, one in value.items()}
    text, address = value.get("reference"), value.get("url")
    if isinstance(text, str) and "resourceType" not in value:
        return _reference(found, text, base)
    if isinstance(address, str) and address not in links and _is_relative(address):
        found["url"] = f"{base}/{address}"
    return found


def _reference(found: Resource, text: str, base: str) -> Resource:
    name = local_name(text, base)
    if name is not None:
        # A urn does not show its type, by which a receiver's profiles tell references apart.
        return {"type": name[0]} | found | {"reference": f"{name[0]}/{name[1]}"}
    if text.startswith("urn:"):
        del found["reference"]
        return {"identifier": {"system": "urn:ietf:rfc:3986", "value": text}} | found
    if _CONDITIONAL.match(text):
        del found["reference"]
        return {"extension": [_UNKNOWN], **found}
    return found


def _is_relative(address: str) -> bool:
    return local_name(address) is not None

"""Which warnings go with this plan, order or session? For `$apply`, `$validate` and writes.

Warnings never stand in the way of a write. They are told where they are asked for: as issues of
`$validate`; for a write of a CarePlan or ServiceRequest as a number in the header `Hyoid-Cautions`
and, with `Prefer: return=OperationOutcome`, as issues. The rules are pure, in `therapy/cautions`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any

from service.errors import HyoidError, Issue
from service.rest.call import Answer, Call, Service
from service.rest.conversion import convert
from service.rest.known import client_of, known_of, loads, orders_of
from service.rest.negotiation import preference
from service.standard.codec import decode_resource, encode
from service.standard.search_query import parse_search
from service.standard.terminology.library import rank, split
from service.store.connection import Connection
from service.store.current import current_version
from service.store.rows import Stored
from service.store.searching import find
from service.therapy.cautions import NO_ALL_CLEAR, Caution, Record, cautions
from service.therapy.cautions.concerned import contained_of, references_of
from service.therapy.techniques import catalogue

Resource = dict[str, Any]

JUDGED = frozenset({"CarePlan", "ServiceRequest", "Procedure"})
PLANNED = frozenset({"CarePlan", "ServiceRequest"})
HEADER = "Hyoid-Cautions"

_MOST_DEFINITIONS = 20
_PLACES = {"CarePlan": "CarePlan.activity"}
_SPECIAL = re.compile(r"([\\,$|])")


def warnings_about(
    service: Service, connection: Connection, call: Call, resource: Resource
) -> list[Issue]:
    """The warnings on a CarePlan, ServiceRequest or Procedure, as issues; for others none.

    None either where its subject is no client of this service that the caller may see.
    """
    if resource.get("resourceType") not in JUDGED:
        return []
    patient = client_of(resource, call.base)
    if patient is None or not is_client(connection, call, patient):
        return []
    held = orders_of(connection, call, references_of(resource))
    found = cautions_for(service, connection, call, [resource], patient, today=today(), held=held)
    kind = resource["resourceType"]
    return [issue_of(each, _PLACES.get(kind, f"{kind}.code")) for each in found]


def cautions_for(
    service: Service,
    connection: Connection,
    call: Call,
    resources: Sequence[Resource],
    patient: str,
    *,
    today: date,
    held: Mapping[str, Resource] | None = None,
    known: Sequence[Resource] | None = None,
    definitions: Iterable[Resource] = (),
) -> list[Caution]:
    """The warnings on these, from what is known of the client.

    `known` is what was read of the client, `definitions` are ActivityDefinitions that were looked
    up, where that was done before.
    """
    every = [*resources, *(held or {}).values()]
    techniques = catalogue().with_more([*definitions, *_stored(connection, call, every)])
    if known is None:
        known = known_of(service, connection, call.caller, patient, today)
    record = Record(known, today.toordinal())
    return cautions(resources, record, convert, known=techniques, held=held)


def issue_of(caution: Caution, expression: str) -> Issue:
    """A warning as an issue."""
    return Issue("warning", "business-rule", caution.text, expression)


def with_warnings(service: Service, call: Call, stored: Stored | None, answer: Answer) -> Answer:
    """The answer to a write with the warnings on what was written; it is stored whatever they say.

    Nothing is read for types other than CarePlan and ServiceRequest.
    """
    if stored is None or stored.type not in PLANNED or stored.body is None:
        return answer
    try:
        with service.store.reader(snapshot=True) as connection:
            issues = warnings_about(service, connection, call, loads(stored.body))
    except HyoidError:
        return answer
    if issues:
        answer.headers[HEADER] = str(len(issues))
        if preference(call.headers.get("prefer", "")).returned == "OperationOutcome":
            answer.body = _with_issues(answer.body, issues)
    return answer


def with_outcomes(service: Service, call: Call, answers: Mapping[int, Answer]) -> None:
    """Add the warnings to the answers of a transaction's entries, where outcomes were asked for."""
    if preference(call.headers.get("prefer", "")).returned != "OperationOutcome":
        return
    for answer in answers.values():
        name = answer.headers.get("Location", "").removeprefix(f"{call.base}/").split("/")
        if name[0] in PLANNED and len(name) > 1 and answer.status < 300:
            try:
                with call.reading() as connection:
                    stored = current_version(connection, call.caller, name[0], name[1])
            except HyoidError:
                # It is stored, and a refusal would say that it is not.
                continue
            with_warnings(service, call, stored, answer)


def is_client(connection: Connection, call: Call, patient: str) -> bool:
    """Whether this is a Patient here that the caller may see."""
    stored = current_version(connection, call.caller, "Patient", patient)
    return stored is not None and not stored.deleted


def today() -> date:
    """The day the rules count from."""
    return datetime.now(UTC).date()


def definition_at(connection: Connection, call: Call, kind: str, canonical: str) -> Resource | None:
    """The stored definition of a canonical URL; of several versions the one asked for or newest."""
    url, version = split(canonical)
    pairs = [("url", _escaped(url))] + ([("version", _escaped(version))] if version else [])
    query = parse_search(kind, pairs, strict=True, base=f"{call.base}/")
    stored = find(connection, call.caller, query, limit=_MOST_DEFINITIONS)
    return max((decode_resource(each.body or b"") for each in stored), key=rank, default=None)


def _escaped(text: str) -> str:
    return _SPECIAL.sub(r"\\\1", text)


def _stored(connection: Connection, call: Call, resources: Iterable[Resource]) -> list[Resource]:
    """Stored definitions of techniques that `mappings/techniques` does not have."""
    inside = [each for resource in resources for each in contained_of(resource).values()]
    canonicals = {
        canonical
        for resource in [*resources, *inside]
        for canonical in _listed(resource.get("instantiatesCanonical"))
    }
    wanted = sorted(each for each in canonicals if catalogue().at(each) is None)
    found = (
        definition_at(connection, call, "ActivityDefinition", each)
        for each in wanted[:_MOST_DEFINITIONS]
    )
    return [each for each in found if each is not None]


def _listed(value: Any) -> list[str]:
    return [value] if isinstance(value, str) else list(value or ())


def _with_issues(body: bytes, issues: list[Issue]) -> bytes:
    told = loads(body)
    told["issue"] += [each.as_fhir() for each in issues]
    told["issue"].append(Issue("information", "informational", NO_ALL_CLEAR).as_fhir())
    return encode(told)

"""How does an AuditEvent that a client sent get into the log, beside what the service saw itself?

As a row of its own, whose text is what was sent, marked as sent and with the sender as one more
agent. The row is the sender's and carries the time at which it was stored. It is found by the
agents, the entities and the time (`recorded`) that it tells of; that it was sent is another row.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from service.caller import Caller
from service.errors import Invalid
from service.standard.codec import encode
from service.standard.mentions import Name, local_name
from service.standard.meta import unstamped
from service.standard.partial_dates import interval
from service.standard.provenance import CALLER
from service.store.audit import log
from service.store.audit.access import LONGEST_NAME, NAME, SENT, Access
from service.store.caseload import FENCE, Condition
from service.store.connection import Connection

SKEW = 60_000_000
"""Microseconds by which the clock of a sender may be ahead of ours."""

OF_OURS = "https://hyoid.example/fhir/CodeSystem/audit-interaction"
_MARK = {
    "system": OF_OURS,
    "code": SENT,
    "display": "Sent",
}
SOURCE_ROLE = {
    "system": "http://dicom.nema.org/resources/ontology/DCM",
    "code": "110153",
    "display": "Source Role ID",
}
_NUMBER = "SELECT r.rid FROM resource r WHERE r.type = ? AND r.id = ?"
_LIES = "SELECT 1 FROM compartment sc WHERE sc.rid = r.rid AND sc.patient <> ''"
_BY_DATE = "INSERT INTO audit_entity (reference, at, n) VALUES (?, ?, ?)"

Resource = dict[str, Any]


def as_sent(event: Resource, caller: Caller) -> Resource:
    """A valid AuditEvent with the mark that it was sent, and by whom, without id and stamps.

    Raises Invalid where it names somebody as its sender.
    """
    for place, agent in enumerate(event["agent"]):
        if any(_is_mark(coding) for role in agent.get("role", ()) for coding in _codings(role)):
            raise Invalid(
                "Who sent it is told by the service alone",
                code="value",
                expression=f"AuditEvent.agent[{place}].role",
            )
    bare = {name: value for name, value in unstamped(event).items() if name != "id"}
    meta = bare.get("meta", {})
    tags = [tag for tag in meta.get("tag", ()) if not _is_mark(tag)]
    return {
        **bare,
        "meta": {**meta, "tag": [*tags, _MARK]},
        "agent": [*event["agent"], _sender(caller)],
    }


def sent_access(
    event: Resource, caller: Caller, base: str, clients: Iterable[str], now: int
) -> Access:
    """The row of what `as_sent` made, which names these clients.

    Raises Invalid for a time that is none, or to come.
    """
    try:
        recorded = interval(event["recorded"])[0]
    except ValueError:
        raise Invalid("recorded is not an instant", expression="AuditEvent.recorded") from None
    if recorded > now + SKEW:
        raise Invalid("recorded is later than now", code="value", expression="AuditEvent.recorded")
    about = [_local(each.get("what"), base) for each in event.get("entity", ())]
    agents = [_local(each.get("who"), base) for each in event["agent"]]
    found_by = [name for name in about if name]
    found_by += [f"agent {name}" for name in agents if name]
    found_by += [f"{NAME}{name[:LONGEST_NAME]}" for each in event["agent"] for name in _names(each)]
    return Access(
        now,
        SENT,
        201,
        caller.name,
        caller.kind,
        caller.reference,
        caller.token,
        clients=tuple(sorted(clients)),
        body=encode(event).decode(),
        recorded=recorded,
        found_by=tuple(dict.fromkeys(found_by)),
    )


def append_sent(connection: Connection, access: Access) -> int:
    """Add the row in the transaction of the one writer; its number in the log."""
    number = log.append(connection, [access])[0]
    by_date = sorted(access.references_by_date())
    connection.many(_BY_DATE, [(reference, access.recorded, number) for reference in by_date])
    return number


def numbers_of(
    connection: Connection, names: Iterable[Name], own: Condition | None
) -> tuple[int, ...]:
    """The numbers of those that are there and lie in the records of `own` clients alone, a
    condition on the column `sc.patient`; None: whoever they are.

    What else it is about makes it no event of those it is about, whether it is there or not.
    """
    sql = _NUMBER
    params: tuple[Any, ...] = ()
    if own is not None:
        sql += f" AND EXISTS ({_LIES}{FENCE}) AND NOT EXISTS ({_LIES} AND NOT {own[0]}{FENCE})"
        params = own[1]
    return tuple(row[0] for name in names for row in connection.rows(sql, (*name, *params)))


def about(event: Resource, base: str) -> list[Name]:
    """(type, id) of the entities that lie here."""
    names = (each.get("what", {}).get("reference", "") for each in event.get("entity", ()))
    return [name for name in (local_name(text, base) for text in names) if name is not None]


def _sender(caller: Caller) -> Resource:
    known = {"reference": caller.reference} if caller.reference else {}
    return {
        "type": {"coding": [SOURCE_ROLE]},
        "role": [{"coding": [_MARK]}],
        "who": known or {"identifier": {"system": CALLER, "value": caller.name}},
        "altId": caller.name,
        "requestor": False,
    }


def _names(agent: Resource) -> list[str]:
    """What an agent is searched by: the name it is known by, and its identifier."""
    identifier = agent.get("who", {}).get("identifier", {})
    value, system = identifier.get("value"), identifier.get("system")
    names = [agent.get("altId"), value, f"{system}|{value}" if system and value else None]
    return [name for name in names if name]


def _codings(concept: Resource) -> list[Resource]:
    found: list[Resource] = concept.get("coding", [])
    return found


def _is_mark(coding: Resource) -> bool:
    return all(coding.get(name) == _MARK[name] for name in ("system", "code"))


def _local(reference: Resource | None, base: str) -> str:
    """`Type/id` of what lies here, or nothing."""
    found = local_name((reference or {}).get("reference", ""), base)
    return "/".join(found) if found else ""

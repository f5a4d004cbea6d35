"""Who wrote this? The Provenance of what was written in one unit of work.

R4: http://hl7.org/fhir/R4/provenance.html. Activities are codes of v3-DataOperation, agents of
provenance-participant-type.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, Literal, NamedTuple

from service.caller import Caller

Resource = dict[str, Any]

_TERMS = "http://terminology.hl7.org/CodeSystem"
CALLER = "https://hyoid.example/fhir/sid/caller"
_DONE = {
    "CREATE": "create",
    "UPDATE": "revise",
    "DELETE": "delete",
}
_OF_NOBODY = frozenset({"Provenance", "AuditEvent"})
"""What no Provenance is made of."""


class Version(NamedTuple):
    """A version that was written, and by which HTTP method."""

    type: str
    id: str
    vid: int
    method: str

    @property
    def reference(self) -> str:
        """`Type/id/_history/n`."""
        return f"{self.type}/{self.id}/_history/{self.vid}"


def to_sign(written: Iterable[Version], targeted: Iterable[str], base: str) -> list[Version]:
    """The versions that still need a Provenance; `targeted` are references of those there are."""
    known = {_plain(reference, base) for reference in targeted}
    return [
        each
        for each in written
        if each.type not in _OF_NOBODY and f"{each.type}/{each.id}" not in known
    ]


def made(versions: Sequence[Version], caller: Caller, recorded: str) -> Resource:
    """The Provenance that names the caller, without an id. `recorded` is an instant."""
    return {
        "resourceType": "Provenance",
        "target": [{"reference": each.reference} for each in versions],
        "recorded": recorded,
        "activity": {"coding": [_activity(versions)]},
        "agent": [_agent(caller, "author")],
    }


def completed(
    sent: Resource, versions: Sequence[Version], caller: Caller | None, recorded: str
) -> Resource:
    """A Provenance that a client sent about them, with targets, and with `caller` as who entered
    it."""
    agents = [*sent["agent"], _agent(caller, "enterer")] if caller else sent["agent"]
    targets = [{"reference": each.reference} for each in versions]
    return {**sent, "target": targets, "recorded": sent.get("recorded", recorded), "agent": agents}


def _activity(versions: Sequence[Version]) -> dict[str, str]:
    kinds: set[Literal["CREATE", "UPDATE", "DELETE"]] = set()
    for each in versions:
        kinds.add("DELETE" if each.method == "DELETE" else "CREATE" if each.vid == 1 else "UPDATE")
    code = kinds.pop() if len(kinds) == 1 else "UPDATE"
    return {"system": f"{_TERMS}/v3-DataOperation", "code": code, "display": _DONE[code]}


def _agent(caller: Caller, code: Literal["author", "enterer"]) -> Resource:
    kind = {"system": f"{_TERMS}/provenance-participant-type", "code": code}
    agent: Resource = {
        "type": {"coding": [kind | {"display": code.capitalize()}]},
        "who": {"reference": caller.reference}
        if caller.reference
        else {"identifier": {"system": CALLER, "value": caller.name}},
    }
    organizations = sorted(name for name in caller.tied or () if name.startswith("Organization/"))
    # Of several nobody knows for which one it was.
    if len(organizations) == 1:
        agent["onBehalfOf"] = {"reference": organizations[0]}
    return agent


def _plain(reference: str, base: str) -> str:
    """`Type/id` of a reference of any form."""
    below = reference.removeprefix(f"{base}/") if base else reference
    return "/".join(below.split("/", 2)[:2])

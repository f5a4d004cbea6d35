"""What is left of an AuditEvent for who does not see all clients?

Codes, times, agents, and entities by literal reference, for the clients of which he was let see it.
A request in its own words, and what a client sent in free text or by an identifier of an entity,
may name others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from service.standard.searching.subset import TAG

MASKED_QUERY: Mapping[str, Any] = {
    "_query": {
        "extension": [
            {
                "url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason",
                "valueCode": "masked",
            }
        ]
    }
}
"""That there was one, and is not told."""

_KEPT = ("resourceType", "type", "subtype", "action", "period", "recorded", "outcome")
_OF_META = ("profile", "security", "tag")
_OF_AGENT = ("type", "role", "altId", "requestor", "network")
_OF_WHO = ("reference", "type", "identifier")
_OF_ENTITY = ("type", "role", "lifecycle", "securityLabel")
_OF_REFERENCE = ("reference", "type")

Part = dict[str, Any]


def masked_event(sent: Part) -> Part:
    """What is left of one that a client sent."""
    meta = _some(sent.get("meta", {}), _OF_META)
    entities = [each for each in map(_entity, sent.get("entity", ())) if each]
    return {
        **_some(sent, _KEPT),
        "meta": {**meta, "tag": [*meta.get("tag", ()), TAG]},
        "agent": [_agent(agent) for agent in sent["agent"]],
        "source": {"observer": _reference(sent["source"]["observer"]) or {"display": "Masked"}},
        **({"entity": entities} if entities else {}),
    }


def _agent(sent: Part) -> Part:
    who = _some(sent.get("who", {}), _OF_WHO)
    return {**({"who": who} if who else {}), **_some(sent, _OF_AGENT)}


def _entity(sent: Part) -> Part:
    what = _reference(sent.get("what", {}))
    return {
        **({"what": what} if what else {}),
        **_some(sent, _OF_ENTITY),
        **(MASKED_QUERY if "query" in sent else {}),
    }


def _reference(sent: Part) -> Part:
    """What is referred to by an identifier or within may be anybody."""
    literal = not sent.get("reference", "#").startswith("#")
    return _some(sent, _OF_REFERENCE) if literal else {}


def _some(part: Part, names: Sequence[str]) -> Part:
    return {name: part[name] for name in names if name in part}

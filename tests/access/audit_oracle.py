"""Is an AuditEvent coded as R4 says? Asked of the official package (hl7.fhir.r4.core 4.0.1).

Bindings of http://hl7.org/fhir/R4/auditevent.html: all that this service fills are required or
extensible. Codes outside of them are listed here with their source.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests import official

Resource = dict[str, Any]

_OURS = Path("mappings/code-systems/audit-interaction.json")
_OUTSIDE = {
    # The service in a delete (IHE ITI Basic Audit Log Patterns 1.1), a code of the package.
    ("http://terminology.hl7.org/CodeSystem/provenance-participant-type", "custodian"),
    # A token was issued, there; the code system is IHE's.
    ("urn:ihe:event-type-code", "ITI-71"),
}


def wrong_codes(event: Resource) -> list[str]:
    """Codes that are not of their binding, or have another display than the official one."""
    found: list[str] = []
    for path, value in _coded(event):
        system, code = value.get("system"), value["code"]
        allowed = _bound(path)
        if system is None:
            bad = code not in {each for _, each in allowed}
        else:
            bad = (system, code) not in allowed | _OUTSIDE | _ours()
        if bad:
            found.append(f"{path}: {system}|{code}")
        elif "display" in value and value["display"] not in _displays(system, code):
            found.append(f"{path}: {code} is not {value['display']!r}")
    return found


def _coded(event: Resource) -> Iterator[tuple[str, Resource]]:
    yield "AuditEvent.type", event["type"]
    for each in event.get("subtype", ()):
        yield "AuditEvent.subtype", each
    for name in ("action", "outcome"):
        yield f"AuditEvent.{name}", {"code": event[name]}
    for each in event.get("purposeOfEvent", ()):
        for coding in each["coding"]:
            yield "AuditEvent.purposeOfEvent", coding
    for agent in event["agent"]:
        for coding in agent.get("type", {}).get("coding", ()):
            yield "AuditEvent.agent.type", coding
        if "network" in agent:
            yield "AuditEvent.agent.network.type", {"code": agent["network"]["type"]}
    for each in event["source"].get("type", ()):
        yield "AuditEvent.source.type", each
    for entity in event.get("entity", ()):
        for name in ("type", "role"):
            if name in entity:
                yield f"AuditEvent.entity.{name}", entity[name]


@functools.cache
def _bound(path: str) -> frozenset[tuple[str, str]]:
    """(system, code) of the value set that the element is bound to."""
    elements = official.package()["StructureDefinition-AuditEvent"]["snapshot"]["element"]
    (binding,) = [each["binding"] for each in elements if each["path"] == path]
    url = binding["valueSet"].partition("|")[0]
    (value_set,) = [each for each in official.resources("ValueSet") if each["url"] == url]
    found: set[tuple[str, str]] = set()
    for include in value_set["compose"]["include"]:
        system = include["system"]
        if "concept" in include:
            found.update((system, concept["code"]) for concept in include["concept"])
        else:
            # Of the filters of these value sets: all of the system, which is more than enough.
            found.update((system, code) for code in _concepts(system))
    return frozenset(found)


@functools.cache
def _concepts(system: str) -> dict[str, Resource]:
    systems = [each for each in official.resources("CodeSystem") if each["url"] == system]
    if system.startswith("https://hyoid.example/"):
        systems = [json.loads(_OURS.read_bytes())]
    found: dict[str, Resource] = {}

    def walk(concepts: list[Resource]) -> None:
        for concept in concepts:
            found[concept["code"]] = concept
            walk(concept.get("concept", []))

    for each in systems:
        walk(each.get("concept", []))
    return found


def _displays(system: str | None, code: str) -> set[str]:
    concept = _concepts(system or "").get(code, {})
    return {concept["display"]} if "display" in concept else set()


@functools.cache
def _ours() -> frozenset[tuple[str, str]]:
    own = json.loads(_OURS.read_bytes())
    return frozenset((own["url"], concept["code"]) for concept in own["concept"])

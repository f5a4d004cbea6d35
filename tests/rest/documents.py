"""What is in a document Bundle, and does it keep the rules? HL7's R4 package, by fhirpathpy."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import fhirpathpy
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.models import models

from tests import official

Resource = dict[str, Any]


def composition_of(document: Resource) -> Resource:
    found: Resource = document["entry"][0]["resource"]
    return found


def walk(value: Any) -> Iterator[Resource]:
    if isinstance(value, dict):
        yield value
        value = list(value.values())
    if isinstance(value, list):
        for item in value:
            yield from walk(item)


def literal(value: Any) -> Iterator[str]:
    """Every literal reference, those to contained resources left out."""
    for holder in walk(value):
        reference = holder.get("reference")
        if isinstance(reference, str) and not reference.startswith("#"):
            yield reference


def invariants(path: str) -> list[tuple[str, str]]:
    definition = official.package()[f"StructureDefinition-{path.partition('.')[0]}"]
    return [
        (rule["key"], rule["expression"])
        for element in definition["snapshot"]["element"]
        if element["path"] == path
        for rule in element.get("constraint", ())
        if rule.get("severity") == "error" and "expression" in rule
    ]


def _has_value(items: list[Any]) -> bool:
    """hasValue() is missing in fhirpathpy."""
    found = [item.data if isinstance(item, ResourceNode) else item for item in items]
    return len(found) == 1 and not isinstance(found[0], dict)


OPTIONS = {"userInvocationTable": {"hasValue": {"fn": _has_value, "arity": {0: []}}}}


def holds(expression: str, node: Any, whole: Resource) -> bool:
    found = fhirpathpy.compile(expression, models["r4"], OPTIONS)(node, {"resource": whole})
    return bool(found == [True])


def assert_rules_of_documents(document: Resource) -> None:
    """The invariants of Bundle and of Composition.section in HL7's R4 package hold."""
    keys = set()
    for key, expression in invariants("Bundle"):
        keys.add(key)
        assert holds(expression, document, document), key
    assert {"bdl-9", "bdl-10", "bdl-11", "bdl-7"} <= keys
    composition = composition_of(document)
    sections = [key for key, _ in invariants("Composition.section")]
    assert {"cmp-1", "cmp-2"} <= set(sections)
    for section in composition["section"]:
        for key, expression in invariants("Composition.section"):
            node = ResourceNode.create_node(section, "Composition.section")
            assert holds(expression, node, composition), (key, section["title"])

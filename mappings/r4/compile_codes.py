"""Which official code systems and value sets does the service answer terminology questions from?

Reads the official package like `compile.py` and writes `code-systems.json` and `value-sets.json`
beside it: every value set that an element of our types is bound to, whatever the strength, if all
its codes are HL7's; of required bindings all others too (media types, currencies), so that they
are known even where they cannot be expanded; a few more that our data use; and every HL7 code
system that these use. Each is a cut of the official resource under the same names of elements.
What belongs to others (LOINC, SNOMED CT, DICOM, ISO) stays out.

    python mappings/r4/compile_codes.py [PACKAGE.tgz] [--into FOLDER]
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from compile import HERE, official_package, read_package, written
from compile_elements import structures_of

from service.standard.registry import EXCHANGE_TYPES, RESOURCE_TYPES

HL7 = ("http://hl7.org/fhir/", "http://terminology.hl7.org/")
ALSO = ("http://hl7.org/fhir/ValueSet/yesnodontknow",)
"""Value sets that our own data use, though no element is bound to them."""
_KEPT_OF_SYSTEM = (
    "resourceType",
    "url",
    "version",
    "name",
    "title",
    "status",
    "copyright",
    "caseSensitive",
    "valueSet",
    "hierarchyMeaning",
    "content",
    "supplements",
    "property",
)
_KEPT_OF_SET = ("resourceType", "url", "version", "name", "title", "status", "copyright", "compose")
_WITHOUT_DEFINITIONS = "http://terminology.hl7.org/CodeSystem/v3-"
"""Long texts about HL7 version 3; the displays of these systems say enough."""

Resource = dict[str, Any]


def compiled(package: dict[str, Resource]) -> dict[str, str]:
    """Both tables by file name, as text."""
    by_url = {resource["url"]: resource for resource in package.values() if "url" in resource}
    sets = _value_sets(package, by_url)
    systems = {url for url in _systems(sets.values()) if _is_held(by_url.get(url))}
    return {
        "code-systems.json": written({url: _system(by_url[url]) for url in sorted(systems)}, 3),
        "value-sets.json": written({url: _cut(sets[url], _KEPT_OF_SET) for url in sorted(sets)}, 1),
    }


def _value_sets(package: dict[str, Resource], by_url: dict[str, Resource]) -> dict[str, Resource]:
    found: dict[str, Resource] = {}
    for url, required in sorted(_bound(package) | {(url, True) for url in ALSO}):
        inside = dict(_included(url, by_url))
        if inside and (required or all(map(_is_hl7, _systems(inside.values())))):
            found |= inside
    return found


def _bound(package: dict[str, Resource]) -> set[tuple[str, bool]]:
    """Value sets that elements are bound to, and whether the binding is required."""
    structures = structures_of(package, RESOURCE_TYPES + EXCHANGE_TYPES)
    return {
        (binding["valueSet"].partition("|")[0], binding["strength"] == "required")
        for structure in structures.values()
        for element in structure["snapshot"]["element"]
        if "valueSet" in (binding := element.get("binding", {}))
    }


def _included(url: str, by_url: dict[str, Resource]) -> Iterator[tuple[str, Resource]]:
    """A value set and those it is made of."""
    resource = by_url.get(url)
    if resource is None or resource["resourceType"] != "ValueSet":
        return
    yield url, resource
    for part in _parts(resource):
        for inner in part.get("valueSet", []):
            yield from _included(inner.partition("|")[0], by_url)


def _parts(value_set: Resource) -> list[Resource]:
    compose: Resource = value_set.get("compose", {})
    return [*compose.get("include", []), *compose.get("exclude", [])]


def _systems(sets: Any) -> set[str]:
    return {part["system"] for resource in sets for part in _parts(resource) if "system" in part}


def _is_hl7(url: str) -> bool:
    return url.startswith(HL7)


def _is_held(resource: Resource | None) -> bool:
    return resource is not None and "concept" in resource and _is_hl7(resource["url"])


def _system(resource: Resource) -> Resource:
    brief = resource["url"].startswith(_WITHOUT_DEFINITIONS)
    kept = _cut(resource, _KEPT_OF_SYSTEM)
    return kept | {"concept": [_concept(concept, brief) for concept in resource["concept"]]}


def _concept(concept: Resource, brief: bool) -> Resource:
    kept = _cut(concept, ("code", "display"))
    if not brief and concept.get("definition") not in (None, concept.get("display")):
        kept["definition"] = concept["definition"]
    kept |= _cut(concept, ("designation", "property"))
    if "concept" in concept:
        kept["concept"] = [_concept(inner, brief) for inner in concept["concept"]]
    return kept


def _cut(resource: Resource, names: tuple[str, ...]) -> Resource:
    return {name: resource[name] for name in names if name in resource}


def main() -> None:
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    arguments.add_argument("package", nargs="?", type=Path)
    arguments.add_argument("--into", type=Path, default=HERE)
    given = arguments.parse_args()
    for name, text in compiled(read_package(given.package or official_package())).items():
        (given.into / name).write_text(text + "\n", "utf-8")
        print(f"{name}: {len(text) + 1} characters")


if __name__ == "__main__":
    main()

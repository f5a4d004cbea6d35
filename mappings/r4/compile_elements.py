"""Which elements, invariants and primitive patterns do the types of the service have?

Part of `compile.py`; source: StructureDefinition.snapshot of the official package.
"""

from __future__ import annotations

from typing import Any

CANONICAL = "http://hl7.org/fhir/StructureDefinition/"
BASES = ("Resource", "DomainResource", "Element", "BackboneElement")
EVERYWHERE = {"ele-1", "ext-1"}
"""Stated on every element again; kept where they belong, on Element and Extension."""


def structures_of(package: dict[str, Any], types: tuple[str, ...]) -> dict[str, dict[str, Any]]:
    """StructureDefinitions of these resource types and of every datatype they use."""
    found: dict[str, dict[str, Any]] = {}
    waiting = [*reversed(types), *BASES]
    while waiting:
        name = waiting.pop()
        if name in found or name.startswith("http:"):
            continue
        found[name] = package[f"StructureDefinition-{name}"]
        for element in found[name]["snapshot"]["element"]:
            waiting += [kind["code"] for kind in element.get("type", [])]
    return dict(sorted(found.items()))


def elements_of(structures: dict[str, Any], overlay: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Own elements by path of their parent; inherited ones are named by `base`."""
    tables: dict[str, dict[str, Any]] = {}
    for name, structure in structures.items():
        if structure["kind"] == "primitive-type":
            continue
        base = structure.get("baseDefinition", "").removeprefix(CANONICAL)
        tables[name] = {"base": base, "elements": {}}
        for element in structure["snapshot"]["element"][1:]:
            parent, _, last = element["path"].rpartition(".")
            if parent != name and parent not in tables:
                holder = _element(structure, parent)
                tables[parent] = {"base": holder["type"][0]["code"], "elements": {}}
            if element["base"]["path"] == element["path"]:
                described = _described(element, structure)
                described |= overlay.get(element["path"], {}).get("change", {})
                tables[parent]["elements"][last] = described
    return tables


def _element(structure: dict[str, Any], path: str) -> dict[str, Any]:
    found: dict[str, Any] = next(
        element for element in structure["snapshot"]["element"] if element["path"] == path
    )
    return found


def _described(element: dict[str, Any], structure: dict[str, Any]) -> dict[str, Any]:
    reference = element.get("contentReference", "").removeprefix("#")
    kinds = _element(structure, reference)["type"] if reference else element["type"]
    described: dict[str, Any] = {
        "types": {_type_code(kind): _targets(kind) for kind in kinds},
        "min": element["min"],
        "max": element["max"],
    }
    codes = {kind["code"] for kind in kinds}
    if reference or codes & {"BackboneElement", "Element"}:
        described["children"] = reference or element["path"]
    profiles = [_last(profile) for kind in kinds for profile in kind.get("profile", [])]
    if profiles:
        described["profile"] = profiles[0]
    binding = _binding(element.get("binding", {}))
    if binding:
        described["binding"] = binding
    if element.get("isSummary"):
        described["summary"] = True
    if element.get("isModifier"):
        described["modifier"] = True
    return described


def _type_code(kind: dict[str, Any]) -> str:
    """FHIR's own name where the package gives one of FHIRPath's system types."""
    for extension in kind.get("extension", []):
        if extension["url"].endswith("structuredefinition-fhir-type"):
            return str(extension["valueUrl"])
    return str(kind["code"])


def _targets(kind: dict[str, Any]) -> list[str]:
    return [_last(profile) for profile in kind.get("targetProfile", [])]


def _last(url: str) -> str:
    return url.removeprefix(CANONICAL)


def _binding(binding: dict[str, Any]) -> str:
    """The value set that must hold: of a required binding, else the greatest one allowed."""
    if binding.get("strength") == "required":
        return str(binding["valueSet"]).partition("|")[0]
    for extension in binding.get("extension", []):
        if extension["url"].endswith("elementdefinition-maxValueSet"):
            return str(extension.get("valueCanonical") or extension["valueUri"])
    return ""


def invariants_of(package: dict[str, Any], structures: dict[str, Any]) -> dict[str, Any]:
    """Keys by path, and what each key says; `ele-1` and `ext-1` only where they belong."""
    said: dict[str, dict[str, str]] = {}
    paths: dict[str, list[str]] = {}
    profile = package["StructureDefinition-SimpleQuantity"]
    for name, structure in [*structures.items(), ("SimpleQuantity", profile)]:
        for element in structure["snapshot"]["element"]:
            path = element["path"] if structure is not profile else name
            if structure is profile and element["path"] != "Quantity":
                continue
            for constraint in element.get("constraint", []):
                if "." in path and constraint["key"] in EVERYWHERE:
                    continue
                paths.setdefault(path, []).append(_kept(constraint, name, said))
    return {"constraints": dict(sorted(said.items())), "paths": dict(sorted(paths.items()))}


def _kept(constraint: dict[str, Any], name: str, said: dict[str, dict[str, str]]) -> str:
    """Where two types use one key for two things, the later one is kept as `key@type`."""
    text = {field: constraint.get(field, "") for field in ("severity", "human", "expression")}
    key = str(constraint["key"])
    if said.setdefault(key, text) != text:
        key = f"{key}@{name}"
        said[key] = text
    return key


def primitives_of(structures: dict[str, Any]) -> dict[str, dict[str, str]]:
    """Primitive datatypes with their base and the pattern of their text."""
    found: dict[str, dict[str, str]] = {}
    for name, structure in structures.items():
        if structure["kind"] != "primitive-type":
            continue
        base = structure["baseDefinition"].removeprefix(CANONICAL)
        found[name] = {"base": base, "pattern": _pattern(structure)}
    return found


def _pattern(structure: dict[str, Any]) -> str:
    for extension in structure["snapshot"]["element"][-1]["type"][0].get("extension", []):
        if extension["url"].endswith("/regex"):
            return str(extension["valueString"])
    return ""

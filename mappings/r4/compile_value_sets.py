"""Which codes does a required binding allow, and of which system are they?

Part of `compile.py`; source: ValueSet.compose and CodeSystem.concept of the official package
(R4, ValueSet, section "Value Set Composition Rules"). A value set is open when a system it
includes is not in the package as a whole: MIME types, languages, units, currencies.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any


class _OpenError(Exception):
    """Not a closed list; `system` is where its codes come from."""

    def __init__(self, system: str) -> None:
        super().__init__(system)
        self.system = system


def bindings_of(package: dict[str, Any], elements: dict[str, Any]) -> dict[str, Any]:
    """`codes` (system → codes) of each value set, or `open` with its system."""
    urls = {
        element["binding"]
        for table in elements.values()
        for element in table["elements"].values()
        if "binding" in element
    }
    by_url = {resource["url"]: resource for resource in package.values() if "url" in resource}
    return {url: _binding(url, by_url) for url in sorted(urls)}


def _binding(url: str, by_url: dict[str, Any]) -> dict[str, Any]:
    if url not in by_url:
        return {"open": ""}
    try:
        pairs = list(dict.fromkeys(_members(by_url[url], by_url)))
    except _OpenError as reason:
        return {"open": reason.system}
    codes: dict[str, list[str]] = {}
    for system, code in pairs:
        codes.setdefault(system, []).append(code)
    return {"codes": codes}


def _members(value_set: dict[str, Any], by_url: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """(system, code) of every member, exclusions taken out."""
    compose = value_set["compose"]
    out = {pair for part in compose.get("exclude", []) for pair in _part(part, by_url)}
    for part in compose["include"]:
        yield from (pair for pair in _part(part, by_url) if pair not in out)


def _part(part: dict[str, Any], by_url: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """One include or exclude: what its system and all its value sets have in common."""
    pairs = list(_of_system(part, by_url)) if "system" in part else None
    for url in part.get("valueSet", []):
        members = list(_members(by_url[url.partition("|")[0]], by_url))
        pairs = members if pairs is None else [pair for pair in pairs if pair in members]
    yield from pairs or []


def _of_system(part: dict[str, Any], by_url: dict[str, Any]) -> Iterator[tuple[str, str]]:
    system = part["system"]
    if "concept" in part:
        yield from ((system, concept["code"]) for concept in part["concept"])
        return
    code_system = by_url.get(system)
    if code_system is None or code_system["content"] != "complete":
        raise _OpenError(system)
    for code, ancestors, properties in _concepts(code_system["concept"], ()):
        if properties.get("notSelectable") is not True and all(
            _passes(rule, code, ancestors, properties) for rule in part.get("filter", [])
        ):
            yield system, code


def _concepts(
    concepts: list[dict[str, Any]], above: tuple[str, ...]
) -> Iterator[tuple[str, tuple[str, ...], dict[str, Any]]]:
    """Every concept with the codes above it (nested, or by `subsumedBy`) and its properties."""
    for concept in concepts:
        properties = {
            entry["code"]: next(value for key, value in entry.items() if key.startswith("value"))
            for entry in concept.get("property", [])
        }
        yield concept["code"], above, properties
        yield from _concepts(concept.get("concept", []), (*above, concept["code"]))


def _passes(
    rule: dict[str, Any], code: str, ancestors: tuple[str, ...], properties: dict[str, Any]
) -> bool:
    value = rule["value"]
    match rule["op"]:
        case "is-a":
            return code == value or value in ancestors
        case "descendent-of":
            return value in ancestors
        case "is-not-a":
            return code != value and value not in ancestors
        case "=":
            return str(properties.get(rule["property"])) == value
    raise _OpenError(str(rule))

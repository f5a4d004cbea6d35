"""What does a concept map say, code by code?

R4: http://hl7.org/fhir/R4/conceptmap.html.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple


class Need(NamedTuple):
    """Another element that a translation depends on, or makes (dependsOn, product)."""

    property: str
    system: str | None
    value: str
    display: str | None


class Target(NamedTuple):
    """One translation of a code. `code` is None where there is none (unmatched)."""

    code: str | None
    display: str | None
    equivalence: str
    comment: str | None
    needs: tuple[Need, ...]
    products: tuple[Need, ...]


class Unmapped(NamedTuple):
    """What becomes of codes that have no entry: `provided`, `fixed` or `other-map`."""

    mode: str
    code: str | None
    display: str | None
    url: str | None


@dataclass(frozen=True, slots=True)
class Group:
    """Entries from one system to another; `displays` are those of the source codes."""

    source: str | None
    source_version: str | None
    target: str | None
    target_version: str | None
    entries: Mapping[str, tuple[Target, ...]]
    displays: Mapping[str, str | None]
    unmapped: Unmapped | None


@dataclass(frozen=True, slots=True)
class ConceptMap:
    """A concept map; `source` and `target` are value sets, without version."""

    url: str
    version: str | None
    source: str | None
    target: str | None
    groups: tuple[Group, ...]


def read_concept_map(resource: Mapping[str, Any]) -> ConceptMap:
    """The map that a ConceptMap resource defines."""
    return ConceptMap(
        resource.get("url") or "",
        resource.get("version"),
        _scope(resource, "source"),
        _scope(resource, "target"),
        tuple(_group(group) for group in resource.get("group") or ()),
    )


def _scope(resource: Mapping[str, Any], end: str) -> str | None:
    url = resource.get(f"{end}Canonical") or resource.get(f"{end}Uri")
    return None if url is None else str(url).partition("|")[0]


def _group(group: Mapping[str, Any]) -> Group:
    entries: dict[str, tuple[Target, ...]] = {}
    displays: dict[str, str | None] = {}
    for element in group.get("element") or ():
        code = element.get("code")
        if code is not None:
            targets = tuple(_target(target) for target in element.get("target") or ())
            entries[code] = entries.get(code, ()) + targets
            displays.setdefault(code, element.get("display"))
    unmapped = group.get("unmapped")
    return Group(
        group.get("source"),
        group.get("sourceVersion"),
        group.get("target"),
        group.get("targetVersion"),
        entries,
        displays,
        None if unmapped is None else _unmapped(unmapped),
    )


def _target(target: Mapping[str, Any]) -> Target:
    return Target(
        target.get("code"),
        target.get("display"),
        str(target.get("equivalence")),
        target.get("comment"),
        tuple(_need(need) for need in target.get("dependsOn") or ()),
        tuple(_need(need) for need in target.get("product") or ()),
    )


def _need(need: Mapping[str, Any]) -> Need:
    return Need(
        str(need.get("property")), need.get("system"), str(need.get("value")), need.get("display")
    )


def _unmapped(unmapped: Mapping[str, Any]) -> Unmapped:
    return Unmapped(
        str(unmapped.get("mode")),
        unmapped.get("code"),
        unmapped.get("display"),
        unmapped.get("url"),
    )

"""Small code systems, value sets and maps to reason about, and shelves to put them on."""

from __future__ import annotations

from typing import Any

from service.standard.terminology.shipped import Shelf

Resource = dict[str, Any]

SWALLOW = "https://made.example/swallow"
SETS = "https://made.example/sets/"


def concept(code: str, *inside: Resource, **properties: Any) -> Resource:
    """A concept called after its code, with boolean, code or string properties."""
    found: Resource = {"code": code, "display": f"The {code}"}
    if properties:
        found["property"] = [_property(name, value) for name, value in properties.items()]
    if inside:
        found["concept"] = list(inside)
    return found


def _property(name: str, value: Any) -> Resource:
    kind = "valueBoolean" if isinstance(value, bool) else "valueString"
    return {"code": name, kind: value}


def code_system(*concepts: Resource, url: str = SWALLOW, **more: Any) -> Resource:
    """A complete code system."""
    return {
        "resourceType": "CodeSystem",
        "url": url,
        "version": "1",
        "name": "Swallow",
        "status": "active",
        "content": "complete",
        "property": [
            {"code": "inactive", "type": "boolean"},
            {"code": "notSelectable", "type": "boolean"},
            {"code": "stage", "type": "string"},
        ],
        "concept": list(concepts),
        **more,
    }


def tree(**more: Any) -> Resource:
    """swallow > oral > (hold, push); swallow > pharyngeal; yawn. `oral` only groups."""
    return code_system(
        concept(
            "swallow",
            concept("oral", concept("hold", stage="first"), concept("push"), notSelectable=True),
            concept("pharyngeal", stage="second"),
        ),
        concept("yawn", inactive=True),
        **more,
    )


def value_set(
    name: str, *include: Resource, exclude: list[Resource] | None = None, **more: Any
) -> Resource:
    """A value set of these includes."""
    compose: Resource = {"include": list(include)}
    if exclude:
        compose["exclude"] = exclude
    compose |= more
    return {
        "resourceType": "ValueSet",
        "url": SETS + name,
        "version": "1",
        "status": "active",
        "compose": compose,
    }


def rule(op: str, value: str, property: str = "concept") -> Resource:
    """An include of the tree's codes that pass a filter."""
    return {"system": SWALLOW, "filter": [{"property": property, "op": op, "value": value}]}


def listed(*codes: str, system: str = SWALLOW) -> Resource:
    """An include of these codes."""
    return {"system": system, "concept": [{"code": code} for code in codes]}


def shelf(*resources: Resource) -> Shelf:
    """A library of the tree and these."""
    return Shelf([tree(), *resources])

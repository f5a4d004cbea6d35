"""Are contained resources held as R4 wants it? (R4, References, section Contained Resources)"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from service.standard.validation.findings import Context, Place

if TYPE_CHECKING:
    from service.standard.validation.fhirpath.compiler import Scope


def is_all_referred_to(resource: Any, scope: Scope) -> bool:
    """Rule dom-3: each contained resource is referred to, or refers to its container."""
    contained = _listed(resource)
    if not contained:
        return True
    named = set(_fragments(resource))
    return all(f"#{held.get('id')}" in named or "#" in _fragments(held) for held in contained)


def has_narrative(resource: Any, scope: Scope) -> bool:
    """Rule dom-6; a contained resource is told by the narrative of its container."""
    text = resource.get("text")
    return scope.resource is not scope.root or (isinstance(text, dict) and "div" in text)


def check_contained(resource: dict[str, Any], place: Place, context: Context) -> None:
    """Ids of contained resources are unique within their container."""
    seen: set[str] = set()
    for index, held in enumerate(_listed(resource)):
        identity = held.get("id")
        if isinstance(identity, str):
            if identity in seen:
                text = f"Two contained resources have the id {identity[:64]!r}"
                context.add("duplicate", text, Place(place, "contained", index))
            seen.add(identity)


def contained_of(resource: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The contained resources by id."""
    if "contained" not in resource:
        return {}
    return {held["id"]: held for held in _listed(resource) if isinstance(held.get("id"), str)}


def _listed(resource: Any) -> list[dict[str, Any]]:
    held = resource.get("contained") if isinstance(resource, dict) else None
    return [each for each in held if isinstance(each, dict)] if isinstance(held, list) else []


def _fragments(value: Any) -> Iterator[str]:
    """Every text in or below `value` that may point into the container."""
    if isinstance(value, dict):
        for each in value.values():
            yield from _fragments(each)
    elif isinstance(value, list):
        for each in value:
            yield from _fragments(each)
    elif isinstance(value, str) and value.startswith("#"):
        yield value

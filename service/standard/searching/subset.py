"""What is left of a resource for `_summary` and `_elements`?

R4 search page, #summary and #elements. What is cut is tagged SUBSETTED, so that nobody takes it
for the whole.
"""

from __future__ import annotations

from typing import Any

from service.standard.definitions import Element, definitions
from service.standard.searching.query import Shape

TAG = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
    "code": "SUBSETTED",
    "display": "subsetted",
}
_ALWAYS = frozenset({"resourceType", "id", "meta", "implicitRules", "modifierExtension"})

Resource = dict[str, Any]


def cuts(shape: Shape) -> bool:
    """Whether resources are cut at all."""
    return shape.summary in ("true", "text", "data") or bool(shape.elements)


def subset(resource: Resource, shape: Shape, *, match: bool = True) -> Resource:
    """The wanted part of a resource; `_elements` is for matches, `_summary` for all."""
    type_ = resource["resourceType"]
    kept = resource
    if shape.summary == "true":
        kept = _summary(type_, resource)
    elif shape.summary == "text":
        kept = _top(type_, resource, frozenset({"text"}))
    elif shape.summary == "data":
        kept = {name: value for name, value in resource.items() if name != "text"}
    if shape.elements and match:
        kept = _top(type_, kept, frozenset(shape.elements))
    return resource if kept is resource else _tagged(kept)


def _top(type_: str, resource: Resource, wanted: frozenset[str]) -> Resource:
    """Wanted and mandatory elements of the top level."""
    elements = definitions().elements(type_)

    def keep(name: str) -> bool:
        element = elements.get(name.removeprefix("_"))
        if name in _ALWAYS or element is None:
            return name in _ALWAYS
        return element.min > 0 or element.name in wanted or element.choice in wanted

    return {name: value for name, value in resource.items() if keep(name)}


def _summary(path: str, part: Resource) -> Resource:
    """Elements marked as summary, those that are mandatory, and the same within them."""
    elements = definitions().elements(path)
    kept: Resource = {}
    for name, value in part.items():
        element = elements.get(name.removeprefix("_"))
        if name in _ALWAYS:
            kept[name] = value
        elif element is not None and (element.summary or element.min > 0):
            kept[name] = _below(element, value)
    return kept


def _below(element: Element, value: Any) -> Any:
    """Backbone elements are cut further, datatypes are whole."""
    if element.type != "BackboneElement":
        return value
    if isinstance(value, list):
        return [_below(element, one) for one in value]
    return _summary(element.children, value) if isinstance(value, dict) else value


def _tagged(resource: Resource) -> Resource:
    meta = resource.get("meta", {})
    meta = meta | {"tag": [*meta.get("tag", ()), TAG]}
    head = {name: resource[name] for name in ("resourceType", "id") if name in resource}
    return head | {"meta": meta} | {k: v for k, v in resource.items() if k not in (*head, "meta")}

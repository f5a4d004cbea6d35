"""Which values does an element have in this object, and does one equal what is fixed?

R4: ElementDefinition.fixed[x] ("exactly"), .pattern[x] ("must contain at least"), JSON
representation of choices and of primitives with extensions.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Any, NamedTuple

from service.standard.definitions import Element
from service.standard.profiles.shapes import Shapes, elements_named
from service.standard.validation.findings import Place


class Item(NamedTuple):
    """One value of an element. `value` is None where a primitive has extensions only.

    `beside` is the object with id and extensions of a primitive.
    """

    value: Any
    beside: Any
    type: str
    shapes: Shapes
    place: Place


def items_of(value: Any, shapes: Shapes, name: str, place: Place) -> list[Item]:
    """The repetitions of an element in an object, under whichever type of its choice."""
    if not isinstance(value, dict):
        return []
    return [item for e in elements_named(shapes, name) for item in _of(value, e, place)]


def _of(value: dict[str, Any], element: Element, place: Place) -> Iterator[Item]:
    held, beside = value.get(element.name), value.get(f"_{element.name}")
    label = element.choice or element.name
    if not element.repeats:
        if held is not None or beside is not None:
            yield _item(held, beside, element, Place(place, label))
        return
    values = held if isinstance(held, list) else []
    others = beside if isinstance(beside, list) else []
    for index in range(max(len(values), len(others))):
        one = values[index] if index < len(values) else None
        other = others[index] if index < len(others) else None
        if one is not None or other is not None:
            yield _item(one, other, element, Place(place, label, index))


def _item(value: Any, beside: Any, element: Element, place: Place) -> Item:
    kind, children = element.type, element.children
    if children == "Resource" and isinstance(value, dict):
        kind = children = str(value.get("resourceType"))
    return Item(value, beside, kind, frozenset({children or "Element"}), place)


def equals(value: Any, fixed: Any) -> bool:
    """Whether a value is just this one, nothing more."""
    if isinstance(fixed, dict):
        return (
            isinstance(value, dict)
            and value.keys() == fixed.keys()
            and all(equals(value[name], fixed[name]) for name in fixed)
        )
    if isinstance(fixed, list):
        return (
            isinstance(value, list) and len(value) == len(fixed) and all(map(equals, value, fixed))
        )
    return _same(value, fixed)


def contains(value: Any, pattern: Any) -> bool:
    """Whether a value has everything that the pattern has."""
    if isinstance(pattern, dict):
        return isinstance(value, dict) and all(
            name in value and contains(value[name], wanted) for name, wanted in pattern.items()
        )
    if isinstance(pattern, list):
        return isinstance(value, list) and all(
            any(contains(each, wanted) for each in value) for wanted in pattern
        )
    return _same(value, pattern)


def _same(value: Any, wanted: Any) -> bool:
    if isinstance(wanted, bool) or isinstance(value, bool):
        return value is wanted
    if isinstance(wanted, int | Decimal) and isinstance(value, int | Decimal):
        return value == wanted
    return type(value) is type(wanted) and bool(value == wanted)

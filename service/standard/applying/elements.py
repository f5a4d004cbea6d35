"""How is a value put at a simple path? For the dynamic values of definitions.

R4: PlanDefinition.action.dynamicValue.path, ElementDefinition "simple path": element names, with
an index where an element repeats (`bodySite[0].text`); no functions.
"""

from __future__ import annotations

import re
from typing import Any

from service.errors import NotSupported
from service.standard.definitions import Element, definitions

Resource = dict[str, Any]

_STEP = re.compile(r"([A-Za-z][A-Za-z0-9]{0,63})(?:\[([0-9]{1,2})\])?")
_MOST_STEPS = 12


def put(resource: Resource, path: str, values: list[Any], where: str) -> None:
    """Set the element at `path`, or take it away where there is no value.

    Raises NotSupported for a path that is not simple, or leads to no element of the type.
    """
    kind = resource["resourceType"]
    steps = path.removeprefix(f"{kind}.").split(".")
    if len(steps) > _MOST_STEPS:
        raise _unusable(path, where)
    _put(resource, kind, steps, values, path, where)


def _put(
    holder: Resource, shape: str, steps: list[str], values: list[Any], path: str, where: str
) -> None:
    match = _STEP.fullmatch(steps[0])
    name = match[1] if match else ""
    element = definitions().elements(shape).get(name)
    if match is None or element is None:
        raise _unusable(path, where)
    index = int(match[2]) if match[2] else None
    if len(steps) == 1:
        _set(holder, element, index, values, path, where)
        return
    if not element.children:
        raise _unusable(path, where)
    inner = _inner(holder, element, index or 0, path, where)
    _put(inner, element.children, steps[1:], values, path, where)


def _set(
    holder: Resource, element: Element, index: int | None, values: list[Any], path: str, where: str
) -> None:
    if not values:
        holder.pop(element.name, None)
    elif not element.repeats:
        if index or len(values) > 1:
            raise _unusable(path, where)
        holder[element.name] = values[0]
    elif index is None:
        holder[element.name] = list(values)
    else:
        held = holder.setdefault(element.name, [])
        if index > len(held) or len(values) > 1:
            raise _unusable(path, where)
        held[index : index + 1] = values


def _inner(holder: Resource, element: Element, index: int, path: str, where: str) -> Resource:
    if not element.repeats:
        inner: Resource = holder.setdefault(element.name, {})
        return inner
    held = holder.setdefault(element.name, [])
    if index > len(held):
        raise _unusable(path, where)
    if index == len(held):
        held.append({})
    found: Resource = held[index]
    return found


def _unusable(path: str, where: str) -> NotSupported:
    return NotSupported(f"{path[:120]!r} is no simple path to one place", expression=where)

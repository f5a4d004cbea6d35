"""What does one operation of a FHIRPath Patch ask for?

R4, FHIRPath Patch: a Parameters resource whose parameters `operation` have the parts `type`,
`path`, `name`, `value`, `index`, `source`, `destination`. A value is `value[x]`, a resource, or,
for backbone elements, parts named after the children.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from service.errors import Malformed
from service.standard.definitions import Element, definitions
from service.standard.patching._places import Content, read_all, write_all, write_one

_NEEDED = {
    "add": ("path", "name", "value"),
    "insert": ("path", "value", "index"),
    "delete": ("path",),
    "replace": ("path", "value"),
    "move": ("path", "source", "destination"),
}
_TEXTS = ("type", "path", "name")
_NUMBERS = ("index", "source", "destination")
_SHOWN = 40


class ValueFaultError(ValueError):
    """The value does not fit where it is to go."""


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation, read; `value` is the part that holds it. `at` is its place in Parameters."""

    at: str
    type: str
    path: str
    name: str
    value: Mapping[str, Any]
    numbers: Mapping[str, int]


def read_operation(parameter: Any, at: str) -> Operation:
    """The operation that a parameter of the patch describes. Raises Malformed."""
    if not isinstance(parameter, dict) or parameter.get("name") != "operation":
        raise Malformed("A patch has parameters named operation only", expression=at)
    parts = parameter.get("part")
    if not isinstance(parts, list):
        raise Malformed("An operation needs parts", code="required", expression=f"{at}.part")
    found: dict[str, Any] = {}
    for index, part in enumerate(parts):
        where = f"{at}.part[{index}]"
        name, value = _read_part(part, where)
        if name in found:
            raise Malformed(f"The part {name} is there twice", expression=where)
        found[name] = value
    kind = found.get("type")
    if kind not in _NEEDED:
        text = f"The type of an operation is one of {', '.join(_NEEDED)}"
        raise Malformed(text, code="required" if kind is None else "value", expression=at)
    for name in _NEEDED[kind]:
        if name not in found:
            raise Malformed(f"{kind} needs the part {name}", code="required", expression=at)
    return Operation(
        at=at,
        type=kind,
        path=found["path"],
        name=found.get("name", ""),
        value=found.get("value", {}),
        numbers={name: found[name] for name in _NUMBERS if name in found},
    )


def _read_part(part: Any, where: str) -> tuple[str, Any]:
    name = part.get("name") if isinstance(part, dict) else None
    if name == "value":
        return name, part
    if name not in (*_TEXTS, *_NUMBERS):
        raise Malformed(f"A patch has no part {str(name)[:_SHOWN]!r}", expression=where)
    values = [value for key, value in part.items() if key.startswith("value")]
    value = values[0] if len(values) == 1 else None
    if name in _TEXTS:
        if not isinstance(value, str):
            raise Malformed(f"The part {name} must be one text", code="value", expression=where)
    elif not isinstance(value, int) or isinstance(value, bool) or value < 0:
        text = f"The part {name} must be a whole number from 0"
        raise Malformed(text, code="value", expression=where)
    return name, value


def content_of(part: Mapping[str, Any], name: str, definition: str) -> tuple[Element, Content]:
    """The element called `name` below `definition`, and its new content from this part.

    The name of a choice goes with the type of the value: `value` and valueQuantity give the
    element `valueQuantity`. Raises ValueFaultError.
    """
    suffix, value, twin = _value_of(part)
    element = _element(name, suffix, definition)
    if suffix:
        content = Content(copy.deepcopy(value), copy.deepcopy(twin))
    elif "resource" in part:
        content = Content(copy.deepcopy(part["resource"]))
    else:
        content = Content(_built(part["part"], element.children))
    if content.empty:
        raise ValueFaultError(f"The value of {name[:_SHOWN]} is empty")
    return element, content


def _value_of(part: Mapping[str, Any]) -> tuple[str, Any, Any]:
    """The type of value[x] as it stands in the name, the value, and its twin."""
    keys = [key for key in part if key.lstrip("_").startswith("value")]
    names = {key.removeprefix("_") for key in keys}
    others = [key for key in ("resource", "part") if key in part]
    if len(names) + len(others) != 1:
        raise ValueFaultError("A value is one of value[x], resource and part")
    if others:
        return "", None, None
    name = names.pop()
    return name.removeprefix("value"), part.get(name), part.get("_" + name)


def _element(name: str, suffix: str, definition: str) -> Element:
    elements = definitions().elements(definition)
    if name in elements:
        return elements[name]
    choices = [element for element in elements.values() if element.choice == name]
    for element in choices:
        if suffix and element.name == name + suffix:
            return element
    if choices:
        allowed = ", ".join(element.type for element in choices[:12])
        raise ValueFaultError(f"{name} has one of the types {allowed}")
    raise ValueFaultError(f"{definition or 'This'} has no element {name[:_SHOWN]!r}")


def _built(parts: Any, definition: str) -> dict[str, Any]:
    """An element without a type of its own, from the parts named after its children."""
    if not isinstance(parts, list):
        raise ValueFaultError("part must be a list")
    built: dict[str, Any] = {}
    for part in parts:
        name = part.get("name") if isinstance(part, dict) else None
        if not isinstance(name, str):
            raise ValueFaultError("A part needs a name")
        element, content = content_of(part, name, definition)
        append(built, definition, element, content)
    return built


def append(holder: dict[str, Any], definition: str, element: Element, content: Content) -> None:
    """Adds an element to those of its name; one that does not repeat must be absent."""
    if element.repeats:
        write_all(holder, element.name, [*read_all(holder, element.name), content])
        return
    for name, other in definitions().elements(definition).items():
        same = name == element.name or (element.choice and other.choice == element.choice)
        if same and (name in holder or "_" + name in holder):
            raise ValueFaultError(f"{element.choice or name} does not repeat, and is there")
    write_one(holder, element.name, content)

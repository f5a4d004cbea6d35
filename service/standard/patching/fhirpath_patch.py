"""What does a resource look like after a FHIRPath Patch?

R4 page: FHIRPath Patch. The paths are read by `_grammar.py` and followed by `_paths.py`; what
an operation may say is in `_parts.py`, how an element is changed in `_places.py`.

Where the page leaves room: `insert` and `move` need a list that is there ("it is an error if no
element matches"); `move` takes the element out first, so `destination` counts without it; a
`replace` with another type of a choice replaces `valueQuantity` by `valueString`; `delete` takes
away every owner that it leaves empty.
"""

from __future__ import annotations

import copy
from typing import Any

from service.errors import HyoidError, Invalid, Malformed, TooCostly
from service.standard.codec import MAX_BYTES, MAX_DEPTH
from service.standard.definitions import Element, definitions
from service.standard.patching._grammar import Expression, PathFaultError, is_plain, parse
from service.standard.patching._identity import check_identity
from service.standard.patching._parts import (
    Operation,
    ValueFaultError,
    append,
    content_of,
    read_operation,
)
from service.standard.patching._paths import NoPlaceError, TooLongError, Walk
from service.standard.patching._places import (
    Content,
    Place,
    inner_for_more,
    put,
    read_all,
    remove,
    write_all,
)
from service.standard.patching._size import measure

MAX_OPERATIONS = 1_000


def apply_fhirpath_patch(resource: dict[str, Any], parameters: Any) -> dict[str, Any]:
    """The patched resource; neither the resource nor the parameters are changed.

    Raises Malformed (400) for what is no FHIRPath Patch or has a path that cannot be read,
    Invalid (422) for an operation that cannot be done here, TooCostly for too many. The
    `expression` names the operation: `Parameters.parameter[2]`.
    """
    operations = _read(parameters)
    patched = copy.deepcopy(resource)
    walk = Walk(patched)
    for operation in operations:
        try:
            _DO[operation.type](walk, operation, parse(operation.path))
        except HyoidError:
            raise
        except PathFaultError as fault:
            raise Malformed(_text(operation, fault), expression=operation.at) from None
        except TooLongError as fault:
            raise TooCostly(_text(operation, fault), expression=operation.at) from None
        except (NoPlaceError, ValueFaultError) as fault:
            raise Invalid(
                _text(operation, fault), code="processing", status=422, expression=operation.at
            ) from None
    return check_identity(resource, patched)


def question_in(parameters: Any) -> str | None:
    """Where a FHIRPath Patch asks what is stored: the first operation whose path has a function,
    as `where(…)` is; None where nothing does. A path that cannot be read asks nothing.

    Raises Malformed for what is no FHIRPath Patch.
    """
    for operation in _read(parameters):
        try:
            if not is_plain(parse(operation.path)):
                return operation.at
        except PathFaultError:
            continue
    return None


def _read(parameters: Any) -> list[Operation]:
    if not isinstance(parameters, dict) or parameters.get("resourceType") != "Parameters":
        raise Malformed("A FHIRPath Patch is a Parameters resource", expression="Parameters")
    found = parameters.get("parameter", [])
    if not isinstance(found, list):
        raise Malformed("parameter must be a list", expression="Parameters.parameter")
    if len(found) > MAX_OPERATIONS:
        text = f"{len(found)} operations; {MAX_OPERATIONS} are allowed"
        raise TooCostly(text, expression=f"Parameters.parameter[{MAX_OPERATIONS}]")
    return [
        read_operation(parameter, f"Parameters.parameter[{index}]")
        for index, parameter in enumerate(found)
    ]


def _text(operation: Operation, fault: Exception) -> str:
    return f"{operation.type} at {operation.path[:200]}: {fault}"


def _add(walk: Walk, operation: Operation, path: Expression) -> None:
    place = _one(walk.places(path))
    element, content = content_of(operation.value, operation.name, place.definition)
    _check_size(content, place.depth + 2)
    append(inner_for_more(place), place.definition, element, content)


def _insert(walk: Walk, operation: Operation, path: Expression) -> None:
    owner, element, found = _list(walk, path)
    name = element.choice or element.name
    _element, content = content_of(operation.value, name, owner.definition)
    _check_size(content, owner.depth + 2)
    at = operation.numbers["index"]
    if at > len(found):
        raise NoPlaceError(f"index {at} is past the end, there are {len(found)}")
    found.insert(at, content)
    write_all(owner.inner, element.name, found)


def _move(walk: Walk, operation: Operation, path: Expression) -> None:
    owner, element, found = _list(walk, path)
    for name in ("source", "destination"):
        at = operation.numbers[name]
        if at >= len(found):
            raise NoPlaceError(f"{name} {at} is past the end, there are {len(found)}")
    found.insert(operation.numbers["destination"], found.pop(operation.numbers["source"]))
    write_all(owner.inner, element.name, found)


def _replace(walk: Walk, operation: Operation, path: Expression) -> None:
    place = _one(walk.places(path))
    if place.owner is None:
        raise NoPlaceError("a whole resource is replaced by an update, not by a patch")
    name = (place.element.choice or place.key) if place.element else place.key
    element, content = content_of(operation.value, name, place.owner.definition)
    _check_size(content, place.depth)
    put(place, content, element.name)


def _delete(walk: Walk, operation: Operation, path: Expression) -> None:
    found = walk.places(path)
    if not found:
        return
    place = _one(found)
    if place.owner is None:
        raise NoPlaceError("a whole resource is deleted by a delete, not by a patch")
    remove(place)


_DO = {
    "add": _add,
    "insert": _insert,
    "delete": _delete,
    "replace": _replace,
    "move": _move,
}


def _one(found: list[Place]) -> Place:
    if len(found) != 1:
        raise NoPlaceError(f"the path leads to {len(found) or 'no'} elements, not to one")
    return found[0]


def _list(walk: Walk, path: Expression) -> tuple[Place, Element, list[Content]]:
    """The owner of the list at this path, the definition of its elements, and the elements."""
    owners, name = walk.owner(path)
    owner = _one(owners)
    element = definitions().elements(owner.definition).get(name)
    if element is None or not element.repeats:
        raise NoPlaceError(f"{owner.text} has no list {name[:40]!r}")
    found = read_all(owner.inner, name)
    if not found:
        raise NoPlaceError("the path leads to no elements")
    return owner, element, found


def _check_size(content: Content, depth: int) -> None:
    for part in content:
        if measure(part, MAX_DEPTH - depth, MAX_BYTES) is None:
            raise TooLongError("the result would be nested too deep")

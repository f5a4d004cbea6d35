"""What does a resource look like after a JSON Patch?

RFC 6902 (JSON Patch) over RFC 6901 (JSON Pointer), as R4, RESTful API, section patch, asks.
The operations are the jsonpatch library's; here they are refused with their number, kept from
growing a resource without bound, and kept from changing what resource it is.

An empty list or object that an operation leaves is not tidied away: RFC 6902 does not, and
validation refuses it by name.
"""

from __future__ import annotations

import copy
from typing import Any

from jsonpatch import (
    InvalidJsonPatch,
    JsonPatch,
    JsonPatchException,
    JsonPatchPathNotFound,
    JsonPatchTestFailed,
    JsonPointer,
    JsonPointerException,
)

from service.errors import HyoidError, Invalid, Malformed, TooCostly
from service.standard.codec import MAX_BYTES, MAX_DEPTH
from service.standard.patching._identity import check_identity
from service.standard.patching._size import measure

MAX_OPERATIONS = 2_000

_MEMBERS = {
    "add": ("path", "value"),
    "remove": ("path",),
    "replace": ("path", "value"),
    "move": ("path", "from"),
    "copy": ("path", "from"),
    "test": ("path", "value"),
}
_SHOWN = 200


def apply_json_patch(resource: dict[str, Any], operations: Any) -> dict[str, Any]:
    """The patched resource; neither the resource nor the operations are changed.

    Raises Malformed (400) for what is no JSON Patch, Invalid (422) for an operation that
    cannot be applied or a `test` that fails, TooCostly for too many or too large ones.
    `location` names the operation, counted from 0: `patch[3]`.
    """
    if not isinstance(operations, list):
        raise Malformed("A JSON Patch must be a list of operations", location="patch")
    if len(operations) > MAX_OPERATIONS:
        text = f"{len(operations)} operations; {MAX_OPERATIONS} are allowed"
        raise TooCostly(text, location=f"patch[{MAX_OPERATIONS}]")
    steps = [_read(operation, index) for index, operation in enumerate(operations)]
    patched: Any = copy.deepcopy(resource)
    room = MAX_BYTES
    for index, (operation, step) in enumerate(zip(operations, steps, strict=True)):
        room -= _weight(patched, operation, index, room)
        try:
            patched = step.apply(patched, in_place=True)
        except (JsonPatchException, JsonPointerException) as error:
            raise _refused(operation, index, error) from None
    return check_identity(resource, patched)


def question_in(operations: Any) -> str | None:
    """Where a JSON Patch asks what is stored: the first `test`; None where nothing does."""
    for index, operation in enumerate(operations if isinstance(operations, list) else ()):
        if isinstance(operation, dict) and operation.get("op") == "test":
            return f"patch[{index}]"
    return None


def _read(operation: Any, index: int) -> JsonPatch:
    """One operation as the library holds it, or Malformed."""
    if not isinstance(operation, dict):
        raise Malformed("An operation must be an object", location=f"patch[{index}]")
    op = operation.get("op")
    needed = _MEMBERS.get(op) if isinstance(op, str) else None
    if needed is None:
        text = f"op must be one of {', '.join(_MEMBERS)}"
        raise Malformed(text, location=f"patch[{index}].op")
    for name in needed:
        where = f"patch[{index}].{name}"
        if name not in operation:
            raise Malformed(f"{op} needs {name}", location=where)
        if name != "value":
            _check_pointer(operation[name], where)
    try:
        return JsonPatch([operation])
    except InvalidJsonPatch as error:
        raise Malformed(str(error)[:_SHOWN], location=f"patch[{index}]") from None


def _check_pointer(pointer: Any, where: str) -> None:
    if not isinstance(pointer, str):
        raise Malformed("A JSON Pointer must be a string", location=where)
    try:
        JsonPointer(pointer)
    except JsonPointerException as error:
        raise Malformed(str(error)[:_SHOWN], location=where) from None


def _weight(document: Any, operation: dict[str, Any], index: int, room: int) -> int:
    """Roughly how many bytes this operation copies or moves.

    Without a limit, thirty operations that copy a list into itself fill the memory, and
    moving things into each other nests deeper than can be read back.
    """
    op, path = operation["op"], operation["path"]
    if op in ("remove", "test"):
        return 0
    moved = operation.get("value")
    if op in ("copy", "move"):
        try:
            moved = JsonPointer(operation["from"]).resolve(document, None)
        except JsonPointerException as error:
            raise _refused(operation, index, error) from None
    depth = MAX_DEPTH - path.count("/")
    size = measure(moved, depth, room)
    if size is None:
        text = "The result would be too large or nested too deep"
        raise TooCostly(text, location=f"patch[{index}]")
    return size if op in ("copy", "move") else 0


def _refused(operation: dict[str, Any], index: int, error: Exception) -> HyoidError:
    op, path = operation["op"], operation["path"]
    if isinstance(error, JsonPatchTestFailed):
        why = "the value there is another one, or there is none"
    elif isinstance(error, JsonPatchPathNotFound):
        why = f"there is nothing at {operation['from'] if op in ('copy', 'move') else path}"
    elif isinstance(error, JsonPointerException):
        why = "there is no such place"
    else:
        why = str(error)
    text = f"{op} {path[:_SHOWN]} cannot be done: {why[:_SHOWN]}"
    return Invalid(text, code="processing", status=422, location=f"patch[{index}]")

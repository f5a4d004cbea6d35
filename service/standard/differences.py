"""What changed between two versions of a resource?

The differences are operations in the form of JSON Patch (RFC 6902: add, remove, replace) that
turn the old version into the new one, each with a sentence for people. Items of a list are
matched by what they have in common, so that an item put in front is one addition and not a
change of all others.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from service.standard.codec import encode, same

_MAX_COMPARED = 250_000
_LEAST_LIKENESS = 0.5
_SHOWN = 80


@dataclass(frozen=True, slots=True)
class Operation:
    """One change; `path` is a JSON Pointer that holds when the earlier ones are done.

    `old` is None for an addition, `new` for a removal.
    """

    op: Literal["add", "remove", "replace"]
    path: str
    old: Any
    new: Any
    text: str


def differences(old: dict[str, Any], new: dict[str, Any]) -> list[Operation]:
    """The changes from one version to the other; none where they are `codec.same`."""
    return list(_of_objects(old, new, ()))


_Path = tuple[str | int, ...]
_Leaf = tuple[str, bytes]


def _of_values(old: Any, new: Any, path: _Path) -> Iterator[Operation]:
    if same(old, new):
        return
    if isinstance(old, dict) and isinstance(new, dict):
        yield from _of_objects(old, new, path)
    elif isinstance(old, list) and isinstance(new, list):
        yield from _of_lists(old, new, path)
    else:
        yield _operation("replace", path, old, new)


def _of_objects(old: dict[str, Any], new: dict[str, Any], path: _Path) -> Iterator[Operation]:
    for name, value in old.items():
        if name not in new:
            yield _operation("remove", (*path, name), value, None)
    for name, value in new.items():
        if name in old:
            yield from _of_values(old[name], value, (*path, name))
        else:
            yield _operation("add", (*path, name), None, value)


def _of_lists(old: list[Any], new: list[Any], path: _Path) -> Iterator[Operation]:
    """From left to right: what lies left of an index has its new form already."""
    i = j = 0
    for next_i, next_j in [*_pairs(old, new), (len(old), len(new))]:
        while i < next_i or j < next_j:
            if i < next_i and j < next_j:
                yield _operation("replace", (*path, j), old[i], new[j])
            elif i < next_i:
                yield _operation("remove", (*path, j), old[i], None)
            else:
                yield _operation("add", (*path, j), None, new[j])
            j += j < next_j
            i += i < next_i
        if i < len(old) and j < len(new):
            yield from _of_values(old[i], new[j], (*path, j))
            i, j = i + 1, j + 1


def _pairs(old: list[Any], new: list[Any]) -> list[tuple[int, int]]:
    """Indexes of items that are the same one in both, in rising order."""
    start = 0
    while start < min(len(old), len(new)) and same(old[start], new[start]):
        start += 1
    end = 0
    while end < min(len(old), len(new)) - start and same(old[-1 - end], new[-1 - end]):
        end += 1
    middle = _aligned(old[start : len(old) - end], new[start : len(new) - end])
    return [
        *((at, at) for at in range(start)),
        *((start + i, start + j) for i, j in middle),
        *((len(old) - at, len(new) - at) for at in range(end, 0, -1)),
    ]


def _aligned(old: list[Any], new: list[Any]) -> list[tuple[int, int]]:
    """The pairs, in rising order, that have the most in common (Needleman and Wunsch, 1970).

    Where that would take long they are paired by position: right as well, if less short.
    """
    olds, news = [_leaves(item) for item in old], [_leaves(item) for item in new]
    if len(news) * sum(map(len, olds)) > _MAX_COMPARED:
        return [(at, at) for at in range(min(len(old), len(new)))]
    alike = [[_likeness(a, b) for b in news] for a in olds]
    best = [[0.0] * (len(new) + 1) for _ in range(len(old) + 1)]
    for i in range(len(old) - 1, -1, -1):
        for j in range(len(new) - 1, -1, -1):
            paired = best[i + 1][j + 1] + alike[i][j]
            best[i][j] = max(paired, best[i + 1][j], best[i][j + 1])
    found = []
    i = j = 0
    while i < len(old) and j < len(new):
        if alike[i][j] and best[i][j] == best[i + 1][j + 1] + alike[i][j]:
            found.append((i, j))
            i, j = i + 1, j + 1
        elif best[i][j] == best[i + 1][j]:
            i += 1
        else:
            j += 1
    return found


def _likeness(a: frozenset[_Leaf], b: frozenset[_Leaf]) -> float:
    """How much two items have in common (Dice, 1945); less than half counts as nothing."""
    shared = 2 * len(a & b) / (len(a) + len(b))
    return shared if shared >= _LEAST_LIKENESS else 0.0


def _leaves(value: Any) -> frozenset[_Leaf]:
    """The values in an item with the names that lead to them; positions do not count."""
    found: set[_Leaf] = set()
    stack: list[tuple[str, Any]] = [("", value)]
    while stack:
        path, inner = stack.pop()
        if isinstance(inner, dict) and inner:
            stack.extend((f"{path}/{name}", item) for name, item in inner.items())
        elif isinstance(inner, list) and inner:
            stack.extend((path, item) for item in inner)
        else:
            found.add((path, encode(inner)))
    return frozenset(found)


def _operation(
    op: Literal["add", "remove", "replace"], path: _Path, old: Any, new: Any
) -> Operation:
    pointer = "".join("/" + str(step).replace("~", "~0").replace("/", "~1") for step in path)
    place = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)[1:]
    text = {
        "add": f"{place} added: {_said(new)}",
        "remove": f"{place} removed: {_said(old)}",
        "replace": f"{place} changed from {_said(old)} to {_said(new)}",
    }[op]
    return Operation(op, pointer, old, new, text)


def _said(value: Any) -> str:
    """A value for people: what an element calls itself, else its JSON, not too long."""
    found = _name(value) or encode(value).decode()
    return found if len(found) <= _SHOWN else found[: _SHOWN - 1] + "…"


def _name(value: Any) -> str:
    if isinstance(value, str):
        return value
    if not isinstance(value, dict):
        return ""
    for name in ("text", "display", "description", "title", "reference", "name"):
        if isinstance(value.get(name), str):
            return str(value[name])
    if "value" in value and isinstance(value.get("unit", value.get("code")), str):
        return f"{encode(value['value']).decode()} {value.get('unit', value.get('code'))}"
    if isinstance(value.get("coding"), list) and value["coding"]:
        return _name(value["coding"][0]) or str(value["coding"][0])
    return ""

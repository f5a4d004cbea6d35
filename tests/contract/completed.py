"""The official examples as far as the repository has them, with what they must have and lost.

`tests/conformance/examples/SOURCE.md` tells what was lost on the way: references, contained
resources, most narrative. A stand-in is put wherever the definitions ask for an element.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from service.standard.codec import decode
from service.standard.definitions import definitions
from service.standard.registry import RESOURCE_TYPES
from tests.contract.asked import Resource

_EXAMPLES = Path(__file__).parent.parent / "conformance" / "examples"
_LOST = {"display": "not in the source of this example"}
_NARRATIVE = '<div xmlns="http://www.w3.org/1999/xhtml">not in the source of this example</div>'


def completed() -> Iterator[tuple[str, Resource]]:
    """Every example with its file name, numbers as they are written there."""
    for name in RESOURCE_TYPES:
        path = _EXAMPLES / f"{name}.ndjson"
        for line in path.read_bytes().splitlines() if path.exists() else ():
            told = decode(line)
            _complete(told["resource"], name)
            yield told["file"], told["resource"]


def _complete(value: Resource, path: str) -> None:
    elements = definitions().elements(path)
    for name, element in elements.items():
        names = {e.name for e in elements.values() if element.choice and e.choice == element.choice}
        if element.min and not (names or {name}) & {key.removeprefix("_") for key in value}:
            lost = _stand_in(element.type, name, value)
            if lost is not None:
                value[name] = [lost] if element.repeats else lost
    if path == "Appointment.participant" and not {"type", "actor"} & set(value):
        value["actor"] = _LOST
    for name, child in list(value.items()):
        held = elements.get(name)
        for each in child if isinstance(child, list) else [child]:
            if held is not None and held.children and isinstance(each, dict):
                _complete(each, held.children)


def _stand_in(kind: str, name: str, value: Resource) -> Any:
    if kind == "Reference":
        return dict(_LOST)
    if kind == "xhtml":
        return _NARRATIVE
    if name == "linkId":
        return f"lost-{id(value)}"
    if name in ("valueString", "source"):
        return "not in the source" if kind == "string" else {"observer": dict(_LOST)}
    return None

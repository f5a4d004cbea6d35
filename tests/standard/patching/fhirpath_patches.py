"""Small FHIRPath Patches and what they are applied to."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from service.errors import HyoidError
from service.standard.patching.fhirpath_patch import apply_fhirpath_patch

TYPES = {
    "type": "valueCode",
    "path": "valueString",
    "name": "valueString",
    "index": "valueInteger",
    "source": "valueInteger",
    "destination": "valueInteger",
}


def part(name: str, **content: Any) -> dict[str, Any]:
    return {"name": name, **content}


def op(type_: str, path: str, **more: Any) -> dict[str, Any]:
    """An operation; `value` is a dict like {"valueCode": "x"} or a list of parts."""
    parts = [part("type", valueCode=type_), part("path", valueString=path)]
    for name, value in more.items():
        if name != "value":
            parts.append({"name": name, TYPES[name]: value})
        elif isinstance(value, list):
            parts.append({"name": "value", "part": value})
        else:
            parts.append({"name": "value", **value})
    return {"name": "operation", "part": parts}


def patch(*operations: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Parameters", "parameter": list(operations)}


def patient(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", **more}


def apply(resource: dict[str, Any], *operations: dict[str, Any]) -> dict[str, Any]:
    parameters = patch(*operations)
    before = copy.deepcopy((resource, parameters))
    patched = apply_fhirpath_patch(resource, parameters)
    assert (resource, parameters) == before
    return patched


def refusal(resource: dict[str, Any], *operations: Any) -> HyoidError:
    with pytest.raises(HyoidError) as caught:
        apply_fhirpath_patch(resource, patch(*operations))
    return caught.value


def ids(*values: str) -> list[dict[str, Any]]:
    return [{"system": "http://example.org", "value": value} for value in values]


MARRIED = {"coding": [{"code": "M"}]}
SINGLE = {"coding": [{"code": "S"}]}


def observation(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "id": "o", **more}


ML = {"value": 5, "unit": "mL"}

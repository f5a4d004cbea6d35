"""Patches that cannot be done, of the resources that `conftest.py` has stored.

Sources: RFC 6902 (JSON Patch), RFC 6901 (JSON Pointer), RFC 7396 (JSON Merge Patch),
http://hl7.org/fhir/R4/fhirpatch.html, http://hl7.org/fhir/R4/http.html#patch.
"""

from __future__ import annotations

import json
from typing import Any

from tests.contract.asked import JSON_PATCH, Bad, sent
from tests.factories.clinical import patient


def _patch(
    row: str,
    operations: Any,
    status: int,
    code: str,
    where: str,
    address: str = "Observation/there",
    **headers: str,
) -> Bad:
    given = {"Content_Type": JSON_PATCH} | headers
    raw = operations if isinstance(operations, bytes) else json.dumps(operations).encode()
    return sent(row, "PATCH", address, raw, status, code, where, **given)


def _one(row: str, operation: Any, code: str = "processing", where: str = "patch[0]") -> Bad:
    return _patch(row, [operation], 400 if code == "structure" else 422, code, where)


def _path(row: str, code: str, where: str, status: int, **parts: Any) -> Bad:
    """A FHIRPath Patch of one operation; `at` and `kind` are its path and type."""
    names = {"kind": "type", "at": "path", "named": "name"}
    forms = {"kind": "valueCode", "at": "valueString", "named": "valueString"}
    listed = [
        {"name": names.get(name, name), forms.get(name, "valueInteger"): value}
        if not isinstance(value, dict)
        else {"name": name} | value
        for name, value in parts.items()
    ]
    body = {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": listed}]}
    return sent(row, "PATCH", "Observation/there", body, status, code, where)


_FINAL = {"valueCode": "final"}
_AT = "Parameters.parameter[0]"
_REPLACED = {"op": "replace", "path": "/status", "value": "amended"}

_JSON = [
    _patch("patch no JSON", b"[", 400, "structure", "line 1, column 2"),
    _patch("patch no list", {"op": "test"}, 400, "structure", "patch"),
    _one("operation no object", "remove /status", "structure"),
    _one("no op", {"path": "/status"}, "structure", "patch[0].op"),
    _one("op unknown", {"op": "erase", "path": "/status"}, "structure", "patch[0].op"),
    _one("no path", {"op": "remove"}, "structure", "patch[0].path"),
    _one("path a number", {"op": "remove", "path": 1}, "structure", "patch[0].path"),
    _one("path without slash", {"op": "remove", "path": "status"}, "structure", "patch[0].path"),
    _one("path with a bad escape", {"op": "remove", "path": "/~2"}, "structure", "patch[0].path"),
    _one("no value", {"op": "add", "path": "/issued"}, "structure", "patch[0].value"),
    _one("no from", {"op": "move", "path": "/issued"}, "structure", "patch[0].from"),
    _one("removes what is not there", {"op": "remove", "path": "/issued"}),
    _one("replaces what is not there", {"op": "replace", "path": "/note/0/text", "value": "x"}),
    _one("index past the end", {"op": "add", "path": "/category/7", "value": {}}),
    _one("index with a zero before", {"op": "remove", "path": "/category/00"}),
    _one("moves into itself", {"op": "move", "from": "/code", "path": "/code/coding"}),
    _one("test that fails", {"op": "test", "path": "/status", "value": "registered"}),
    _one("test of what is not there", {"op": "test", "path": "/issued", "value": None}),
    _patch(
        "second operation wrong",
        [_REPLACED, {"op": "remove", "path": "/issued"}],
        422,
        "processing",
        "patch[1]",
    ),
    _patch(
        "takes a code that is none",
        [_REPLACED | {"value": "bogus"}],
        422,
        "code-invalid",
        "Observation.status",
    ),
    _patch(
        "leaves no code", [{"op": "remove", "path": "/code"}], 400, "required", "Observation.code"
    ),
    _patch(
        "becomes another type",
        [{"op": "replace", "path": "/resourceType", "value": "Patient"}],
        422,
        "business-rule",
        "Observation.resourceType",
    ),
    _patch(
        "another id",
        [{"op": "replace", "path": "/id", "value": "x"}],
        422,
        "business-rule",
        "Observation.id",
    ),
    _patch(
        "takes the whole away",
        [{"op": "replace", "path": "", "value": []}],
        422,
        "business-rule",
        "",
    ),
    _patch(
        "grows without end",
        [
            {"op": "add", "path": "/note", "value": ["x" * 1000]},
            *({"op": "copy", "from": "/note", "path": "/note/-"} for _ in range(40)),
        ],
        400,
        "too-costly",
        "patch[14]",
    ),
    _patch("patch of nothing", [], 404, "not-found", "", "Observation/never-there"),
    _patch("patch of what is gone", [], 410, "deleted", "", "Patient/gone"),
    _patch(
        "patch of a stale version", [_REPLACED], 412, "conflict", "http.If-Match", If_Match='W/"7"'
    ),
    _patch(
        "patch of XML",
        b"<diff/>",
        415,
        "not-supported",
        "http.Content-Type",
        Content_Type="application/xml-patch+xml",
    ),
    _patch(
        "merge of a list",
        [],
        400,
        "structure",
        "patch",
        Content_Type="application/merge-patch+json",
    ),
    _patch(
        "merge that takes the code away",
        {"code": None},
        400,
        "required",
        "Observation.code",
        Content_Type="application/merge-patch+json",
    ),
    _patch(
        "merge of another id",
        {"id": "x"},
        422,
        "business-rule",
        "Observation.id",
        Content_Type="application/merge-patch+json",
    ),
    _patch(
        "patch as text", [], 415, "not-supported", "http.Content-Type", Content_Type="text/plain"
    ),
]

_FHIRPATH = [
    sent(
        "patch another resource",
        "PATCH",
        "Observation/there",
        patient(),
        400,
        "value",
        "resourceType",
    ),
    sent(
        "patch of odd Parameters",
        "PATCH",
        "Observation/there",
        {"resourceType": "Parameters", "parameter": [{"name": "op", "valueCode": "x"}]},
        400,
        "structure",
        _AT,
    ),
    _path("operation without type", "required", _AT, 400, at="Observation.status", value=_FINAL),
    _path("operation of no type", "value", _AT, 400, kind="erase", at="Observation.status"),
    _path("operation without path", "required", _AT, 400, kind="delete"),
    _path(
        "path that cannot be read", "structure", _AT, 400, kind="delete", at="Observation..status"
    ),
    _path(
        "path of a function", "structure", _AT, 400, kind="delete", at="Observation.repeat(code)"
    ),
    _path(
        "path to nothing",
        "processing",
        _AT,
        422,
        kind="replace",
        at="Observation.issued",
        value={"valueInstant": "2026-03-04T09:30:00Z"},
    ),
    _path(
        "path to an unknown element",
        "structure",
        _AT,
        400,
        kind="replace",
        at="Observation.colour",
        value=_FINAL,
    ),
    _path(
        "patch with a wrong type of value",
        "structure",
        "Observation.status",
        400,
        kind="replace",
        at="Observation.status",
        value={"valueQuantity": {"value": 1}},
    ),
    _path("no value to add", "required", _AT, 400, kind="add", at="Observation", named="note"),
    _path(
        "index past the last",
        "processing",
        _AT,
        422,
        kind="insert",
        at="Observation.category",
        index=7,
        value={"valueCodeableConcept": {"text": "x"}},
    ),
    _path(
        "index below zero",
        "value",
        f"{_AT}.part[2]",
        400,
        kind="insert",
        at="Observation.category",
        index=-1,
        value={"valueCodeableConcept": {"text": "x"}},
    ),
    _path(
        "result with a wrong code",
        "code-invalid",
        "Observation.status",
        422,
        kind="replace",
        at="Observation.status",
        value={"valueCode": "bogus"},
    ),
]

ROWS = [*_JSON, *_FHIRPATH]

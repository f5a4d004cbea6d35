"""Bundles that cannot be done: none is done in part, and each refusal names the entry.

Sources: http://hl7.org/fhir/R4/http.html#transaction, http://hl7.org/fhir/R4/bundle.html (rules
bdl-1 to bdl-8).
"""

from __future__ import annotations

import base64
from typing import Any

from tests.contract.asked import JSON_PATCH, Bad, Resource, sent
from tests.factories.clinical import observation, patient

_URN = "urn:uuid:00000000-0000-4000-8000-000000000001"
_GOOD = {"resource": patient(), "request": {"method": "POST", "url": "Patient"}}
"""An entry that would be stored, were it not for the others."""


def _bundle(*entries: Any, **more: Any) -> Resource:
    return {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)} | more


def _posted(row: str, bundle: Any, status: int, code: str, where: str) -> Bad:
    return sent(row, "POST", "", bundle, status, code, where)


def _with(row: str, entry: Any, code: str, where: str, status: int = 400) -> Bad:
    """A good entry, and this one after it."""
    place = f"Bundle.entry[1].{where}" if where else "Bundle.entry[1]"
    return _posted(row, _bundle(_GOOD, entry), status, code, place)


def _asks(method: str, url: str, **more: Any) -> dict[str, Any]:
    return {"request": {"method": method, "url": url} | more}


def _writes(resource: Resource, method: str, url: str, **more: Any) -> dict[str, Any]:
    return {"resource": resource} | _asks(method, url, **more)


def _patches(patch: bytes, content_type: str = JSON_PATCH) -> dict[str, Any]:
    data = base64.b64encode(patch).decode()
    binary = {"resourceType": "Binary", "contentType": content_type, "data": data}
    return _writes(binary, "PATCH", "Patient/never-there")


_BUNDLES = [
    _posted("a resource for a Bundle", patient(), 400, "value", "resourceType"),
    _posted("Bundle without a type", {"resourceType": "Bundle"}, 400, "value", "Bundle.type"),
    _posted("searchset", _bundle(type="searchset"), 400, "value", "Bundle.type"),
    _posted("type of a Bundle unknown", _bundle(type="Batch"), 400, "value", "Bundle.type"),
    _posted("type of a Bundle a list", _bundle(type=["batch"]), 400, "value", "Bundle.type"),
    _posted("bdl-1", _bundle(_GOOD, total=1), 400, "invariant", "Bundle.total"),
    _posted("entry no list", _bundle(entry={}), 400, "structure", "Bundle.entry"),
    _posted("unknown element of a Bundle", _bundle(_GOOD, x=1), 400, "structure", "Bundle.x"),
    _posted(
        "unknown element of a batch",
        _bundle(_GOOD, type="batch", x=1),
        400,
        "structure",
        "Bundle.x",
    ),
]

_ENTRIES = [
    _with("entry null", None, "structure", ""),
    _with("entry a text", "Patient", "structure", ""),
    _with("bdl-2", _GOOD | {"search": {"mode": "match"}}, "invariant", "search"),
    _with("bdl-3", {"resource": patient()}, "invariant", "request"),
    _with("bdl-4", _GOOD | {"response": {"status": "200"}}, "invariant", "response"),
    _with("request a list", {"request": []}, "invariant", "request"),
    _with("no method", {"request": {"url": "Patient"}}, "required", "request.method"),
    _with("method unknown", _asks("LIST", "Patient"), "code-invalid", "request.method"),
    _with("method in lower case", _asks("get", "Patient"), "code-invalid", "request.method"),
    _with("no URL", {"request": {"method": "GET"}}, "required", "request.url"),
    _with("URL empty", _asks("GET", ""), "value", "request.url"),
    _with(
        "URL of another server",
        _asks("GET", "https://x.example/fhir/Patient/1"),
        "structure",
        "request.url",
    ),
    _with("URL of another type of thing", _asks("GET", "Patient/a b"), "structure", "request.url"),
    _with("URL with dots", _asks("GET", "../Patient/1"), "not-supported", "request.url", 404),
    _with(
        "entry of a type not held",
        _asks("GET", "Medication/1"),
        "not-supported",
        "request.url",
        404,
    ),
    _with("POST of nothing", _asks("POST", "Patient"), "required", "resource"),
    _with("PUT of nothing", _asks("PUT", "Patient/a"), "required", "resource"),
    _with("POST to an id", _writes(patient("a"), "POST", "Patient/a"), "value", "request.url"),
    _with("PUT to a type", _writes(patient("a"), "PUT", "Patient"), "value", "request.url"),
    _with("DELETE of a type", _asks("DELETE", "Patient"), "value", "request.url"),
    _with("DELETE of everything", _asks("DELETE", "Patient?"), "value", "request.url"),
    _with("DELETE of a version", _asks("DELETE", "Patient/a/_history/1"), "value", "request.url"),
    _with("PUT of another id", _writes(patient("b"), "PUT", "Patient/a"), "invalid", "resource.id"),
    _with("PUT of no id", _writes(patient(), "PUT", "Patient/a"), "invalid", "resource.id"),
    _with("POST of another type", _writes(observation(), "POST", "Patient"), "invalid", "resource"),
    _with(
        "resource a list",
        {"resource": [], "request": {"method": "POST", "url": "Patient"}},
        "required",
        "resource",
    ),
    _with(
        "resource with a wrong code",
        _writes(patient(gender="F"), "POST", "Patient"),
        "code-invalid",
        "resource.gender",
        422,
    ),
    _with(
        "resource with an unknown element",
        _writes(patient(colour="x"), "POST", "Patient"),
        "structure",
        "resource.colour",
    ),
    _with(
        "fullUrl with a version",
        {"fullUrl": "https://x.example/Patient/1/_history/1"} | _GOOD,
        "invariant",
        "fullUrl",
    ),
    _with("fullUrl relative", {"fullUrl": "Patient/1"} | _GOOD, "value", "fullUrl"),
    _with("fullUrl a number", {"fullUrl": 1} | _GOOD, "value", "fullUrl"),
    _with("nothing under the URL", _asks("GET", "Patient/never-there"), "not-found", "", 404),
    _with(
        "read with an unreadable condition", _asks("GET", "Patient?birthdate=x"), "value", "", 400
    ),
    _with(
        "ifMatch of what is not there",
        _writes(patient("never-there"), "PUT", "Patient/never-there", ifMatch='W/"7"'),
        "conflict",
        "request.ifMatch",
        412,
    ),
    _with(
        "ifMatch unreadable",
        _writes(patient("never-there"), "PUT", "Patient/never-there", ifMatch="7"),
        "structure",
        "request.ifMatch",
    ),
    _with(
        "ifMatch a number",
        _writes(patient("a"), "PUT", "Patient/a", ifMatch=7),
        "value",
        "request.ifMatch",
    ),
    _with(
        "ifNoneExist without criteria",
        _writes(patient(), "POST", "Patient", ifNoneExist="_count=1"),
        "structure",
        "request.ifNoneExist",
    ),
    _with(
        "ifNoneExist not understood",
        _writes(patient(), "POST", "Patient", ifNoneExist="colour=blue"),
        "not-supported",
        "",
    ),
    _with(
        "ifNoneExist of another type",
        _writes(patient(), "POST", "Patient", ifNoneExist="Group?identifier=x"),
        "structure",
        "request.ifNoneExist",
    ),
]

_LINKS = [
    _posted(
        "bdl-7",
        _bundle({"fullUrl": _URN} | _GOOD, {"fullUrl": _URN} | _GOOD),
        400,
        "invariant",
        "Bundle.entry[1].fullUrl",
    ),
    _posted(
        "one identity twice",
        _bundle(
            _writes(patient("a"), "PUT", "Patient/a"), _writes(patient("a"), "PUT", "Patient/a")
        ),
        400,
        "invalid",
        "Bundle.entry[1].request.url",
    ),
    _posted(
        "deleted and stored",
        _bundle(_writes(patient("a"), "PUT", "Patient/a"), _asks("DELETE", "Patient/a")),
        400,
        "invalid",
        "Bundle.entry[1].request.url",
    ),
    _posted(
        "one condition twice",
        _bundle(
            _writes(patient(), "POST", "Patient", ifNoneExist="identifier=never-there"),
            _writes(patient(), "POST", "Patient", ifNoneExist="identifier=never-there"),
        ),
        400,
        "duplicate",
        "Bundle.entry[1].request.ifNoneExist",
    ),
    _with(
        "placeholder of no entry",
        _writes(observation(patient=_URN), "POST", "Observation"),
        "not-found",
        "resource.subject.reference",
    ),
    _with(
        "placeholder of a wrong type",
        {"fullUrl": _URN, **_writes(observation(patient=_URN), "POST", "Observation")},
        "value",
        "resource.subject",
    ),
    _with(
        "search that finds nothing",
        _writes(observation(patient="Patient?identifier=never-there"), "POST", "Observation"),
        "not-found",
        "resource.subject.reference",
        412,
    ),
    _with(
        "search that is none",
        _writes(observation(patient="Patient?x"), "POST", "Observation"),
        "structure",
        "resource.subject.reference",
    ),
    _with(
        "search not understood",
        _writes(observation(patient="Patient?colour=blue"), "POST", "Observation"),
        "not-supported",
        "",
    ),
]

_PATCHES = [
    _with("PATCH of nothing", _asks("PATCH", "Patient/a"), "required", "resource"),
    _with(
        "PATCH in another form",
        _patches(b"[]", "application/merge-patch+json"),
        "not-supported",
        "resource",
    ),
    _with("PATCH that is no JSON", _patches(b"["), "structure", "resource.data"),
    _with("PATCH of what is not there", _patches(b"[]"), "not-found", "", 404),
    _with(
        "PATCH with a resource",
        _writes(patient(), "PATCH", "Patient/a"),
        "not-supported",
        "resource",
    ),
]

ROWS = [*_BUNDLES, *_ENTRIES, *_LINKS, *_PATCHES]

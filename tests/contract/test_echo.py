"""How much of what was sent does a refusal send back? A short excerpt, whatever was wrong.

OWASP, Error Handling Cheat Sheet, and Cross Site Scripting Prevention: what comes back is bounded,
escaped as JSON, and of a type that no browser shows as a page.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from tests.contract.addresses import METHODS, addresses
from tests.contract.test_error_shape import HEADERS
from tests.factories.clinical import observation, patient

pytestmark = pytest.mark.usefixtures("stored")

LONG = "Mk7" * 1500
EXCERPT = 200
WORDS = "<b>Mk7 " * 1000
"""With blanks, so that no word of it is long."""

QUERIES = (
    *("_id", "_lastUpdated", "_sort", "_include", "_has", "_elements", "_summary", "_total"),
    *("_count", "_list", "_filter", "_text", "_type", "_page", "_cursor", "_format", "_since"),
    *("code", "date", "value-quantity", "subject", "subject.name", "subject:Patient.name", "x"),
)
BODIES: tuple[dict[str, Any], ...] = (
    observation("echo", "Patient/there"),
    {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "fullUrl": "urn:uuid:1",
                "resource": patient("echo"),
                "request": {"method": "PUT", "url": "Patient/echo", "ifMatch": 'W/"1"'},
            }
        ],
    },
)


def _judge(answer: httpx.Response, asked: str) -> None:
    if answer.status_code < 400:
        return
    assert LONG[:EXCERPT] not in answer.text, asked
    assert WORDS[: 6 * EXCERPT] not in answer.text, asked
    assert answer.headers["Content-Type"] in ("application/fhir+json", "application/json"), asked
    assert len(answer.content) < 500_000, asked


@pytest.mark.parametrize("method", METHODS)
def test_of_an_address(method: str, fhir: httpx.Client) -> None:
    for address in addresses():
        _judge(fhir.request(method, f"{address}?{LONG}={LONG}"), f"{method} {address}")
    for address in (
        *(LONG, f"Patient/{LONG}", f"Patient/there/_history/{LONG}", f"Patient/there/{LONG}"),
        *(f"Patient/${LONG}", f"${LONG}", f"$export-status/{LONG}", f"$export-file/a/{LONG}"),
        *(f"Patient/{WORDS}", f"Patient/there/{WORDS}"),
    ):
        _judge(fhir.request(method, address), f"{method} {address[:40]}")


@pytest.mark.parametrize("name", QUERIES)
def test_of_a_query(name: str, fhir: httpx.Client) -> None:
    for kind in ("Patient", "Observation"):
        for value in (LONG, WORDS, f"{LONG}|{LONG}", f"ge{LONG}", f"1|{LONG}|x", f"2026-{LONG}"):
            _judge(fhir.get(kind, params={name: value}), f"{kind}?{name}={value[:20]}")
        for more in (f":{LONG}", f":{LONG}.{LONG}", f".{LONG}", f":{LONG}:{LONG}:{LONG}", WORDS):
            _judge(fhir.get(kind, params={name + more: "1"}), f"{kind}?{name}{more[:9]}")


@pytest.mark.parametrize("header", HEADERS)
def test_of_a_header(header: str, fhir: httpx.Client) -> None:
    for method, address in (("GET", "Patient/there"), ("POST", "Patient"), ("GET", "Patient")):
        for value in (LONG, f'W/"{LONG}"', f"{LONG}={LONG}", f"application/{LONG}", WORDS):
            answer = fhir.request(method, address, json=patient(), headers={header: value.strip()})
            _judge(answer, f"{method} {address} {header}")


def _places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if not isinstance(value, dict | list):
        return
    for key, one in value.items() if isinstance(value, dict) else enumerate(value):
        yield (*path, key)
        yield from _places(one, (*path, key))


@pytest.mark.parametrize("body", BODIES, ids=lambda body: body["resourceType"])
def test_of_a_body(body: dict[str, Any], fhir: httpx.Client) -> None:
    address = "" if body["resourceType"] == "Bundle" else body["resourceType"]
    for path in _places(body):
        for value in (LONG, WORDS, {LONG: LONG}, [LONG], f"{LONG}/{LONG}"):
            changed = copy.deepcopy(body)
            at: Any = changed
            for key in path[:-1]:
                at = at[key]
            at[path[-1]] = value
            _judge(fhir.post(address, json=changed), f"{path} {str(value)[:9]}")
    for raw in (LONG, f'{{"resourceType":"{LONG}', f'["{WORDS}', f'{{"{LONG}":1,"{LONG}":2}}'):
        headers = {"Content-Type": "application/fhir+json"}
        _judge(fhir.post(address, content=raw.encode(), headers=headers), raw[:20])


def test_of_a_patch(fhir: httpx.Client) -> None:
    for patch in (
        {"op": "replace", "path": f"/{LONG}", "value": LONG},
        {"op": LONG, "path": "/gender", "value": WORDS},
        {"op": "replace", "path": "/gender", "value": WORDS},
    ):
        headers = {"Content-Type": "application/json-patch+json"}
        content = json.dumps([patch]).encode()
        _judge(fhir.patch("Patient/there", content=content, headers=headers), str(patch)[:40])


def test_of_session_notes(fhir: httpx.Client, service_url: str) -> None:
    url = service_url.removesuffix("fhir") + "intake/sessions"
    for notes in ({"sessions": [{LONG: LONG}]}, {"sessions": [{"client": WORDS}]}, {LONG: 1}, LONG):
        _judge(fhir.post(url, json=notes), str(notes)[:30])
    for query in ({LONG: LONG}, {"timeZone": LONG}, {"delimiter": WORDS}, {"identifiers": LONG}):
        _judge(fhir.post(url, json={"sessions": []}, params=query), str(query)[:30])
    for table in (f"{LONG},{WORDS}\n1,2\n", f"client\n{LONG}\n{WORDS}\n"):
        headers = {"Content-Type": "text/csv"}
        _judge(fhir.post(url, content=table.encode(), headers=headers), table[:30])


def test_many_findings_are_told_as_a_few(fhir: httpx.Client) -> None:
    many = patient(name=[{"family": 1}] * 20_000)
    _judge(fhir.post("Patient", json=many), "many")
    entry = {"request": {"method": "NOTHING", "url": "x"}}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry] * 5_000}
    _judge(fhir.post("", json=bundle), "many entries")

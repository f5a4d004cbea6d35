"""Is what R4 allows taken, however odd, and given back as it was?"""

from __future__ import annotations

import json

import httpx
import pytest

from service.standard.codec import decode, same
from tests.contract.asked import FHIR, Resource
from tests.contract.odd_values import DATES, DECIMALS, IDS, RESOURCES, TEXTS, TIMES
from tests.factories.clinical import observation, patient, session_bundle

JSON = {"Content-Type": FHIR}


def _content(raw: bytes) -> Resource:
    """What the client sent: without id, version and time."""
    found: Resource = decode(raw)
    meta = {k: v for k, v in found.get("meta", {}).items() if k not in ("versionId", "lastUpdated")}
    rest = {name: value for name, value in found.items() if name not in ("id", "meta")}
    return rest | ({"meta": meta} if meta else {})


def _comes_back(fhir: httpx.Client, raw: bytes) -> str:
    """Post it, read it, find it in a search and in the history; gives its address."""
    kind = decode(raw)["resourceType"]
    made = fhir.post(kind, content=raw, headers=JSON)
    assert made.status_code == 201, made.text[:500]
    key = made.json()["id"]
    assert same(_content(made.content), _content(raw))
    assert fhir.get(f"{kind}/{key}").content == made.content
    for page in (fhir.get(f"{kind}?_id={key}"), fhir.get(f"{kind}/{key}/_history")):
        assert made.content in page.content
        assert len(page.json()["entry"]) == 1
    return f"{kind}/{key}"


@pytest.mark.parametrize("name", RESOURCES)
def test_resources_come_back_equal(name: str, fhir: httpx.Client) -> None:
    _comes_back(fhir, json.dumps(RESOURCES[name], ensure_ascii=False).encode())


@pytest.mark.parametrize("name", TEXTS)
def test_escaped_texts_come_back_equal(name: str, fhir: httpx.Client) -> None:
    _comes_back(fhir, json.dumps(RESOURCES[f"text: {name}"], ensure_ascii=True).encode())


def test_every_character_of_unicode_comes_back(fhir: httpx.Client) -> None:
    """All that R4 and UTF-8 allow, in pieces of 64 thousand."""
    allowed = [
        chr(c)
        for c in range(0x110000)
        if (c >= 32 and not 0xD800 <= c < 0xE000) or c in (9, 10, 13)
    ]
    pieces = ["".join(allowed[at : at + 65536]) for at in range(0, len(allowed), 65536)]
    body = patient(name=[{"text": piece} for piece in pieces])
    _comes_back(fhir, json.dumps(body, ensure_ascii=False).encode())


@pytest.mark.parametrize("decimal", DECIMALS, ids=lambda text: f"{text[:24]} of {len(text)}")
def test_numbers_come_back_as_they_were_written(decimal: str, fhir: httpx.Client) -> None:
    body = json.dumps(observation(value="here")).replace('"here"', decimal).encode()
    address = _comes_back(fhir, body)
    for query in ("", "?_pretty=true", "/_history/1"):
        raw = fhir.get(f"{address}{query}").content.replace(b'"value": ', b'"value":')
        assert f'"value":{decimal},'.encode() in raw
    key = address.partition("/")[2]
    bundle = fhir.get(f"Observation?_id={key}&_elements=value").content
    assert f'"value":{decimal},'.encode() in bundle
    patch = [{"op": "add", "path": "/issued", "value": "2026-03-04T09:30:00Z"}]
    headers = {"Content-Type": "application/json-patch+json"}
    patched = fhir.patch(address, content=json.dumps(patch), headers=headers)
    assert f'"value":{decimal},'.encode() in patched.content


def test_odd_numbers_do_not_spoil_the_search(fhir: httpx.Client) -> None:
    code = {"text": "odd", "coding": [{"system": "https://clinic.example/odd", "code": "number"}]}
    for decimal in DECIMALS:
        body = json.dumps(observation(value="here") | {"code": code})
        body = body.replace('"here"', decimal)
        fhir.post("Observation", content=body, headers=JSON).raise_for_status()
    search = "Observation?code=https://clinic.example/odd|number&_count=100"
    assert fhir.get(search).json()["total"] == len(DECIMALS)
    for wanted in ("gt-1e300", "lt1e300", "ne1", "1", "0", "-0", "ap100", "ge1e-300"):
        page = fhir.get(f"{search}&value-quantity={wanted}")
        assert page.status_code == 200, wanted
        assert page.json()["total"] > 0, wanted


@pytest.mark.parametrize("date", DATES)
def test_dates_come_back_and_are_found(date: str, fhir: httpx.Client) -> None:
    address = _comes_back(fhir, json.dumps(patient(birthDate=date)).encode())
    key = address.partition("/")[2]
    assert fhir.get(f"Patient?_id={key}&birthdate={date}").json()["total"] == 1


@pytest.mark.parametrize("time", TIMES)
def test_times_come_back_and_are_found(time: str, fhir: httpx.Client) -> None:
    address = _comes_back(fhir, json.dumps(observation(when=time)).encode())
    key = address.partition("/")[2]
    found = fhir.get("Observation", params={"_id": key, "date": time})
    assert found.json()["total"] == 1


@pytest.mark.parametrize("key", IDS)
def test_ids_that_r4_allows_are_taken(key: str, fhir: httpx.Client) -> None:
    address = f"Patient/{key}"
    assert fhir.put(address, json=patient(key)).status_code == 201
    assert fhir.get(address).json()["id"] == key
    assert fhir.get(f"{address}/_history/1").status_code == 200
    assert fhir.get(f"Patient?_id={key}").json()["total"] == 1
    page = fhir.put("Observation/of", json=observation("of", patient=address))
    assert page.is_success
    assert fhir.get(f"Observation?subject={address}").json()["total"] == 1
    assert fhir.get(f"{address}/Observation").json()["total"] == 1
    assert fhir.get(f"{address}/$everything").json()["total"] == 2
    assert fhir.delete(address).status_code == 204
    assert fhir.put(address, json=patient(key)).status_code == 201


@pytest.mark.parametrize(
    "raw",
    [
        b'\n\t {\r\n "resourceType" :\t"Patient" ,\n"active":true}\n\n ',
        b'{"resourceType":"\\u0050atient","\\u0061ctive":true}',
        b'{"resourceType":"Patient","active":true,"text":null}'.replace(b',"text":null', b""),
        b'{"id":"ignored","meta":{"versionId":"7","lastUpdated":"1999-01-01T00:00:00Z"},'
        b'"resourceType":"Patient","active":true}',
    ],
    ids=["white space", "escaped names", "plain", "stamped by another"],
)
def test_json_in_any_dress_is_taken(raw: bytes, fhir: httpx.Client) -> None:
    made = fhir.post("Patient", content=raw, headers=JSON)
    assert made.status_code == 201
    assert _content(made.content) == {"resourceType": "Patient", "active": True}
    assert (made.json()["id"] != "ignored", made.json()["meta"]["versionId"]) == (True, "1")


@pytest.mark.parametrize(
    "headers",
    [
        {"Content-Type": "application/json"},
        {"Content-Type": "application/fhir+json; charset=UTF-8"},
        {"Content-Type": 'APPLICATION/FHIR+JSON; Charset="utf-8"; fhirVersion=4.0'},
        {"Content-Type": FHIR, "Content-Encoding": "identity"},
        {"Content-Type": FHIR, "Accept": "*/*"},
        {"Content-Type": FHIR, "Accept": "text/html, application/json;q=0.1"},
        {"Content-Type": FHIR, "Accept": ""},
        {"Content-Type": FHIR, "Accept": "application/fhir+json; fhirVersion=4.0.1"},
        {"Content-Type": FHIR, "Prefer": "wait=10; respond-async, return=representation"},
        {"Content-Type": FHIR, "If-None-Exist": "identifier=https://clinic.example/x|%F0%9F%98%80"},
    ],
    ids=str,
)
def test_headers_in_any_dress_are_read(headers: dict[str, str], fhir: httpx.Client) -> None:
    body = json.dumps(patient()).encode()
    assert fhir.post("Patient", content=body, headers=headers).status_code == 201


@pytest.mark.parametrize(
    "wanted", ["json", "application/json", "application/fhir%2Bjson", "application/fhir+json", ""]
)
def test_formats_in_any_dress_are_given(wanted: str, fhir: httpx.Client) -> None:
    answer = fhir.get(f"Patient?_count=1&_format={wanted}", headers={"Accept": "text/html"})
    assert answer.status_code == (200 if wanted else 406)


def test_a_transaction_of_more_resources_than_there_may_be_faults(fhir: httpx.Client) -> None:
    """A thousand warnings (dom-6: no narrative) are no error."""
    entries = [
        {"resource": observation(), "request": {"method": "POST", "url": "Observation"}}
        for _ in range(1000)
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    answer = fhir.post("", json=bundle, headers=JSON)
    assert answer.status_code == 200, answer.text[:300]
    assert len(answer.json()["entry"]) == 1000


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_a_bundle_of_nothing_is_done(kind: str, fhir: httpx.Client) -> None:
    answer = fhir.post("", json={"resourceType": "Bundle", "type": kind})
    assert answer.json() == {"resourceType": "Bundle", "type": f"{kind}-response"}


def test_urls_of_entries_in_any_dress_are_read(fhir: httpx.Client) -> None:
    fhir.put("Patient/dressed", json=patient("dressed")).raise_for_status()
    urls = (
        *("Patient/dressed", "/Patient/dressed", f"{fhir.base_url}Patient/dressed", "metadata"),
        *("Patient?_id=dressed", "Patient/dressed/_history", "Patient/dressed/_history/1"),
        *(
            "Patient/dressed/$everything",
            "Patient/dressed/Observation",
            "Patient?name=%F0%9F%98%80",
        ),
    )
    entries = [{"request": {"method": "GET", "url": url}} for url in urls]
    answer = fhir.post("", json={"resourceType": "Bundle", "type": "batch", "entry": entries})
    statuses = [entry["response"]["status"] for entry in answer.json()["entry"]]
    assert statuses == ["200 OK"] * len(urls)


def test_a_session_posted_twice_is_stored_once(fhir: httpx.Client) -> None:
    first, again = (fhir.post("", json=session_bundle(77_777)) for _ in range(2))
    told = [[entry["response"]["status"] for entry in a.json()["entry"]] for a in (first, again)]
    assert told == [["201 Created"] * 15, ["200 OK"] * 15]


@pytest.mark.parametrize("name", ["search", "like", "SQL", "emoji", "escapes", "markup", "format"])
def test_odd_texts_are_found_exactly(name: str, fhir: httpx.Client) -> None:
    text = f"{TEXTS[name]} {name}"
    address = _comes_back(fhir, json.dumps(patient(name=[{"family": text}])).encode())
    asked = "".join(f"\\{c}" if c in "\\,|$" else c for c in text)
    for modifier in (":exact", ":contains", ""):
        found = fhir.get("Patient", params={f"family{modifier}": asked}).json()
        assert f"{fhir.base_url}{address}" in [entry["fullUrl"] for entry in found["entry"]]
    identified = patient(identifier=[{"system": "https://clinic.example/odd", "value": text}])
    address = _comes_back(fhir, json.dumps(identified).encode())
    found = fhir.get("Patient", params={"identifier": f"https://clinic.example/odd|{asked}"}).json()
    assert [entry["fullUrl"] for entry in found["entry"]] == [f"{fhir.base_url}{address}"]

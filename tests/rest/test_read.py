from __future__ import annotations

import re

import httpx

from tests.factories.clinical import observation, patient


def test_read_gives_what_was_written_number_for_number(fhir: httpx.Client, name: str) -> None:
    body = (
        f'{{"resourceType":"Observation","id":"{name}","status":"final","code":{{"text":"x"}},'
        '"valueQuantity":{"value":1.00,"unit":"kPa"},'
        '"component":[{"code":{"text":"y"},"valueQuantity":{"value":1.0e-7}}]}'
    )
    fhir.put(f"Observation/{name}", content=body, headers=JSON).raise_for_status()
    answer = fhir.get(f"Observation/{name}")
    assert '"value":1.00,' in answer.text
    assert '"value":1.0e-7}' in answer.text


def test_read_tells_version_and_time(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    answer = fhir.get(f"Patient/{name}")
    assert answer.status_code == 200
    assert answer.headers["ETag"] == 'W/"1"'
    assert answer.headers["Content-Type"] == "application/fhir+json"
    assert answer.headers["Last-Modified"].endswith(" GMT")
    meta = answer.json()["meta"]
    assert meta["versionId"] == "1"
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z", meta["lastUpdated"])


def test_read_of_what_never_was_is_not_found(fhir: httpx.Client, name: str) -> None:
    answer = fhir.get(f"Patient/{name}")
    assert answer.status_code == 404
    assert answer.json()["issue"][0]["code"] == "not-found"


def test_read_after_delete_is_gone(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    fhir.delete(f"Patient/{name}").raise_for_status()
    answer = fhir.get(f"Patient/{name}")
    assert answer.status_code == 410
    assert answer.headers["ETag"] == 'W/"2"'
    assert fhir.get(f"Patient/{name}/_history/2").status_code == 410
    assert fhir.get(f"Patient/{name}/_history/1").status_code == 200


def test_vread_gives_the_version_as_it_was(fhir: httpx.Client, name: str) -> None:
    for value in (11, 12):
        fhir.put(f"Observation/{name}", json=observation(name, value=value)).raise_for_status()
    first = fhir.get(f"Observation/{name}/_history/1")
    assert first.json()["valueQuantity"]["value"] == 11
    assert first.headers["ETag"] == 'W/"1"'
    assert fhir.get(f"Observation/{name}/_history/3").status_code == 404
    assert fhir.get(f"Observation/{name}/_history/one").status_code == 404


def test_conditional_read_spares_the_body(fhir: httpx.Client, name: str) -> None:
    written = fhir.put(f"Patient/{name}", json=patient(name))
    same = fhir.get(f"Patient/{name}", headers={"If-None-Match": 'W/"1"'})
    assert (same.status_code, same.content) == (304, b"")
    assert same.headers["ETag"] == 'W/"1"'
    other = fhir.get(f"Patient/{name}", headers={"If-None-Match": 'W/"2"'})
    assert other.status_code == 200
    since = written.headers["Last-Modified"]
    assert fhir.get(f"Patient/{name}", headers={"If-Modified-Since": since}).status_code == 304


def test_head_is_a_read_without_a_body(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    full = fhir.get(f"Patient/{name}")
    head = fhir.head(f"Patient/{name}")
    assert (head.status_code, head.content) == (200, b"")
    assert head.headers["Content-Length"] == full.headers["Content-Length"]


def test_pretty_indents_and_keeps_numbers(fhir: httpx.Client, name: str) -> None:
    body = observation(name)
    fhir.put(f"Observation/{name}", json=body).raise_for_status()
    answer = fhir.get(f"Observation/{name}?_pretty=true")
    assert "\n  " in answer.text
    assert answer.json() == fhir.get(f"Observation/{name}").json()
    assert fhir.get(f"Observation/{name}?_pretty=maybe").status_code == 400


JSON = {"Content-Type": "application/fhir+json"}

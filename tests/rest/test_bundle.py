from __future__ import annotations

import json
from typing import Any

import httpx

from tests.factories.clinical import (
    care_plan,
    observation,
    patient,
    session_bundle,
    unconditional,
)


def _bundle(kind: str, *entries: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": kind, "entry": list(entries)}


def _entry(method: str, url: str, resource: dict[str, Any] | None = None, **more: Any) -> Any:
    request = {"method": method, "url": url}
    request |= {key: more.pop(key) for key in ("ifNoneExist", "ifMatch") if key in more}
    entry: dict[str, Any] = {"request": request, **more}
    return entry | ({"resource": resource} if resource else {})


def test_a_session_is_stored_linked_and_posted_again_stores_nothing(
    fhir: httpx.Client, name: str
) -> None:
    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    number = int(name[2:9], 16)
    bundle = session_bundle(number, f"Patient/{name}")
    first = fhir.post("", json=bundle).raise_for_status().json()
    again = fhir.post("", json=bundle).raise_for_status().json()
    assert first["type"] == "transaction-response"
    assert [e["response"]["status"] for e in first["entry"]] == ["201 Created"] * 15
    assert [e["response"]["status"] for e in again["entry"]] == ["200 OK"] * 15
    places = [e["response"]["location"] for e in first["entry"]]
    assert places == [e["response"]["location"] for e in again["entry"]]
    visit, seen = fhir.get(places[0]).json(), fhir.get(places[14]).json()
    assert seen["encounter"] == {"reference": f"Encounter/{visit['id']}"}
    done = fhir.get(places[2]).json()
    assert seen["partOf"] == [{"reference": f"Procedure/{done['id']}"}]
    record = fhir.get(f"Patient/{name}/$everything").json()
    assert record["total"] == 16


def test_a_transaction_with_one_bad_entry_stores_nothing_and_names_it(
    fhir: httpx.Client, name: str
) -> None:
    bundle = _bundle(
        "transaction",
        _entry("PUT", f"Patient/{name}", patient(name)),
        _entry("PUT", f"Observation/{name}", observation(name, status="bogus")),
    )
    answer = fhir.post("", json=bundle)
    assert answer.status_code == 422
    expression = answer.json()["issue"][0]["expression"]
    assert expression == ["Bundle.entry[1].resource.status"]
    assert fhir.get(f"Patient/{name}").status_code == 404


def test_a_transaction_whose_condition_fails_stores_nothing(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"CarePlan/{name}", json=care_plan(name)).raise_for_status()
    bundle = _bundle(
        "transaction",
        _entry("PUT", f"Patient/{name}", patient(name)),
        _entry("PUT", f"CarePlan/{name}", care_plan(name), ifMatch='W/"5"'),
    )
    answer = fhir.post("", json=bundle)
    assert answer.status_code == 412
    assert "Bundle.entry[1]" in json.dumps(answer.json())
    assert fhir.get(f"Patient/{name}").status_code == 404


def test_order_of_processing_is_delete_create_update_read(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"Observation/old-{name}", json=observation(f"old-{name}")).raise_for_status()
    bundle = _bundle(
        "transaction",
        _entry("GET", f"Observation/{name}"),
        _entry("PUT", f"Observation/{name}", observation(name, value=7)),
        _entry("DELETE", f"Observation/old-{name}"),
        _entry("GET", f"Observation/{name}/_history"),
    )
    entries = fhir.post("", json=bundle).raise_for_status().json()["entry"]
    assert entries[0]["resource"]["valueQuantity"]["value"] == 7
    assert entries[2]["response"]["status"].startswith("204")
    assert entries[3]["resource"]["type"] == "history"
    assert fhir.get(f"Observation/old-{name}").status_code == 410


def test_a_failing_read_fails_the_transaction(fhir: httpx.Client, name: str) -> None:
    bundle = _bundle(
        "transaction",
        _entry("PUT", f"Patient/{name}", patient(name)),
        _entry("GET", f"Patient/nobody-{name}"),
    )
    answer = fhir.post("", json=bundle)
    assert answer.status_code == 404
    assert answer.json()["issue"][0]["expression"] == ["Bundle.entry[1]"]
    assert fhir.get(f"Patient/{name}").status_code == 404


def test_conditional_references_find_what_is_stored_and_what_comes_along(
    fhir: httpx.Client, name: str
) -> None:
    system = "https://clinic.example/mrn"
    known = patient(identifier=[{"system": system, "value": f"old-{name}"}])
    stored = fhir.post("Patient", json=known).json()["id"]
    fresh = patient(identifier=[{"system": system, "value": f"new-{name}"}])
    bundle = _bundle(
        "transaction",
        _entry(
            "POST", "Observation", observation(patient=f"Patient?identifier={system}|old-{name}")
        ),
        _entry(
            "POST", "Observation", observation(patient=f"Patient?identifier={system}|new-{name}")
        ),
        _entry("POST", "Patient", fresh),
    )
    entries = fhir.post("", json=bundle).raise_for_status().json()["entry"]
    first, second = (fhir.get(entry["response"]["location"]).json() for entry in entries[:2])
    assert first["subject"] == {"reference": f"Patient/{stored}"}
    made = fhir.get(entries[2]["response"]["location"]).json()["id"]
    assert second["subject"] == {"reference": f"Patient/{made}"}


def test_a_conditional_reference_that_finds_nothing_fails_the_transaction(
    fhir: httpx.Client, name: str
) -> None:
    lost = observation(name, patient=f"Patient?identifier=https://clinic.example/mrn|no-{name}")
    answer = fhir.post("", json=_bundle("transaction", _entry("PUT", f"Observation/{name}", lost)))
    assert answer.status_code == 412
    expression = answer.json()["issue"][0]["expression"]
    assert expression == ["Bundle.entry[0].resource.subject.reference"]


def test_a_link_to_no_entry_is_refused(fhir: httpx.Client, name: str) -> None:
    lost = observation(name, patient="urn:uuid:5f4dcc3b-0000-4000-8000-000000000000")
    answer = fhir.post("", json=_bundle("transaction", _entry("PUT", f"Observation/{name}", lost)))
    assert answer.status_code == 400
    assert fhir.get(f"Observation/{name}").status_code == 404


def test_two_entries_for_one_resource_are_refused(fhir: httpx.Client, name: str) -> None:
    bundle = _bundle(
        "transaction",
        _entry("PUT", f"Patient/{name}", patient(name)),
        _entry("DELETE", f"Patient/{name}"),
    )
    assert fhir.post("", json=bundle).status_code == 400


def test_the_same_resource_found_twice_by_search_is_refused(fhir: httpx.Client, name: str) -> None:
    system = "https://clinic.example/twice"
    body = patient(identifier=[{"system": system, "value": name}])
    made = fhir.post("Patient", json=body).json()["id"]
    bundle = _bundle(
        "transaction",
        _entry("PUT", f"Patient?identifier={system}|{name}", body),
        _entry("PUT", f"Patient/{made}", body | {"id": made}),
    )
    assert fhir.post("", json=bundle).status_code == 400


def test_two_creates_under_one_condition_are_refused(fhir: httpx.Client, name: str) -> None:
    system = "https://clinic.example/pair"
    body = patient(identifier=[{"system": system, "value": name}])
    entry = _entry("POST", "Patient", body, ifNoneExist=f"identifier={system}|{name}")
    assert fhir.post("", json=_bundle("transaction", entry, entry)).status_code == 400
    assert fhir.get(f"Patient?identifier={system}|{name}").json()["total"] == 0


def test_a_patch_within_a_transaction(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"Observation/{name}", json=observation(name)).raise_for_status()
    parts = [
        {"name": "type", "valueCode": "replace"},
        {"name": "path", "valueString": "Observation.status"},
        {"name": "value", "valueCode": "amended"},
    ]
    patch = {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": parts}]}
    bundle = _bundle("transaction", _entry("PATCH", f"Observation/{name}", patch))
    fhir.post("", json=bundle).raise_for_status()
    assert fhir.get(f"Observation/{name}").json()["status"] == "amended"


def test_a_batch_goes_on_where_one_entry_is_refused(fhir: httpx.Client, name: str) -> None:
    bundle = _bundle(
        "batch",
        _entry("PUT", f"Patient/{name}", patient(name)),
        _entry("PUT", f"Observation/{name}", observation(name, status="bogus")),
        _entry("GET", f"Patient/{name}"),
        _entry("GET", f"Patient?_id={name}"),
        _entry("DELETE", "Nonsense/1"),
    )
    answer = fhir.post("", json=bundle)
    assert answer.status_code == 200
    assert answer.json()["type"] == "batch-response"
    entries = answer.json()["entry"]
    statuses = [entry["response"]["status"][:3] for entry in entries]
    assert statuses == ["201", "422", "200", "200", "404"]
    assert entries[0]["response"]["lastModified"].endswith("Z")
    outcome = entries[1]["response"]["outcome"]
    assert outcome["issue"][0]["expression"] == ["Observation.status"]
    assert entries[2]["resource"]["id"] == name
    assert entries[3]["resource"]["entry"][0]["resource"]["id"] == name


def test_resources_come_back_where_they_are_wished_for(fhir: httpx.Client, name: str) -> None:
    bundle = _bundle("transaction", _entry("PUT", f"Patient/{name}", patient(name)))
    plain = fhir.post("", json=bundle).json()["entry"][0]
    assert "resource" not in plain
    wished = fhir.post("", json=bundle, headers={"Prefer": "return=representation"})
    assert wished.json()["entry"][0]["resource"]["meta"]["versionId"] == "2"


def test_an_empty_transaction_is_answered_with_an_empty_one(fhir: httpx.Client) -> None:
    answer = fhir.post("", json={"resourceType": "Bundle", "type": "transaction"})
    assert answer.json() == {"resourceType": "Bundle", "type": "transaction-response"}


def test_the_base_takes_no_other_bundle(fhir: httpx.Client) -> None:
    for body in (patient(), _bundle("document"), {"resourceType": "Bundle"}):
        assert fhir.post("", json=body).status_code == 400


def test_sessions_posted_at_the_same_instant_make_one(fhir: httpx.Client, name: str) -> None:
    from concurrent.futures import ThreadPoolExecutor

    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    bundle = session_bundle(int(name[2:9], 16), f"Patient/{name}")
    with ThreadPoolExecutor(6) as pool:
        answers = list(pool.map(lambda _: httpx.post(f"{fhir.base_url}", json=bundle), range(6)))
    assert all(answer.status_code == 200 for answer in answers)
    assert len({answer.json()["entry"][0]["response"]["location"] for answer in answers}) == 1
    assert fhir.get(f"Patient/{name}/$everything").json()["total"] == 16


def test_many_sessions_at_once_are_all_there(fhir: httpx.Client, name: str) -> None:
    from concurrent.futures import ThreadPoolExecutor

    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    bundles = [unconditional(session_bundle(n, f"Patient/{name}")) for n in range(24)]
    bad = json.loads(json.dumps(bundles[0]))
    bad["entry"][3]["request"]["ifMatch"] = 'W/"1"'
    bad["entry"][3]["request"] |= {"method": "PUT", "url": "Procedure/none"}
    bad["entry"][3]["resource"]["id"] = "none"
    mixed = [b for pair in zip(bundles, [bad] * 24, strict=True) for b in pair]
    with ThreadPoolExecutor(8) as pool:
        statuses = list(
            pool.map(lambda b: httpx.post(f"{fhir.base_url}", json=b).status_code, mixed)
        )
    assert statuses == [200, 412] * 24
    assert fhir.get(f"Patient/{name}/$everything").json()["total"] == 1 + 24 * 15


def test_a_bundle_full_of_faults_gets_an_answer_of_moderate_size(fhir: httpx.Client) -> None:
    answer = fhir.post("", json=_bundle("transaction", *[{} for _ in range(20_000)]))
    assert answer.status_code == 400
    assert 1 <= len(answer.json()["issue"]) <= 500

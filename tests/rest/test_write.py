from __future__ import annotations

import threading

import httpx
import pytest

from tests.factories.clinical import care_plan, observation, patient


def test_create_gives_an_id_and_says_where(fhir: httpx.Client) -> None:
    answer = fhir.post("Patient", json=patient("mine"))
    assert answer.status_code == 201
    made = answer.json()
    assert made["id"] != "mine"
    assert answer.headers["Location"] == f"{fhir.base_url}Patient/{made['id']}/_history/1"
    assert fhir.get(f"Patient/{made['id']}").json() == made


def test_create_if_none_exist_stores_once(fhir: httpx.Client, name: str) -> None:
    body = patient(identifier=[{"system": "https://clinic.example/once", "value": name}])
    condition = {"If-None-Exist": f"identifier=https://clinic.example/once|{name}"}
    first = fhir.post("Patient", json=body, headers=condition)
    again = fhir.post("Patient", json=body, headers=condition)
    assert (first.status_code, again.status_code) == (201, 200)
    assert first.json() == again.json()
    fhir.post("Patient", json=body).raise_for_status()
    several = fhir.post("Patient", json=body, headers=condition)
    assert several.status_code == 412
    assert several.json()["issue"][0]["code"] == "multiple-matches"


def test_a_condition_that_is_not_understood_is_refused(fhir: httpx.Client) -> None:
    for condition in ("colour=blue", "", "_sort=name", "identifier="):
        answer = fhir.post("Patient", json=patient(), headers={"If-None-Exist": condition})
        assert answer.status_code == 400, condition


def test_update_creates_under_the_clients_id_then_adds_versions(
    fhir: httpx.Client, name: str
) -> None:
    assert fhir.put(f"Patient/{name}", json=patient(name)).status_code == 201
    second = fhir.put(f"Patient/{name}", json=patient(name, family="Lindgren"))
    assert second.status_code == 200
    assert second.headers["ETag"] == 'W/"2"'


def test_update_needs_the_id_of_the_address(fhir: httpx.Client, name: str) -> None:
    for body in (patient(), patient("other")):
        answer = fhir.put(f"Patient/{name}", json=body)
        assert answer.status_code == 400
        assert answer.json()["issue"][0]["expression"] == ["Patient.id"]
    assert fhir.get(f"Patient/{name}").status_code == 404


def test_update_with_stale_if_match_is_refused(fhir: httpx.Client, name: str) -> None:
    for _ in range(2):
        fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    stale = fhir.put(f"Patient/{name}", json=patient(name), headers={"If-Match": 'W/"1"'})
    assert stale.status_code == 412
    assert fhir.get(f"Patient/{name}").headers["ETag"] == 'W/"2"'
    fresh = fhir.put(f"Patient/{name}", json=patient(name), headers={"If-Match": 'W/"2"'})
    assert fresh.headers["ETag"] == 'W/"3"'


def test_update_brings_back_what_was_deleted(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    fhir.delete(f"Patient/{name}").raise_for_status()
    back = fhir.put(f"Patient/{name}", json=patient(name))
    assert (back.status_code, back.headers["ETag"]) == (201, 'W/"3"')
    assert fhir.get(f"Patient/{name}").status_code == 200


def test_eight_racers_on_one_version_one_wins(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"CarePlan/{name}", json=care_plan(name)).raise_for_status()
    start, statuses = threading.Barrier(8), []

    def race(number: int) -> None:
        plan = care_plan(name, title=f"Plan of racer {number}")
        with httpx.Client(base_url=fhir.base_url, timeout=30) as racer:
            start.wait()
            answer = racer.put(f"CarePlan/{name}", json=plan, headers={"If-Match": 'W/"1"'})
        statuses.append(answer.status_code)

    racers = [threading.Thread(target=race, args=(number,)) for number in range(8)]
    for racer in racers:
        racer.start()
    for racer in racers:
        racer.join()
    assert sorted(statuses) == [200] + [412] * 7
    assert fhir.get(f"CarePlan/{name}").headers["ETag"] == 'W/"2"'


def test_conditional_update_finds_makes_and_refuses(fhir: httpx.Client, name: str) -> None:
    system = "https://clinic.example/by-search"
    body = patient(identifier=[{"system": system, "value": name}])
    address = f"Patient?identifier={system}|{name}"
    made = fhir.put(address, json=body)
    assert made.status_code == 201
    found = fhir.put(address, json=body | {"gender": "other"})
    assert found.status_code == 200
    assert found.json()["id"] == made.json()["id"]
    assert fhir.put(address, json=body | {"id": "another"}).status_code == 400
    fhir.post("Patient", json=body).raise_for_status()
    assert fhir.put(address, json=body).status_code == 412


def test_delete_is_fine_again_and_for_what_never_was(fhir: httpx.Client, name: str) -> None:
    assert fhir.delete(f"Patient/{name}").status_code == 204
    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    assert fhir.delete(f"Patient/{name}").status_code == 204
    again = fhir.delete(f"Patient/{name}")
    assert (again.status_code, again.headers["ETag"]) == (204, 'W/"2"')


def test_conditional_delete_takes_one_or_none(fhir: httpx.Client, name: str) -> None:
    system = "https://clinic.example/to-delete"
    body = patient(identifier=[{"system": system, "value": name}])
    address = f"Patient?identifier={system}|{name}"
    assert fhir.delete(address).status_code == 204
    made = [fhir.post("Patient", json=body).json()["id"] for _ in range(2)]
    assert fhir.delete(address).status_code == 412
    fhir.delete(f"Patient/{made[0]}").raise_for_status()
    assert fhir.delete(address).status_code == 204
    assert fhir.get(f"Patient/{made[1]}").status_code == 410


def test_json_patch_makes_a_version(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"Observation/{name}", json=observation(name)).raise_for_status()
    patch = [{"op": "replace", "path": "/status", "value": "amended"}]
    headers = {"Content-Type": "application/json-patch+json", "If-Match": 'W/"1"'}
    answer = fhir.patch(f"Observation/{name}", json=patch, headers=headers)
    assert (answer.status_code, answer.json()["status"]) == (200, "amended")
    assert fhir.patch(f"Observation/{name}", json=patch, headers=headers).status_code == 412


def test_fhirpath_patch_makes_a_version(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"Observation/{name}", json=observation(name)).raise_for_status()
    parts = [
        {"name": "type", "valueCode": "replace"},
        {"name": "path", "valueString": "Observation.status"},
        {"name": "value", "valueCode": "amended"},
    ]
    patch = {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": parts}]}
    answer = fhir.patch(f"Observation/{name}", json=patch, headers=JSON)
    assert (answer.status_code, answer.json()["status"]) == (200, "amended")


def test_merge_patch_makes_a_version(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    for kind in ("application/merge-patch+json", "application/json"):
        patch = {"active": kind == "application/json", "gender": None}
        answer = fhir.patch(f"Patient/{name}", json=patch, headers={"Content-Type": kind})
        assert answer.status_code == 200
        assert answer.json()["active"] is patch["active"]
        assert "gender" not in answer.json()


def test_criteria_in_the_address_of_a_create_are_not_passed_over(
    fhir: httpx.Client, name: str
) -> None:
    body = patient(identifier=[{"system": "https://clinic.example/post", "value": name}])
    address = f"Patient?identifier=https://clinic.example/post|{name}&_format=json"
    assert [fhir.post(address, json=body).status_code for _ in range(2)] == [201, 200]
    assert fhir.post("Patient?colour=blue", json=body).status_code == 400


def test_a_patch_that_breaks_a_rule_stores_nothing(fhir: httpx.Client, name: str) -> None:
    fhir.put(f"Observation/{name}", json=observation(name)).raise_for_status()
    patch = [{"op": "replace", "path": "/status", "value": "bogus"}]
    headers = {"Content-Type": "application/json-patch+json"}
    answer = fhir.patch(f"Observation/{name}", json=patch, headers=headers)
    assert answer.status_code == 422
    assert answer.json()["issue"][0]["expression"] == ["Observation.status"]
    assert fhir.get(f"Observation/{name}").headers["ETag"] == 'W/"1"'


def test_conditional_patch(fhir: httpx.Client, name: str) -> None:
    system = "https://clinic.example/to-patch"
    address = f"Patient?identifier={system}|{name}"
    patch = [{"op": "add", "path": "/active", "value": True}]
    headers = {"Content-Type": "application/json-patch+json"}
    assert fhir.patch(address, json=patch, headers=headers).status_code == 404
    body = patient(identifier=[{"system": system, "value": name}])
    fhir.post("Patient", json=body).raise_for_status()
    assert fhir.patch(address, json=patch, headers=headers).json()["active"] is True


@pytest.mark.parametrize(
    ("prefer", "kind"), [("minimal", None), ("OperationOutcome", "OperationOutcome")]
)
def test_prefer_shapes_the_answer(fhir: httpx.Client, prefer: str, kind: str | None) -> None:
    answer = fhir.post("Patient", json=patient(), headers={"Prefer": f"return={prefer}"})
    assert answer.status_code == 201
    assert "Location" in answer.headers
    assert (answer.json()["resourceType"] if answer.content else None) == kind


def test_meta_of_the_client_stays_but_for_version_and_time(fhir: httpx.Client, name: str) -> None:
    meta = {
        "versionId": "99",
        "lastUpdated": "1999-01-01T00:00:00Z",
        "source": "https://clinic.example/system",
        "tag": [{"system": "https://clinic.example/tags", "code": "pilot"}],
    }
    fhir.put(f"Patient/{name}", json=patient(name, meta=meta)).raise_for_status()
    stored = fhir.get(f"Patient/{name}").json()["meta"]
    assert stored["versionId"] == "1"
    assert stored["lastUpdated"] > "2026"
    assert stored["source"] == meta["source"]
    assert stored["tag"] == meta["tag"]


JSON = {"Content-Type": "application/fhir+json"}

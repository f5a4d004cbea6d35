"""When is a new version written? Once for the same content, and never over what a person did."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor

import httpx

from service.standard.validation import validate
from tests.rest.document.asking import attest, same_but_name_and_time, write
from tests.rest.documents import composition_of


def test_same_data_same_bytes_but_name_and_time(fhir: httpx.Client, plan: str) -> None:
    first, second = write(fhir, plan), write(fhir, plan)
    assert (first.status_code, second.status_code) == (201, 200)
    one, two = first.json(), second.json()
    assert same_but_name_and_time(one) == same_but_name_and_time(two)
    assert one["identifier"]["value"] != two["identifier"]["value"]
    key = composition_of(one)["id"]
    third = fhir.get(f"Composition/{key}/$document")
    head, _, rest = third.content.partition(b'"entry":')
    assert rest == first.content.partition(b'"entry":')[2]
    assert b"urn:uuid:" in head
    assert fhir.get(f"Composition?subject=Patient/c-{plan}").json()["total"] == 1


def test_asked_at_the_same_time_it_is_written_once(fhir: httpx.Client, plan: str) -> None:
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: write(fhir, plan), range(4)))
    assert sorted(answer.status_code for answer in answers) == [200, 200, 200, 201]
    assert len({json.dumps(composition_of(answer.json())) for answer in answers}) == 1


def test_changed_data_make_a_new_version_of_the_draft(fhir: httpx.Client, plan: str) -> None:
    first = composition_of(write(fhir, plan).json())
    flag = fhir.get(f"Flag/{plan}-flag").json()
    flag["code"]["text"] = "Coughs on everything"
    fhir.put(f"Flag/{plan}-flag", json=flag).raise_for_status()
    answer = write(fhir, plan)
    second = composition_of(answer.json())
    assert answer.status_code == 201
    assert second["id"] == first["id"]
    assert second["meta"]["versionId"] == "2"
    assert "Coughs on everything" in second["text"]["div"]
    history = fhir.get(f"Composition/{first['id']}/_history").json()
    assert [entry["request"]["method"] for entry in history["entry"]] == ["POST", "POST"]
    assert [issue for issue in validate(history) if issue.severity == "error"] == []


def test_attested_document_is_left_as_it_is(fhir: httpx.Client, plan: str) -> None:
    draft = composition_of(write(fhir, plan).json())
    attest(fhir, plan, draft)
    again = write(fhir, plan)
    assert again.status_code == 200
    assert composition_of(again.json())["status"] == "final"
    allergy = fhir.get(f"AllergyIntolerance/{plan}-citrus").json()
    allergy["code"]["text"] = "Lemon"
    fhir.put(f"AllergyIntolerance/{plan}-citrus", json=allergy).raise_for_status()
    other = composition_of(write(fhir, plan).json())
    assert other["id"] != draft["id"]
    assert other["status"] == "preliminary"
    assert fhir.get(f"Composition/{draft['id']}").json()["status"] == "final"
    assert "version" not in write(fhir, plan).headers
    assert fhir.get(f"Composition?subject=Patient/c-{plan}").json()["total"] == 2


def test_what_a_person_edited_is_not_overwritten(fhir: httpx.Client, plan: str) -> None:
    draft = composition_of(write(fhir, plan).json())
    edited = draft | {"title": "Edited by a person"}
    fhir.put(f"Composition/{draft['id']}", json=edited).raise_for_status()
    other = composition_of(write(fhir, plan).json())
    assert other["id"] != draft["id"]
    assert fhir.get(f"Composition/{draft['id']}").json()["title"] == "Edited by a person"


def test_author_custodian_and_title_as_asked(fhir: httpx.Client, plan: str) -> None:
    body = {
        "resourceType": "Parameters",
        "parameter": [
            {"name": "plan", "valueReference": {"reference": f"CarePlan/{plan}"}},
            {"name": "patient", "valueString": f"Patient/c-{plan}"},
            {"name": "author", "valueReference": {"reference": f"Practitioner/{plan}-therapist"}},
            {"name": "custodian", "valueString": f"{plan}-house"},
            {"name": "title", "valueString": "For the hospital"},
        ],
    }
    answer = fhir.post("Composition/$document", json=body)
    assert answer.status_code == 201, answer.text[:500]
    composition = composition_of(answer.json())
    assert composition["author"][0] == {"reference": f"Practitioner/{plan}-therapist"}
    assert composition["title"] == "For the hospital"
    inside = {entry["resource"]["id"] for entry in answer.json()["entry"]}
    assert {f"{plan}-therapist", f"{plan}-house"} <= inside

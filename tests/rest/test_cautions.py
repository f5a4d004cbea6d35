"""Which warnings go with $validate and with writes? Over HTTP, on both engines.

Warnings never stand in the way of a write, and other types are not looked at. R4 http page, #ops
(Prefer); Bundle.entry.response.outcome ("hints and warnings").
"""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from tests.factories.clinical import encounter, observation, patient

Resource = dict[str, Any]

OWN = "https://hyoid.example/fhir/CodeSystem/"
OUTCOME = {"Prefer": "return=OperationOutcome"}


def order(client: str, technique: str = "palate-oval-strokes", **more: Any) -> Resource:
    return {
        "resourceType": "ServiceRequest",
        "status": "active",
        "intent": "order",
        "code": {"coding": [{"system": f"{OWN}technique", "code": technique}]},
        "subject": {"reference": f"Patient/{client}"},
        **more,
    }


@pytest.fixture
def client(fhir: httpx.Client, name: str) -> str:
    """A client with a strong gag reflex."""
    flag = {
        "resourceType": "Flag",
        "id": name,
        "status": "active",
        "code": {"coding": [{"system": f"{OWN}caution", "code": "strong-gag"}]},
        "subject": {"reference": f"Patient/{name}"},
    }
    for resource in (patient(name), flag):
        address = f"{resource['resourceType']}/{name}"
        fhir.put(address, json=resource).raise_for_status()
    return name


def warnings(outcome: Resource) -> list[str]:
    return [
        each["diagnostics"]
        for each in outcome["issue"]
        if (each["severity"], each["code"]) == ("warning", "business-rule")
    ]


def test_validate_warns_of_an_order_and_says_where(fhir: httpx.Client, client: str) -> None:
    outcome = fhir.post("ServiceRequest/$validate", json=order(client)).json()
    (told,) = warnings(outcome)
    assert told.startswith("Strong gag reflex. ")
    assert f"Flag/{client}" in told
    assert "Defer to local rules and the licensed therapist." in told
    (issue,) = (each for each in outcome["issue"] if each["diagnostics"] == told)
    assert issue["expression"] == ["ServiceRequest.code"]


def test_validate_warns_of_what_was_given_in_a_session(fhir: httpx.Client, client: str) -> None:
    given = order(client) | {"resourceType": "Procedure", "status": "completed"}
    del given["intent"]
    assert warnings(fhir.post("Procedure/$validate", json=given).json())


def test_validate_looks_through_a_plan_to_its_orders(fhir: httpx.Client, client: str) -> None:
    stored = fhir.post("ServiceRequest", json=order(client)).json()
    plan = {
        "resourceType": "CarePlan",
        "status": "active",
        "intent": "plan",
        "subject": {"reference": f"Patient/{client}"},
        "activity": [{"reference": {"reference": f"ServiceRequest/{stored['id']}"}}],
    }
    outcome = fhir.post("CarePlan/$validate", json=plan).json()
    assert len(warnings(outcome)) == 1
    assert outcome["issue"][-1]["expression"] == ["CarePlan.activity"]


@pytest.mark.parametrize("subject", ["Patient/nobody-here", "Group/g", "urn:uuid:0"])
def test_subject_that_is_no_client_here_gives_no_warning(
    fhir: httpx.Client, client: str, subject: str
) -> None:
    resource = order(client) | {"subject": {"reference": subject}}
    assert warnings(fhir.post("ServiceRequest/$validate", json=resource).json()) == []


def test_broken_resource_is_told_of_its_errors_only(fhir: httpx.Client, client: str) -> None:
    outcome = fhir.post("ServiceRequest/$validate", json=order(client, status="bogus")).json()
    assert warnings(outcome) == []
    assert any(each["severity"] == "error" for each in outcome["issue"])


def test_write_is_done_and_the_number_of_warnings_told(fhir: httpx.Client, client: str) -> None:
    plain = fhir.post("ServiceRequest", json=order(client))
    assert (plain.status_code, plain.headers["Hyoid-Cautions"]) == (201, "1")
    assert plain.json()["resourceType"] == "ServiceRequest"
    told = fhir.post("ServiceRequest", json=order(client), headers=OUTCOME)
    assert told.status_code == 201
    assert len(warnings(told.json())) == 1
    assert "no warning is no all-clear" in told.json()["issue"][-1]["diagnostics"]
    address = f"ServiceRequest/{plain.json()['id']}"
    again = fhir.put(address, json=plain.json(), headers=OUTCOME)
    assert len(warnings(again.json())) == 1
    patch = [{"op": "replace", "path": "/status", "value": "revoked"}]
    patched = fhir.patch(
        address, json=patch, headers={"Content-Type": "application/json-patch+json"}
    )
    assert patched.status_code == 200
    assert "Hyoid-Cautions" not in patched.headers
    assert fhir.delete(address).status_code == 204


def test_order_without_a_reason_to_warn_has_no_number(fhir: httpx.Client, client: str) -> None:
    answer = fhir.post("ServiceRequest", json=order(client, "lip-syllables"), headers=OUTCOME)
    assert answer.status_code == 201
    assert "Hyoid-Cautions" not in answer.headers
    assert warnings(answer.json()) == []


def test_other_types_are_not_looked_at(fhir: httpx.Client, client: str) -> None:
    given = order(client) | {"resourceType": "Procedure", "status": "completed"}
    del given["intent"]
    for resource in (
        given,
        observation(patient=f"Patient/{client}"),
        encounter(f"Patient/{client}"),
    ):
        answer = fhir.post(resource["resourceType"], json=resource, headers=OUTCOME)
        assert answer.status_code == 201
        assert "Hyoid-Cautions" not in answer.headers
        assert warnings(answer.json()) == []


@pytest.mark.parametrize("kind", ["transaction", "batch"])
def test_bundle_tells_warnings_where_outcomes_are_asked_for(
    fhir: httpx.Client, client: str, kind: str
) -> None:
    resources = [
        order(client),
        order(client, "lip-syllables"),
        observation(patient=f"Patient/{client}"),
    ]
    bundle = {
        "resourceType": "Bundle",
        "type": kind,
        "entry": [
            {"resource": each, "request": {"method": "POST", "url": each["resourceType"]}}
            for each in resources
        ],
    }
    plain = fhir.post("", json=bundle).json()
    assert not [each for each in plain["entry"] if "outcome" in each["response"]]
    answer = fhir.post("", json=bundle, headers=OUTCOME).json()
    outcomes = [each["response"]["outcome"] for each in answer["entry"]]
    assert [len(warnings(each)) for each in outcomes] == [1, 0, 0]
    assert {each["response"]["status"] for each in answer["entry"]} == {"201 Created"}


def test_saturation_that_falls_within_a_session_is_found_in_the_record(
    fhir: httpx.Client, client: str
) -> None:
    """Observations by code and time, and the Encounters around a fever, are read from the store."""
    from datetime import UTC, datetime, timedelta

    now = datetime.now(UTC)

    def vital(code: str, value: float, unit: str, when: datetime) -> Resource:
        found = observation(patient=f"Patient/{client}", when=when.isoformat(timespec="seconds"))
        found["code"] = {"coding": [{"system": "http://loinc.org", "code": code}]}
        quantity = {"value": value, "system": "http://unitsofmeasure.org", "code": unit}
        return found | {"valueQuantity": quantity}

    end = now - timedelta(days=3)
    period = {"start": (end - timedelta(hours=1)).isoformat(timespec="seconds")}
    period |= {"end": end.isoformat(timespec="seconds")}
    visit = encounter(f"Patient/{client}", client) | {"period": period}
    for resource in (
        visit,
        vital("2708-6", 97, "%", end - timedelta(minutes=50)),
        vital("2708-6", 93, "%", end - timedelta(minutes=20)),
        vital("8310-5", 101.3, "[degF]", end + timedelta(hours=20)),
    ):
        fhir.post(resource["resourceType"], json=resource).raise_for_status()
    outcome = fhir.post("ServiceRequest/$validate", json=order(client, "swallow-trials")).json()
    titles = {told.split(".")[0] for told in warnings(outcome)}
    assert titles == {
        "Oxygen saturation falling during sessions",
        "Unexplained fever after sessions",
    }


def test_record_of_another_client_does_not_warn(fhir: httpx.Client, client: str) -> None:
    fhir.put(f"Patient/other-{client}", json=patient(f"other-{client}")).raise_for_status()
    outcome = fhir.post("ServiceRequest/$validate", json=order(f"other-{client}")).json()
    assert warnings(outcome) == []

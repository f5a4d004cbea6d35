from __future__ import annotations

import httpx
import pytest

from tests.factories.clinical import care_plan, observation, patient


@pytest.fixture
def record(fhir: httpx.Client, name: str) -> str:
    """A client with a plan, measures, and what they refer to; and a neighbour."""

    def put(resource: dict[str, object]) -> None:
        address = f"{resource['resourceType']}/{resource['id']}"
        fhir.put(address, json=resource).raise_for_status()

    put({"resourceType": "Organization", "id": f"org-{name}", "name": "Invented clinic"})
    put(
        {
            "resourceType": "PractitionerRole",
            "id": f"role-{name}",
            "practitioner": {"reference": f"Practitioner/prac-{name}"},
            "organization": {"reference": f"Organization/org-{name}"},
        }
    )
    put({"resourceType": "Practitioner", "id": f"prac-{name}", "name": [{"family": "Okoro"}]})
    put({"resourceType": "Practitioner", "id": f"stranger-{name}", "name": [{"family": "Else"}]})
    put(patient(f"other-{name}", family="Neighbour"))
    put(observation(f"other-{name}", patient=f"Patient/other-{name}"))
    put(patient(name))
    put(care_plan(name, patient=f"Patient/{name}"))
    for number in range(5):
        put(
            observation(
                f"{name}-{number}",
                patient=f"Patient/{name}",
                performer=[{"reference": f"PractitionerRole/role-{name}"}],
                # A mention of another client does not bring that client along.
                focus=[{"reference": f"Patient/other-{name}"}],
                note=[{"text": f'"reference":"Practitioner/stranger-{name}"'}],
            )
        )
    return name


def _names(bundle: dict[str, list[dict[str, dict[str, str]]]]) -> list[str]:
    return [
        f"{entry['resource']['resourceType']}/{entry['resource']['id']}"
        for entry in bundle["entry"]
    ]


def _expected(name: str) -> set[str]:
    own = {f"Patient/{name}", f"CarePlan/{name}"}
    own |= {f"Observation/{name}-{number}" for number in range(5)}
    shared = {f"PractitionerRole/role-{name}", f"Practitioner/prac-{name}"}
    return own | shared | {f"Organization/org-{name}"}


def test_everything_is_the_record_and_what_it_refers_to(fhir: httpx.Client, record: str) -> None:
    bundle = fhir.get(f"Patient/{record}/$everything").json()
    assert bundle["type"] == "searchset"
    assert bundle["total"] == 7
    assert _names(bundle)[0] == f"Patient/{record}"
    assert sorted(_names(bundle)) == sorted(_expected(record))


@pytest.mark.parametrize("count", [1, 2, 3, 7, 9])
def test_everything_page_by_page_is_the_same(fhir: httpx.Client, record: str, count: int) -> None:
    found, url = [], f"Patient/{record}/$everything?_count={count}"
    while url:
        bundle = fhir.get(url).raise_for_status().json()
        assert len(bundle["entry"]) <= count
        found += _names(bundle)
        url = next((link["url"] for link in bundle["link"] if link["relation"] == "next"), "")
    assert sorted(found) == sorted(_expected(record))


def test_everything_narrowed_by_type_and_time(fhir: httpx.Client, record: str) -> None:
    typed = fhir.get(f"Patient/{record}/$everything?_type=CarePlan,Organization").json()
    assert sorted(_names(typed)) == [f"CarePlan/{record}", f"Organization/org-{record}"]
    changed = fhir.put(f"CarePlan/{record}", json=care_plan(record, patient=f"Patient/{record}"))
    since = changed.json()["meta"]["lastUpdated"]
    recent = fhir.get(f"Patient/{record}/$everything", params={"_since": since}).json()
    assert _names(recent) == [f"CarePlan/{record}"]


def test_everything_refuses_what_it_does_not_understand(fhir: httpx.Client, record: str) -> None:
    for query in ("_type=Nonsense", "_count=0", "_since=soon", "colour=blue", "_page=x"):
        answer = fhir.get(f"Patient/{record}/$everything?{query}")
        assert answer.status_code == 400, query
        assert answer.json()["resourceType"] == "OperationOutcome"
    assert fhir.get("Patient/nobody-here/$everything").status_code == 404

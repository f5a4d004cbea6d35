"""A record goes from one live service into another: twice, and again after a change; both engines.

Outside source: http://hl7.org/fhir/R4/http.html#transaction; what arrives is compared, resource for
resource, with what a client reads at the source.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from service.handover.transaction_bundle import key_elsewhere
from tests.factories.care import case, neighbour
from tests.rest.conftest import live_service_on
from tests.rest.documents import walk
from tests.rest.putting import put_all

Resource = dict[str, Any]


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def receiver(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[httpx.Client]:
    path = tmp_path_factory.mktemp("receiver") / "store.sqlite3"
    with (
        live_service_on(request, f"sqlite:///{path}") as base,
        httpx.Client(base_url=f"{base}/fhir/", timeout=30) as client,
    ):
        yield client


@pytest.fixture
def known(fhir: httpx.Client, name: str) -> str:
    """A client at the source, with people who have numbers, and a neighbour."""
    resources = list(case(name))
    for resource in resources:
        if resource["resourceType"] in ("Practitioner", "Organization"):
            number = {"system": "https://clinic.example/staff|ids", "value": resource["id"]}
            resource["identifier"] = [number]
    put_all(fhir, resources)
    put_all(fhir, list(neighbour(name)))
    return name


def _taken(fhir: httpx.Client, name: str) -> Resource:
    path = f"Patient/c-{name}/$everything"
    answer = fhir.get(path, params={"bundle-type": "transaction"})
    assert answer.status_code == 200, answer.text[:2000]
    assert answer.content == fhir.get(path, params={"bundle-type": "transaction"}).content
    found: Resource = answer.json()
    return found


def _loaded(receiver: httpx.Client, bundle: Resource) -> list[str]:
    """Where each entry lies now, as `Type/id`."""
    answer = receiver.post("", json=bundle)
    assert answer.status_code == 200, answer.text[:2000]
    found = [entry["response"]["location"] for entry in answer.json()["entry"]]
    return ["/".join(place.split("/_history/")[0].split("/")[-2:]) for place in found]


def _total(receiver: httpx.Client, kind: str) -> int:
    return int(receiver.get(kind, params={"_summary": "count"}).json()["total"])


def _counts(receiver: httpx.Client) -> dict[str, int]:
    statement = receiver.get("metadata").json()
    kinds = [one["type"] for one in statement["rest"][0]["resource"]]
    # What the receiver tells of itself grows with every request.
    return {kind: _total(receiver, kind) for kind in kinds if kind != "AuditEvent"}


def _bare(resource: Resource) -> Resource:
    """Without id and meta, and without the type that a reference shows by itself."""
    for holder in walk(resource):
        if holder.get("type") == str(holder.get("reference")).partition("/")[0]:
            del holder["type"]
    return {name: value for name, value in resource.items() if name not in ("id", "meta")}


def _compare(
    fhir: httpx.Client, receiver: httpx.Client, patient: str, bundle: Resource, places: list[str]
) -> int:
    """Every resource of the source, with its references led over, is what the receiver has."""
    base = str(fhir.base_url).rstrip("/")
    placed = dict(zip((e["fullUrl"] for e in bundle["entry"]), places, strict=True))
    held: dict[str, Resource] = {}
    found = fhir.get(f"Patient/{patient}/$everything").json()
    for entry in found["entry"]:
        held[f"{entry['resource']['resourceType']}/{entry['resource']['id']}"] = entry["resource"]
    there = {}
    for name in held:
        kind, _, key = name.partition("/")
        url = f"urn:uuid:{key_elsewhere(base, (kind, key))}"
        if url in placed:
            there[name] = placed[url]
    compared = 0
    for name, place in there.items():
        arrived = receiver.get(place).json()
        assert arrived["meta"]["source"] == base
        if {"code": "SUBSETTED"}.items() <= (arrived["meta"].get("tag") or [{}])[0].items():
            continue
        sent = json.dumps(_bare(held[name]), sort_keys=True)
        for one, other in there.items():
            sent = sent.replace(f'"reference": "{one}"', f'"reference": "{other}"')
        assert json.dumps(_bare(arrived), sort_keys=True) == sent
        compared += 1
    return compared


def test_a_record_goes_over_once_and_is_kept_fresh(
    fhir: httpx.Client, receiver: httpx.Client, known: str
) -> None:
    bundle = _taken(fhir, known)
    places = _loaded(receiver, bundle)
    counts = _counts(receiver)
    assert _compare(fhir, receiver, f"c-{known}", bundle, places) >= len(places) - 3
    assert _loaded(receiver, bundle) == places
    assert _counts(receiver) == counts

    allergy = fhir.get(f"AllergyIntolerance/{known}-citrus").json() | {"criticality": "low"}
    fhir.put(f"AllergyIntolerance/{known}-citrus", json=allergy).raise_for_status()
    later = {
        "resourceType": "Flag",
        "id": f"{known}-later",
        "status": "active",
        "code": {"text": "Wears a hearing aid"},
        "subject": {"reference": f"Patient/c-{known}"},
    }
    put_all(fhir, [later])
    fresh = _taken(fhir, known)
    places = _loaded(receiver, fresh)
    assert _counts(receiver) == counts | {"Flag": counts["Flag"] + 1}
    assert _compare(fhir, receiver, f"c-{known}", fresh, places) >= len(places) - 3


def test_whom_the_receiver_knows_is_not_overwritten(
    fhir: httpx.Client, receiver: httpx.Client, known: str
) -> None:
    own = {
        "resourceType": "Patient",
        "id": f"hospital-{known}",
        "identifier": [{"system": "https://clinic.example/ids", "value": f"N-{known}"}],
        "name": [{"family": "As the hospital writes it"}],
    }
    kept = receiver.put(f"Patient/hospital-{known}", json=own).json()
    places = _loaded(receiver, _taken(fhir, known))
    assert places[0] == f"Patient/hospital-{known}"
    assert receiver.get(places[0]).json() == kept
    found = receiver.get("AllergyIntolerance", params={"patient": places[0]}).json()
    assert len(found["entry"]) == 1
    sent = receiver.get("Provenance", params={"patient": places[0]}).json()
    assert len(sent["entry"]) == 1


def test_nothing_of_the_neighbour_arrives(
    fhir: httpx.Client, receiver: httpx.Client, known: str
) -> None:
    _loaded(receiver, _taken(fhir, known))
    assert "Nils" not in fhir.get(f"Patient/c-{known}/$everything?bundle-type=transaction").text
    assert receiver.get("Patient", params={"given": "Nils"}).json().get("entry") is None


@pytest.mark.parametrize(
    "query",
    [
        "bundle-type=batch",
        "bundle-type=",
        "bundle-type=transaction&bundle-type=transaction",
        "bundle-type=transaction&_type=Goal",
        "bundle-type=transaction&_since=2026-01-01",
        "bundle-type=transaction&_count=3",
    ],
)
def test_refusals(fhir: httpx.Client, known: str, query: str) -> None:
    answer = fhir.get(f"Patient/c-{known}/$everything?{query}")
    assert answer.status_code == 400
    assert answer.json()["resourceType"] == "OperationOutcome"
    assert fhir.get("Patient/nobody/$everything?bundle-type=transaction").status_code == 404

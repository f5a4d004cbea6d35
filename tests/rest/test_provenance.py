"""Every write leaves a Provenance that names who wrote; a client may send one of its own.

R4: http://hl7.org/fhir/R4/provenance.html, "X-Provenance".
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.store.store import Store
from tests.access.asking import Asking
from tests.factories.minimal import minimal

SENT = {
    "resourceType": "Provenance",
    "recorded": "2026-01-01T00:00:00Z",
    "agent": [{"who": {"display": "A therapist elsewhere"}}],
}
WARD = Caller("ward", frozenset({"system/Goal.cruds", "system/Device.cruds"}))
GOAL = minimal("Goal")


@pytest.fixture
def ask(store: Store) -> Iterator[Asking]:
    asking = Asking(store)
    yield asking
    asking.close()


def provenances(ask: Asking, target: str = "") -> list[dict[str, Any]]:
    address = f"Provenance?target={target}" if target else "Provenance"
    bundle = ask(ANONYMOUS, "GET", address).json()
    return [entry["resource"] for entry in bundle.get("entry", ())]


def test_each_write_has_one_without_a_scope_for_it(ask: Asking) -> None:
    assert ask(WARD, "PUT", "Goal/g", GOAL | {"id": "g"}).status == 201
    assert ask(WARD, "PUT", "Goal/g", GOAL | {"id": "g"}).status == 200
    assert ask(WARD, "DELETE", "Goal/g").status == 204
    found = provenances(ask, "Goal/g")
    told = {
        (each["target"][0]["reference"], each["activity"]["coding"][0]["code"]) for each in found
    }
    assert told == {
        ("Goal/g/_history/1", "CREATE"),
        ("Goal/g/_history/2", "UPDATE"),
        ("Goal/g/_history/3", "DELETE"),
    }
    assert {each["agent"][0]["who"]["identifier"]["value"] for each in found} == {"ward"}


def test_nothing_written_leaves_none(ask: Asking) -> None:
    body = minimal("Device") | {"identifier": [{"system": "urn:x", "value": "1"}]}
    for status in (201, 200):
        told = ask(WARD, "POST", "Device", body, if_none_exist="identifier=urn:x|1")
        assert told.status == status
    assert ask(WARD, "DELETE", "Goal/nowhere").status == 204
    assert ask(WARD, "PUT", "Goal/g", GOAL | {"id": "g"}, if_match='W/"4"').status == 412
    assert len(provenances(ask)) == 1


def test_a_transaction_has_one_for_all_that_has_none(ask: Asking) -> None:
    own = SENT | {"target": [{"reference": "Goal/a"}]}
    entries = [
        {"request": {"method": "PUT", "url": f"Goal/{key}"}, "resource": GOAL | {"id": key}}
        for key in ("a", "b", "c")
    ]
    entries.append({"request": {"method": "POST", "url": "Provenance"}, "resource": own})
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    assert ask(ANONYMOUS, "POST", "", bundle).status == 200
    targets = sorted(
        sorted(target["reference"] for target in each["target"]) for each in provenances(ask)
    )
    assert targets == [["Goal/a"], ["Goal/b/_history/1", "Goal/c/_history/1"]]


@pytest.mark.parametrize("access", ["open", "smart"])
def test_one_that_is_sent_is_kept(store: Store, access: str) -> None:
    ask = Asking(store, access=access)
    told = ask(WARD, "PUT", "Goal/g", GOAL | {"id": "g"}, x_provenance=json.dumps(SENT))
    assert told.status == 201
    (found,) = provenances(ask)
    assert found["target"] == [{"reference": "Goal/g/_history/1"}]
    assert found["agent"][0] == SENT["agent"][0]
    assert len(found["agent"]) == (2 if access == "smart" else 1)
    ask.close()


@pytest.mark.parametrize(
    "sent",
    [
        "no JSON",
        json.dumps({"resourceType": "Patient"}),
        json.dumps({"resourceType": "Provenance"}),
        json.dumps(SENT | {"target": [{"reference": "Goal/x"}]}),
        json.dumps(SENT | {"id": "x"}),
        json.dumps(SENT | {"recorded": "soon"}),
        json.dumps(SENT | {"reason": [{"text": "x" * 20_000}]}),
    ],
)
def test_one_that_is_wrong_refuses_the_write(ask: Asking, sent: str) -> None:
    told = ask(WARD, "PUT", "Goal/g", GOAL | {"id": "g"}, x_provenance=sent)
    assert told.status == 400
    assert told.json()["issue"][0]["location"] == ["http.X-Provenance"]
    assert ask(WARD, "GET", "Goal/g").status == 404


def test_it_is_found_by_patient_where_it_is_about_the_patient_and_else_by_a_chain(
    ask: Asking,
) -> None:
    """Official package: SearchParameter Provenance-patient is Provenance.target.where(resolve() is
    Patient), and CompartmentDefinition patient has Provenance by that parameter."""
    goal = GOAL | {"id": "g", "subject": {"reference": "Patient/p"}}
    assert ask(ANONYMOUS, "PUT", "Patient/p", {"resourceType": "Patient", "id": "p"}).status == 201
    assert ask(ANONYMOUS, "PUT", "Goal/g", goal).status == 201

    def targets(address: str) -> list[str]:
        found = ask(ANONYMOUS, "GET", address).json().get("entry", ())
        resources = [entry["resource"] for entry in found]
        return [
            each["target"][0]["reference"]
            for each in resources
            if each["resourceType"] == "Provenance"
        ]

    assert targets("Provenance?patient=p") == ["Patient/p/_history/1"]
    assert targets("Patient/p/$everything") == ["Patient/p/_history/1"]
    assert targets("Patient/p/Provenance") == ["Patient/p/_history/1"]
    assert targets("Provenance?target:Goal.patient=p") == ["Goal/g/_history/1"]
    assert targets("Goal?patient=p&_revinclude=Provenance:target") == ["Goal/g/_history/1"]

"""What is in the transaction of a record, decided without a receiver.

Sources: http://hl7.org/fhir/R4/http.html#transaction, #ccreate, and search.html#escaping.
"""

from __future__ import annotations

import uuid
from typing import Any
from urllib.parse import parse_qs

import pytest

from service.caller import ANONYMOUS, Caller
from service.errors import NotFound, TooLarge
from service.handover.departure import departing, departure
from service.handover.transaction_bundle import key_elsewhere, transaction_bundle
from service.standard.codec import decode_resource, encode
from service.standard.validation import validate
from service.store.rows import Stored
from service.store.store import Store
from tests.factories.care import case, neighbour

BASE = "https://clinic.example/fhir"
Resource = dict[str, Any]


def stored(resource: Resource, updated: int = 1) -> Stored:
    return Stored(
        resource["resourceType"], resource["id"], 1, updated, False, encode(resource), 1, 1, "PUT"
    )


def bundled(*resources: Resource, left_out: Any = ()) -> list[Resource]:
    found = decode_resource(transaction_bundle([stored(r) for r in resources], left_out, BASE))
    assert [issue for issue in validate(found) if issue.severity == "error"] == []
    entries: list[Resource] = found["entry"]
    return entries


def person(key: str, *identifiers: Resource, kind: str = "Practitioner") -> Resource:
    return {"resourceType": kind, "id": key, "identifier": list(identifiers)}


PATIENT: Resource = {"resourceType": "Patient", "id": "p"}
FIRST = {"system": "https://x.example/ids", "value": "1"}


def test_without_an_identifier_the_id_follows_from_the_address() -> None:
    (entry, _) = bundled(PATIENT)
    key = str(uuid.uuid5(uuid.NAMESPACE_URL, f"{BASE}/Patient/p"))
    assert entry["request"] == {"method": "PUT", "url": f"Patient/{key}"}
    assert entry["fullUrl"] == f"urn:uuid:{key}"
    assert entry["resource"]["meta"] == {"source": BASE}


def test_with_an_identifier_it_is_created_where_there_is_none() -> None:
    odd = {"system": "https://x.example/a|b&c", "value": r"1,2$3\4 ü#&"}
    entry = bundled(PATIENT, person("a", odd))[1]
    assert entry["request"]["method"] == "POST"
    assert "id" not in entry["resource"]
    (value,) = parse_qs(entry["request"]["ifNoneExist"])["identifier"]
    assert value == r"https://x.example/a\|b&c|1\,2\$3\\4 ü#&"


def test_an_official_identifier_goes_first_and_an_old_one_is_not_used() -> None:
    old = {"system": "https://x.example/ids", "value": "old", "use": "old"}
    official = {"system": "https://x.example/ids", "value": "best", "use": "official"}
    nameless = {"value": "7"}
    entry = bundled(PATIENT, person("a", old, nameless, FIRST, official))[1]
    assert entry["request"]["ifNoneExist"].endswith("best")
    assert bundled(PATIENT, person("a", old, nameless))[1]["request"]["method"] == "PUT"


def test_two_with_one_identifier_stay_two() -> None:
    entries = bundled(PATIENT, person("a", FIRST), person("b", FIRST))
    assert [entry["request"]["method"] for entry in entries[1:3]] == ["PUT", "PUT"]


def test_a_definition_is_created_where_its_url_and_version_are_not_known() -> None:
    questions = {
        "resourceType": "Questionnaire",
        "id": "q",
        "url": "https://x.example/q",
        "version": "2",
        "status": "active",
    }
    entry = bundled(PATIENT, questions)[1]
    assert parse_qs(entry["request"]["ifNoneExist"]) == {
        "url": ["https://x.example/q"],
        "version": ["2"],
    }


def observation(**more: Any) -> Resource:
    return {
        "resourceType": "Observation",
        "id": "o",
        "status": "final",
        "code": {"text": "Patient/p"},
        "subject": {"reference": "Patient/p"},
    } | more


def urn(name: str) -> str:
    kind, key = name.split("/")
    return f"urn:uuid:{key_elsewhere(BASE, (kind, key))}"


def test_links_lead_to_entries_and_texts_stay() -> None:
    div = (
        '<div xmlns="http://www.w3.org/1999/xhtml">'
        '<a href="Patient/p">Patient/p</a><a href="#x">x</a></div>'
    )
    kept = {"reference": "https://other.example/fhir/Patient/p"}
    logical = {"identifier": FIRST, "display": "Patient/p"}
    contained = {
        "resourceType": "Observation",
        "id": "in",
        "status": "final",
        "code": {"text": "in"},
        "subject": {"reference": f"{BASE}/Patient/p"},
    }
    found = bundled(
        PATIENT,
        observation(
            text={"status": "generated", "div": div},
            contained=[contained],
            hasMember=[{"reference": "#in"}],
            focus=[{"reference": "Patient/p/_history/3"}, kept],
            performer=[logical],
            partOf=[{"reference": "urn:uuid:8c5f0b5e-0f6c-4a0e-9a5e-000000000000"}],
            basedOn=[{"reference": "CarePlan?identifier=7"}],
            note=[{"text": "Patient/p"}],
        ),
    )[1]["resource"]
    patient = urn("Patient/p")
    led = {"type": "Patient", "reference": patient}
    assert found["subject"] == led
    assert found["focus"] == [led, kept]
    assert found["performer"] == [logical]
    assert found["contained"][0]["subject"] == led
    assert found["hasMember"] == [{"reference": "#in"}]
    assert found["code"] == {"text": "Patient/p"}
    assert found["note"] == [{"text": "Patient/p"}]
    assert f'<a href="{patient}">Patient/p</a><a href="#x">x</a>' in found["text"]["div"]
    (nowhere,) = found["partOf"]
    assert nowhere["identifier"]["value"].startswith("urn:uuid:8c5f")
    assert "reference" not in nowhere
    assert "reference" not in found["basedOn"][0]


def test_addresses_of_attachments_are_made_whole() -> None:
    document = {
        "resourceType": "DocumentReference",
        "id": "d",
        "status": "current",
        "subject": {"reference": "Patient/p"},
        "content": [
            {"attachment": {"url": "Binary/here"}},
            {"attachment": {"url": "Binary/there"}},
            {"attachment": {"url": "https://y.example/Binary/z"}},
        ],
    }
    binary = {"resourceType": "Binary", "id": "here", "contentType": "text/plain"}
    content = bundled(PATIENT, document, binary)[1]["resource"]["content"]
    assert [one["attachment"]["url"] for one in content] == [
        urn("Binary/here"),
        f"{BASE}/Binary/there",
        "https://y.example/Binary/z",
    ]


def test_provenance_names_the_sender_and_what_it_is_the_source_of() -> None:
    house = person("h", FIRST, kind="Organization")
    patient = person("p", FIRST, kind="Patient") | {
        "managingOrganization": {"reference": "Organization/h"},
        "meta": {"source": "https://z.example/before"},
    }
    found = bundled(patient, observation(), house)[-1]["resource"]
    targets = [one["reference"] for one in found["target"]]
    assert targets == [urn("Patient/p"), urn("Observation/o")]
    (agent,) = found["agent"]
    assert agent["who"]["identifier"]["value"] == BASE
    assert agent["onBehalfOf"] == {"reference": urn("Organization/h")}
    assert found["entity"][0]["what"]["identifier"]["value"] == "https://z.example/before"
    assert found["recorded"] == "1970-01-01T00:00:00.000001Z"


@pytest.fixture
def filled(store: Store) -> Store:
    with store.write(ANONYMOUS) as unit:
        for resource in [*case("p"), *neighbour("p")]:
            unit.append(resource, resource["id"], BASE, method="PUT", current=None)
    return store


def test_nothing_of_another_client_goes_along(filled: Store) -> None:
    with filled.reader(snapshot=True) as connection:
        record, left_out = departing(connection, ANONYMOUS, "c-p", BASE)
        body, count = departure(connection, ANONYMOUS, "c-p", BASE, 10**8)
        again, _ = departure(connection, ANONYMOUS, "c-p", BASE, 10**8)
    assert body == again
    names = {one.reference for one in record}
    assert not names & {"Group/p-group", "Observation/p-swallow-delay-91", "Task/p-task"}
    assert {"Patient/c-p", "Observation/p-swallow-delay-90", "Practitioner/p-therapist"} <= names
    assert ("Condition", "p-other-secret") in left_out
    for secret in (b"Secret", b"Neighbour", b"Nils", b"other-secret", b"c-p-other"):
        assert secret not in body
    entries = decode_resource(body)["entry"]
    assert len(entries) == count + 1
    urls = {entry["fullUrl"] for entry in entries}
    assert len(urls) == len(entries)
    assert {text for text in body.decode().split('"') if text.startswith("urn:uuid:")} <= urls


def test_who_may_not_see_the_client_gets_nothing(filled: Store) -> None:
    stranger = Caller("s", frozenset({"system/*.cruds"}), clients=frozenset({"c-p-other"}))
    with filled.reader() as connection, pytest.raises(NotFound):
        departure(connection, stranger, "c-p", BASE, 10**8)


def test_what_one_transaction_cannot_hold_is_refused(filled: Store) -> None:
    with filled.reader(snapshot=True) as connection:
        size = len(departure(connection, ANONYMOUS, "c-p", BASE, 10**8)[0])
        assert departure(connection, ANONYMOUS, "c-p", BASE, size)
        with pytest.raises(TooLarge):
            departure(connection, ANONYMOUS, "c-p", BASE, size - 1)
        with pytest.raises(TooLarge):
            departure(connection, ANONYMOUS, "c-p", BASE, 10)

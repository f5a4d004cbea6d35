"""Rows of the log as AuditEvents: valid R4, and coded as the Basic Audit Log Patterns say.

Pairs of interaction, action and agents: IHE ITI Basic Audit Log Patterns 1.1 (profiles of the
RESTful activity); codes of DICOM (DCM) and HL7 as in the official package of R4 4.0.1.
"""

from __future__ import annotations

import base64

import pytest

from service.access.audit_event import audit_event, outcome
from service.standard.profiles import check
from service.store.audit.access import Access
from service.store.audit.find import Recorded

BASE = "https://clinic.example/fhir"


def shown(interaction: str = "read", **told: object) -> dict:  # type: ignore[type-arg]
    values = {"at": 1_780_000_000_000_001, "status": 200, "agent": "ward", **told}
    access = Access(interaction=interaction, **values)  # type: ignore[arg-type]
    return audit_event(Recorded(7, access.at, access), BASE)


@pytest.mark.parametrize(
    ("interaction", "action", "client", "server"),
    [
        ("create", "C", "110153", "110152"),
        ("update", "U", "110153", "110152"),
        ("patch", "U", "110153", "110152"),
        ("read", "R", "110152", "110153"),
        ("vread", "R", "110152", "110153"),
        ("history-instance", "R", "110152", "110153"),
        ("search-type", "E", "110153", "110152"),
        ("transaction", "E", "110153", "110152"),
        ("operation", "E", "110153", "110152"),
    ],
)
def test_actions_and_parts(interaction: str, action: str, client: str, server: str) -> None:
    event = shown(interaction)
    assert event["type"]["code"] == "rest"
    assert event["subtype"][0] == {
        "system": "http://hl7.org/fhir/restful-interaction",
        "code": interaction,
    }
    assert event["action"] == action
    parts = [agent["type"]["coding"][0]["code"] for agent in event["agent"]]
    assert parts == [client, server]
    assert [agent["requestor"] for agent in event["agent"]] == [True, False]


def test_a_delete_is_told_of_the_application_that_asked() -> None:
    assert shown("delete")["agent"][0]["type"]["coding"][0]["code"] == "110150"


@pytest.mark.parametrize(("status", "code"), [(200, "0"), (304, "0"), (404, "4"), (503, "8")])
def test_outcomes(status: int, code: str) -> None:
    assert outcome(status) == code


@pytest.mark.parametrize(
    "told",
    [
        {},
        {"clients": ("p1", "p2"), "target": "Goal/1/_history/2"},
        {"target": "Patient/p1", "clients": ("p1",)},
        {"kind": "person", "acts_as": "Practitioner/a", "purpose": "Called to the ward at night"},
        {"status": 403, "told": "Not allowed", "address": "10.0.0.7", "token": "t-1"},
        {"query": 'GET /fhir/Observation?code=a|b&x="<', "request": "r-1"},
        {"changed": ("Goal/1/_history/1", "CarePlan/2/_history/1")},
    ],
)
@pytest.mark.parametrize("interaction", ["read", "search-type", "create", "login", "token", "page"])
def test_every_row_is_a_valid_audit_event(interaction: str, told: dict) -> None:  # type: ignore[type-arg]
    event = shown(interaction, **told)
    check(event)
    assert event["id"] == "7"
    assert event["recorded"] == event["meta"]["lastUpdated"] == "2026-05-28T20:26:40.000001Z"


def test_who_asked_for_what_and_why() -> None:
    event = shown(
        kind="person",
        acts_as="Practitioner/a",
        purpose="Called to the ward",
        clients=("p1",),
        target="Goal/1/_history/2",
        token="t-1",
        address="10.0.0.7",
        query="GET /fhir/Goal?patient=p1",
    )
    agent = event["agent"][0]
    assert agent["type"]["coding"][0]["code"] == "IRCP"
    assert agent["who"] == {"reference": "Practitioner/a"}
    assert agent["policy"] == ["urn:ietf:params:oauth:jti:t-1"]
    assert agent["network"] == {"address": "10.0.0.7", "type": "2"}
    assert event["purposeOfEvent"][0]["coding"][0]["code"] == "BTG"
    patient, target, query = event["entity"]
    assert (patient["what"]["reference"], patient["role"]["code"]) == ("Patient/p1", "1")
    assert (target["what"]["reference"], target["role"]["code"]) == ("Goal/1/_history/2", "4")
    assert query["role"]["code"] == "24"
    assert base64.b64decode(query["query"]) == b"GET /fhir/Goal?patient=p1"


def test_an_event_of_others_is_shown_as_it_was_sent() -> None:
    sent = '{"resourceType": "AuditEvent", "type": {"code": "x"}}'
    event = shown("create", body=sent)
    assert event["type"] == {"code": "x"}
    assert event["id"] == "7"

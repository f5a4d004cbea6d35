"""Rows of the log as AuditEvents: valid R4, and coded as the Basic Audit Log Patterns say.

Pairs of interaction, action and agents: IHE ITI Basic Audit Log Patterns 1.1 (profiles of the
RESTful activity); codes of DICOM (DCM) and HL7 as in the official package of R4 4.0.1.
"""

from __future__ import annotations

import base64
from contextlib import nullcontext
from typing import Any

import pytest

from service.access.audit_event import audit_event, outcome
from service.caller import Caller
from service.errors import HyoidError
from service.rest.interactions import INTERACTIONS
from service.rest.recorded import _AS
from service.standard.profiles import check
from service.store.audit.access import Access
from service.store.audit.find import Recorded
from service.store.audit.sent import as_sent, sent_access
from tests.access.audit_oracle import wrong_codes
from tests.factories.minimal import minimal

BASE = "https://clinic.example/fhir"


def shown(interaction: str = "read", masked: bool = False, **told: object) -> dict:  # type: ignore[type-arg]
    values = {"at": 1_780_000_000_000_001, "status": 200, "agent": "ward", **told}
    access = Access(interaction=interaction, **values)  # type: ignore[arg-type]
    return audit_event(Recorded(7, access.at, access), BASE, masked=masked)


REST = "rest"
SOURCE, DESTINATION, APPLICATION, CUSTODIAN = "110153", "110152", "110150", "custodian"
AUTHOR, RECIPIENT = "AUT", "IRCP"

KINDS: list[tuple[str, str, list[str], str, str | None, str, str]] = [
    # interaction, type, subtypes, action, part of a person, of the client, of the service
    ("read", REST, ["read"], "R", RECIPIENT, DESTINATION, SOURCE),
    ("vread", REST, ["vread"], "R", RECIPIENT, DESTINATION, SOURCE),
    ("history-instance", REST, ["history-instance"], "R", RECIPIENT, DESTINATION, SOURCE),
    ("history-type", REST, ["history-type"], "R", RECIPIENT, DESTINATION, SOURCE),
    ("history-system", REST, ["history-system"], "R", RECIPIENT, DESTINATION, SOURCE),
    ("search-type", REST, ["search-type"], "E", RECIPIENT, SOURCE, DESTINATION),
    ("search-system", REST, ["search-system"], "E", RECIPIENT, SOURCE, DESTINATION),
    ("create", REST, ["create"], "C", AUTHOR, SOURCE, DESTINATION),
    ("update", REST, ["update"], "U", AUTHOR, SOURCE, DESTINATION),
    ("patch", REST, ["patch"], "U", AUTHOR, SOURCE, DESTINATION),
    ("delete", REST, ["delete"], "D", AUTHOR, APPLICATION, CUSTODIAN),
    ("transaction", REST, ["transaction"], "E", AUTHOR, SOURCE, DESTINATION),
    ("batch", REST, ["batch"], "E", RECIPIENT, SOURCE, DESTINATION),
    ("operation", REST, ["operation"], "E", RECIPIENT, SOURCE, DESTINATION),
    ("capabilities", REST, ["capabilities"], "E", RECIPIENT, SOURCE, DESTINATION),
    ("intake", REST, ["intake"], "E", AUTHOR, SOURCE, DESTINATION),
    ("unknown", REST, ["unknown"], "E", RECIPIENT, SOURCE, DESTINATION),
    ("login", "110114", ["110122"], "E", None, SOURCE, DESTINATION),
    ("logout", "110114", ["110123"], "E", None, SOURCE, DESTINATION),
    ("token", "110114", ["ITI-71", "token"], "E", None, SOURCE, DESTINATION),
    ("introspect", "110114", ["introspect"], "E", None, SOURCE, DESTINATION),
    ("revoke", "110114", ["revoke"], "E", None, SOURCE, DESTINATION),
    ("command", "110113", ["110129", "command"], "E", None, SOURCE, DESTINATION),
    ("erase", "destroy", ["erase"], "D", None, APPLICATION, CUSTODIAN),
    ("unreadable", "110100", ["unreadable"], "E", None, SOURCE, DESTINATION),
]


@pytest.mark.parametrize(
    ("interaction", "kind", "subtypes", "action", "part", "client", "server"), KINDS
)
def test_codes_of_each_kind(
    interaction: str,
    kind: str,
    subtypes: list[str],
    action: str,
    part: str | None,
    client: str,
    server: str,
) -> None:
    for person in ("person", "system"):
        event = shown(interaction, kind=person, address="10.0.0.7")
        assert event["type"]["code"] == kind
        assert [each["code"] for each in event["subtype"]] == subtypes
        assert event["action"] == action
        parts = [
            agent["type"]["coding"][0]["code"] if "type" in agent else None
            for agent in event["agent"]
        ]
        assert parts == [*([part] if person == "person" else []), client, server]
        asked = [agent["requestor"] for agent in event["agent"]]
        assert asked == [True, *[False] * (len(parts) - 1)]
        # Systems have an address, a person has none (IHE ITI Basic Audit Log Patterns 1.1).
        addresses = [agent.get("network", {}).get("type") for agent in event["agent"]]
        assert addresses == [*([None] if person == "person" else []), "2", "5"]


def test_each_interaction_has_its_kind() -> None:
    recorded = {_AS.get(name, name) for name in INTERACTIONS} - {"smart-configuration"}
    assert recorded <= {row[0] for row in KINDS}


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
@pytest.mark.parametrize("interaction", [*(row[0] for row in KINDS), "smart-configuration", "page"])
@pytest.mark.parametrize("masked", [False, True])
def test_every_row_is_a_valid_audit_event(
    masked: bool,
    interaction: str,
    told: dict,  # type: ignore[type-arg]
) -> None:
    event = shown(interaction, masked=masked, **told)
    check(event)
    assert not wrong_codes(event)
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
    agent, client, _ = event["agent"]
    assert agent["type"]["coding"][0]["code"] == "IRCP"
    assert agent["who"] == {"reference": "Practitioner/a"}
    assert agent["policy"] == ["urn:ietf:params:oauth:jti:t-1"]
    assert "network" not in agent
    assert client["network"] == {"address": "10.0.0.7", "type": "2"}
    assert event["purposeOfEvent"][0]["coding"][0]["code"] == "BTG"
    patient, target, query = event["entity"]
    assert (patient["what"]["reference"], patient["role"]["code"]) == ("Patient/p1", "1")
    assert (target["what"]["reference"], target["role"]["code"]) == ("Goal/1/_history/2", "4")
    assert query["role"]["code"] == "24"
    assert base64.b64decode(query["query"]) == b"GET /fhir/Goal?patient=p1"


def test_who_does_not_see_all_clients_is_told_nothing_in_the_words_of_others() -> None:
    told = {
        "query": "GET /fhir/Patient?_id=p1,p2",
        "told": "There is no Patient/p2",
        "clients": ("p1",),
        "status": 404,
    }
    event = shown("search-type", masked=True, **told)
    assert "p2" not in str(event)
    assert "outcomeDesc" not in event
    query = event["entity"][-1]
    assert query["role"]["code"] == "24"
    assert "description" not in query
    assert query["_query"]["extension"][0]["valueCode"] == "masked"
    assert event["meta"]["tag"][0]["code"] == "SUBSETTED"
    assert "tag" not in shown("read", masked=True, clients=("p1",))["meta"]


SENT = minimal("AuditEvent") | {
    "meta": {"tag": [{"system": "http://clinic.example/tags", "code": "night"}]},
    "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">Zoe</div>'},
    "recorded": "2020-01-01T00:00:00Z",
    "outcomeDesc": "Zoe",
    "agent": [{"requestor": True, "altId": "x", "name": "Zoe", "who": {"display": "Zoe"}}],
    "source": {"site": "Zoe", "observer": {"display": "Zoe"}},
    "entity": [
        {"what": {"reference": "Patient/p1", "display": "Zoe"}, "name": "Zoe"},
        {"what": {"identifier": {"value": "Zoe"}}, "description": "Zoe", "query": "Wm9l"},
        {"detail": [{"type": "Zoe", "valueString": "Zoe"}]},
    ],
}


def test_an_event_that_was_sent_is_marked_as_that() -> None:
    caller = Caller("ward", reference="Device/ward")
    sent = as_sent(SENT, caller)
    access = sent_access(sent, caller, BASE, {"p1"}, 1_780_000_000_000_001)
    event = audit_event(Recorded(7, access.at, access), BASE)
    check(event)
    assert (event["id"], event["recorded"]) == ("7", SENT["recorded"])
    assert event["meta"]["lastUpdated"] == "2026-05-28T20:26:40.000001Z"
    assert [tag["code"] for tag in event["meta"]["tag"]] == ["night", "sent"]
    *claimed, sender = event["agent"]
    assert claimed == SENT["agent"]
    assert sender["who"] == {"reference": "Device/ward"}
    assert (sender["altId"], sender["requestor"]) == ("ward", False)
    assert sender["role"][0]["coding"][0]["code"] == "sent"
    assert event["entity"] == SENT["entity"]
    with pytest.raises(HyoidError) as refused:
        as_sent(event, Caller("another"))
    assert refused.value.issues[0].expression == "AuditEvent.agent[1].role"
    again = as_sent(SENT | {"meta": {"tag": [event["meta"]["tag"][1]] * 2}}, caller)
    assert [tag["code"] for tag in again["meta"]["tag"]] == ["sent"]


def test_of_an_event_that_was_sent_others_see_no_free_text() -> None:
    caller = Caller("ward", reference="Device/ward")
    access = sent_access(as_sent(SENT, caller), caller, BASE, {"p1"}, 1_780_000_000_000_001)
    event = audit_event(Recorded(7, access.at, access), BASE, masked=True)
    check(event)
    assert "Zoe" not in str(event)
    assert event["entity"][0] == {"what": {"reference": "Patient/p1"}}
    assert [tag["code"] for tag in event["meta"]["tag"]] == ["night", "sent", "SUBSETTED"]


@pytest.mark.parametrize(
    ("recorded", "is_right"),
    [
        ("2026-05-28T20:26:40Z", True),
        ("2026-05-28T22:26:40+02:00", True),
        ("2026-05-28T20:27:39Z", True),
        ("2026-05-28T20:27:41Z", False),
        ("2099-01-01T00:00:00Z", False),
    ],
)
def test_nothing_is_recorded_in_the_future(recorded: str, is_right: bool) -> None:
    sent = as_sent(SENT | {"recorded": recorded}, Caller("ward"))
    context: Any = nullcontext() if is_right else pytest.raises(HyoidError, match="later than now")
    with context:
        sent_access(sent, Caller("ward"), BASE, {"p1"}, 1_780_000_000_000_001)


def test_an_event_that_an_earlier_version_took_is_shown_as_it_was_sent() -> None:
    event = shown("sent", body='{"resourceType":"AuditEvent","type":{"code":"x"}}')
    assert (event["type"], event["id"]) == ({"code": "x"}, "7")

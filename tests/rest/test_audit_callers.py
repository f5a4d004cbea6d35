"""Who sees some clients only is told of accesses to these alone, and sends none of others.

SMART App Launch 2.2: `r` and `s` of AuditEvent; OWASP API Security 2023, API1 and API5.
"""

from __future__ import annotations

import base64
from typing import Any

import pytest

from service.caller import ANONYMOUS, Caller
from service.store.audit.verify import verify
from service.store.store import Store
from tests.access.asking import BASE, Asking, asking
from tests.factories.clinical import observation, patient
from tests.factories.minimal import minimal

ALL = frozenset({"system/*.cruds"})
NORTH = Caller("north", ALL, clients=frozenset({"a"}), reference="Device/north")


def test_events_are_shown_to_whose_clients_they_are_about(store: Store) -> None:
    with asking(store) as ask:
        for key in ("a", "b"):
            ask(ANONYMOUS, "PUT", f"Patient/{key}", patient(key))
            one = observation(f"o-{key}", patient=f"Patient/{key}")
            ask(ANONYMOUS, "PUT", f"Observation/o-{key}", one)
            ask(ANONYMOUS, "GET", f"Observation/o-{key}")
        ask(ANONYMOUS, "GET", "Observation")
        ask(ANONYMOUS, "GET", "Practitioner")
        ask(Caller("nobody"), "GET", "Observation/o-b")
        ask.recording.take_in()

        def seen(caller: Caller, query: str = "") -> list[set[str]]:
            bundle = ask(caller, "GET", f"AuditEvent{query}").json()
            return [
                {
                    each["what"]["reference"].partition("/_history")[0]
                    for each in entry["resource"]["entity"]
                    if str(each.get("what", {}).get("reference")).startswith("Patient/")
                }
                for entry in bundle.get("entry", ())
            ]

        everything = seen(ANONYMOUS)
        assert {"Patient/a", "Patient/b"} in everything
        assert set() in everything
        for narrowed in (
            Caller("north", ALL, clients=frozenset({"a"})),
            Caller("north", ALL, clients=frozenset({"a"}), tied=frozenset({"Organization/x"})),
        ):
            mine = seen(narrowed)
            assert len(mine) == 3
            assert all(each == {"Patient/a"} for each in mine)
            assert seen(narrowed, "?patient=b") == []
            assert seen(narrowed, "?entity=Observation/o-b") == []
        nothing = Caller("none", ALL, tied=frozenset({"Organization/x"}))
        assert seen(nothing) == []
        # The refused look at o-b is told of to whose client it was.
        refused = ask(ANONYMOUS, "GET", "AuditEvent?altid=nobody&patient=b").json()["entry"]
        assert [each["resource"]["outcome"] for each in refused] == ["4"]
        number = refused[0]["resource"]["id"]
        assert ask(ANONYMOUS, "GET", f"AuditEvent/{number}").status == 200
        narrowed = Caller("north", ALL, clients=frozenset({"a"}))
        assert ask(narrowed, "GET", f"AuditEvent/{number}").status == 404


def test_it_takes_a_scope_for_audit_events(store: Store) -> None:
    with asking(store) as ask:
        for scopes, status in (
            ({"system/Observation.rs"}, 403),
            ({"system/AuditEvent.r"}, 403),
            ({"system/AuditEvent.s?date=2026-01-01"}, 403),
            ({"system/AuditEvent.s"}, 200),
        ):
            caller = Caller("c", frozenset(scopes))
            assert ask(caller, "GET", "AuditEvent").status == status, scopes
            if status == 403:
                made = ask(Caller("c", frozenset(scopes)), "POST", "AuditEvent", about())
                assert made.status == 403, scopes
        restricted = Caller("c", frozenset({"system/AuditEvent.c?date=2026-01-01"}))
        assert ask(restricted, "POST", "AuditEvent", about()).status == 403
        whole = Caller("c", frozenset({"system/AuditEvent.c"}))
        assert ask(whole, "POST", "AuditEvent", about()).status == 201


def about(*references: str, **more: Any) -> dict[str, Any]:
    """An AuditEvent about these, as somebody else would have seen it."""
    event = minimal("AuditEvent") | {
        "recorded": "2020-01-01T00:00:00Z",
        "agent": [{"requestor": True, "who": {"identifier": {"value": "south"}}}],
        "source": {"observer": {"display": "Hyoid"}},
        "entity": [{"what": {"reference": reference}} for reference in references],
        **more,
    }
    return {name: value for name, value in event.items() if value}


def two_clients(ask: Asking) -> None:
    for key in ("a", "b"):
        ask(ANONYMOUS, "PUT", f"Patient/{key}", patient(key))
        one = observation(f"o-{key}", patient=f"Patient/{key}")
        ask(ANONYMOUS, "PUT", f"Observation/o-{key}", one)


def found(ask: Asking, caller: Caller, query: str) -> list[dict[str, Any]]:
    bundle = ask(caller, "GET", f"AuditEvent?{query}", prefer="handling=strict").json()
    return [entry["resource"] for entry in bundle.get("entry", ())]


SOMEBODY = {"requestor": True}
NAMING_ANOTHER = [
    about("Patient/b"),
    about("Patient/a", "Patient/b"),
    about("Patient/nobody"),
    about("Patient/b/_history/1"),
    about(f"{BASE}/Patient/b"),
    about(agent=[{**SOMEBODY, "who": {"reference": "Patient/b"}}]),
    about(source={"observer": {"reference": "Patient/b"}}),
    about(
        "Patient/a",
        extension=[{"url": "http://x.example/e", "valueReference": {"reference": "Patient/b"}}],
    ),
]


@pytest.mark.parametrize("as_entry", [False, True])
def test_no_event_is_sent_about_a_client_of_others(store: Store, as_entry: bool) -> None:
    with asking(store) as ask:
        two_clients(ask)
        told = set()
        for event in NAMING_ANOTHER:
            entry = {"request": {"method": "POST", "url": "AuditEvent"}, "resource": event}
            bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
            answer = (
                ask(NORTH, "POST", "", bundle)
                if as_entry
                else ask(NORTH, "POST", "AuditEvent", event)
            )
            assert answer.status == 403, event
            told.add(answer.body)
        assert len(told) == 1
        assert found(ask, ANONYMOUS, "altid=south&date=2020") == []


def test_what_is_sent_is_marked_with_its_sender_and_the_time(store: Store) -> None:
    with asking(store) as ask:
        two_clients(ask)
        made = ask(NORTH, "POST", "AuditEvent", about("Patient/a"))
        assert made.status == 201
        event = made.json()
        everybody = (ANONYMOUS, Caller("east", ALL, clients=frozenset({"a", "c"})), NORTH)
        for caller in everybody:
            for query in (
                "patient=a&date=2020",
                "agent:identifier=south&date=2020",
                "altid=north&date=2020",
                "agent=Device/north&date=2020-01-01",
                f"altid=south&_lastUpdated=ge{event['meta']['lastUpdated']}",
            ):
                (seen,) = found(ask, caller, query)
                assert seen["id"] == event["id"], query
            assert "sent" in [tag["code"] for tag in seen["meta"]["tag"]]
            assert seen["agent"][-1]["altId"] == "north"
            assert seen["recorded"] == "2020-01-01T00:00:00Z"
            assert seen["meta"]["lastUpdated"] == event["meta"]["lastUpdated"] > "2026"
            assert found(ask, caller, "patient=a")[0]["id"] == event["id"]
        assert found(ask, Caller("south", ALL, clients=frozenset({"b"})), "date=2020") == []
        assert not verify(store.database).fault
        late = ask(NORTH, "POST", "AuditEvent", about("Patient/a", recorded="2099-01-01T00:00:00Z"))
        assert late.status == 400
        assert late.json()["issue"][0]["expression"] == ["AuditEvent.recorded"]


def test_an_event_about_what_others_have_is_not_one_about_their_client(store: Store) -> None:
    with asking(store) as ask:
        two_clients(ask)
        made = {
            key: ask(NORTH, "POST", "AuditEvent", about(f"Observation/{key}"))
            for key in ("o-a", "o-b", "zzz")
        }
        assert {each.status for each in made.values()} == {201}
        numbers = {key: each.json()["id"] for key, each in made.items()}
        for client, mine in (("a", [numbers["o-a"]]), ("b", [])):
            seen = found(ask, ANONYMOUS, f"patient={client}&date=2020")
            assert [event["id"] for event in seen] == mine
        for key, number in numbers.items():
            (event,) = found(ask, ANONYMOUS, f"entity=Observation/{key}&date=2020")
            assert event["id"] == number
        # Neither that it is there nor that it is not is told to who sent it.
        assert [ask(NORTH, "GET", f"AuditEvent/{numbers[key]}").status for key in numbers] == [
            200,
            404,
            404,
        ]


def test_a_question_in_the_words_of_others_is_not_told(store: Store) -> None:
    with asking(store) as ask:
        two_clients(ask)
        question = "Observation?_id=o-a&patient=a,b"
        ask(Caller("east", ALL), "GET", question, x_request_id="r-1")
        ask(NORTH, "GET", question, x_request_id="r-2")
        ask.recording.take_in()

        def queries(caller: Caller) -> list[str | None]:
            events = found(ask, caller, "patient=a&_count=2")
            single = [ask(caller, "GET", f"AuditEvent/{event['id']}").json() for event in events]
            assert single == events
            return [
                base64.b64decode(each["query"]).decode() if "query" in each else None
                for event in events
                for each in event["entity"]
                if each.get("role", {}).get("code") == "24"
            ]

        asked = f"GET /fhir/{question}"
        assert queries(ANONYMOUS) == [asked, asked]
        assert queries(NORTH) == [asked, None]
        assert queries(Caller("west", ALL, clients=frozenset({"a"}))) == [None, None]


@pytest.mark.parametrize(
    ("method", "address"),
    [
        ("PUT", "AuditEvent/1"),
        ("PATCH", "AuditEvent/1"),
        ("DELETE", "AuditEvent/1"),
        ("PUT", "AuditEvent?_id=1"),
        ("PATCH", "AuditEvent?_id=1"),
        ("DELETE", "AuditEvent?_id=1"),
    ],
)
def test_nobody_changes_the_log(store: Store, method: str, address: str) -> None:
    with asking(store) as ask:
        two_clients(ask)
        body = minimal("AuditEvent", "1") if method == "PUT" else None
        for caller in (ANONYMOUS, NORTH, Caller("p", frozenset({"user/*.cruds"}), kind="person")):
            if method == "PATCH":
                told = ask(
                    caller, method, address, b"[]", content_type="application/json-patch+json"
                )
            else:
                told = ask(caller, method, address, body)
            assert told.status == 405, caller
            assert told.headers["allow"] == "GET, HEAD, POST"


def test_the_log_is_in_no_record_and_no_search_of_several_types(store: Store) -> None:
    with asking(store) as ask:
        two_clients(ask)
        assert ask(ANONYMOUS, "POST", "AuditEvent", about("Patient/a")).status == 201
        for address in ("Patient/a/$everything", "?_id=a,1,2,3,4,5,6", "_history", "Patient/a/*"):
            bundle = ask(ANONYMOUS, "GET", address).json()
            kinds = {entry["resource"]["resourceType"] for entry in bundle["entry"]}
            assert kinds
            assert "AuditEvent" not in kinds, address
        assert ask(ANONYMOUS, "GET", "?_type=AuditEvent").status == 400
        nothing = ask(ANONYMOUS, "GET", "Patient/a/$everything?_type=AuditEvent").json()
        assert "entry" not in nothing
        for address in ("$export?_type=AuditEvent", "Patient/$export?_type=AuditEvent"):
            told = ask(ANONYMOUS, "GET", address, prefer="respond-async")
            assert told.status == 400, address
        (audit,) = [
            each
            for each in ask(ANONYMOUS, "GET", "metadata").json()["rest"][0]["resource"]
            if each["type"] == "AuditEvent"
        ]
        assert {each["code"] for each in audit["interaction"]} == {
            "read",
            "vread",
            "create",
            "search-type",
        }
        assert "_lastUpdated" in {each["name"] for each in audit["searchParam"]}
        assert "export" not in {each["name"] for each in audit["operation"]}

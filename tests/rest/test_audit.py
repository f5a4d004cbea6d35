"""Each request is on record, whatever came of it, and AuditEvents are answered from the record.

What an AuditEvent of an interaction holds: IHE ITI Basic Audit Log Patterns 1.1 and R4
http://hl7.org/fhir/R4/auditevent.html; which requests R4 knows: http://hl7.org/fhir/R4/http.html.
"""

from __future__ import annotations

import time
import uuid
from typing import Any

import httpx
import pytest

from service.standard.profiles import check
from service.standard.provenance import CALLER
from tests.access.audit_oracle import wrong_codes
from tests.factories.minimal import minimal

Resource = dict[str, Any]


@pytest.fixture
def request_id() -> str:
    return f"r-{uuid.uuid4().hex}"


STRICT = {"Prefer": "handling=strict"}


def events(
    fhir: httpx.Client, request_id: str, most: int = 40, at_least: int = 1
) -> list[Resource]:
    """The events of requests with this X-Request-Id; waits until reads are in the log."""
    end = time.monotonic() + 10
    while True:
        found = _newest(fhir, most)
        mine = [event for event in found if _request(event) == request_id]
        if len(mine) >= at_least or time.monotonic() > end:
            return mine
        time.sleep(0.1)


def _newest(fhir: httpx.Client, most: int) -> list[Resource]:
    bundle = fhir.get("AuditEvent", params={"_count": most}).json()
    return [entry["resource"] for entry in bundle.get("entry", ())]


def _request(event: Resource) -> str | None:
    return next(
        (
            each["what"]["identifier"]["value"]
            for each in event.get("entity", ())
            if each.get("name") == "X-Request-Id"
        ),
        None,
    )


def entities(event: Resource) -> set[str]:
    return {
        each["what"]["reference"]
        for each in event.get("entity", ())
        if "reference" in each.get("what", {})
    }


def query_of(event: Resource) -> str:
    return next(str(each["description"]) for each in event["entity"] if "query" in each)


def a_client(fhir: httpx.Client, name: str) -> str:
    fhir.put(f"Patient/{name}", json=minimal("Patient", name)).raise_for_status()
    return f"Patient/{name}"


def an_observation(fhir: httpx.Client, name: str) -> str:
    body = minimal("Observation", name) | {"subject": {"reference": f"Patient/{name}"}}
    fhir.put(f"Observation/{name}", json=body).raise_for_status()
    return f"Observation/{name}"


@pytest.mark.parametrize(
    ("method", "address", "code", "action"),
    [
        ("GET", "Observation/{name}", "read", "R"),
        ("HEAD", "Observation/{name}", "read", "R"),
        ("GET", "Observation/{name}/_history/1", "vread", "R"),
        ("GET", "Observation/{name}/_history", "history-instance", "R"),
        ("GET", "Observation?_id={name}", "search-type", "E"),
        ("GET", "Patient/{name}/Observation", "search-type", "E"),
        ("GET", "?_type=Observation&_id={name}", "search-system", "E"),
        ("GET", "Patient/{name}/$everything", "operation", "E"),
        ("GET", "Patient/{name}/$summary", "operation", "E"),
        ("GET", "Observation/$lastn?patient={name}&category=x", "operation", "E"),
    ],
)
def test_a_read_is_on_record_with_whose_record_it_was(
    fhir: httpx.Client,
    name: str,
    request_id: str,
    method: str,
    address: str,
    code: str,
    action: str,
) -> None:
    client = a_client(fhir, name)
    an_observation(fhir, name)
    asked = address.format(name=name)
    answer = fhir.request(method, asked, headers={"X-Request-Id": request_id})
    assert answer.status_code == 200
    (event,) = events(fhir, request_id)
    assert event["subtype"][0]["code"] == code
    assert (event["action"], event["outcome"]) == (action, "0")
    if "$lastn" not in asked:
        assert client in entities(event)
    assert event["agent"][0]["altId"] == "anonymous"
    assert event["agent"][0]["network"] == {"address": "127.0.0.1", "type": "2"}
    assert query_of(event).startswith(f"{method} /fhir/")
    check({key: value for key, value in event.items() if key != "id"})
    assert not wrong_codes(event)


@pytest.mark.parametrize(
    ("method", "address", "headers", "status"),
    [
        ("GET", "Observation/{name}", {}, 404),
        ("GET", "Nothing/x", {}, 404),
        ("GET", "Observation/a/b/c/d/e", {}, 404),
        ("PUT", "metadata", {}, 405),
        ("GET", "Observation?date=x", {}, 400),
        ("GET", "Observation?_count=%zz%00", {}, 400),
        ("GET", "Observation/%2e%2e", {}, 400),
        ("GET", "Observation/{name}", {"Accept": "application/fhir+xml"}, 406),
        ("POST", "Observation", {}, 400),
        ("DELETE", "AuditEvent/1", {}, 405),
    ],
)
def test_a_refused_request_is_on_record_with_the_reason(
    fhir: httpx.Client,
    name: str,
    request_id: str,
    method: str,
    address: str,
    headers: dict[str, str],
    status: int,
) -> None:
    given = headers | {"X-Request-Id": request_id}
    answer = fhir.request(method, address.format(name=name), headers=given)
    assert answer.status_code == status
    (event,) = events(fhir, request_id)
    assert not wrong_codes(event)
    assert event["outcome"] == "4"
    assert event["outcomeDesc"] == answer.json()["issue"][0]["details"]["text"][:200]


def test_a_write_is_on_record_once_with_its_version(
    fhir: httpx.Client, name: str, request_id: str
) -> None:
    client = a_client(fhir, name)
    body = minimal("Observation", name) | {"subject": {"reference": client}}
    one, given = f"Observation/{name}", {"X-Request-Id": request_id}
    for method, version, code in (
        ("PUT", 1, "update"),
        ("PUT", 2, "update"),
        ("PATCH", 3, "patch"),
        ("DELETE", 4, "delete"),
    ):
        each = given | {"X-Request-Id": f"{request_id}-{version}"}
        if method == "PATCH":
            patch = [{"op": "replace", "path": "/status", "value": "amended"}]
            each["Content-Type"] = "application/json-patch+json"
            fhir.patch(one, json=patch, headers=each).raise_for_status()
        else:
            fhir.request(
                method, one, json=body if method == "PUT" else None, headers=each
            ).raise_for_status()
        (event,) = events(fhir, each["X-Request-Id"])
        assert event["subtype"][0]["code"] == code
        assert {client, f"{one}/_history/{version}"} <= entities(event)


def test_what_is_not_written_is_on_record_as_refused(
    fhir: httpx.Client, name: str, request_id: str
) -> None:
    client = a_client(fhir, name)
    headers = {"X-Request-Id": request_id, "If-Match": 'W/"7"'}
    answer = fhir.put(client, json=minimal("Patient", name), headers=headers)
    assert answer.status_code == 412
    (event,) = events(fhir, request_id)
    assert event["outcome"] == "4"
    assert entities(event) == {client}


def test_a_transaction_is_one_event_and_a_batch_one_for_each_write(
    fhir: httpx.Client, name: str, request_id: str
) -> None:
    a_client(fhir, name)
    entries = [
        {"request": {"method": "GET", "url": f"Patient/{name}"}},
        {
            "request": {"method": "PUT", "url": f"Device/{name}-1"},
            "resource": minimal("Device", f"{name}-1"),
        },
        {
            "request": {"method": "PUT", "url": f"Device/{name}-2"},
            "resource": minimal("Device", f"{name}-2"),
        },
    ]
    for kind in ("transaction", "batch"):
        bundle = {"resourceType": "Bundle", "type": kind, "entry": entries}
        given = {"X-Request-Id": f"{request_id}-{kind}"}
        fhir.post("", json=bundle, headers=given).raise_for_status()
        count = 1 if kind == "transaction" else 3
        found = events(fhir, given["X-Request-Id"], at_least=count)
        codes = sorted(event["subtype"][0]["code"] for event in found)
        version = 1 if kind == "transaction" else 2
        written = {f"Device/{name}-{number}/_history/{version}" for number in (1, 2)}
        if kind == "transaction":
            assert codes == ["transaction"]
        else:
            assert codes == ["batch", "update", "update"]
        assert written | {f"Patient/{name}"} <= set().union(*map(entities, found))
        assert f"GET Patient/{name}" in query_of(found[0])


def test_no_secret_is_on_record(fhir: httpx.Client, request_id: str) -> None:
    secret = uuid.uuid4().hex
    fhir.get(
        "Patient",
        params={"access_token": secret, "name": f"Bearer {secret}", "client_assertion": secret},
        headers={"X-Request-Id": request_id, "Authorization": f"Bearer {secret}"},
    )
    (event,) = events(fhir, request_id)
    assert secret not in str(event)
    assert "access_token=" in query_of(event)


def test_what_tells_of_the_service_alone_is_not_on_record(
    fhir: httpx.Client, request_id: str
) -> None:
    fhir.get("metadata", headers={"X-Request-Id": request_id}).raise_for_status()
    fhir.get("Patient?_count=0", headers={"X-Request-Id": f"{request_id}-2"}).raise_for_status()
    assert events(fhir, f"{request_id}-2")
    assert not [one for one in _newest(fhir, 40) if _request(one) == request_id]


def test_events_are_found_by_client_entity_agent_and_time(
    fhir: httpx.Client, name: str, request_id: str
) -> None:
    client, one = a_client(fhir, name), an_observation(fhir, name)
    fhir.get(one, headers={"X-Request-Id": request_id}).raise_for_status()
    (event,) = events(fhir, request_id)
    moment = event["recorded"]

    def found(**params: str) -> list[str]:
        bundle = fhir.get("AuditEvent", params=params, headers=STRICT).json()
        return [entry["resource"]["id"] for entry in bundle.get("entry", ())]

    for params in (
        {"patient": client},
        {"patient": name},
        {"entity": one},
        {"entity": one.removeprefix("Observation/")},
        {"entity": f"{client},Patient/nobody"},
        {"entity": one, "altid": "anonymous", "_sort": "-date"},
        {"patient": name, "date": f"ge{moment}"},
        {"patient": name, "date": moment},
        {"_id": event["id"]},
        {"_id": f"{event['id']},999999999", "patient": name},
        {"agent:identifier": "anonymous", "date": f"le{moment}"},
        {"agent:identifier": f"{CALLER}|anonymous", "patient": name},
        {"_lastUpdated": moment, "patient": name, "_sort": "-_lastUpdated"},
    ):
        assert event["id"] in found(**params), params
    for params in (
        {"patient": f"{name}x"},
        {"entity": one, "altid": "somebody"},
        {"patient": name, "date": f"gt{moment}"},
        {"patient": name, "date": f"lt{moment}"},
        {"_id": event["id"], "patient": f"{name}x"},
        {"agent": "Practitioner/nobody"},
        {"agent:identifier": "http://clinic.example|anonymous", "patient": name},
        {"_lastUpdated": f"gt{moment}", "patient": name},
    ):
        assert event["id"] not in found(**params), params
    assert found(patient=name) == [
        entry["resource"]["id"] for entry in fhir.get(f"{client}/AuditEvent").json()["entry"]
    ]


def test_pages_follow_one_another(fhir: httpx.Client, name: str) -> None:
    one = an_observation(fhir, name)
    for _ in range(6):
        fhir.put(one, json=minimal("Observation", name)).raise_for_status()
    page = fhir.get("AuditEvent", params={"entity": one, "_count": 3}).json()
    seen = []
    while True:
        seen += [entry["resource"]["id"] for entry in page.get("entry", ())]
        following = [link["url"] for link in page["link"] if link["relation"] == "next"]
        if not following:
            break
        page = fhir.get(following[0]).json()
    assert len(seen) == len(set(seen)) == 7
    assert sorted(seen, key=int, reverse=True) == seen
    forged = fhir.get("AuditEvent", params={"entity": one, "_cursor": "AAAA"})
    assert forged.status_code == 400


@pytest.mark.parametrize(
    ("params", "location"),
    [
        ({"date": "yesterday"}, "http.date"),
        ({"date": "ne2026-01-01"}, "http.date"),
        ({"entity": "o 1"}, "http.entity"),
        ({"patient": "Observation/1"}, "http.patient"),
        ({"_lastUpdated": "ap2026"}, "http._lastUpdated"),
        ({"_sort": "date"}, "http._sort"),
        ({"_summary": "some"}, "http._summary"),
        ({"_count": "many"}, "http._count"),
        ({"outcome": "4"}, "http.outcome"),
        ({"_include": "AuditEvent:entity"}, "http._include"),
    ],
)
def test_a_wrong_question_is_refused(
    fhir: httpx.Client, params: dict[str, str], location: str
) -> None:
    answer = fhir.get("AuditEvent", params=params, headers={"Prefer": "handling=strict"})
    assert answer.status_code == 400
    assert answer.json()["issue"][0]["location"] == [location]


def test_the_answer_is_shaped_as_in_other_searches(fhir: httpx.Client, name: str) -> None:
    one = an_observation(fhir, name)
    for _ in range(3):
        fhir.put(one, json=minimal("Observation", name)).raise_for_status()

    def asked(**params: str) -> Resource:
        answer = fhir.get("AuditEvent", params={"entity": one, **params}, headers=STRICT)
        found: Resource = answer.json()
        (link,) = [each["url"] for each in found["link"] if each["relation"] == "self"]
        assert set(httpx.URL(link).params) == {"entity", *params}
        return found

    for shape in ({"_summary": "count"}, {"_count": "0"}):
        found = asked(**shape)
        assert found["total"] == 4
        assert "entry" not in found
    assert asked(_total="accurate", _count="2")["total"] == 4
    assert asked(_summary="count", _lastUpdated="lt2020")["total"] == 0
    for shape, kept in (({"_summary": "true"}, "action"), ({"_elements": "entity"}, "entity")):
        for entry in asked(**shape)["entry"]:
            event = entry["resource"]
            check({key: value for key, value in event.items() if key != "id"})
            assert kept in event
            assert event["meta"]["tag"][0]["code"] == "SUBSETTED"
    assert "outcome" not in asked(_elements="entity")["entry"][0]["resource"]


def test_what_is_not_searched_is_told(fhir: httpx.Client) -> None:
    bundle = fhir.get("AuditEvent", params={"outcome": "4", "_count": 1}).json()
    told = bundle["entry"][-1]
    assert told["search"]["mode"] == "outcome"
    assert "outcome" in told["resource"]["issue"][0]["details"]["text"]


def test_an_event_that_a_client_saw_is_appended(
    fhir: httpx.Client, name: str, request_id: str
) -> None:
    client = a_client(fhir, name)
    event = minimal("AuditEvent") | {
        "recorded": "2026-03-10T10:00:00Z",
        "agent": [{"requestor": True, "altId": name, "who": {"reference": f"Practitioner/{name}"}}],
        "entity": [{"what": {"reference": client}}],
    }
    made = fhir.post("AuditEvent", json=event, headers={"X-Request-Id": request_id})
    assert made.status_code == 201
    key = made.json()["id"]
    assert made.headers["Location"].endswith(f"/AuditEvent/{key}/_history/1")
    kept = fhir.get(f"AuditEvent/{key}")
    assert kept.json() == made.json()
    assert fhir.get(f"AuditEvent/{key}/_history/1").json() == made.json()
    claimed, sender = kept.json()["agent"]
    assert claimed == event["agent"][0]
    assert sender["altId"] == "anonymous"
    assert {k: v for k, v in kept.json().items() if k not in ("id", "meta", "agent")} == {
        k: v for k, v in event.items() if k not in ("id", "meta", "agent")
    }
    # R4: when it was stored, which is not what it tells of itself.
    stored = kept.json()["meta"]["lastUpdated"]
    assert stored > "2026-03-10T10:00:00Z"
    again = fhir.get(f"AuditEvent/{key}", headers={"If-None-Match": kept.headers["ETag"]})
    assert again.status_code == 304
    for params in (
        {"patient": name, "date": "2026-03-10"},
        {"altid": name},
        {"agent": f"Practitioner/{name}"},
        {"altid": name, "_lastUpdated": stored},
        {"altid": name, "_lastUpdated": f"ge{stored}", "date": "lt2026-03-11"},
        {"patient": name, "altid": "anonymous", "date": "2026-03-10T10:00:00Z"},
        {"patient": name, "_id": key, "date": "2026-03-10"},
    ):
        bundle = fhir.get("AuditEvent", params=params, headers=STRICT).json()
        assert [entry["resource"]["id"] for entry in bundle["entry"]] == [key], params
    for params in (
        {"altid": name, "_lastUpdated": f"gt{stored}"},
        {"altid": name, "_lastUpdated": "lt2026-03-11"},
        {"altid": name, "date": stored},
        {"patient": name, "_id": key, "date": stored},
        {"entity": f"Practitioner/{name}", "_id": key},
    ):
        assert "entry" not in fhir.get("AuditEvent", params=params, headers=STRICT).json(), params
    # The newest first: as it was stored, or by its own time.
    order = {
        sort: [
            entry["resource"]["id"]
            for entry in fhir.get("AuditEvent", params={"patient": name, "_sort": sort}).json()[
                "entry"
            ]
        ]
        for sort in ("-_lastUpdated", "-date")
    }
    assert order["-_lastUpdated"][0] == order["-date"][-1] == key
    assert sorted(order["-date"]) == sorted(order["-_lastUpdated"])
    (own,) = events(fhir, request_id)
    assert f"AuditEvent/{key}/_history/1" in entities(own)


def test_the_log_is_only_appended_to(fhir: httpx.Client, name: str) -> None:
    body = minimal("AuditEvent", name)
    key = fhir.post("AuditEvent", json=minimal("AuditEvent")).json()["id"]
    one = f"AuditEvent/{key}"
    tries = [
        fhir.put(one, json=body | {"id": key}),
        fhir.put(f"AuditEvent?_id={key}", json=body),
        fhir.patch(one, json=[], headers={"Content-Type": "application/json-patch+json"}),
        fhir.delete(one),
        fhir.delete(f"AuditEvent?_id={key}"),
        fhir.get(f"{one}/_history"),
        fhir.get("AuditEvent/_history"),
    ]
    for method in ("PUT", "DELETE"):
        entry: Resource = {"request": {"method": method, "url": one}}
        if method == "PUT":
            entry["resource"] = body | {"id": key}
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
        tries.append(fhir.post("", json=bundle))
    assert [answer.status_code for answer in tries] == [405] * len(tries)
    conditional = {"If-None-Exist": "_id=1"}
    assert fhir.post("AuditEvent", json=body, headers=conditional).status_code == 400
    entry = {"request": {"method": "POST", "url": "AuditEvent"}, "resource": body}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
    (told,) = fhir.post("", json=bundle).json()["entry"]
    assert told["response"]["status"].startswith("201")
    for key in ("0", "x", "999999999999", "9" * 19):
        assert fhir.get(f"AuditEvent/{key}").status_code == 404

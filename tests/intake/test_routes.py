"""POST /intake/sessions as a clinic system sees it, on both engines."""

from __future__ import annotations

import httpx

from tests.intake.clinic import Clinic, places
from tests.live import running_service


def test_good_sessions_are_stored_though_others_are_refused(clinic: Clinic) -> None:
    bad = clinic.note("S-2", measures=[{"measure": "spo2", "value": 140, "unit": "%"}])
    answer = clinic.send(clinic.note(), bad, clinic.note("S-3"))
    assert answer.status_code == 207
    told = answer.json()
    assert [one["status"] for one in told["sessions"]] == ["stored", "refused", "stored"]
    assert told["summary"] == {"stored": 2, "unchanged": 0, "corrected": 0, "refused": 1}
    assert places(told["sessions"][1]) == ["/sessions/1/measures/0/value"]


def test_atomic_stores_all_or_none(clinic: Clinic) -> None:
    bad = clinic.note("S-2", client="nobody")
    answer = clinic.send(clinic.note(), bad, atomic="true")
    assert answer.status_code == 422
    assert [one["status"] for one in answer.json()["sessions"]] == ["refused", "refused"]
    assert clinic.of_client("Encounter") == []
    # A refusal that shows within the unit of work undoes it as well.
    twice = clinic.send(clinic.note(), clinic.note(note="other"), atomic="true")
    assert twice.status_code == 409
    assert clinic.of_client("Encounter") == []
    good = clinic.send(clinic.note(), clinic.note("S-2"), atomic="true")
    assert good.status_code == 201
    assert len(clinic.of_client("Encounter")) == 2


def test_fhir_callers_get_an_operation_outcome(clinic: Clinic) -> None:
    bad = clinic.note("S-2", start="2025-11-02T09:00", end="2025-11-02T08:00")
    answer = clinic.send(clinic.note(), bad, accept="application/fhir+json")
    assert answer.status_code == 207
    assert answer.headers["content-type"] == "application/fhir+json"
    told = answer.json()
    assert told["resourceType"] == "OperationOutcome"
    assert [issue["severity"] for issue in told["issue"]] == ["information", "error"]
    assert told["issue"][1]["location"] == ["/sessions/1/end"]
    broken = clinic.http.post(
        "/intake/sessions",
        content=b"{",
        headers={"Content-Type": "application/json", "Accept": "application/fhir+json"},
    )
    assert broken.status_code == 400
    assert broken.json()["issue"][0]["location"] == ["line 1, column 2"]


def test_requests_that_are_not_understood_are_refused(http: httpx.Client) -> None:
    for content, content_type, status in (
        (b"<x/>", "application/xml", 415),
        (b"", "application/json", 400),
        (b'{"resourceType":"Patient"}', "application/json", 400),
        (b'{"sessions":[]}', "application/json", 400),
        (b"[3]", "application/json", 400),
        (b'{"sessions":[{}],"extra":1}', "application/json", 400),
        (b"a,b\n1,2\n", "text/csv", 400),
        (b"", "text/csv", 400),
    ):
        headers = {"Content-Type": content_type}
        answer = http.post("/intake/sessions", content=content, headers=headers)
        assert (content, answer.status_code) == (content, status)
    assert http.post("/intake/sessions?speed=9", json={}).status_code == 400
    assert http.post("/intake/sessions?atomic=maybe", json={}).status_code == 400
    assert http.post("/intake/sessions?timeZone=Atlantis", json={}).status_code == 400


def test_schema_template_and_description_can_be_fetched(http: httpx.Client) -> None:
    schema = http.get("/intake/sessions/schema.json").json()
    assert "sessions" in schema["properties"]
    template = http.get("/intake/sessions/template.csv").text
    assert template.startswith("session,revision,")
    described = http.get("/openapi.json").json()["paths"]["/intake/sessions"]["post"]
    bodies = described["requestBody"]["content"]
    assert set(bodies) == {"application/json", "text/csv"}
    assert bodies["application/json"]["examples"]["a day"]["value"]["sessions"]


def test_without_a_token_nothing_is_taken(sqlite_url: str) -> None:
    with running_service(sqlite_url, access="smart") as origin:
        answer = httpx.post(f"{origin}/intake/sessions", json={"sessions": []})
    assert answer.status_code == 401

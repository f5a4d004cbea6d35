"""What a session becomes: linked resources with what was done, seen and measured."""

from __future__ import annotations

from tests.intake.clinic import Clinic, only, places


def test_a_session_becomes_linked_resources(clinic: Clinic) -> None:
    answer = clinic.send(clinic.note())
    assert answer.status_code == 201
    told = only(answer)
    assert (told["status"], told["issues"]) == ("stored", [])
    (encounter,) = clinic.of_client("Encounter")
    assert told["encounter"] == f"Encounter/{encounter['id']}"
    assert encounter["identifier"] == [clinic.number("session", "S-1")]
    assert encounter["period"]["start"] == "2025-11-02T09:00:00-07:00"
    (procedure,) = clinic.of_client("Procedure")
    assert [each["reference"] for each in procedure["basedOn"]] == [
        f"ServiceRequest/{clinic.name}-faucial-cold-strokes",
        f"CarePlan/{clinic.name}-plan",
    ]
    assert procedure["performer"][0]["actor"]["reference"] == f"Practitioner/{clinic.name}-t"
    by_code = {each["code"]["coding"][0]["code"]: each for each in clinic.of_client("Observation")}
    assert set(by_code) == {"technique-response", "swallow-delay"}
    response = by_code["technique-response"]
    assert response["partOf"] == [{"reference": f"Procedure/{procedure['id']}"}]
    counts = [part["valueQuantity"]["value"] for part in response["component"]]
    assert counts == [10, 7]
    (provenance,) = clinic.found("Provenance", target=told["encounter"])
    assert [each["reference"] for each in provenance["target"]] == told["resources"]


def test_numbers_keep_their_digits(clinic: Clinic) -> None:
    body = (
        b'{"session":"S-1","client":"C-1","start":"2025-11-02T09:00:00Z","measures":'
        b'[{"measure":"swallow-delay","value":2.50,"unit":"s"}]}'
    )
    headers = {"Content-Type": "application/json"}
    options = {"identifiers": clinic.ids}
    answer = clinic.http.post("/intake/sessions", content=body, headers=headers, params=options)
    assert answer.status_code == 201
    found = clinic.http.get("/fhir/Observation", params={"patient": clinic.patient})
    assert b'"value":2.50,' in found.content


def test_unusual_values_are_stored_with_a_warning(clinic: Clinic) -> None:
    answer = only(clinic.send(clinic.note(vitalSigns=[{"measure": "spo2", "value": 71}])))
    assert answer["status"] == "stored"
    told = places(answer, "warning")
    # The missing unit is told too.
    assert told == ["/sessions/0/vitalSigns/0/value"] * 2


def test_units_are_converted_and_the_reading_kept(clinic: Clinic) -> None:
    measures = [{"measure": "tongue-pressure", "value": 150, "unit": "mmHg"}]
    clinic.send(clinic.note(measures=measures))
    (found,) = clinic.found("Observation", patient=clinic.patient, code="tongue-pressure")
    # 150 mm[Hg] are 150 x 133.322 Pa (UCUM), with the three digits of the reading.
    assert (found["valueQuantity"]["value"], found["valueQuantity"]["code"]) == (20, "kPa")
    (kept,) = found["valueQuantity"]["extension"]
    assert (kept["valueQuantity"]["value"], kept["valueQuantity"]["code"]) == (150, "mm[Hg]")


def test_adverse_events_become_detected_issues(clinic: Clinic) -> None:
    events = [
        {"event": "saturation-fall", "during": "faucial-cold-strokes"},
        {"event": "fatigue"},
        {"event": "wet-voice", "severity": "low"},
    ]
    told = only(clinic.send(clinic.note(events=events)))
    assert told["issues"] == []
    found = {one["code"]["text"]: one for one in clinic.of_client("DetectedIssue")}
    assert {name: one["severity"] for name, one in found.items()} == {
        "Oxygen saturation fell": "high",
        "Wet voice": "low",
    }
    (procedure,) = clinic.of_client("Procedure")
    implicated = found["Oxygen saturation fell"]["implicated"]
    assert implicated == [{"reference": f"Procedure/{procedure['id']}"}]
    observed = clinic.found("Observation", patient=clinic.patient, code="tolerance")
    assert len(observed) == 3


def test_a_missed_session_is_told_as_missed(clinic: Clinic) -> None:
    techniques = [{"technique": "faucial-cold-strokes"}]
    note = clinic.note(
        attendance="cancelled", reason="illness", techniques=techniques, measures=[], note="Flu"
    )
    assert only(clinic.send(note))["status"] == "stored"
    (encounter,) = clinic.of_client("Encounter")
    assert encounter["status"] == "cancelled"
    (appointment,) = clinic.of_client("Appointment")
    assert (appointment["status"], appointment["comment"]) == ("cancelled", "Flu")
    (procedure,) = clinic.of_client("Procedure")
    assert procedure["status"] == "not-done"
    assert procedure["statusReason"]["coding"][0]["code"] == "illness"
    no_show = clinic.note("S-2", attendance="no-show", techniques=[], measures=[])
    assert only(clinic.send(no_show))["status"] == "stored"

"""POST /intake/sessions as a clinic system sees it, on both engines."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import pytest

from tests.intake.clinic import Clinic, only, own, places
from tests.live import running_service

Json = dict[str, Any]


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


def test_the_same_again_changes_nothing(clinic: Clinic) -> None:
    first = only(clinic.send(clinic.note()))
    before = clinic.of_client("Observation") + clinic.of_client("Encounter")
    again = clinic.send(clinic.note())
    assert again.status_code == 200
    told = only(again)
    assert told["status"] == "unchanged"
    assert (told["encounter"], told["resources"]) == (first["encounter"], first["resources"])
    assert clinic.of_client("Observation") + clinic.of_client("Encounter") == before


def test_a_correction_makes_new_versions_and_keeps_the_old(clinic: Clinic) -> None:
    cough = {"event": "cough", "note": "once"}
    clinic.send(clinic.note(events=[cough]))
    (issue,) = clinic.of_client("DetectedIssue")
    (procedure,) = clinic.of_client("Procedure")
    corrected = clinic.note(revision=2)
    corrected["measures"][0]["value"] = 3.5
    answer = clinic.send(corrected)
    assert answer.status_code == 200
    assert only(answer)["status"] == "corrected"
    (delay,) = clinic.found("Observation", patient=clinic.patient, code="swallow-delay")
    assert (delay["meta"]["versionId"], delay["valueQuantity"]["value"]) == ("2", 3.5)
    old = clinic.http.get(f"/fhir/Observation/{delay['id']}/_history/1").json()
    assert old["valueQuantity"]["value"] == 2.5
    gone = clinic.http.get(f"/fhir/DetectedIssue/{issue['id']}").json()
    assert gone["status"] == "entered-in-error"
    same = clinic.http.get(f"/fhir/Procedure/{procedure['id']}").json()
    assert same["meta"]["versionId"] == "1"
    # What was left out and comes back is said again.
    assert only(clinic.send(clinic.note(revision=3, events=[cough])))["status"] == "corrected"
    back = clinic.http.get(f"/fhir/DetectedIssue/{issue['id']}").json()
    assert (back["status"], back["meta"]["versionId"]) == ("final", "3")


def test_an_older_revision_that_comes_late_is_refused(clinic: Clinic) -> None:
    clinic.send(clinic.note(revision=3))
    answer = clinic.send(clinic.note(revision=2))
    assert answer.status_code == 409
    (issue,) = only(answer)["issues"]
    assert issue["where"] == "/sessions/0/revision"
    assert "revision 3 is stored" in issue["text"]


def test_other_content_under_the_same_revision_is_refused(clinic: Clinic) -> None:
    clinic.send(clinic.note())
    answer = clinic.send(clinic.note(note="Tired today"))
    assert answer.status_code == 409
    assert "other content (note)" in only(answer)["issues"][0]["text"]
    assert len(clinic.of_client("Encounter")) == 1


def test_a_session_cannot_move_to_another_client(clinic: Clinic) -> None:
    clinic.put("Patient", f"{clinic.name}-2", identifier=[clinic.number("client", "C-2")])
    clinic.send(clinic.note())
    answer = clinic.send(clinic.note(revision=2, client="C-2"))
    assert answer.status_code == 409
    assert places(only(answer)) == ["/sessions/0/client"]
    withdrawn = clinic.send(clinic.note(revision=2, withdrawn=True))
    assert only(withdrawn)["status"] == "corrected"
    for kind in ("Encounter", "Procedure", "Observation"):
        assert {one["status"] for one in clinic.of_client(kind)} == {"entered-in-error"}


def test_posts_at_the_same_instant_make_one_session(clinic: Clinic) -> None:
    def send(_: int) -> str:
        return str(only(clinic.send(clinic.note()))["status"])

    with ThreadPoolExecutor(8) as pool:
        told = sorted(pool.map(send, range(16)))
    assert told == ["stored"] + ["unchanged"] * 15
    (encounter,) = clinic.of_client("Encounter")
    assert encounter["meta"]["versionId"] == "1"
    assert len(clinic.of_client("Observation")) == 2


def test_racing_contents_do_not_mix(clinic: Clinic) -> None:
    notes = [clinic.note(note=f"note {number}") for number in range(6)]

    def send(note: Json) -> str:
        return str(only(clinic.send(note))["status"])

    with ThreadPoolExecutor(6) as pool:
        told = sorted(pool.map(send, notes))
    assert told == ["refused"] * 5 + ["stored"]
    assert len(clinic.of_client("DocumentReference")) == 1


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


FAULTS: list[tuple[str, Json]] = [
    ("/sessions/0/strt", {"strt": "2025-11-02T09:00"}),
    ("/sessions/0/start", {"start": "yesterday"}),
    ("/sessions/0/end", {"end": "2025-11-02T08:59"}),
    ("/sessions/0/start", {"start": "2126-11-02T09:00", "end": "2126-11-02T09:30"}),
    ("/sessions/0/end", {"end": "2025-11-05T09:00"}),
    ("/sessions/0/client", {"client": "nobody"}),
    ("/sessions/0/revision", {"revision": 0}),
    ("/sessions/0/setting", {"setting": "moon"}),
    ("/sessions/0/techniques/0/sets", {"techniques": [{"technique": "x", "sets": -1}]}),
    (
        "/sessions/0/techniques/0/successes",
        {"techniques": [{"technique": "head-lift", "trials": 3, "successes": 4}]},
    ),
    (
        "/sessions/0/measures/0/value",
        {"measures": [{"measure": "tongue-pressure", "value": -3, "unit": "kPa"}]},
    ),
    (
        "/sessions/0/measures/0/unit",
        {"measures": [{"measure": "tongue-pressure", "value": 3, "unit": "mm"}]},
    ),
    (
        "/sessions/0/measures/0/unit",
        {"measures": [{"measure": "tongue-pressure", "value": 3, "unit": "blobs"}]},
    ),
    ("/sessions/0/measures/0/value", {"measures": [{"measure": "eat-10-total", "value": 12.5}]}),
    ("/sessions/0/measures/0/value", {"measures": [{"measure": "swallow-delay", "value": "2"}]}),
    ("/sessions/0/vitalSigns/0/value", {"vitalSigns": [{"measure": "spo2", "value": 140}]}),
    ("/sessions/0/note", {"note": "nul\x00"}),
]


@pytest.mark.parametrize(("place", "change"), FAULTS)
def test_each_fault_is_named_by_its_place(clinic: Clinic, place: str, change: Json) -> None:
    answer = clinic.send(clinic.note(**change))
    assert 400 <= answer.status_code < 500
    assert places(only(answer)) == [place]
    assert clinic.of_client("Encounter") == []


def test_all_faults_of_a_session_are_told_at_once(clinic: Clinic) -> None:
    values = [-1, 5, 500]
    measures = [{"measure": "tongue-pressure", "value": value, "unit": "kPa"} for value in values]
    answer = clinic.send(clinic.note(measures=measures))
    assert places(only(answer)) == ["/sessions/0/measures/0/value", "/sessions/0/measures/2/value"]


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


def test_scales_become_questionnaire_responses(clinic: Clinic) -> None:
    scales = [{"scale": "https://x.example/q", "answers": {"1": 3, "2": True, "3": "often"}}]
    assert only(clinic.send(clinic.note(scales=scales)))["status"] == "stored"
    (found,) = clinic.of_client("QuestionnaireResponse")
    assert found["questionnaire"] == "https://x.example/q"
    answers = {item["linkId"]: item["answer"][0] for item in found["item"]}
    assert answers == {
        "1": {"valueInteger": 3},
        "2": {"valueBoolean": True},
        "3": {"valueString": "often"},
    }


def test_an_order_that_is_not_sure_is_not_linked(clinic: Clinic) -> None:
    clinic.put(
        "ServiceRequest",
        f"{clinic.name}-again",
        status="active",
        intent="order",
        subject={"reference": clinic.patient},
        code=own("technique", "faucial-cold-strokes"),
        identifier=[clinic.number("order", "O-2")],
        basedOn=[{"reference": f"CarePlan/{clinic.name}-plan"}],
    )
    told = only(clinic.send(clinic.note()))
    assert told["status"] == "stored"
    assert places(told, "warning") == ["/sessions/0/techniques/0/technique"]
    (procedure,) = clinic.of_client("Procedure")
    assert procedure["basedOn"] == [{"reference": f"CarePlan/{clinic.name}-plan"}]
    named = [{"technique": "faucial-cold-strokes", "order": "O-2"}]
    told = only(clinic.send(clinic.note("S-2", techniques=named)))
    assert told["issues"] == []
    linked = clinic.found("Procedure", **{"based-on": f"ServiceRequest/{clinic.name}-again"})
    assert len(linked) == 1


def test_a_plan_that_is_not_sure_is_not_linked(clinic: Clinic) -> None:
    clinic.put(
        "CarePlan",
        f"{clinic.name}-other",
        status="active",
        intent="plan",
        subject={"reference": clinic.patient},
        identifier=[clinic.number("plan", "P-2")],
    )
    bare = {"techniques": [], "therapist": "nobody"}
    told = only(clinic.send(clinic.note(**bare)))
    assert places(told, "warning") == ["/sessions/0/therapist", "/sessions/0"]
    (found,) = clinic.of_client("Observation")
    assert "basedOn" not in found
    assert found["performer"] == [
        {"type": "Practitioner", "identifier": clinic.number("staff", "nobody")}
    ]
    assert only(clinic.send(clinic.note("S-2", plan="P-2", techniques=[])))["issues"] == []
    based = clinic.found("Observation", **{"based-on": f"CarePlan/{clinic.name}-other"})
    assert len(based) == 1


def test_local_codes_are_translated_by_a_posted_map(clinic: Clinic) -> None:
    local = f"https://{clinic.name}.example/codes"
    clinic.put(
        "ConceptMap",
        f"{clinic.name}-codes",
        url=f"https://{clinic.name}.example/map",
        status="active",
        group=[
            {
                "source": local,
                "target": "https://hyoid.example/fhir/CodeSystem/technique",
                "element": [
                    {
                        "code": "TTA",
                        "target": [{"code": "faucial-cold-strokes", "equivalence": "equivalent"}],
                    }
                ],
            }
        ],
    )
    techniques = [
        {"technique": {"system": local, "code": "TTA", "display": "Cold strokes"}},
        {"technique": {"system": local, "code": "ZZZ", "display": "House special"}},
    ]
    told = only(clinic.send(clinic.note(techniques=techniques)))
    assert told["status"] == "stored"
    assert places(told, "warning") == ["/sessions/0/techniques/1/technique"]
    found = {one["code"]["text"]: one["code"]["coding"] for one in clinic.of_client("Procedure")}
    assert [each["code"] for each in found["Cold strokes"]] == ["faucial-cold-strokes", "TTA"]
    assert found["House special"] == [{"system": local, "code": "ZZZ", "display": "House special"}]
    strict = clinic.send(clinic.note("S-2", techniques=techniques), strict="true")
    assert strict.status_code == 422
    assert places(only(strict)) == ["/sessions/0/techniques/1/technique"]
    assert only(clinic.send(clinic.note("S-2")))["status"] == "stored"


def test_a_code_of_ours_that_does_not_exist_is_refused(clinic: Clinic) -> None:
    system = "https://hyoid.example/fhir/CodeSystem/technique"
    techniques = [{"technique": {"system": system, "code": "levitation"}}]
    answer = only(clinic.send(clinic.note(techniques=techniques)))
    assert places(answer) == ["/sessions/0/techniques/0/technique"]


def test_a_session_that_came_by_fhir_is_left_alone(clinic: Clinic) -> None:
    clinic.put(
        "Encounter",
        f"{clinic.name}-e",
        status="finished",
        identifier=[clinic.number("session", "S-1")],
        subject={"reference": clinic.patient},
        **{"class": {"code": "AMB"}},
    )
    answer = clinic.send(clinic.note())
    assert answer.status_code == 409
    assert places(only(answer)) == ["/sessions/0/session"]


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


def test_codes_of_a_clinic_that_is_mapped_here_are_translated(clinic: Clinic) -> None:
    """By the shipped example maps of Juniper Bend (mappings/concept-maps)."""
    techniques = [
        {"technique": "TTS-F", "response": "++"},
        {"technique": "BOT", "status": "not-done", "reason": "TIRED"},
        {"technique": "head-lift"},
    ]
    note = clinic.note(techniques=techniques)
    told = only(clinic.send(note, localCodes="https://juniper-bend.example/codes/"))
    assert (told["status"], told["issues"]) == ("stored", [])
    codes = {
        tuple(each["code"] for each in one["code"]["coding"])
        for one in clinic.of_client("Procedure")
    }
    assert codes == {
        ("faucial-cold-strokes", "TTS-F"),
        ("tongue-base-strokes", "BOT"),
        ("head-lift",),
    }
    (left_out,) = [one for one in clinic.of_client("Procedure") if one["status"] == "not-done"]
    assert left_out["statusReason"]["coding"][0]["code"] == "fatigue"


def test_a_known_scale_is_scored(clinic: Clinic) -> None:
    """EAT-10: the sum of ten items of 0 to 4 (Belafsky 2008)."""
    answers = {f"item-{number}": number % 5 for number in range(1, 11)}
    note = clinic.note(scales=[{"scale": "eating-assessment-10", "answers": answers}])
    told = only(clinic.send(note))
    assert (told["status"], told["issues"]) == ("stored", [])
    (response,) = clinic.of_client("QuestionnaireResponse")
    (score,) = clinic.found("Observation", patient=clinic.patient, code="eat-10-total")
    assert score["valueQuantity"]["value"] == sum(answers.values())
    assert score["derivedFrom"] == [{"reference": f"QuestionnaireResponse/{response['id']}"}]
    assert f"Observation/{score['id']}" in told["resources"]
    # A corrected answer makes a new version of the same score.
    answers["item-1"] = 4
    note |= {"revision": 2, "scales": [{"scale": "eating-assessment-10", "answers": answers}]}
    assert only(clinic.send(note))["status"] == "corrected"
    (again,) = clinic.found("Observation", patient=clinic.patient, code="eat-10-total")
    assert (again["id"], again["valueQuantity"]["value"]) == (score["id"], sum(answers.values()))


def test_answers_are_judged_by_their_form(clinic: Clinic) -> None:
    answers = {"item-1": 9, "item-99": 1}
    note = clinic.note(scales=[{"scale": "eating-assessment-10", "answers": answers}])
    answer = clinic.send(note)
    assert answer.status_code == 422
    assert places(only(answer)) == [
        "/sessions/0/scales/0/answers/item-1",
        "/sessions/0/scales/0/answers/item-99",
    ]
    short = clinic.note(scales=[{"scale": "eating-assessment-10", "answers": {"item-1": 3}}])
    told = only(clinic.send(short))
    assert told["status"] == "stored"
    assert set(places(told, "warning")) == {"/sessions/0/scales/0"}
    assert len(clinic.of_client("QuestionnaireResponse")) == 1
    assert clinic.found("Observation", patient=clinic.patient, code="eat-10-total") == []

"""Once is once: the same session again, corrected, late, or at the same instant."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

from tests.intake.clinic import Clinic, only, places

Json = dict[str, Any]


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

"""What others did to a session's resources in between, and what an intake makes of it."""

from __future__ import annotations

from tests.intake.clinic import Clinic, only


def test_a_deleted_session_is_stored_again(clinic: Clinic) -> None:
    told = only(clinic.send(clinic.note()))
    for reference in told["resources"]:
        assert clinic.http.delete(f"/fhir/{reference}").status_code == 204
    again = only(clinic.send(clinic.note()))
    assert (again["status"], again["resources"]) == ("stored", told["resources"])
    (encounter,) = clinic.of_client("Encounter")
    assert encounter["meta"]["versionId"] == "3"


def test_a_note_that_was_deleted_is_no_hindrance_to_a_correction(clinic: Clinic) -> None:
    told = only(clinic.send(clinic.note()))
    (document,) = [one for one in told["resources"] if one.startswith("DocumentReference/")]
    clinic.http.delete(f"/fhir/{document}")
    assert only(clinic.send(clinic.note()))["status"] == "unchanged"
    assert only(clinic.send(clinic.note(note="n")))["status"] == "refused"
    assert only(clinic.send(clinic.note(revision=2, note="n")))["status"] == "corrected"
    assert clinic.http.get(f"/fhir/{document}").json()["description"] == "n"

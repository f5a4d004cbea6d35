"""Answers to a form become a QuestionnaireResponse and its scores."""

from __future__ import annotations

from tests.intake.clinic import Clinic, only, places


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

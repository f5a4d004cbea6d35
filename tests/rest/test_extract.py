"""Structured Data Capture 4.0, QuestionnaireResponse/$extract, over HTTP; the numbers are the
worked examples of tests/standard/questionnaires."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from tests.factories.clinical import patient
from tests.standard.questionnaires.forms import answered, calculated, coded, form_of, given
from tests.standard.questionnaires.respond import code_of, form, numbered, respond, value_of

Json = dict[str, Any]

EATING = [0, 1, 0, 2, 0, 0, 1, 3, 2, 1]


@pytest.fixture
def response(fhir: httpx.Client, name: str) -> Json:
    """A response of a client that is stored; itself it is not."""
    fhir.put(f"Patient/{name}", json=patient(name)).raise_for_status()
    return respond(
        form("eating-assessment-10"),
        numbered(EATING),
        id=name,
        subject={"reference": f"Patient/{name}"},
        author={"reference": f"Patient/{name}"},
    )


def parameters(**parts: Any) -> Json:
    """A Parameters resource of resources and truths."""
    listed = [
        {"name": name.replace("_", "-")}
        | ({"valueBoolean": part} if isinstance(part, bool) else {"resource": part})
        for name, part in parts.items()
    ]
    return {"resourceType": "Parameters", "parameter": listed}


def resources(bundle: Json, kind: str = "Observation") -> list[Json]:
    found = (entry["resource"] for entry in bundle["entry"])
    return [resource for resource in found if resource["resourceType"] == kind]


def part(answer: httpx.Response, name: str) -> Json:
    """The resource of a part of a Parameters answer."""
    body = answer.raise_for_status().json()
    assert body["resourceType"] == "Parameters"
    (found,) = [p["resource"] for p in body["parameter"] if p["name"] == name]
    return dict(found)


def derived(fhir: httpx.Client, key: str) -> list[Json]:
    """The stored Observations that follow from a response."""
    query = {"derived-from": f"QuestionnaireResponse/{key}", "_count": "200"}
    found = fhir.get("Observation", params=query).raise_for_status().json()
    return resources(found) if "entry" in found else []


def refused(answer: httpx.Response, status: int) -> list[Json]:
    assert answer.status_code == status, answer.text
    body = answer.json()
    assert body["resourceType"] == "OperationOutcome"
    return list(body["issue"])


def test_of_a_stored_response(fhir: httpx.Client, response: Json, name: str) -> None:
    fhir.put(f"QuestionnaireResponse/{name}", json=response).raise_for_status()
    for answer in (
        fhir.get(f"QuestionnaireResponse/{name}/$extract"),
        fhir.post(f"QuestionnaireResponse/{name}/$extract"),
    ):
        bundle = answer.raise_for_status().json()
        assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "transaction")
        (seen,) = resources(bundle)
        assert value_of(seen) == sum(EATING)
        assert seen["derivedFrom"] == [{"reference": f"QuestionnaireResponse/{name}"}]
        assert seen["performer"] == [{"reference": f"Patient/{name}"}]
    assert derived(fhir, name) == []
    stored = fhir.get(f"QuestionnaireResponse/{name}").raise_for_status().json()
    assert {k: v for k, v in stored.items() if k != "meta"} == response


def test_the_bundle_can_be_posted_and_posting_it_twice_stores_once(
    fhir: httpx.Client, response: Json, name: str
) -> None:
    fhir.put(f"QuestionnaireResponse/{name}", json=response).raise_for_status()
    bundle = fhir.post("QuestionnaireResponse/$extract", json=response).raise_for_status().json()
    for status in ("201", "200"):
        done = fhir.post("", json=bundle).raise_for_status().json()
        assert done["entry"][0]["response"]["status"].startswith(status)
    (seen,) = derived(fhir, name)
    assert value_of(seen) == 10
    assert seen["interpretation"][0]["coding"][0]["code"] == "A"
    assert seen["referenceRange"][0]["high"]["value"] == 2
    found = fhir.get(
        "Observation", params={"patient": name, "code": "eat-10-total", "category": "survey"}
    )
    assert len(resources(found.json())) == 1


def test_store_stores_and_storing_twice_stores_once(
    fhir: httpx.Client, response: Json, name: str
) -> None:
    fhir.put(f"QuestionnaireResponse/{name}", json=response).raise_for_status()
    for address, body in (
        (f"QuestionnaireResponse/{name}/$extract?store=true", None),
        (f"QuestionnaireResponse/{name}/$extract", parameters(store=True)),
        ("QuestionnaireResponse/$extract?store=true", response),
        ("QuestionnaireResponse/$extract", parameters(questionnaire_response=response, store=True)),
    ):
        done = fhir.post(address, json=body).raise_for_status().json()
        assert done["type"] == "transaction-response"
        assert len(done["entry"]) == 1
    (seen,) = derived(fhir, name)
    assert seen["meta"]["versionId"] == "1"


def test_store_takes_a_response_along_that_is_not_stored_yet(
    fhir: httpx.Client, response: Json, name: str
) -> None:
    done = fhir.post("QuestionnaireResponse/$extract?store=true", json=response)
    statuses = [e["response"]["status"][:3] for e in done.raise_for_status().json()["entry"]]
    assert statuses == ["201", "201"]
    assert fhir.get(f"QuestionnaireResponse/{name}").json()["item"] == response["item"]
    assert len(derived(fhir, name)) == 1


def test_a_response_without_an_id_is_stored_once_with_what_follows_from_it(
    fhir: httpx.Client, response: Json, name: str
) -> None:
    del response["id"]
    for _ in range(2):
        done = fhir.post("QuestionnaireResponse/$extract?store=true", json=response)
        done.raise_for_status()
    stored = fhir.get("QuestionnaireResponse", params={"patient": name}).json()["entry"]
    assert len(stored) == 1
    (seen,) = derived(fhir, stored[0]["resource"]["id"])
    assert value_of(seen) == 10


def test_store_refuses_a_response_that_is_stored_otherwise(
    fhir: httpx.Client, response: Json, name: str
) -> None:
    fhir.put(f"QuestionnaireResponse/{name}", json=response).raise_for_status()
    response["item"][0]["item"].reverse()
    refused(fhir.post("QuestionnaireResponse/$extract?store=true", json=response), 409)
    assert derived(fhir, name) == []


def test_what_was_corrected_silently_is_left_and_told_and_amended_it_is_replaced(
    fhir: httpx.Client, response: Json, name: str
) -> None:
    address = f"QuestionnaireResponse/{name}"
    fhir.put(address, json=response).raise_for_status()
    fhir.post(f"{address}/$extract?store=true").raise_for_status()
    response["item"][0]["item"][0]["answer"][0]["valueCoding"] = form("eating-assessment-10")[
        "item"
    ][0]["item"][0]["answerOption"][4]["valueCoding"]
    fhir.put(address, json=response).raise_for_status()
    told = part(fhir.post(f"{address}/$extract?store=true"), "issues")
    assert "has another value" in told["issue"][0]["diagnostics"]
    assert value_of(derived(fhir, name)[0]) == 10
    fhir.put(address, json=response | {"status": "amended"}).raise_for_status()
    for _ in range(2):
        done = fhir.post(f"{address}/$extract?store=true").raise_for_status().json()
        assert done["type"] == "transaction-response"
    (seen,) = derived(fhir, name)
    assert (seen["status"], value_of(seen)) == ("amended", 14)


def test_issues_come_beside_what_was_extracted(fhir: httpx.Client, name: str) -> None:
    questionnaire = form("swallowing-quality-of-life")
    answers = {"burden-1": "scale-3", "burden-2": "scale-4"}
    answer = fhir.post("QuestionnaireResponse/$extract", json=respond(questionnaire, answers))
    (seen,) = resources(part(answer, "return"))
    assert (code_of(seen), value_of(seen)) == ("swal-qol-burden", 62.5)
    issues = part(answer, "issues")["issue"]
    assert len(issues) == 10
    assert {issue["severity"] for issue in issues} == {"warning"}


def test_nothing_to_extract_is_told_and_no_error(fhir: httpx.Client) -> None:
    """Structured Data Capture: success with issues only."""
    not_attempted = respond(form("water-test-3-ounce"), {"attempted": "N"})
    answer = fhir.post("QuestionnaireResponse/$extract", json=not_attempted)
    body = answer.raise_for_status().json()
    assert [p["name"] for p in body["parameter"]] == ["issues"]


def test_missing_answers_are_named(fhir: httpx.Client) -> None:
    answers = numbered(EATING)
    del answers["item-8"]
    incomplete = respond(form("eating-assessment-10"), answers)
    issues = refused(fhir.post("QuestionnaireResponse/$extract", json=incomplete), 422)
    place = "QuestionnaireResponse.item[0].item.where(linkId = 'item-8')"
    assert {issue["expression"][0] for issue in issues} == {place}
    assert {issue["code"] for issue in issues} == {"incomplete", "required"}


def test_answers_that_do_not_fit_are_refused(fhir: httpx.Client, response: Json) -> None:
    response["item"][0]["item"][3]["answer"][0]["valueCoding"]["code"] = "scale-5"
    (issue,) = refused(fhir.post("QuestionnaireResponse/$extract", json=response), 422)
    assert issue["expression"] == ["QuestionnaireResponse.item[0].item[3].answer[0]"]
    response["status"] = "in-progress"
    refused(fhir.post("QuestionnaireResponse/$extract", json=response), 422)


def other_form(name: str, **more: Any) -> Json:
    """A form that is none of ours."""
    double = calculated("c", "%resource.item.where(linkId='n').answer.value * 2")
    return form_of(coded("n"), double, url=f"https://clinic.example/{name}") | more


def test_of_a_form_that_is_handed_over(fhir: httpx.Client, name: str) -> None:
    questionnaire = other_form(name)
    filled = answered(given("n", 4), questionnaire=f"https://clinic.example/{name}|1")
    both = parameters(questionnaire_response=filled, questionnaire=questionnaire)
    bundle = fhir.post("QuestionnaireResponse/$extract", json=both).raise_for_status().json()
    assert [seen["valueInteger"] for seen in resources(bundle)] == [4, 8]
    (issue,) = refused(fhir.post("QuestionnaireResponse/$extract", json=filled), 422)
    assert issue["code"] == "not-found"
    other = parameters(questionnaire_response=filled, questionnaire=other_form(name, version="2"))
    refused(fhir.post("QuestionnaireResponse/$extract", json=other), 422)


def test_of_a_form_that_is_stored(fhir: httpx.Client, name: str) -> None:
    url = f"https://clinic.example/{name}"
    fhir.post("Questionnaire", json=other_form(name)).raise_for_status()
    for canonical in (url, f"{url}|1"):
        filled = answered(given("n", 4), questionnaire=canonical)
        bundle = fhir.post("QuestionnaireResponse/$extract", json=filled).raise_for_status().json()
        assert len(resources(bundle)) == 2
    fhir.post("Questionnaire", json=other_form(name, version="2")).raise_for_status()
    filled = answered(given("n", 4), questionnaire=url)
    (issue,) = refused(fhir.post("QuestionnaireResponse/$extract", json=filled), 422)
    assert issue["code"] == "multiple-matches"
    filled["questionnaire"] = f"{url}|2"
    fhir.post("QuestionnaireResponse/$extract", json=filled).raise_for_status()
    filled["questionnaire"] = f"{url}|3"
    refused(fhir.post("QuestionnaireResponse/$extract", json=filled), 422)


def test_a_form_of_ours_cannot_be_replaced_by_another(fhir: httpx.Client, response: Json) -> None:
    altered = form("eating-assessment-10") | {"title": "Another"}
    both = parameters(questionnaire_response=response, questionnaire=altered)
    (issue,) = refused(fhir.post("QuestionnaireResponse/$extract", json=both), 422)
    assert issue["code"] == "conflict"
    both = parameters(questionnaire_response=response, questionnaire=form("eating-assessment-10"))
    fhir.post("QuestionnaireResponse/$extract", json=both).raise_for_status()


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (None, 400),
        ({"resourceType": "Patient"}, 400),
        (parameters(questionnaire_response=patient()), 400),
        (parameters(anything=True), 400),
        (parameters(store=True), 400),
        (answered(given("n", 1), item="no"), 400),
        (answered(given("n", 1), status="bogus"), 422),
        ({k: v for k, v in answered(given("n", 1)).items() if k != "questionnaire"}, 422),
    ],
)
def test_what_is_asked_wrongly_is_refused(fhir: httpx.Client, body: Any, status: int) -> None:
    refused(fhir.post("QuestionnaireResponse/$extract", json=body), status)


def test_addresses_and_methods(fhir: httpx.Client, response: Json, name: str) -> None:
    refused(fhir.get(f"QuestionnaireResponse/{name}/$extract"), 404)
    fhir.put(f"QuestionnaireResponse/{name}", json=response).raise_for_status()
    refused(fhir.get(f"QuestionnaireResponse/{name}/$extract?store=true"), 405)
    refused(fhir.get(f"QuestionnaireResponse/{name}/$extract?store=perhaps"), 400)
    refused(fhir.get(f"QuestionnaireResponse/{name}/$extract?format=report"), 400)
    refused(fhir.post(f"QuestionnaireResponse/{name}/$extract", json=response), 400)
    refused(fhir.get("Observation/$extract"), 404)
    fhir.delete(f"QuestionnaireResponse/{name}").raise_for_status()
    refused(fhir.get(f"QuestionnaireResponse/{name}/$extract"), 410)
    refused(fhir.post("QuestionnaireResponse/$extract?store=true", json=response), 410)


def test_in_a_batch_and_in_a_transaction(fhir: httpx.Client, response: Json, name: str) -> None:
    fhir.put(f"QuestionnaireResponse/{name}", json=response).raise_for_status()

    def posted(kind: str, query: str) -> httpx.Response:
        url = f"QuestionnaireResponse/{name}/$extract{query}"
        entry = {"request": {"method": "POST", "url": url}}
        return fhir.post("", json={"resourceType": "Bundle", "type": kind, "entry": [entry]})

    for kind in ("batch", "transaction"):
        (entry,) = posted(kind, "").raise_for_status().json()["entry"]
        assert entry["resource"]["type"] == "transaction"
    refused(posted("transaction", "?store=true"), 400)
    assert derived(fhir, name) == []
    (entry,) = posted("batch", "?store=true").raise_for_status().json()["entry"]
    assert entry["response"]["status"].startswith("200")
    assert len(derived(fhir, name)) == 1


@pytest.mark.parametrize(
    "expression",
    [
        "1 +",
        "now()",
        "'a'.matches('(a+)+$')",
        "repeat(%resource)" + ".select(descendants())" * 8,
        "(" * 300 + "1" + ")" * 300,
    ],
)
def test_an_expression_from_outside_never_makes_the_service_fail(
    fhir: httpx.Client, name: str, expression: str
) -> None:
    questionnaire = form_of(coded("n"), calculated("c", expression), url=f"urn:{name}")
    filled = answered(given("n", 4), questionnaire=f"urn:{name}")
    both = parameters(questionnaire_response=filled, questionnaire=questionnaire)
    answer = fhir.post("QuestionnaireResponse/$extract", json=both)
    assert answer.status_code in (400, 422), answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_the_operation_is_announced(fhir: httpx.Client) -> None:
    """The definition's canonical is the one of Structured Data Capture."""
    listed = fhir.get("metadata").json()["rest"][0]["resource"]
    operations = next(r["operation"] for r in listed if r["type"] == "QuestionnaireResponse")
    canonical = "http://hl7.org/fhir/uv/sdc/OperationDefinition/QuestionnaireResponse-extract"
    assert {"name": "extract", "definition": canonical} in operations

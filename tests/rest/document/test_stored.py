"""Documents of Compositions that others stored, questions that are refused, and what is kept."""

from __future__ import annotations

import base64
import hashlib
from typing import Any

import httpx
import pytest

from tests.factories.course import references
from tests.rest.document.asking import Resource, foreign, page, write
from tests.rest.documents import composition_of
from tests.rest.putting import put_all


def test_document_of_any_composition(fhir: httpx.Client, plan: str) -> None:
    put_all(fhir, [foreign(plan)])
    for answer in (
        fhir.get(f"Composition/{plan}-theirs/$document"),
        fhir.get("Composition/$document", params={"id": f"{plan}-theirs"}),
        fhir.post(f"Composition/{plan}-theirs/$document"),
    ):
        assert answer.status_code == 200, answer.text[:500]
        names = references([entry["resource"] for entry in answer.json()["entry"]])
        assert names[0] == f"Composition/{plan}-theirs"
        assert f"Condition/{plan}-dysphagia" in names
        assert f"CarePlan/{plan}" not in names
        assert "attester" not in answer.json()["entry"][0]["resource"]


@pytest.mark.parametrize(
    ("element", "value", "place"),
    [
        ("custodian", {"reference": "Organization/nowhere"}, "Composition.custodian"),
        ("encounter", {"reference": "Encounter/nowhere"}, "Composition.encounter"),
        (
            "author",
            [{"reference": "https://else.example/fhir/Practitioner/1"}],
            "Composition.author[0]",
        ),
        ("subject", {"reference": "Patient/nobody-here"}, "Composition.subject"),
    ],
)
def test_composition_that_names_what_cannot_come_is_refused(
    fhir: httpx.Client, plan: str, element: str, value: Any, place: str
) -> None:
    put_all(fhir, [foreign(plan, **{element: value})])
    answer = fhir.get(f"Composition/{plan}-theirs/$document")
    assert answer.status_code == 422
    assert place in [i["expression"][0] for i in answer.json()["issue"]]


def test_entry_of_another_client_is_refused(fhir: httpx.Client, plan: str) -> None:
    section = {"title": "x", "entry": [{"reference": f"Condition/{plan}-other-secret"}]}
    put_all(fhir, [foreign(plan, section=[section])])
    answer = fhir.get(f"Composition/{plan}-theirs/$document")
    assert answer.status_code == 422
    assert answer.json()["issue"][0]["expression"] == ["Composition.section[0].entry[0]"]
    assert "Secret" not in answer.text


@pytest.mark.parametrize(
    ("method", "address", "status", "place"),
    [
        ("GET", "Composition/x/$document?graph=http://x.example/g", 400, "http.graph"),
        ("GET", "Composition/x/$document?id=x", 400, "http.id"),
        ("GET", "Composition/x/$document?colour=blue", 400, "http.colour"),
        ("GET", "Composition/nobody-wrote/$document", 404, None),
        ("GET", "Composition/nobody-wrote/$document?persist=true", 405, None),
        ("GET", "Composition/$document?plan=x", 405, None),
        ("POST", "Composition/$document?plan=nobody-plans", 404, None),
        ("POST", "Composition/$document?plan=Patient/x", 400, "http.plan"),
        ("POST", "Composition/$document?plan=a&plan=b", 400, "http.plan"),
        ("POST", "Composition/$document", 400, "http.plan"),
        ("POST", "Composition/$document?plan={plan}&patient=c-{plan}-other", 400, "http.patient"),
        (
            "POST",
            "Composition/$document?plan={plan}&author=Practitioner/no-one",
            404,
            "http.author",
        ),
        (
            "POST",
            "Composition/$document?plan={plan}&author=Patient/c-{plan}-other",
            404,
            "http.author",
        ),
        ("POST", "Composition/$document?plan={plan}&custodian=no-house", 404, "http.custodian"),
        ("POST", "Composition/$document?plan={plan}&persist=perhaps", 400, "http.persist"),
        ("POST", "Composition/$document?plan={plan}&title=", 400, "http.title"),
    ],
)
def test_bad_questions_are_refused(
    fhir: httpx.Client, plan: str, method: str, address: str, status: int, place: str | None
) -> None:
    answer = fhir.request(method, address.format(plan=plan))
    assert answer.status_code == status, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"
    if place is not None:
        assert answer.json()["issue"][0]["location"] == [place]
    assert fhir.get(f"Composition?subject=Patient/c-{plan}").json()["total"] == 0


def test_deep_sections_are_no_fault(fhir: httpx.Client, plan: str) -> None:
    div = '<div xmlns="http://www.w3.org/1999/xhtml"><p>At the bottom</p></div>'
    section: Resource = {"title": "deepest", "text": {"status": "additional", "div": div}}
    for depth in range(40):
        section = {"title": f"level {depth}", "section": [section]}
    put_all(fhir, [foreign(plan, section=[section])])
    assert fhir.get(f"Composition/{plan}-theirs/$document").status_code == 200
    assert "At the bottom" in page(fhir, f"{plan}-theirs").text


def test_not_within_a_transaction(fhir: httpx.Client, plan: str) -> None:
    for kind, status in (("transaction", 400), ("batch", 200)):
        entry = {"request": {"method": "POST", "url": f"Composition/$document?plan={plan}"}}
        answer = fhir.post("", json={"resourceType": "Bundle", "type": kind, "entry": [entry]})
        assert answer.status_code == status, answer.text[:500]
    draft = composition_of(write(fhir, plan).json())["id"]
    url = f"Composition/{draft}/$document"
    for query, status in (("", "200"), ("?_format=text/html", "406")):
        entry = {"request": {"method": "GET", "url": url + query}}
        answer = fhir.post("", json={"resourceType": "Bundle", "type": "batch", "entry": [entry]})
        assert answer.json()["entry"][0]["response"]["status"].startswith(status)


def test_the_only_plan_of_a_patient_is_found(fhir: httpx.Client, plan: str) -> None:
    answer = fhir.post("Composition/$document", params={"patient": f"c-{plan}"})
    assert answer.status_code == 201
    assert composition_of(answer.json())["event"][0]["detail"] == [
        {"reference": f"CarePlan/{plan}"}
    ]
    put_all(
        fhir,
        [
            {
                "resourceType": "CarePlan",
                "id": f"{plan}-2",
                "status": "active",
                "intent": "plan",
                "subject": {"reference": f"Patient/c-{plan}"},
            }
        ],
    )
    answer = fhir.post("Composition/$document", params={"patient": f"c-{plan}"})
    assert answer.status_code == 400
    assert f"{plan}-2" in answer.text


def test_kept_document_is_the_answer_byte_for_byte(fhir: httpx.Client, plan: str) -> None:
    key = composition_of(write(fhir, plan).json())["id"]
    answer = fhir.post(f"Composition/{key}/$document", params={"persist": "true"})
    assert answer.status_code == 200, answer.text[:500]
    kept = fhir.get(answer.headers["Location"]).json()
    attachment = kept["content"][0]["attachment"]
    assert base64.b64decode(attachment["data"]) == answer.content
    assert base64.b64decode(attachment["hash"]) == hashlib.sha1(answer.content).digest()
    assert kept["masterIdentifier"]["value"] == answer.json()["identifier"]["value"]
    assert kept["subject"] == {"reference": f"Patient/c-{plan}"}
    assert kept["docStatus"] == "preliminary"
    found = fhir.get(f"DocumentReference?patient=c-{plan}").json()
    assert found["total"] == 1

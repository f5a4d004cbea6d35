"""Outside source: R4, Using Codes, section Required ("the concept in this element SHALL be from
the specified value set"); value sets of the official package."""

from __future__ import annotations

from typing import Any

import pytest

from tests.standard.validation.resources import Resource, errors, patient, resource

CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"


def condition(**elements: Any) -> Resource:
    return resource("Condition", **({"subject": {"reference": "Patient/1"}} | elements))


def coded(code: str, system: str | None = CLINICAL) -> dict[str, Any]:
    coding = {"code": code} if system is None else {"system": system, "code": code}
    return {"coding": [coding]}


@pytest.mark.parametrize("code", ["male", "female", "other", "unknown"])
def test_codes_of_the_value_set_are_accepted(code: str) -> None:
    assert errors(patient(gender=code)) == []


@pytest.mark.parametrize("code", ["Male", "m", "male ", "none"])
def test_other_codes_are_refused(code: str) -> None:
    assert [place for _, place in errors(patient(gender=code))] == ["Patient.gender"]


def test_one_coding_of_a_concept_must_be_from_the_value_set() -> None:
    other = {"system": "http://example.org", "code": "x"}
    both = {"coding": [other, {"system": CLINICAL, "code": "active"}]}
    assert errors(condition(clinicalStatus=both)) == []
    refused = [("code-invalid", "Condition.clinicalStatus")]
    assert errors(condition(clinicalStatus={"coding": [other]})) == refused
    assert errors(condition(clinicalStatus=coded("bogus"))) == refused
    assert errors(condition(clinicalStatus=coded("active", "http://example.org"))) == refused
    assert errors(condition(clinicalStatus=coded("active", None))) == refused
    assert errors(condition(clinicalStatus={"text": "active"})) == refused


def test_a_concept_may_say_by_extension_why_it_is_absent() -> None:
    absent = {"url": "http://example.org/absent", "valueCode": "unknown"}
    assert errors(condition(clinicalStatus={"extension": [absent]})) == []


@pytest.mark.parametrize("language", ["en", "de-CH-1996", "zh-Hans", "x-abc"])
def test_languages_have_the_form_of_bcp_47(language: str) -> None:
    assert errors(patient(language=language)) == []


def test_open_value_sets_are_checked_by_form() -> None:
    assert errors(patient(language="e n")) == [("code-invalid", "Patient.language")]
    photo = [{"contentType": "pdf", "url": "http://example.org/a"}]
    assert errors(patient(photo=photo)) == [("code-invalid", "Patient.photo[0].contentType")]
    for media in ("image/png", "text/plain; charset=utf-8", "application/fhir+json"):
        assert errors(patient(photo=[photo[0] | {"contentType": media}])) == []
    money = {"url": "http://example.org/x", "valueMoney": {"value": 1, "currency": "euro"}}
    assert [code for code, _ in errors(patient(extension=[money]))] == ["code-invalid"]


def test_lists_of_codes_are_checked_one_by_one() -> None:
    timing = {"repeat": {"dayOfWeek": ["mon", "someday"]}}
    order = resource(
        "ServiceRequest",
        status="active",
        intent="order",
        subject={"reference": "Patient/1"},
        occurrenceTiming=timing,
    )
    place = "ServiceRequest.occurrence.repeat.dayOfWeek[1]"
    assert errors(order) == [("code-invalid", place)]

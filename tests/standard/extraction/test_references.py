"""What does a reference lead to? Source: R4, Search, section reference; References."""

from __future__ import annotations

from typing import Any

import pytest

from service.standard.search_values import extract
from tests.standard.search_rows import of


def subject(reference: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Observation", "subject": reference}


@pytest.mark.parametrize(
    ("literal", "rows"),
    [
        ("Patient/1", [("Patient", "1", 0)]),
        ("Patient/1/_history/7", [("Patient", "1", 0)]),
        ("#inside", []),
        ("https://other.example/fhir/Patient/1", [("", "https://other.example/fhir/Patient/1", 0)]),
        (
            "urn:uuid:c757873d-ec9a-4326-a141-556f43239520",
            [("", "urn:uuid:c757873d-ec9a-4326-a141-556f43239520", 0)],
        ),
        ("Patient/1/2", [("", "Patient/1/2", 0)]),
        ("Patient?identifier=1", [("", "Patient?identifier=1", 0)]),
    ],
)
def test_literal_references(literal: str, rows: list[Any]) -> None:
    found = extract(subject({"reference": literal}))
    assert of(found.references, "Observation", "subject") == rows


@pytest.mark.parametrize(
    ("reference", "is_patient"),
    [
        ({"reference": "Patient/1"}, True),
        ({"reference": "Group/1"}, False),
        ({"reference": "https://other.example/fhir/Patient/1"}, True),
        ({"reference": "https://other.example/fhir/Group/1"}, False),
        ({"reference": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520", "type": "Patient"}, True),
        ({"reference": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"}, False),
    ],
)
def test_patient_is_a_subject_that_is_a_patient(
    reference: dict[str, Any], is_patient: bool
) -> None:
    # clinical-patient: subject.where(resolve() is Patient)
    found = extract(subject(reference))
    assert bool(of(found.references, "Observation", "patient")) == is_patient


def test_an_identifier_is_a_token_of_its_own_beside_or_without_a_literal() -> None:
    # R4, Search: [parameter]:identifier matches Reference.identifier
    identifier = {"system": "http://c.example", "value": "7"}
    for reference in (
        {"identifier": identifier, "type": "Patient"},
        {"identifier": identifier, "reference": "Patient/1"},
        {"identifier": identifier, "type": "http://hl7.org/fhir/StructureDefinition/Patient"},
    ):
        found = extract(subject(reference))
        for code in ("subject:identifier", "patient:identifier"):
            assert of(found.tokens, "Observation", code) == [("http://c.example", "7", 0)]
    nobody = extract(subject({"identifier": identifier, "type": "Group"}))
    assert of(nobody.tokens, "Observation", "patient:identifier") == []


@pytest.mark.parametrize(
    ("canonical", "rows"),
    [
        ("http://a.example/Questionnaire/q", [("", "http://a.example/Questionnaire/q", 0)]),
        ("http://a.example/q|2", [("", "http://a.example/q", 0), ("", "http://a.example/q|2", 0)]),
        ("Questionnaire/q", [("Questionnaire", "q", 0)]),
        ("#q", []),
    ],
)
def test_canonicals(canonical: str, rows: list[Any]) -> None:
    found = extract({"resourceType": "QuestionnaireResponse", "questionnaire": canonical})
    assert of(found.references, "QuestionnaireResponse", "questionnaire") == rows


def test_a_long_url_is_clipped() -> None:
    found = extract(subject({"reference": "https://other.example/" + "x" * 300}))
    assert len(of(found.references, "Observation", "subject")[0][1]) == 193


@pytest.mark.parametrize(
    ("reference", "rows"),
    [
        ({"display": "Mother"}, [("mother", "Mother", 0)]),
        ({"reference": "#inside"}, [("#inside", "#inside", 0)]),
        ({"reference": "Patient/1", "display": "Anna"}, []),
        ({"identifier": {"value": "5"}, "display": "Anna"}, []),
    ],
)
def test_a_reference_that_leads_nowhere_is_still_not_missing(
    reference: dict[str, Any], rows: list[Any]
) -> None:
    assert of(extract(subject(reference)).strings, "Observation", "subject") == rows

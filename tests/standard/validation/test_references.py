"""Outside source: R4, References: Literal References, Contained Resources, Reference.type; target
types of the official package."""

from __future__ import annotations

from typing import Any

import pytest

from service.standard.validation.references import known_types
from tests import official
from tests.standard.validation.resources import (
    UUID,
    bundle,
    errors,
    observation,
    patient,
    resource,
    warnings,
)

AT = "Observation.subject"

GOOD: list[dict[str, Any]] = [
    {"reference": "Patient/1"},
    {"reference": "Patient/1/_history/2", "type": "Patient"},
    {"reference": "https://example.org/fhir/Patient/1"},
    {"reference": "https://example.org/fhir/Patient/1/_history/2"},
    {"reference": "https://example.org/other/system"},
    {"reference": UUID},
    {"reference": "urn:oid:1.2.3"},
    {"reference": UUID, "type": "http://hl7.org/fhir/StructureDefinition/Group"},
    {"identifier": {"system": "http://example.org", "value": "1"}, "type": "Patient"},
    {"display": "somebody"},
]
BAD: list[tuple[dict[str, Any], str]] = [
    ({"reference": "Practitioner/1"}, AT),
    ({"reference": "http://example.org/fhir/Practitioner/1"}, AT),
    ({"reference": "Patient/1", "type": "Group"}, AT),
    ({"type": "Practitioner"}, AT),
    ({"type": "Nobody"}, f"{AT}.type"),
    ({"reference": "Nobody/1"}, f"{AT}.reference"),
    ({"reference": "patient/1"}, f"{AT}.reference"),
    ({"reference": "Patient"}, f"{AT}.reference"),
    ({"reference": "Patient/"}, f"{AT}.reference"),
    ({"reference": "Patient/a_b"}, f"{AT}.reference"),
    ({"reference": "Patient/1/2"}, f"{AT}.reference"),
    ({"reference": "Patient?identifier=1"}, f"{AT}.reference"),
    ({"reference": "#nobody"}, f"{AT}.reference"),
]


@pytest.mark.parametrize("reference", GOOD, ids=str)
def test_references_that_may_lead_to_an_allowed_type_are_accepted(
    reference: dict[str, Any],
) -> None:
    assert errors(observation(subject=reference)) == []


@pytest.mark.parametrize(("reference", "place"), BAD, ids=str)
def test_references_that_cannot_are_refused(reference: dict[str, Any], place: str) -> None:
    assert [found for _, found in errors(observation(subject=reference))] == [place]


def test_a_contained_target_must_have_an_allowed_type() -> None:
    for kind, refused in (("Patient", []), ("Practitioner", [("value", AT)])):
        held = {"resourceType": kind, "id": "p"}
        assert errors(observation(contained=[held], subject={"reference": "#p"})) == refused


def test_a_contained_resource_refers_to_its_container_and_its_siblings() -> None:
    held = [
        {
            "resourceType": "Provenance",
            "id": "a",
            "target": [{"reference": "#"}],
            "recorded": "2026-01-01T00:00:00Z",
            "agent": [{"who": {"reference": "#b"}}],
        },
        {"resourceType": "Practitioner", "id": "b"},
    ]
    assert errors(patient(contained=held)) == []


def test_an_entry_of_the_same_bundle_must_have_an_allowed_type() -> None:
    refused = ("value", "Bundle.entry[1].resource.subject")
    for kind, found in (("Patient", []), ("Practitioner", [refused])):
        held = {"fullUrl": UUID, "resource": resource(kind)}
        other = {"fullUrl": "urn:oid:1.2", "resource": observation(subject={"reference": UUID})}
        assert errors(bundle("collection", held, other)) == found


def test_a_urn_must_lead_to_an_entry_of_its_bundle() -> None:
    entry = {"fullUrl": "urn:oid:1.2", "resource": observation(subject={"reference": UUID})}
    place = "Bundle.entry[0].resource.subject.reference"
    assert errors(bundle("collection", entry)) == [("not-found", place)]


@pytest.mark.parametrize(("kind", "allowed"), [("transaction", True), ("batch", False)])
def test_a_search_stands_for_a_reference_in_a_transaction_only(kind: str, allowed: bool) -> None:
    request = {"method": "POST", "url": "Observation"}
    sought = observation(subject={"reference": "Patient?identifier=1"})
    found = errors(bundle(kind, {"resource": sought, "request": request}))
    place = "Bundle.entry[0].resource.subject.reference"
    assert found == ([] if allowed else [("value", place)])


def test_relative_canonicals_are_told_but_accepted_as_in_official_examples() -> None:
    answers = resource("QuestionnaireResponse", status="completed", questionnaire="Questionnaire/1")
    assert errors(answers) == []
    assert ("value", "QuestionnaireResponse.questionnaire") in warnings(answers)


def test_every_type_of_the_official_package_is_known() -> None:
    published = {
        body["type"]
        for body in official.resources("StructureDefinition")
        if body["kind"] == "resource"
        and body.get("derivation") == "specialization"
        and not body["abstract"]
    }
    assert known_types() == published
